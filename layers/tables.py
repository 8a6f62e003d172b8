"""Plain tables: CSV and spreadsheets as text, and CSV that no spreadsheet can take for formulas."""

from __future__ import annotations

import csv
import datetime as dt
import io
import warnings
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from layers.errors import LayerError
from layers.raw import RawLayer

TABLE_SUFFIXES: Final = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm")
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
_DELIMITERS: Final = (",", ";", "\t", "|")
_HEADER_ROWS: Final = 20  # a title may stand above the header of a spreadsheet


# ------------------------------------------------------------------------------------------ write


def write_csv(frame: pd.DataFrame, path: str | Path) -> None:
    """Write a table as UTF-8 CSV: same table, same bytes.

    Text that a spreadsheet would run as a formula (it starts with ``= + - @``, tab or carriage
    return) gets a leading apostrophe; numbers, flags and dates are never touched. Floats are
    written so that they read back exactly, nulls as nothing, days as ISO dates, line breaks in a
    cell as line feeds.
    """
    safe = pd.DataFrame(
        {name: _plain_column(frame[name]) for name in frame.columns}, index=frame.index
    )
    safe.columns = pd.Index([_neutralised(str(name)) for name in frame.columns])
    text = safe.to_csv(index=False, lineterminator="\n", quoting=csv.QUOTE_MINIMAL)
    Path(path).write_bytes(text.encode("utf-8", "replace"))


def _plain_column(column: pd.Series) -> pd.Series:
    kind = getattr(column.dtype, "kind", "O")
    if kind == "M":
        return column.dt.strftime("%Y-%m-%d").where(column.notna(), None)
    if kind in "iufb":
        return column
    return column.map(_neutralised, na_action="ignore")


