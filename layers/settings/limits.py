"""How large a file may be before it is read, in one place; an office may raise each."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

from pydantic import Field

from layers.errors import LayerError, RillmarkError
from layers.settings.settings_file import Model

MB: Final = 1_000_000
_Many = Annotated[int, Field(gt=0, le=10**15)]
_WORDS: Final = {
    "file_mb": "MB",
    "unpacked_mb": "MB when unpacked",
    "rows": "rows",
    "columns": "columns",
    "table_cells": "cells (rows times columns)",
    "cell_letters": "characters in one cell",
    "raster_cells": "cells (rows times columns)",
    "raster_bands": "bands",
    "block_mb": "MB in one block",
}


class Limits(Model):
    """`[limits]`: what is refused before it is read, because of what reading it would cost.

    They admit tables of 5 million rows and rasters of 1.5e9 cells; the numbers are common
    practice, no source.

    Attributes
    ----------
    file_mb, unpacked_mb
        Of a list or a map layer, in millions of bytes; of what a ZIP or XLSX file unpacks to.
    rows, columns, table_cells, cell_letters
        Of a list or a map layer.
    raster_cells, raster_bands, block_mb
        Of a raster; a block is what its file packs together.
    """

    file_mb: _Many = 4_000
    unpacked_mb: _Many = 4_000
    rows: _Many = 10_000_000
    columns: _Many = 2_000
    table_cells: _Many = 500_000_000
    cell_letters: _Many = 131_072
    raster_cells: _Many = 4_000_000_000
    raster_bands: _Many = 100
    block_mb: _Many = 512

    def check(
        self, name: str, count: int, path: Path, *, error: type[RillmarkError] = LayerError
    ) -> None:
        """Refuse a file of which more was met than the limit called ``name``.

        Raises
        ------
        RillmarkError
            As ``error``; the message names the limit and how to raise it.
        """
        if count > getattr(self, name):
            raise self.refusal(name, f"{count:,}", path, error=error)

    def refusal(
        self, name: str, count: str, path: Path, *, error: type[RillmarkError] = LayerError
    ) -> RillmarkError:
        """The error of `check`, with what was met in words."""
        most = getattr(self, name)
        hint = "check that it is the right file, or use a smaller one"
        if self is not UNASKED:
            hint += f"; to read it anyway, set '{name}' above {most} in [limits] of the county file"
        return error(
            f"{path.name} has {count} {_WORDS[name]}; the limit is {most:,}",
            where=str(path),
            hint=hint,
        )


UNASKED: Final = Limits()
"""The limits where no county file is at hand that could raise them."""
