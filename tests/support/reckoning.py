"""A spreadsheet reckoned outside this project: the library ``formulas`` compiles its formulas."""

from __future__ import annotations

import re
import warnings
from typing import Any

import numpy as np
from openpyxl import Workbook
from openpyxl.utils import range_boundaries

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of the oracle, not ours
    import formulas

_PLACE = re.compile(r"(?<![$A-Z0-9_])([A-Z]{1,3})(\d+)(?![\d(])")


class Reckoned:
    """Cells of a workbook, each reckoned when asked for.

    A formula is compiled once for all rows in which it is the same but for the row.
    """

    def __init__(self, book: Workbook) -> None:
        self.book = book
        self.names = {name.upper(): d.attr_text for name, d in book.defined_names.items()}
        self.sheets = {name.upper(): name for name in book.sheetnames}
        self.compiled: dict[str, tuple[int, Any]] = {}
        self.known: dict[tuple[str, int, int], Any] = {}

    def __call__(self, sheet: str, column: int, row: int) -> Any:
        key = sheet, column, row
        if key not in self.known:
            cell = self.book[sheet].cell(row, column)
            self.known[key] = (
                self._reckon(sheet, row, cell.value) if cell.data_type == "f" else cell.value
            )
        return self.known[key]

    def _reckon(self, sheet: str, row: int, text: str) -> Any:
        form = _PLACE.sub(lambda m: m[1] + ("#" if int(m[2]) == row else m[2]), text)
        if form not in self.compiled:
            self.compiled[form] = row, formulas.Parser().ast(text)[1].compile()
        first, reckon = self.compiled[form]
        got = reckon(*(self._area(sheet, name, first, row) for name in reckon.inputs))
        value = np.asarray(got).ravel()[0]
        return value.item() if hasattr(value, "item") else value

    def _area(self, sheet: str, place: str, first: int, row: int) -> Any:
        place = self.names.get(place, place)
        if "!" in place:
            sheet, place = place.split("!")
            sheet = self.sheets[sheet.strip("'").upper()]
        west, north, east, south = range_boundaries(place.replace("$", ""))
        if north == south == first and "$" not in place:
            north = south = row
        cells = [
            ["" if (v := self(sheet, c, r)) is None else v for c in range(west, east + 1)]
            for r in range(north, south + 1)
        ]
        return cells[0][0] if ":" not in place else np.array(cells, dtype=object)
