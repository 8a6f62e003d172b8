"""Depressions within depressions: where water gathers, how much, and where it spills."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from geo.kernels import cells
from geo.kernels import hierarchy as kernels
from geo.terrain.catchments import find_catchments, find_outlets
from geo.terrain.inputs import cell_of, mask_of, surface_of
from geo.terrain.stripes import in_stripes


@dataclass(frozen=True)
class Depressions:
    """The depression hierarchy of one terrain (Barnes, Callaghan and Wickert 2020).

    Nodes are numbered from 1: first the leaves, one for each pit by rows and columns, then the
    depressions made of two others, a part always before the whole. Entry 0 of each array stands
    for the ocean. Volumes are sums of depths over cells: times the area of a cell they are
    volumes.

    Attributes
    ----------
    labels
        int32, shape (rows, cols): the leaf each cell's water runs to; 0 where it runs off, in the
        ocean and in voids.
    direction
        uint8, same shape, codes as of `geo.terrain.flow_direction`, on the ground as it is; 0 in
        pits as well.
    parent
        The depression a node is part of; 0 for one that is part of no other.
    left, right
        The two parts of a depression; 0 for leaves.
    sibling
        The other part of the same parent, 0 where there is none.
    geolink
        The leaf behind the outlet: where the water goes that a full depression passes on.
    is_ocean_linked
        Whether a node is part of no other: it spills to the ocean, or for good into ``geolink``.
    pit_cell, pit_elev
        Flat index and elevation of its lowest cell; of equal ones the first. The elevation is of
        the kind of the terrain, float32 or float64.
    out_cell, out_elev
        Flat index and elevation of its outlet: the higher of the two cells water crosses. Without
        any ocean the last node has no outlet: -1 and infinity.
    cell_count
        Cells of a depression not above its outlet, those of its parts included.
    volume
        Water it holds when full.
    space
        What it holds beyond its two parts.
    catchment_count
        By label: cells whose water runs there.
    height, first
        Elevations of the cells that belong to each node but not to its parts, ascending:
        ``height[first[k]:first[k + 1]]``.
    """

    labels: NDArray[np.int32]
    direction: NDArray[np.uint8]
    parent: NDArray[np.int32]
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    sibling: NDArray[np.int32]
    geolink: NDArray[np.int32]
    is_ocean_linked: NDArray[np.bool_]
    pit_cell: NDArray[np.int32]
    pit_elev: NDArray
    out_cell: NDArray[np.int32]
    out_elev: NDArray[np.float64]
    cell_count: NDArray[np.int32]
    volume: NDArray[np.float64]
    space: NDArray[np.float64]
    catchment_count: NDArray[np.int32]
    height: NDArray
    first: NDArray[np.int32]

    @property
    def leaf_count(self) -> int:
        """How many pits there are."""
        return self.catchment_count.size - 1

    def table(self) -> pd.DataFrame:
        """One row for each node, its index ``node`` from 1, with the attributes above."""
        names = [field.name for field in fields(self)]
        names = names[names.index("parent") : names.index("space") + 1]
        index = pd.RangeIndex(1, self.parent.size, name="node")
        return pd.DataFrame({name: getattr(self, name)[1:] for name in names}, index=index)


def depressions(
    z: ArrayLike,
    *,
    ocean: ArrayLike | None = None,
    cell_m: float | tuple[float, float] = 1.0,
) -> Depressions:
    """Find every depression of a terrain, and how they lie within one another.

    Water runs by steepest descent on the ground as it is (see `flow_direction`: the same rule,
    flats by the fewest steps to where they drain), so a leaf's catchment is what drains to its
    pit. A flat without a way down is one pit. Two depressions meet at the lowest pair of cells on
    both sides; of equally low ones at the first by rows and columns, and there first with the
    side to which the ground falls most steeply. Where ties decide, a flipped terrain can be
    linked otherwise; levels and volumes of full depressions are the same.

    Parameters
    ----------
    z
        Elevation, shape (rows, cols); NaN where there is no data.
    ocean
        Boolean, same shape: where water leaves. Left out: voids, the outside, and every valid
        cell that touches either. Given: its cells, voids, and every valid cell that touches a
        void; elsewhere the edge of the raster is a wall.
    cell_m
        Side of a cell, or (width, height), for the steepness of diagonals.

    Raises
    ------
    ValueError
        If ``z`` is not a surface of finite numbers, ``ocean`` not boolean or of another shape, or
        ``cell_m`` not positive.

    Examples
    --------
    >>> import numpy as np
    >>> z = np.array([[0, 5, 1, 1, 3, 2, 2, 4, 0]])
    >>> found = depressions(z, ocean=z == 0)
    >>> found.labels
    array([[0, 0, 1, 1, 1, 2, 2, 0, 0]], dtype=int32)
    >>> found.volume[1:]
    array([ 4.,  2., 11.])
    """
    ground = surface_of(z)
    cell_size = cell_of(cell_m)
    rows, cols = ground.shape
    if ocean is None:
        kind = cells.kinds(np.isnan(ground))
        tree = _tree(ground, kind, cell_size)
    else:
        is_ocean = mask_of(ocean, ground.shape, "ocean") & ~np.isnan(ground)
        walled = np.pad(ground, 1, constant_values=np.inf)
        kind = cells.kinds(np.isnan(walled))
        kind[1:-1, 1:-1][is_ocean] = cells.OCEAN
        kind[[0, -1]] = kind[:, [0, -1]] = cells.VOID
        tree = _tree(walled, kind, cell_size)
        for name in ("labels", "direction"):
            tree[name] = tree[name][1:-1, 1:-1].copy()
        for name in ("pit_cell", "out_cell"):
            row, col = np.divmod(tree[name], cols + 2)
            is_inside = (row > 0) & (row <= rows) & (col > 0) & (col <= cols)
            tree[name] = np.where(is_inside, (row - 1) * cols + col - 1, -1)
        tree["catchment_count"][0] -= walled.size - ground.size
    return Depressions(**tree)


def _tree(
    z: NDArray, kind: NDArray[np.uint8], cell_size: tuple[float, float]
) -> dict[str, NDArray]:
    """The fields of `Depressions`; cells of the border of ``z`` are all ocean, void or wall."""
    direction, label, pit = find_catchments(z, kind, cell_size)
    low, high, level, cell, order = find_outlets(z, label, pit.size, cell_size)
    parent, sibling, geolink, outlet = kernels.join(order, low, high, pit.size)
    out_elev = np.append(level, np.inf)[outlet].astype(np.float64)  # the ocean's outlet is -1
    out_cell = np.append(cell, np.int32(-1))[outlet]
    del low, high, level, cell, order, outlet
    far, brim = kernels.climb(parent, out_elev, pit.size)
    flat = z.reshape(-1)
    cols = z.shape[1]
    parts = in_stripes(
        lambda start, end: list(
            kernels.owners(flat, label, parent, far, brim, out_elev, start * cols, end * cols)
        ),
        z.shape[0],
    )
    height, owner = (np.concatenate([part.pop() for part in parts]) for _ in range(2))
    count, space = kernels.measure(owner, height, out_elev)
    first = np.zeros(count.size + 1, np.int32)
    np.cumsum(count, out=first[1:])
    height = kernels.sort_by_node(owner, height, first)
    del owner, parts
    for node in np.flatnonzero(count > kernels.FEW):
        height[first[node] : first[node + 1]].sort()
    left, right, volume = kernels.add_up(parent, sibling, out_elev, count, space, pit.size)
    pit_cell = kernels.lowest(np.append(np.int32(-1), pit), left, right, flat)
    return {
        "labels": label.reshape(z.shape),
        "direction": direction.reshape(z.shape),
        "parent": parent,
        "left": left,
        "right": right,
        "sibling": sibling,
        "geolink": geolink,
        "is_ocean_linked": (parent == 0) & (np.arange(parent.size) > 0),
        "pit_cell": pit_cell,
        "pit_elev": np.append(z.dtype.type(np.nan), flat[pit_cell[1:]]),
        "out_cell": out_cell,
        "out_elev": out_elev,
        "cell_count": count,
        "volume": volume,
        "space": space,
        "catchment_count": kernels.count(label, pit.size),
        "height": height,
        "first": first,
    }
