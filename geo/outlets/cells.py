"""Where a pipe from one lid could end: the cells of its search area and what speaks for each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, NamedTuple, Self

import geopandas as gpd
import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from scipy import ndimage

from geo.kernels.pipes import along_pipes
from geo.outlets.area import PARCEL_LINE_M, Lattice, adjoining, outline
from geo.terrain import Terrain
from layers.files.raster import burn, burn_numbers
from layers.grid import Window
from layers.settings.county_file import OutletSection

# What stands on a cell, one bit each.
WATER, DITCH, DRAIN, ROAD, BUILDING, WELL, DRAW = 1, 2, 4, 8, 16, 32, 64
_DRAWN_AS: Final = MappingProxyType({WATER: "stream", DITCH: "ditch", DRAIN: "drain"})
# The places looked at lie this far apart, or a cell where cells are larger.
SPACING_M: Final = 2.0
# The lie of the land at the lid is that of a plane fitted to the ground so far around it.
AROUND_LID_M: Final = 20.0
LEVEL_SLOPE: Final = 0.005
# A pipe is taken to pass a well it comes nearer to. Common practice, no source: about 10 ft.
WELL_CLEAR_M: Final = 3.0
# Ditches and draws count as near over about this distance; pipes in the ground are met or not.
NEAR_M: Final = 10.0
NEAR_DRAIN_M: Final = 5.0
NEAR_DRAW_M: Final = 6.0
# A place lies at a stream, ditch, road, drain or draw that is no farther off: what adjoins a parcel
# is searched so wide. Common practice, no source.
BESIDE_M: Final = MappingProxyType(
    {WATER: NEAR_M, DITCH: NEAR_M, ROAD: NEAR_M, DRAIN: NEAR_DRAIN_M, DRAW: NEAR_DRAIN_M}
)
_MARGIN_M: Final = 30.0

# What tells places apart, and how much a unit of each weighs in the logarithm of the odds before
# any outlet is known. Common practice, no source: a short pipe, downhill, to the nearest draw,
# ditch or drain, on the owner's own land, that passes no building, well or road.
STATED_WEIGHTS: Final[dict[str, float]] = {
    "log_length": 0.5,  # natural logarithm of the length in 100 ft
    "length": -2.0,  # in 100 ft
    "downhill": 1.0,  # cosine between the pipe and the fall of the land at the lid
    "beyond": -0.5,  # 100 ft past the place where the least fall first meets the ground
    "water": 1.5,  # 1 at a stream, ditch or lake, 1/e at 10 m
    "road": 1.0,  # the same, of the roadside
    "drain": 1.5,  # 1 at a drain, 1/e at 5 m
    "draw": 0.25,  # ten times more land drains past
    "draw_near": 0.25,  # the same of the most within 6 m
    "larger_draw_nearer": -0.5,  # 1/20 more land drains past some place that is nearer
    "lower_nearer": -0.5,  # some place that is nearer lies lower, by 5 cm
    "on_other": -0.5,  # on another parcel
    "in_the_way": -2.0,  # a building or a well on the line of the pipe
    "road_crossed": -1.0,
    "hollow": -1.0,  # where water stands to the brim
}
FEATURES: Final = tuple(STATED_WEIGHTS)
_LONG_M: Final = 30.48


@dataclass(frozen=True)
class Surroundings:
    """The ground and what stands on it, on one grid.

    Attributes
    ----------
    terrain
        Made ready; where its ground is void the closed one is taken.
    marks
        uint8: bits of what stands on each cell.
    parcels
        By place; None where there are none.
    drawn
        What is mapped of each kind of place, by place: ``stream`` (with lakes), ``ditch``,
        ``drain``; a kind of which nothing is mapped is left out.
    """

    terrain: Terrain
    marks: NDArray[np.uint8]
    parcels: shapely.STRtree | None = None
    drawn: Mapping[str, shapely.STRtree] = field(default_factory=dict)

    @classmethod
    def of(cls, terrain: Terrain, features: Mapping[str, gpd.GeoDataFrame | None]) -> Surroundings:
        """Burn the county's layers on the terrain's grid."""
        ground = terrain.frame
        marks = np.zeros(ground.shape, np.uint8)
        mapped: dict[str, list[shapely.Geometry]] = {}

        def mark(shapes: NDArray[np.object_], bit: int) -> None:
            if bit in _DRAWN_AS:
                mapped.setdefault(_DRAWN_AS[bit], []).extend(shapes)
            covered = burn(shapes, ground.shape, ground.transform, all_touched=bit != BUILDING)
            marks[covered] |= np.uint8(bit)

        streams = features.get("streams")
        if streams is not None:
            is_ditch = (streams["permanence"] == "ditch").to_numpy()
            shapes = streams.geometry.to_numpy()
            mark(shapes[~is_ditch], WATER)
            mark(shapes[is_ditch], DITCH)
        for name, bit in (
            ("water_bodies", WATER), ("drains", DRAIN), ("roads", ROAD), ("buildings", BUILDING),
        ):  # fmt: skip
            layer = features.get(name)
            if layer is not None:
                mark(layer.geometry.to_numpy(), bit)
        wells = features.get("wells")
        if wells is not None:
            mark(shapely.buffer(wells.geometry.to_numpy(), WELL_CLEAR_M), WELL)
        drawn = {kind: shapely.STRtree(shapes) for kind, shapes in mapped.items() if shapes}
        parcels = features.get("parcels")
        if parcels is None or not len(parcels):
            return cls(terrain, marks, None, drawn)
        return cls(terrain, marks, shapely.STRtree(parcels.geometry.to_numpy()), drawn)

    def put_at(self, place: shapely.Point, kind: str, within_m: float) -> shapely.Point:
        """A place moved onto the stream, ditch or drain it is said to be at, if that is so near."""
        tree = self.drawn.get(kind)
        if tree is None:
            return place
        near = tree.query_nearest(place, max_distance=within_m, all_matches=False)
        if not len(near):
            return place
        return shapely.get_point(shapely.shortest_line(place, tree.geometries[near[0]]), 1)

    def ground_m(self, place: shapely.Point) -> float:
        """The ground at a place as the search reads it; NaN where there is none."""
        at = np.array([place.x]), np.array([place.y])
        z = float(self.terrain.at("ground", *at)[0])
        return float(self.terrain.at("opened", *at)[0]) if np.isnan(z) else z

    def parcels_on(self, window: tuple[slice, slice], own: shapely.Geometry) -> NDArray[np.int32]:
        """A unit's own parcel as 1, others as other numbers, on a part of the grid."""
        ground = self.terrain.frame
        rows, cols = window
        shape = rows.stop - rows.start, cols.stop - cols.start
        wide, high = ground.cell_m
        west = ground.transform.c + cols.start * wide
        north = ground.transform.f - rows.start * high
        moved = Affine(wide, 0, west, 0, -high, north)
        shapes = [own]
        if self.parcels is not None:
            box = shapely.box(west, north - shape[0] * high, west + shape[1] * wide, north)
            near = self.parcels.query(box)
            shapes += list(self.parcels.geometries[np.sort(near)])
        return burn_numbers(shapes, shape, moved)


