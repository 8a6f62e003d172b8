"""Spreadsheets with formulas: only what is marked as one can become one; same rows, same bytes."""

from __future__ import annotations

import datetime as dt
import io
import re
import shutil
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet._write_only import WriteOnlyWorksheet

_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
# what XML 1.0 cannot hold, and lone surrogates, which no file can
_NO_CHARACTERS: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_LONGEST_TEXT: Final = 32_767  # of a cell, by the published limits of the format


@dataclass(frozen=True)
class Formula:
    """A formula written by this program, beginning with ``=``; never made from text of a file."""

    text: str


@dataclass(frozen=True)
class Heading:
    """A cell in bold, wrapped."""

    text: str


@dataclass(frozen=True)
class Changeable:
    """A number its reader may change, drawn so that it is seen."""

    value: float


Cell = str | float | int | bool | dt.date | Formula | Heading | Changeable | None


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
    question marks. Formulas carry no result: a spreadsheet program reckons them as it opens the
    file.
    """
    from openpyxl import Workbook
    from openpyxl.workbook.defined_name import DefinedName
    from openpyxl.writer.excel import ExcelWriter

    book = Workbook(write_only=True)
    made = dt.datetime(day.year, day.month, day.day)
    book.properties.creator = "Rillmark"
    book.properties.title = _as_text(title)
    book.properties.created = book.properties.modified = made
    if book.calculation is not None:
        book.calculation.fullCalcOnLoad = True
    for sheet in sheets:
        _write_sheet(book, sheet)
    for name, place in (names or {}).items():
        book.defined_names[name] = DefinedName(name, attr_text=place)
    packed = io.BytesIO()
    ExcelWriter(book, _SteadyZip(packed, "w", zipfile.ZIP_DEFLATED)).save()
    return packed.getvalue()


def _write_sheet(book: Workbook, sheet: Sheet) -> None:
    from openpyxl.utils import get_column_letter

    page = book.create_sheet(sheet.name)
    for i, width in enumerate(sheet.widths, start=1):
        page.column_dimensions[get_column_letter(i)].width = width
    if sheet.frozen:
        page.freeze_panes = sheet.frozen
    write = _Writer(page)
    for row in sheet.rows:
        page.append([write(value) for value in row])


class _Writer:
    """Turns values into cells of one sheet."""

    def __init__(self, page: WriteOnlyWorksheet) -> None:
        from openpyxl.cell import WriteOnlyCell
        from openpyxl.styles import Alignment, Font, PatternFill

        self.page, self.cell = page, WriteOnlyCell
        self.bold = Font(bold=True)
        self.wrapped = Alignment(wrap_text=True, vertical="top")
        self.tinted = PatternFill("solid", fgColor="FFF2CC")

    def __call__(self, value: Cell) -> Any:
        if isinstance(value, Formula):
            return value.text
        if isinstance(value, Heading):
            cell = self._text(value.text)
            cell.font, cell.alignment = self.bold, self.wrapped
            return cell
        if isinstance(value, Changeable):
            cell = self.cell(self.page, float(value.value))
            cell.fill = self.tinted
            return cell
        if isinstance(value, str):
            return self._text(value)
        return value

    def _text(self, value: str) -> Any:
        text = _as_text(value)
        cell = self.cell(self.page, text)
        cell.data_type = "s"  # whatever it begins with
        if text.startswith(_FORMULA_STARTS):
            cell.quotePrefix = True  # stays text when somebody edits it
        return cell


def _as_text(value: str) -> str:
    return _NO_CHARACTERS.sub("?", value)[:_LONGEST_TEXT]


class _SteadyZip(zipfile.ZipFile):
    """An archive whose entries all bear the first day an archive can."""

    def writestr(self, zinfo_or_arcname: Any, data: Any, *_: Any, **__: Any) -> None:
        """Add an entry; named as the standard library names it."""
        super().writestr(_entry(zinfo_or_arcname), data)

    def write(self, filename: Any, arcname: Any = None, *_: Any, **__: Any) -> None:
        """Add a file, piece by piece."""
        with Path(filename).open("rb") as source, self.open(_entry(arcname), "w") as target:
            shutil.copyfileobj(source, target, 1 << 20)


def _entry(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    return info