def _neutralised(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    safe = "'" + value if value.startswith(_FORMULA_STARTS) else value
    # a carriage return of its own would end the row in some readers
    return safe.replace("\r\n", "\n").replace("\r", "\n")


# ------------------------------------------------------------------------------------------- read


def read_table(path: str | Path, *, sheet: str | None = None) -> RawLayer:
    """Read a CSV or XLSX file, every cell as text, so that ids keep their leading zeros.

    Whole numbers of a spreadsheet come without ``.0`` (a cell holding the text "12.0" keeps it),
    dates as ISO. CSV may be UTF-8, UTF-16 or cp1252, separated by comma, semicolon, tab or bar.
    Empty rows are no rows.

    Raises
    ------
    LayerError
        When the file cannot be read as a table, or has no such sheet.
    """
    path = Path(path)
    _refuse_other_kinds(path)
    try:
        if path.suffix.lower() in (".xlsx", ".xlsm"):
            numbered = _sheet_rows(path, sheet)
        else:
            numbered = list(_csv_rows(_decoded(path.read_bytes())))
    except OSError as error:
        raise LayerError(
            f"cannot read the file: {error.strerror or error}",
            where=str(path),
            mend="check the path and that no other program holds the file",
        ) from error
    except csv.Error as error:
        raise LayerError(
            f"not a table of rows and columns: {error}",
            where=str(path),
            mend="save the sheet anew as CSV (UTF-8) or XLSX",
        ) from error
    return _as_layer(numbered, path)


# how files of other kinds begin (their published formats), and what to say of them
_OTHER_KINDS: Final = (
    (b"\x89PNG\r\n\x1a\n", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"%PDF-", "a PDF document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old XLS or DOC file"),
    (b"SQLite format 3\x00", "a database, perhaps a GeoPackage"),
    (b"II*\x00", "a TIFF raster"),
    (b"MM\x00*", "a TIFF raster"),
    (b"<!doctype html", "a web page"),
    (b"<html", "a web page"),
)


def _refuse_other_kinds(path: Path) -> None:
    """Refuse a file that begins like one of another kind, whatever its name says."""
    try:
        with path.open("rb") as file:
            head = file.read(64).lstrip(b"\xef\xbb\xbf \r\n\t")
    except OSError:
        return  # said when it is read
    is_book = path.suffix.lower() in (".xlsx", ".xlsm")
    for start, what in _OTHER_KINDS:
        if head[: len(start)].lower() == start.lower():
            raise _no_table(path, what)
    if head.startswith(b"PK\x03\x04") and not is_book:
        raise _no_table(path, "a ZIP or XLSX file under another name")


def _no_table(path: Path, what: str) -> LayerError:
    return LayerError(
        f"{path.name} is {what}, not a table",
        where=str(path),
        mend="give the table itself, saved as CSV (UTF-8) or XLSX; a GeoPackage ends in .gpkg",
    )


def _as_layer(numbered: list[tuple[int, Sequence[str | None]]], path: Path) -> RawLayer:
    filled = [(row, cells) for row, cells in numbered if any(cells)]
    if not filled:
        raise LayerError(
            "the table is empty", where=str(path), mend="give a file with a header and rows"
        )
    head = _header_position([cells for _, cells in filled[:_HEADER_ROWS]])
    names = _unique_names(filled[head][1])
    body = filled[head + 1 :]
    width = max([len(names), *(len(cells) for _, cells in body)])
    names += [f"column_{i + 1}" for i in range(len(names), width)]
    columns = {
        name: np.array(
            [cells[i] if i < len(cells) else None for _, cells in body], dtype=object
        ).reshape(len(body))
        for i, name in enumerate(names)
    }
    rows = np.array([row for row, _ in body], dtype=np.int64)
    blank = 0
    if body:  # empty rows behind the last are nobody's
        between = [any(cells) for row, cells in numbered if filled[head][0] < row < body[-1][0]]
        blank = between.count(False)
    return RawLayer(columns, rows, is_unreadable=np.zeros(len(body), bool), blank_rows=blank)


def _header_position(rows: list[Sequence[str | None]]) -> int:
    """The first row with two filled cells, so that a title line above the header is passed over."""
    for position, cells in enumerate(rows):
        if sum(bool(cell) for cell in cells) >= 2:
            return position
    return 0


def _unique_names(cells: Iterable[str | None]) -> list[str]:
    names: list[str] = []
    for i, cell in enumerate(cells):
        wanted = " ".join((cell or "").split()) or f"column_{i + 1}"
        name, again = wanted, 2
        while name in names:
            name, again = f"{wanted}_{again}", again + 1
        names.append(name)
    return names


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def _csv_rows(text: str) -> Iterator[tuple[int, list[str | None]]]:
    delimiter = _delimiter(text)
    # strict=False: a stray quote spoils its own cell, not the file
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    line = 1
    for cells in reader:
        yield line, [cell.strip() or None for cell in cells]
        line = reader.line_num + 1


def _delimiter(text: str) -> str:
    """The separator that stands most often outside quotes in the first filled line."""
    head = next((line for line in io.StringIO(text) if line.strip()), "")
    bare = "".join(head.split('"')[::2])
    return max(_DELIMITERS, key=bare.count)


def _sheet_rows(path: Path, sheet: str | None) -> list[tuple[int, Sequence[str | None]]]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and drop-down lists, which are not read
            return _rows_of_sheet(path, sheet)
    except (LayerError, OSError):
        raise
    # a damaged archive or its XML fails in the reader's libraries in ways without number
    except Exception as error:
        raise LayerError(
            "not an XLSX spreadsheet, or a damaged one",
            where=str(path),
            mend="open it in a spreadsheet program and save it anew as XLSX or CSV",
        ) from error


def _rows_of_sheet(path: Path, sheet: str | None) -> list[tuple[int, Sequence[str | None]]]:
    import openpyxl

    book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    try:
        if sheet is not None and sheet not in book.sheetnames:
            raise LayerError(
                f"no sheet is called {sheet!r}",
                where=str(path),
                mend=f"set 'layer' to one of: {', '.join(book.sheetnames)}",
            )
        page = book[sheet] if sheet is not None else book.worksheets[0]
        page.reset_dimensions()  # the size a writer stated is often wrong
        return [
            (row, [_cell_text(value) for value in cells])
            for row, cells in enumerate(page.iter_rows(values_only=True), start=1)
        ]
    finally:
        book.close()


def _cell_text(value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(sep="T")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    return str(value).strip() or None