@dataclass(frozen=True)
class Cells:
    """The places where the pipe of one unit could end.

    Attributes
    ----------
    state
        ``found``; ``no_daylight`` where no pipe by gravity comes out in the search area;
        ``off_terrain`` where the lid lies where the terrain has no data.
    features
        Shape (n, len(FEATURES)).
    row, col, cell_m
        On the lattice of places looked at, and the (width, height) of its cells.
    x, y, ground_m, daylight_m, kind, upslope_m2, outside_m
        Shape (n,). ``daylight_m`` is how far from the lid the least fall first meets the ground on
        the way there; ``kind`` is drain, stream, ditch, road_ditch or ground; ``outside_m`` is how
        far outside the parcel, 0 without one.
    downhill_xy
        Unit vector down the land at the lid; zeros where it is level or not known.
    lid_ground_m
        NaN where not known.
    adjoining_xy
        Shape (n, 2): the places searched outside the parcel, whether or not a pipe could end there;
        None where the search is not bound to a parcel.
    """

    state: str
    features: NDArray[np.float32]
    row: NDArray[np.int64]
    col: NDArray[np.int64]
    cell_m: tuple[float, float]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    ground_m: NDArray[np.float64]
    daylight_m: NDArray[np.float64]
    kind: NDArray[np.object_]
    upslope_m2: NDArray[np.float64]
    outside_m: NDArray[np.float64]
    downhill_xy: tuple[float, float]
    lid_ground_m: float
    adjoining_xy: NDArray[np.float64] | None = None


def search_area(
    lid: shapely.Point, parcel: shapely.Geometry | None, cells: Cells, settings: OutletSection
) -> shapely.Geometry:
    """Own parcel and what adjoins it, no farther than a pipe reaches; a circle without parcel.

    A circle, too, where the lid is placed so far off its parcel that no pipe would reach it.
    """
    circle = lid.buffer(settings.longest_m)
    if parcel is None or cells.adjoining_xy is None:
        return circle
    near = parcel.intersection(circle)
    if len(cells.adjoining_xy):
        x, y = cells.adjoining_xy.T
        strips = outline(x, y, cells.cell_m)
        near = near.union(strips).simplify(max(cells.cell_m) / 2)
    return near


