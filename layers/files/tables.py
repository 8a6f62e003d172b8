"""Plain tables: CSV and spreadsheets as text, and CSV that no spreadsheet can take for formulas."""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import io
import re
import warnings
import zipfile
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from layers.errors import LayerError
from layers.fields.raw import RawLayer
from layers.files.formulas import is_like_formula
from layers.files.kinds import head_of, kind_of, regular_size
from layers.files.opening import archive_size
from layers.settings.limits import MB, UNASKED, Limits

TABLE_SUFFIXES: Final = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm")
_DELIMITERS: Final = (",", ";", "\t", "|")
_HEADER_ROWS: Final = 20  # a title may stand above the header of a spreadsheet
_LAST_ROW: Final = 1_048_576  # of a sheet, by the published limits of the format
_STRETCH: Final = 4  # cells a byte of a table may stand for where rows are of different length
_FREE_CELLS: Final = 10_000_000  # which are not asked about that
_CHUNK: Final = 1_048_576
_BOOKS: Final = (".xlsx", ".xlsm")
_BINARY: Final = re.compile("[\x00-\x08\x0e-\x1f]")


# ------------------------------------------------------------------------------------------ write


def write_csv(frame: pd.DataFrame, path: str | Path) -> None:
    """Write a table as UTF-8 CSV: same table, same bytes.

    Text that a spreadsheet might run as a formula (`layers.files.formulas`) gets a leading
    apostrophe; numbers, flags and dates are never touched. Floats are
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
    safe = "'" + value if is_like_formula(value) else value
    # a carriage return of its own would end the row in some readers
    return safe.replace("\r\n", "\n").replace("\r", "\n")


# ------------------------------------------------------------------------------------------- read


def read_table(path: str | Path, *, sheet: str | None = None, limits: Limits = UNASKED) -> RawLayer:
    """Read a CSV or XLSX file, every cell as text, so that ids keep their leading zeros.

    Whole numbers of a spreadsheet come without ``.0`` (a cell holding the text "12.0" keeps it),
    dates as ISO. CSV may be UTF-8, UTF-16 or cp1252, separated by comma, semicolon, tab or bar.
    Empty rows are no rows. ``limits`` are kept while rows are read, before the next one is.

    Raises
    ------
    LayerError
        When the file cannot be read as a table, has no such sheet, or is too large.
    """
    path = Path(path)
    size = regular_size(path)
    limits.check("file_mb", -(-size // MB), path)
    try:
        _refuse_other_kinds(path)
        if path.suffix.lower() in _BOOKS:
            return _read_sheet(path, sheet, limits)
        return _Rows(path, limits, size).layer(_csv_rows(path, limits))
    except OSError as error:
        raise LayerError(
            f"cannot read the file: {error.strerror or error}",
            where=str(path),
            hint="check the path, and that no other program has the file open",
        ) from error
    except csv.Error as error:
        if "field limit" in str(error):
            raise limits.refusal("cell_letters", f"over {limits.cell_letters:,}", path) from error
        raise LayerError(
            f"not a table of rows and columns: {error}",
            where=str(path),
            hint="save the sheet again as CSV (UTF-8) or XLSX",
        ) from error


def _refuse_other_kinds(path: Path) -> None:
    """Refuse a file that begins like one of another kind, whatever its name says."""
    head = head_of(path)
    is_book = path.suffix.lower() in _BOOKS and head.startswith(b"PK")
    what = None if is_book else kind_of(head)
    if what is not None:
        raise LayerError(
            f"{path.name} is {what}, not a table",
            where=str(path),
            hint="save the table as CSV (UTF-8) or XLSX; a GeoPackage must end in .gpkg",
        )


class _Rows:
    """Gathers the filled rows of a table within the limits; empty ones are only counted.

    ``size`` is what the table takes unpacked, in bytes.
    """

    def __init__(self, path: Path, limits: Limits, size: int) -> None:
        self.path, self.limits = path, limits
        self.stretched = _FREE_CELLS + _STRETCH * size
        self.cells: list[list[str | None]] = []
        self.rows, self.blanks = array("q"), array("q")  # row numbers; empty rows above each

    def layer(self, numbered: Iterable[tuple[int, list[str | None]]]) -> RawLayer:
        """The table as a layer."""
        self._gather(numbered)
        if not self.cells:
            raise LayerError(
                "the table is empty",
                where=str(self.path),
                hint="name a file with a header and rows",
            )
        head = _header_position(self.cells[:_HEADER_ROWS])
        names = _unique_names(self.cells[head])
        if any(_BINARY.search(name) for name in names):
            raise LayerError(
                "not a table of rows and columns: its header has binary data",
                where=str(self.path),
                hint="restore the file from a copy, or save it again as CSV (UTF-8) or XLSX",
            )
        body = self.cells[head + 1 :]
        width = max([len(names), *map(len, body)])
        self._check_width(len(body), width)
        names += [f"column_{i + 1}" for i in range(len(names), width)]
        columns = {
            name: np.array(
                [cells[i] if i < len(cells) else None for cells in body], dtype=object
            ).reshape(len(body))
            for i, name in enumerate(names)
        }
        rows = np.array(self.rows[head + 1 :], dtype=np.int64)
        # empty rows behind the last are nobody's
        blank = self.blanks[-1] - self.blanks[head]
        return RawLayer(columns, rows, is_unreadable=np.zeros(len(body), bool), blank_rows=blank)

    def _gather(self, numbered: Iterable[tuple[int, list[str | None]]]) -> None:
        widest, count, blank = 0, 0, 0
        most_rows, most_columns = self.limits.rows, self.limits.columns
        for row, cells in numbered:
            if not any(cells):
                blank += 1
                continue
            self.cells.append(cells)
            self.rows.append(row)
            self.blanks.append(blank)
            count += len(cells)
            if len(cells) > widest:
                widest = len(cells)
                if widest > most_columns:
                    self.limits.check("columns", widest, self.path)
            if count > self.stretched:
                raise self._ragged()
            if len(self.cells) > most_rows + _HEADER_ROWS:
                raise self.limits.refusal("rows", f"over {most_rows:,}", self.path)

    def _check_width(self, rows: int, width: int) -> None:
        self.limits.check("rows", rows, self.path)
        self.limits.check("table_cells", rows * width, self.path)
        if rows * width > self.stretched:
            raise self._ragged()

    def _ragged(self) -> LayerError:
        return LayerError(
            "one row is far longer than the others, so the table would be almost empty",
            where=str(self.path),
            hint="delete the cells to the right of the table, and save it again",
        )


def _header_position(rows: list[list[str | None]]) -> int:
    """The first row with two filled cells, so that a title line above the header is passed over."""
    for position, cells in enumerate(rows):
        if sum(bool(cell) for cell in cells) >= 2:
            return position
    return 0


def _unique_names(cells: Iterable[str | None]) -> list[str]:
    names: dict[str, None] = {}
    following: dict[str, int] = {}  # so that equal names are not tried one by one again
    for i, cell in enumerate(cells):
        wanted = " ".join((cell or "").split()) or f"column_{i + 1}"
        name, again = wanted, following.get(wanted, 2)
        while name in names:
            name, again = f"{wanted}_{again}", again + 1
        following[wanted] = again
        names[name] = None
    return list(names)


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        head = file.read(2)
        if head in (b"\xff\xfe", b"\xfe\xff"):
            return "utf-16"
        decoder = codecs.getincrementaldecoder("utf-8")()
        chunk = head
        try:
            while chunk:
                decoder.decode(chunk)
                chunk = file.read(_CHUNK)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "cp1252"
    return "utf-8-sig"


def _csv_rows(path: Path, limits: Limits) -> Iterator[tuple[int, list[str | None]]]:
    usual = csv.field_size_limit(min(limits.cell_letters, 2**31 - 1))
    try:
        with path.open("r", encoding=_encoding(path), errors="replace", newline="") as text:
            delimiter = _delimiter(text.read(_CHUNK))
            text.seek(0)
            # strict=False: a stray quote spoils its own cell, not the file
            reader = csv.reader(text, delimiter=delimiter)
            line = 1
            for cells in reader:
                yield line, [cell.strip() or None for cell in cells]
                line = reader.line_num + 1
    finally:
        csv.field_size_limit(usual)


def _delimiter(text: str) -> str:
    """The separator that stands most often outside quotes in the first filled line."""
    head = next((line for line in io.StringIO(text) if line.strip()), "")
    bare = "".join(head.split('"')[::2])
    return max(_DELIMITERS, key=bare.count)


def _read_sheet(path: Path, sheet: str | None, limits: Limits) -> RawLayer:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and drop-down lists, which are not read
            with zipfile.ZipFile(path) as archive:
                size = archive_size(archive, path, limits)
            names: list[str] = []
            raw = _Rows(path, limits, size).layer(_sheet_rows(path, sheet, names))
            if sheet is not None or len(names) < 2:
                return raw
            taken = f"the first of its {len(names)} sheets, {names[0]!r}, was read"
            return replace(raw, taken=taken)
    except (LayerError, OSError):
        raise
    # a damaged archive or its XML fails in the reader's libraries in ways without number
    except Exception as error:
        raise LayerError(
            "not an XLSX spreadsheet, or damaged",
            where=str(path),
            hint="open it in a spreadsheet program and save it again as XLSX or CSV",
        ) from error


def _sheet_rows(
    path: Path, sheet: str | None, names: list[str]
) -> Iterator[tuple[int, list[str | None]]]:
    """Rows of a sheet, the first where none is named; ``names`` takes those of all sheets."""
    import openpyxl

    book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
    try:
        if sheet is not None and sheet not in book.sheetnames:
            raise LayerError(
                f"there is no sheet {sheet!r}",
                where=str(path),
                hint=f"set 'layer' to one of: {', '.join(book.sheetnames)}",
            )
        names += [page.title for page in book.worksheets]
        page = book[sheet] if sheet is not None else book.worksheets[0]
        page.reset_dimensions()  # the size a writer stated is often wrong
        for row, cells in enumerate(page.iter_rows(values_only=True), start=1):
            if row > _LAST_ROW:
                raise LayerError(
                    f"{path.name} has a row beyond {_LAST_ROW:,}, the most a sheet can have",
                    where=str(path),
                    hint="open it in a spreadsheet program and save it again as XLSX or CSV",
                )
            yield row, [_cell_text(value) for value in cells]
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
