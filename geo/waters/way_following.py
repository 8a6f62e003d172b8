"""The water of some starts followed over drawn ground, window by window."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from geo.kernels import windows as kernels
from geo.ponds.draw_windows import WINDOW_CELLS, around, share_windows
from geo.terrain import fill_depressions, flow_direction, flow_paths
from geo.terrain.draws import LARGE_CELLS, DrawnGround
from geo.terrain.error_field import CUT
from geo.waters.paths import Receivers, with_ends
from layers.grid import Window

if TYPE_CHECKING:
    from geo.terrain import Terrain

# A way that leaves its window is followed again in one so much larger to each side, and no oftener.
_WIDER: Final = 1.0
_TRIES: Final = 3
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def boxes_of(paths: gpd.GeoDataFrame, cell: Ints, terrain: Terrain) -> Ints:
    """First and last row and column of each way, of the places drawn for its start, of hollows.

    The hollows are those that either lies in: a window's edge that cut through one would drain it.

    Parameters
    ----------
    paths
        Lines as the terrain shows them.
    cell
        Flat index of each start in each draw, shape (draws, ways); -1 off the terrain.
    """
    grid = terrain.whole("opened")
    label, count = ndimage.label(terrain.whole("filled").values > grid.values, np.ones((3, 3)))
    _, hollow = kernels.extents(
        grid.values, label, np.arange(count + 1, dtype=np.int32), np.full(count + 1, np.inf)
    )
    xy, way = shapely.get_coordinates(paths.geometry.to_numpy(), return_index=True)
    row, col, inside = grid.cells_at(*xy.T)
    on_way = np.column_stack([way, row * grid.shape[1] + col])[inside]
    draw, start = np.nonzero(cell >= 0)
    both = np.concatenate([on_way, np.column_stack([start, cell[draw, start]])])
    way, flat = np.unique(both, axis=0).T
    row, col = np.divmod(flat, grid.shape[1])
    held = np.column_stack([row, row, col, col])
    held = around(held, hollow[label.reshape(-1)[flat]].astype(np.int64))
    first = np.searchsorted(way, np.arange(len(paths)))
    boxes = np.empty((len(paths), 4), np.int64)
    boxes[:, 0::2] = np.minimum.reduceat(held[:, 0::2], first)
    boxes[:, 1::2] = np.maximum.reduceat(held[:, 1::2], first)
    return boxes


@dataclass(frozen=True)
class Drawn:
    """The ways of one draw; one that starts off the terrain has no places.

    ``xy``, ``first``: places of all ways, and where those of each begin. ``length_m`` on the
    ground; ``reached`` the number of what each ends at, ``feature_id``, ``end_xy``; ``there`` and
    ``leaves``: whether it starts on the terrain and leaves the ground looked at.
    """

    xy: Floats
    first: Ints
    length_m: Floats
    reached: NDArray[np.object_]
    layer: NDArray[np.object_]
    feature_id: NDArray[np.object_]
    end_xy: Floats
    there: NDArray[np.bool_]
    leaves: NDArray[np.bool_]


@dataclass(frozen=True)
class Follower:
    """Follows water on drawn ground."""

    ground: DrawnGround
    receivers: Receivers
    direction: NDArray[np.uint8]
    range_m: float

    def windows(self, boxes: Ints) -> tuple[list[Window], Ints]:
        """Windows that hold every box and 4 correlation lengths around, and that of each box."""
        width, height = self.ground.surface.cell_m
        margin = tuple(int(np.ceil(CUT * self.range_m / side)) for side in (height, width))
        return share_windows(boxes, self.direction.shape, (margin[0], margin[1]))

    def draw(
        self, draw: int, cell: Ints, windows: Sequence[Window], window_of: Ints
    ) -> tuple[list[Ints], NDArray[np.bool_], int, int]:
        """Flat cells of each way of one draw, which ways leave the windows, cost and cells.

        A way that starts off the terrain has no cells.
        """
        traced: list[Ints] = [np.empty(0, np.int64)] * len(cell)
        leaves = cell >= 0
        spent = looked = 0
        for left in range(_TRIES - 1, -1, -1):
            rows = np.flatnonzero(leaves)
            for k, members in _by_window(rows, window_of[rows]):
                looked += windows[k].rows * windows[k].cols
                spent += windows[k].rows * windows[k].cols + WINDOW_CELLS
                ways = self._in_window(draw, windows[k], cell[members])
                for member, way in zip(members.tolist(), ways, strict=True):
                    traced[member] = way
            last = np.array([traced[k][-1] for k in rows], np.int64)
            leaves[rows] = (self.receivers.code.reshape(-1)[last] == 0) & (
                self.direction.reshape(-1)[last] != 0
            )
            rows = np.flatnonzero(leaves)
            if not rows.size or not left:
                break
            windows, of = self.windows(_wider(windows, window_of[rows], self.direction.shape))
            if largest(windows) > LARGE_CELLS:
                break
            window_of = window_of.copy()
            window_of[rows] = of
        return traced, leaves, spent, looked

    def _in_window(self, draw: int, window: Window, cell: Ints) -> list[Ints]:
        """Flat cells of the whole on the way of each start."""
        cell_m = self.ground.surface.cell_m
        filled = fill_depressions(self.ground.read(draw, window))
        direction = flow_direction(filled, cell_m)
        start = np.column_stack(np.divmod(self.ground.in_window(cell, window), window.cols))
        stop = np.ascontiguousarray(self.receivers.code[window.slices] > 0)
        cols = self.direction.shape[1]
        return [
            (way[:, 0] + window.row) * cols + way[:, 1] + window.col
            for way in flow_paths(direction, start, stop)
        ]

    def drawn(
        self, place: Floats, traced: list[Ints], leaves: NDArray[np.bool_], scale: Floats
    ) -> Drawn:
        """The places of the ways and what they end at, by the rule of the terrain as it is."""
        n = len(traced)
        steps = np.array([len(way) for way in traced])
        there = steps > 0
        row = np.flatnonzero(there)
        flat = np.concatenate([*traced, np.empty(0, np.int64)])
        cells = np.column_stack(np.divmod(flat, self.direction.shape[1]))
        kept, code = self.receivers.ends(cells, steps[row], ~leaves[row])
        first = np.cumsum(steps[row]) - steps[row]
        keep = np.arange(len(flat)) < np.repeat(first + kept, steps[row])
        cells = cells[keep]
        first = np.cumsum(kept) - kept
        xy = np.column_stack(self.ground.surface.centers(cells[:, 0], cells[:, 1]))
        xy[first] = place[row]
        end_xy, ids = self.receivers.feet(xy[first + kept - 1], code)
        xy, _ = with_ends(xy, kept, end_xy)
        count = np.zeros(n, np.int64)
        count[row] = kept + 1
        begin = np.concatenate([[0], np.cumsum(count)])
        steps_m = np.hypot(*np.diff(xy, axis=0, append=xy[-1:]).T)
        steps_m[begin[1:][row] - 1] = 0.0  # from the end of one to the start of the next
        length = np.bincount(np.repeat(np.arange(n), count), steps_m, n) * scale
        reached: NDArray[np.object_] = np.full(n, "off_terrain", object)
        layer, feature = np.full((2, n), None, object)
        end = np.full((n, 2), np.nan)
        reached[row] = self.receivers.text[code]
        reached[leaves] = "not_followed"
        layer[row] = np.array([None, *self.receivers.names], object)[code]
        feature[row], end[row] = ids, end_xy
        return Drawn(xy, begin, length, reached, layer, feature, end, there, leaves)


def largest(windows: Sequence[Window]) -> int:
    """How many cells the largest window has."""
    return max((w.rows * w.cols for w in windows), default=0)


def _by_window(rows: Ints, window: Ints) -> Iterator[tuple[int, Ints]]:
    """The rows of each window."""
    order = np.argsort(window, kind="stable")
    cuts = np.flatnonzero(np.diff(window[order])) + 1
    for part in np.split(order, cuts):
        if part.size:
            yield int(window[part[0]]), rows[part]


def _wider(windows: Sequence[Window], of: Ints, shape: tuple[int, int]) -> Ints:
    """Boxes of windows, and as much again to each side."""
    box = np.array([[w.row, w.row + w.rows - 1, w.col, w.col + w.cols - 1] for w in windows])[of]
    down = (_WIDER * (box[:, 1] - box[:, 0] + 1)).astype(np.int64)
    across = (_WIDER * (box[:, 3] - box[:, 2] + 1)).astype(np.int64)
    box[:, 0], box[:, 1] = box[:, 0] - down, box[:, 1] + down
    box[:, 2], box[:, 3] = box[:, 2] - across, box[:, 3] + across
    return np.clip(box, 0, [shape[0] - 1, shape[0] - 1, shape[1] - 1, shape[1] - 1])