def outside_area_m(
    x: float,
    y: float,
    lid: shapely.Point,
    parcel: shapely.Geometry | None,
    cells: Cells,
    settings: OutletSection,
) -> float:
    """How far a place lies outside the search area of a unit, to half a cell; 0 within it."""
    place = shapely.Point(x, y)
    too_long = max(float(place.distance(lid)) - settings.longest_m, 0.0)
    if parcel is None or cells.adjoining_xy is None:
        return too_long
    off = float(parcel.distance(place))
    if len(cells.adjoining_xy):
        nearest = np.hypot(*(cells.adjoining_xy - (x, y)).T).min()
        off = min(off, max(float(nearest) - max(cells.cell_m) / 2, 0.0))
    return max(off, too_long)


def cells_of(
    lid: shapely.Point,
    parcel: shapely.Geometry | None,
    surroundings: Surroundings,
    settings: OutletSection,
    *,
    pumped: bool,
) -> Cells:
    """The cells of a unit's search area where its pipe could end, with their features.

    Parameters
    ----------
    lid, parcel
        In the working system; ``parcel`` None where it is not known.
    pumped
        Not limited by fall.
    """
    ground = _Ground.around(lid, parcel, surroundings, settings)
    if ground is None:
        return _none("off_terrain")
    away = _distances(ground, settings.draw_m2)
    at, others, beyond_xy = _searched(lid, parcel, ground, surroundings, away, settings)
    at, daylight, passed = _reached_by_pipe(at, ground, settings, pumped=pumped)
    row, col = at.row, at.col
    downhill = _downhill(ground.z, *ground.lid_at, *ground.cell_m)
    step_row, step_col = ground.steps
    cell_m = step_col * ground.cell_m[0], step_row * ground.cell_m[1]
    if not len(row):
        return _none("no_daylight", downhill, ground.lid_ground_m, cell_m, beyond_xy)
    away = {bit: values[row, col] for bit, values in away.items()}
    wide, high = ground.cell_m
    near = int(NEAR_DRAW_M / high), int(NEAR_DRAW_M / wide)
    upslope_m2, upslope_near_m2 = (
        _most_within(ground.accumulation, *reach)[row, col] * (wide * high)
        for reach in ((1, 1), near)
    )
    z = ground.z[row, col]
    pond = surroundings.terrain.window("pond_depth", ground.block).values[row, col]
    beyond = np.zeros(len(row)) if pumped else np.nan_to_num(at.length_m - daylight)
    made = {
        "log_length": np.log(at.length_m / _LONG_M),
        "length": at.length_m / _LONG_M,
        "downhill": (at.east_m * downhill[0] + at.north_m * downhill[1]) / at.length_m,
        "beyond": beyond / _LONG_M,
        "water": np.exp(-np.minimum(away[WATER], away[DITCH]) / NEAR_M),
        "road": np.exp(-away[ROAD] / NEAR_M),
        "drain": np.exp(-away[DRAIN] / NEAR_DRAIN_M),
        "draw": np.log10(np.maximum(upslope_m2, 1.0)),
        "draw_near": np.log10(np.maximum(upslope_near_m2, 1.0)),
        "larger_draw_nearer": _most_nearer(upslope_m2, at.length_m) > 1.05 * upslope_m2,
        "lower_nearer": -_most_nearer(-z, at.length_m) < z - 0.05,
        "on_other": (others[row, col] > 1) & (at.outside_m > PARCEL_LINE_M),
        "in_the_way": (passed & (BUILDING | WELL)) > 0,
        "road_crossed": (passed & ROAD) > 0,
        "hollow": np.nan_to_num(pond) > 0.05,
    }
    return Cells(
        "found",
        np.column_stack([made[name] for name in FEATURES]).astype(np.float32),
        row // step_row,
        col // step_col,
        cell_m,
        np.asarray(lid.x + at.east_m, np.float64),
        np.asarray(lid.y + at.north_m, np.float64),
        z.astype(float),
        daylight,
        _kinds(away),
        np.asarray(upslope_m2, np.float64),
        at.outside_m,
        downhill,
        ground.lid_ground_m,
        beyond_xy,
    )


