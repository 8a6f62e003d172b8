"""How the rest asks for a terrain: by place, by window, and, as little as can be, all of it.

What asks this way does not know whether the terrain lies in memory in one piece. Each call of
``whole`` and ``blocked`` is one that a terrain kept by tiles cannot answer yet; a test counts them.
"""

from __future__ import annotations

from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from geo.terrain.beyond import Beyond
from layers.grid import Frame, Grid, Window

Surface = Literal["ground", "opened", "filled", "direction", "accumulation", "hand", "pond_depth"]


class Terrain(Protocol):
    """Ground and water surfaces of one terrain, as `geo.terrain.TerrainModel` names them."""

    @property
    def frame(self) -> Frame:
        """The place and the cells of every surface."""
        ...

    @property
    def beyond(self) -> Beyond:
        """What may lie beyond its edge and in its holes."""
        ...

    @property
    def cut_cells(self) -> NDArray[np.int64]:
        """Flat indices of the cells that were cut for culverts and under roads."""
        ...

    def has(self, surface: Surface) -> bool:
        """Whether there is such a surface: ``hand`` needs mapped water."""
        ...

    def at(
        self,
        surface: Surface,
        x: NDArray[np.float64],
        y: NDArray[np.float64],
        *,
        bilinear: bool = False,
    ) -> NDArray[np.float64]:
        """Values at map coordinates, of their shape; NaN off the terrain and in voids.

        That of the cell the point lies in; with ``bilinear`` between the nearest cell centers.
        """
        ...

    def window(self, surface: Surface, window: Window) -> Grid:
        """A block of a surface."""
        ...

    def blocked(self) -> Grid:
        """``opened`` with every culvert and every cut closed."""
        ...

    def whole(self, surface: Surface) -> Grid:
        """All of a surface in memory."""
        ...
