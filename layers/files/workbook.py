"""Spreadsheets with formulas: only what is marked as one can become one; same rows, same bytes."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

from layers.files.formulas import is_like_formula

if TYPE_CHECKING:
    from openpyxl.worksheet._write_only import WriteOnlyWorksheet

# what XML 1.0 cannot hold, and lone surrogates, which no file can
_NO_CHARACTERS: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_EMPTY_SHEET: Final = re.compile(r"<sheetData\s*/>|<sheetData></sheetData>")
_MOST_COLUMNS: Final = 16_384
_LONGEST_TEXT: Final = 32_767  # both by the published limits of the format


@dataclass(frozen=True)
class Formula:
    """A formula written by this program, beginning with ``=``; never made from text of a file.

    ``value`` is what it gives, kept to 12 digits, for programs that show a file without reckoning;
    None for none.
    """

    text: str
    value: float | str | None = None


@dataclass(frozen=True)
class Heading:
    """A cell in bold, wrapped."""

    text: str


@dataclass(frozen=True)
class Changeable:
    """A number its reader may change, drawn so that it is seen."""

    value: float


Cell = str | float | int | bool | Formula | Heading | Changeable | None


@dataclass(frozen=True)
class Sheet:
    """One sheet: its rows, the widths of its columns in characters, and what stays in view.

    ``frozen`` is the cell left of and above which rows and columns stay (``"B2"``).
    """

    name: str
    rows: Iterable[Sequence[Cell]]
    widths: Sequence[float] = ()
    frozen: str = ""


def workbook_bytes(
    sheets: Sequence[Sheet], *, title: str, day: dt.date, names: Mapping[str, str] | None = None
) -> bytes:
    """An XLSX file.

    Parameters
    ----------
    sheets
        In their order; the rows of each are taken once, one after another.
    title
        Of the file's properties.
    day
        Stands as the day on which the file was made, so that equal input gives equal bytes.
    names
        Names for places, such as ``{"weight_1": "Parts!$D$8"}``.

    Text is written as text whatever it begins with; characters a spreadsheet cannot hold become
    question marks. A spreadsheet program reckons the formulas anew as it opens the file.
    """
    from openpyxl import Workbook
    from openpyxl.utils import get_column_letter
    from openpyxl.workbook.defined_name import DefinedName
    from openpyxl.writer.excel import ExcelWriter

    book = Workbook(write_only=True)
    made = dt.datetime(day.year, day.month, day.day)
    book.properties.creator = "Rillmark"
    book.properties.title = _as_text(title)
    book.properties.created = book.properties.modified = made
    if book.calculation is not None:
        book.calculation.fullCalcOnLoad = True
    rows = {}
    for number, sheet in enumerate(sheets, start=1):
        page = book.create_sheet(sheet.name)
        for i, width in enumerate(sheet.widths, start=1):
            page.column_dimensions[get_column_letter(i)].width = width
        if sheet.frozen:
            page.freeze_panes = sheet.frozen
        rows[f"xl/worksheets/sheet{number}.xml"] = _rows_as_xml(sheet.rows, _Styles(page))
    for name, place in (names or {}).items():
        book.defined_names[name] = DefinedName(name, attr_text=place)
    packed = io.BytesIO()
    ExcelWriter(book, _SteadyZip(packed, rows)).save()
    return packed.getvalue()


class _Styles:
    """The numbers by which cells name their style, of the few there are."""

    def __init__(self, page: WriteOnlyWorksheet) -> None:
        from openpyxl.cell import WriteOnlyCell
        from openpyxl.styles import Alignment, Font, PatternFill

        heading, changeable, quoted = (WriteOnlyCell(page) for _ in range(3))
        heading.font = Font(bold=True)
        heading.alignment = Alignment(wrap_text=True, vertical="top")
        changeable.fill = PatternFill("solid", fgColor="FFF2CC")
        quoted.quotePrefix = True  # stays text when somebody edits it
        self.heading, self.changeable, self.quoted = (
            f' s="{cell.style_id}"' for cell in (heading, changeable, quoted)
        )


def _rows_as_xml(rows: Iterable[Sequence[Cell]], styles: _Styles) -> Iterator[str]:
    """Rows as the sheet's XML (ECMA-376, 18.3.1); openpyxl's own writer takes four times as long.

    Text always stands as an inline string, so that none of it can be read as anything else.
    """
    from openpyxl.utils import get_column_letter

    letters = [get_column_letter(i) for i in range(1, _MOST_COLUMNS + 1)]
    for number, row in enumerate(rows, start=1):
        cells = [
            _cell_as_xml(f"{letter}{number}", value, styles)
            for letter, value in zip(letters, row, strict=False)
        ]
        yield f'<row r="{number}">{"".join(cells)}</row>'


def _cell_as_xml(place: str, value: Cell, styles: _Styles) -> str:
    if value is None:
        return ""
    if isinstance(value, Formula):
        return _formula_as_xml(place, escape(value.text[1:]), value.value)
    if isinstance(value, bool):
        return f'<c r="{place}" t="b"><v>{value:d}</v></c>'
    if isinstance(value, int | float):
        return f'<c r="{place}"><v>{float(value)!r}</v></c>'
    if isinstance(value, Changeable):
        return f'<c r="{place}"{styles.changeable}><v>{float(value.value)!r}</v></c>'
    text = _as_text(value.text if isinstance(value, Heading) else value)
    style = styles.heading if isinstance(value, Heading) else ""
    if not style and is_like_formula(text):
        style = styles.quoted
    kept = ' xml:space="preserve"' if text != text.strip() else ""
    text = escape(text, {"\r": "&#13;"})
    return f'<c r="{place}"{style} t="inlineStr"><is><t{kept}>{text}</t></is></c>'


def _formula_as_xml(place: str, formula: str, value: float | str | None) -> str:
    if value is None:
        return f'<c r="{place}"><f>{formula}</f></c>'
    if isinstance(value, str):
        return f'<c r="{place}" t="str"><f>{formula}</f><v>{escape(_as_text(value))}</v></c>'
    return f'<c r="{place}"><f>{formula}</f><v>{value:.12g}</v></c>'


def _as_text(value: str) -> str:
    return _NO_CHARACTERS.sub("?", value)[:_LONGEST_TEXT]


class _SteadyZip(zipfile.ZipFile):
    """An archive whose entries all bear the first day an archive can; rows fill empty sheets."""

    def __init__(self, target: io.BytesIO, rows: Mapping[str, Iterator[str]]) -> None:
        super().__init__(target, "w", zipfile.ZIP_DEFLATED)
        self.rows = rows

    def writestr(self, zinfo_or_arcname: Any, data: Any, *_: Any, **__: Any) -> None:
        """Add an entry; named as the standard library names it."""
        super().writestr(_entry(zinfo_or_arcname), data)

    def write(self, filename: Any, arcname: Any = None, *_: Any, **__: Any) -> None:
        """Add a sheet that openpyxl wrote without rows, its own rows in their place."""
        before, after = _EMPTY_SHEET.split(Path(filename).read_text("utf-8"))
        with self.open(_entry(arcname), "w") as target:
            target.write(f"{before}<sheetData>".encode())
            for row in self.rows[arcname]:
                target.write(row.encode())
            target.write(f"</sheetData>{after}".encode())


def _entry(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    return info