class _Ground(NamedTuple):
    """The ground around a lid, and where on it the lid lies, in rows and columns."""

    block: Window
    cell_m: tuple[float, float]
    z: NDArray[np.float32]
    marks: NDArray[np.uint8]
    accumulation: NDArray[np.int64]
    lid_at: tuple[float, float]
    lid_ground_m: float

    @classmethod
    def around(
        cls,
        lid: shapely.Point,
        parcel: shapely.Geometry | None,
        surroundings: Surroundings,
        settings: OutletSection,
    ) -> Self | None:
        """All that is looked at; None where the lid lies where the terrain has no data."""
        terrain = surroundings.terrain
        wide, high = terrain.frame.cell_m
        transform = terrain.frame.transform
        west, south, east, north = _bounds(lid, parcel, settings)
        rows, cols = terrain.frame.shape
        r0 = max(int((transform.f - north) / high) - 1, 0)
        r1 = min(int((transform.f - south) / high) + 2, rows)
        c0 = max(int((west - transform.c) / wide) - 1, 0)
        c1 = min(int((east - transform.c) / wide) + 2, cols)
        lid_at = (transform.f - lid.y) / high - r0, (lid.x - transform.c) / wide - c0
        if not (0 <= lid_at[0] < r1 - r0 and 0 <= lid_at[1] < c1 - c0):
            return None
        block = Window(r0, c0, r1 - r0, c1 - c0)
        z = terrain.window("ground", block).values
        z = np.where(np.isnan(z), terrain.window("opened", block).values, z).astype(np.float32)
        lid_ground_m = float(z[int(lid_at[0]), int(lid_at[1])])
        if np.isnan(lid_ground_m):
            return None
        marks = np.ascontiguousarray(surroundings.marks[block.slices])
        accumulation = terrain.window("accumulation", block).values
        return cls(block, (wide, high), z, marks, accumulation, lid_at, lid_ground_m)

    @property
    def steps(self) -> tuple[int, int]:
        """Rows and columns from one place looked at to the next."""
        wide, high = self.cell_m
        return max(round(SPACING_M / high), 1), max(round(SPACING_M / wide), 1)


def _distances(ground: _Ground, draw_m2: float) -> dict[int, NDArray[np.float64]]:
    """How far each cell is from what may lie beside a place, by its bit."""
    wide, high = ground.cell_m
    away = {
        bit: _distance((ground.marks & bit) > 0, wide, high) for bit in (WATER, DITCH, DRAIN, ROAD)
    }
    away[DRAW] = _distance(ground.accumulation * (wide * high) >= draw_m2, wide, high)
    return away


def _searched(
    lid: shapely.Point,
    parcel: shapely.Geometry | None,
    ground: _Ground,
    surroundings: Surroundings,
    away: Mapping[int, NDArray[np.float64]],
    settings: OutletSection,
) -> tuple[Lattice, NDArray[np.int32], NDArray[np.float64] | None]:
    """The places of the search area, parcels by number, and the places outside the own parcel."""
    (step_row, step_col), (rows, cols) = ground.steps, ground.z.shape
    i, j = np.meshgrid(
        np.arange(-ground.block.row % step_row, rows, step_row),
        np.arange(-ground.block.col % step_col, cols, step_col),
        indexing="ij",
    )
    at = Lattice.of(i.ravel(), j.ravel(), ground.lid_at, ground.cell_m)
    at = at.kept(at.length_m <= settings.longest_m)
    others = np.zeros(ground.z.shape, np.int32)
    if parcel is None:
        return at, others, None
    beside = np.logical_or.reduce([away[bit] <= far for bit, far in BESIDE_M.items()])
    others = surroundings.parcels_on(ground.block.slices, parcel)
    searched = adjoining(
        at, beside, others, parcel, lid, ground.lid_at, ground.cell_m, settings.beyond_parcel_m
    )
    if searched is None:
        return at, others, None
    out = searched.outside_m > 0
    outside = np.column_stack([lid.x + searched.east_m[out], lid.y + searched.north_m[out]])
    return searched, others, outside


def _reached_by_pipe(
    at: Lattice, ground: _Ground, settings: OutletSection, *, pumped: bool
) -> tuple[Lattice, NDArray[np.float64], NDArray[np.uint8]]:
    """The places where a pipe could end, where its fall first meets the ground, what it passes."""
    marks, z = ground.marks, ground.z
    keep = at.length_m >= settings.shortest_m
    keep &= ((marks[at.row, at.col] & (ROAD | BUILDING)) == 0) & ~np.isnan(z[at.row, at.col])
    at = at.kept(keep)
    spare, daylight, cover, passed = along_pipes(
        z, marks, *ground.lid_at, at.row, at.col, *ground.cell_m,
        ground.lid_ground_m - settings.burial_m, settings.least_fall, not pumped,
    )  # fmt: skip
    if pumped:
        return at, daylight, passed
    keep = (spare >= 0) & (cover <= settings.deepest_m)
    return at.kept(keep), daylight[keep], passed[keep]


def _bounds(
    lid: shapely.Point, parcel: shapely.Geometry | None, settings: OutletSection
) -> tuple[float, float, float, float]:
    """West, south, east and north of what is looked at: the search area, the lid, a margin."""
    reach = settings.longest_m + _MARGIN_M
    west, south, east, north = lid.x - reach, lid.y - reach, lid.x + reach, lid.y + reach
    if parcel is None:
        return west, south, east, north
    out, near = settings.beyond_parcel_m + _MARGIN_M, AROUND_LID_M + _MARGIN_M
    edges = parcel.bounds
    if edges[0] - out > lid.x + settings.longest_m or edges[2] + out < lid.x - settings.longest_m:
        return west, south, east, north
    if edges[1] - out > lid.y + settings.longest_m or edges[3] + out < lid.y - settings.longest_m:
        return west, south, east, north
    return (
        max(west, min(edges[0] - out, lid.x - near)),
        max(south, min(edges[1] - out, lid.y - near)),
        min(east, max(edges[2] + out, lid.x + near)),
        min(north, max(edges[3] + out, lid.y + near)),
    )


def _none(
    state: str,
    downhill: tuple[float, float] = (0.0, 0.0),
    lid_ground_m: float = np.nan,
    cell_m: tuple[float, float] = (SPACING_M, SPACING_M),
    adjoining_xy: NDArray[np.float64] | None = None,
) -> Cells:
    none, whole = np.zeros(0), np.zeros(0, np.int64)
    table = np.zeros((0, len(FEATURES)), np.float32)
    return Cells(
        state, table, whole, whole, cell_m, none, none,
        none, none, np.zeros(0, object), none, none, downhill, lid_ground_m, adjoining_xy,
    )  # fmt: skip


def _kinds(away: Mapping[int, NDArray[np.float64]]) -> NDArray[np.object_]:
    """What a pipe that ends at each cell would let out into."""
    return np.select(
        [away[DRAIN] <= 2.0, away[WATER] <= 5.0, away[DITCH] <= 5.0, away[ROAD] <= 8.0],
        np.array(["drain", "stream", "ditch", "road_ditch"], object),
        "ground",
    ).astype(object)


def _most_within(values: NDArray[np.int64], rows: int, cols: int) -> NDArray[np.int64]:
    """The greatest value no more than so many rows and columns away."""
    most: NDArray[np.int64] = ndimage.maximum_filter(values, (2 * rows + 1, 2 * cols + 1))
    return most


def _most_nearer(values: NDArray[Any], length_m: NDArray[np.float64]) -> NDArray[Any]:
    """The greatest value of all places that lie no farther from the lid."""
    order = np.argsort(length_m, kind="stable")
    most = np.empty_like(values)
    most[order] = np.maximum.accumulate(values[order])
    return most


def _distance(there: NDArray[np.bool_], wide: float, high: float) -> NDArray[np.float64]:
    """Meters from each cell to the nearest that is so; infinite where none is within the margin.

    What lies farther is seen by some windows and not by others: it must not count.
    """
    if not there.any():
        return np.full(there.shape, np.inf)
    away_m = np.asarray(ndimage.distance_transform_edt(~there, sampling=(high, wide)), float)
    return np.where(away_m <= _MARGIN_M, away_m, np.inf)


def _downhill(
    z: NDArray[np.float32], lid_row: float, lid_col: float, wide: float, high: float
) -> tuple[float, float]:
    """East and north of the unit vector down a plane fitted to the ground round the lid."""
    reach_row, reach_col = int(AROUND_LID_M / high), int(AROUND_LID_M / wide)
    r, c = int(lid_row), int(lid_col)
    rows = np.arange(max(r - reach_row, 0), min(r + reach_row + 1, z.shape[0]))
    cols = np.arange(max(c - reach_col, 0), min(c + reach_col + 1, z.shape[1]))
    east, north = np.meshgrid((cols + 0.5 - lid_col) * wide, (lid_row - rows - 0.5) * high)
    heights = z[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1].astype(float)
    near = (np.hypot(east, north) <= AROUND_LID_M) & ~np.isnan(heights)
    if near.sum() < 3:
        return 0.0, 0.0
    a = np.column_stack([np.ones(near.sum()), east[near], north[near]])
    _, rise_east, rise_north = np.linalg.lstsq(a, heights[near] - heights[near][0], rcond=None)[0]
    slope = float(np.hypot(rise_east, rise_north))
    if slope < LEVEL_SLOPE:
        return 0.0, 0.0
    return -float(rise_east) / slope, -float(rise_north) / slope
