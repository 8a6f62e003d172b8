"""Where rows are: coordinates and shapes checked, repaired, moved into the working system."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import WGS84, LonLatBounds, Mover, describe, looks_like_degrees
from layers.errors import LayerError
from layers.fields.ledger import Ledger
from layers.fields.raw import RawLayer
from layers.fields.values import THOUSANDS, is_blank, plain_value
from layers.reading.positions import grid_places, parse_degrees

Shapes = NDArray[np.object_]
_KINDS: Final[dict[str, tuple[str, ...]]] = {
    "point": ("Point", "MultiPoint"),
    "line": ("LineString", "LinearRing", "MultiLineString"),
    "polygon": ("Polygon", "MultiPolygon"),
}
# from the units' middle, where there is no terrain; a wider county fits no one plane system
_COUNTY_REACH_M: Final = (100_000.0, 250_000.0)
_TERRAIN_REACH_M: Final = 50_000.0  # beyond the edge of the terrain
_DEGREE_M: Final = 111_320.0
_MIRROR_DEG: Final = 1.0  # nearer to Greenwich a county may lie on both sides of it
_LARGEST: Final = 1e9  # of any coordinate, in any unit of a system on the earth
_FARTHEST: Final = 1e9  # meters or feet; nothing on the earth is so far off


# ------------------------------------------------------------------------------ where the county is


@dataclass(frozen=True)
class Extent:
    """Where the county's rows may lie, in degrees."""

    bounds: LonLatBounds

    def inside(self, crs: CRS) -> NDArray[np.float64]:
        """(west, south, east, north) in a layer's own system; NaN where it cannot be said."""
        west, south, east, north = self.bounds
        x, y = np.meshgrid(np.linspace(west, east, 9), np.linspace(south, north, 9))
        if not crs.is_geographic:
            x, y = Mover(WGS84, crs, near=self.bounds)(x.ravel(), y.ravel())
        if not np.isfinite(x).all() or not np.isfinite(y).all():
            return np.full(4, np.nan)
        return np.array([x.min(), y.min(), x.max(), y.max()])


def rough_lonlat(shapes: Shapes, crs: CRS) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Longitudes and latitudes of shapes that have a believable place, swapped ones put right."""
    present = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    bounds = shapely.bounds(present)
    x, y = bounds[:, 0] / 2 + bounds[:, 2] / 2, bounds[:, 1] / 2 + bounds[:, 3] / 2
    known = np.isfinite(x) & np.isfinite(y) & (x != 0) & (y != 0)
    x, y = x[known], y[known]
    if crs.is_geographic:
        # nobody lives beyond 80 degrees north or 60 degrees south
        swapped = ((y > 80) | (y < -60)) & (x <= 80) & (x >= -60)
        x, y = np.where(swapped, y, x), np.where(swapped, x, y)
        believable = (np.abs(x) <= 180) & (y <= 80) & (y >= -60)
        x, y = x[believable], y[believable]
    lon, lat = Mover(crs, WGS84)(x, y)
    moved = np.isfinite(lon) & np.isfinite(lat)
    return lon[moved], lat[moved]


def county_extent(
    lon: NDArray[np.float64], lat: NDArray[np.float64], terrain: LonLatBounds | None
) -> tuple[Extent, LonLatBounds]:
    """The extent rows may lie in, and the bounds of the places inside it.

    The middle is the median of the places around the densest one. With a terrain that holds it:
    50 km beyond the terrain's edges. Else around the middle, to each side 4 median absolute
    deviations, but at least 100 and at most 250 km, so that places far off do not stretch it.
    """
    near = _around_the_densest(lon, lat)
    middle = float(np.median(lon[near])), float(np.median(lat[near]))
    wide = _DEGREE_M * np.cos(np.radians(middle[1]))
    extent: LonLatBounds | None = None
    if terrain is not None:
        dx, dy = _TERRAIN_REACH_M / wide, _TERRAIN_REACH_M / _DEGREE_M
        west, south, east, north = terrain
        extent = (west - dx, south - dy, east + dx, north + dy)
        if not (extent[0] <= middle[0] <= extent[2] and extent[1] <= middle[1] <= extent[3]):
            extent = None
    if extent is None:
        spread_x = 4 * wide * float(np.median(np.abs(lon[near] - middle[0])))
        spread_y = 4 * _DEGREE_M * float(np.median(np.abs(lat[near] - middle[1])))
        dx = float(np.clip(spread_x, *_COUNTY_REACH_M)) / wide
        dy = float(np.clip(spread_y, *_COUNTY_REACH_M)) / _DEGREE_M
        extent = (middle[0] - dx, middle[1] - dy, middle[0] + dx, middle[1] + dy)
    inside = (lon >= extent[0]) & (lon <= extent[2]) & (lat >= extent[1]) & (lat <= extent[3])
    lon, lat = lon[inside], lat[inside]
    bounds = (float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))
    return Extent(extent), bounds


def refuse_lost_signs(
    layer: str,
    lon: NDArray[np.float64],
    lat: NDArray[np.float64],
    places: Mapping[str, LonLatBounds | None],
) -> None:
    """Refuse a layer east of Greenwich where another lies as far west of it.

    Nothing is turned: which of the two has lost its minus signs only the office knows.

    Parameters
    ----------
    places
        Where the other layers, the terrain and the area of the wanted system lie, by what they
        are called.

    Raises
    ------
    LayerError
    """
    east, north = float(np.median(lon)), float(np.median(lat))
    if east < _MIRROR_DEG:
        return
    for name, bounds in places.items():
        if bounds is None or bounds[2] > -_MIRROR_DEG / 2:
            continue
        west, south, right, top = bounds
        dx = dy = _MIRROR_DEG / 2
        if west - dx <= -east <= right + dx and south - dy <= north <= top + dy:
            raise LayerError(
                f"{layer.replace('_', ' ')} are at longitude {east:.4f} (east) but {name} at"
                f" {west / 2 + right / 2:.4f} (west): one of them lost its minus signs",
                where=f"[layers.{layer}]",
                hint=f"write western longitudes with a minus sign, such as -{east:.4f}",
            )


def _around_the_densest(lon: NDArray[np.float64], lat: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Places within 250 km of the one that has most others within 100 km (of a sample of 500)."""

    def within(x: float, y: float, reach_m: float) -> NDArray[np.bool_]:
        wide = _DEGREE_M * max(float(np.cos(np.radians(y))), 0.01)
        return (np.abs(lon - x) * wide <= reach_m) & (np.abs(lat - y) * _DEGREE_M <= reach_m)

    step = max(1, len(lon) // 500)
    sample = list(zip(lon[::step].tolist(), lat[::step].tolist(), strict=True))
    near, far = _COUNTY_REACH_M
    densest = max(sample, key=lambda at: int(within(at[0], at[1], near).sum()))
    return within(densest[0], densest[1], far)


def xy_of(shapes: Shapes) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coordinates of the points among shapes; NaN for everything else, empty points too."""
    points = shapes.copy()
    points[shapely.is_empty(shapes)] = None
    return shapely.get_x(points), shapely.get_y(points)


# ------------------------------------------------------------------------------ columns into points


def coordinate_columns(columns: Mapping[str, str], crs: CRS | None) -> tuple[str, str] | None:
    """The file's two columns of coordinates, or None: x and y for a plane system, else lon, lat."""
    pairs = [("lon", "lat"), ("x", "y")]
    if crs is not None and not crs.is_geographic:
        pairs.reverse()
    for first, second in pairs:
        if first in columns and second in columns:
            return columns[first], columns[second]
    return None


def points_from_columns(
    raw: RawLayer, pair: tuple[str, str], *, in_degrees: bool
) -> tuple[Shapes, list[str | None]]:
    """Points from two columns of text; None where a coordinate is blank or no number, with why.

    Parameters
    ----------
    in_degrees
        Whether degrees may be written with minutes and seconds; else thousands may be set off by
        commas.
    """
    x, y = (raw.texts(name) for name in pair)
    parse = parse_degrees if in_degrees else _plane_number
    numbers = np.full((len(raw), 2), np.nan)
    whys: list[str | None] = [None] * len(raw)
    for position, cells in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        for axis, (cell, name) in enumerate(zip(cells, pair, strict=True)):
            if is_blank(cell):
                whys[position] = f"{name} is blank"
                continue
            try:
                numbers[position, axis] = parse(cell)
            except ValueError:
                what = "a number of degrees" if in_degrees else "a number"
                whys[position] = f"{name} {plain_value(cell)} is not {what}"
    return _points(numbers, whys), whys


def points_from_grid(
    raw: RawLayer, name: str
) -> tuple[Shapes, list[str | None], NDArray[np.float64]]:
    """Points in WGS 84 in the middle of squares of the national grid, why not, and their sides."""
    lonlat, side_m, whys = grid_places(raw.texts(name).tolist())
    whys = [None if why is None else f"{name}: {why}" for why in whys]
    return _points(lonlat, whys), whys, side_m


def _points(numbers: NDArray[np.float64], whys: list[str | None]) -> Shapes:
    known = (np.abs(numbers) <= _FARTHEST).all(axis=1)  # False for NaN
    shapes = np.full(len(numbers), None, dtype=object)
    shapes[known] = shapely.points(numbers[known])
    for position in np.flatnonzero(~known).tolist():
        whys[position] = whys[position] or "a coordinate is too large to be real"
    return shapes


def _plane_number(text: str) -> float:
    if "_" in text:
        raise ValueError("not a number")
    return float(text.replace(",", "") if THOUSANDS.fullmatch(text.strip()) else text)


# --------------------------------------------------------------------------------- checks, in order


def middles_of_outlines(shapes: Shapes, crs: CRS) -> tuple[Shapes, NDArray[np.float64]]:
    """Areas as points in their middle, and how far their outline reaches from it, in meters.

    Other shapes stay as they are, with NaN. A degree is taken as long as along a meridian.
    """
    shapes, reach = shapes.copy(), np.full(len(shapes), np.nan)
    is_area = np.isin(shapely.get_type_id(shapes), (3, 6)) & ~shapely.is_empty(shapes)
    for position in np.flatnonzero(is_area).tolist():
        middle = shapes[position].centroid
        if not middle.is_empty and np.isfinite(shapely.get_coordinates(middle)).all():
            corners = shapely.get_coordinates(shapes[position])
            reach[position] = np.hypot(*(corners - [middle.x, middle.y]).T).max()
            shapes[position] = middle
    unit_m = _DEGREE_M if crs.is_geographic else crs.axis_info[0].unit_conversion_factor
    return shapes, reach * unit_m


def usable_shapes(
    shapes: Shapes, is_unreadable: NDArray[np.bool_], kind: str, ledger: Ledger
) -> Shapes:
    """Flat shapes of the layer's kind; rows without one are set aside."""
    shapes = shapes.copy()
    ledger.flag(is_unreadable, "geometry_unusable", "the stored shape cannot be read", "set_aside")
    is_missing = shapely.is_missing(shapes)
    ledger.flag(is_missing, "geometry_missing", "the row has no shape", "set_aside")
    ledger.flag(shapely.is_empty(shapes), "geometry_empty", "the shape is empty", "set_aside")
    has_z = shapely.has_z(shapes)
    ledger.flag(has_z, "geometry_has_z", "heights stored with the shape are not used", "kept")
    shapes = shapely.force_2d(shapes)
    for position in np.flatnonzero(ledger.is_used & ~_is_plain(shapes, kind)).tolist():
        _of_kind(shapes, position, kind, ledger)
    used = np.flatnonzero(ledger.is_used)
    finite = np.ones(len(shapes), bool)
    vertices, owner = shapely.get_coordinates(shapes[used], return_index=True)
    on_earth = np.abs(vertices) < _LARGEST  # False for NaN
    finite[used[owner[~on_earth.all(axis=1)]]] = False
    message = "a coordinate is not a real place on the earth"
    ledger.flag(~finite, "geometry_unusable", message, "set_aside")
    return shapes


def _is_plain(shapes: Shapes, kind: str) -> NDArray[np.bool_]:
    """Whether shapes are of the kind as they stand; points only when single."""
    types = shapely.get_type_id(shapes)
    plain = {"point": [0], "line": [1, 5], "polygon": [3, 6]}[kind]
    return np.isin(types, plain)


def _of_kind(shapes: Shapes, position: int, kind: str, ledger: Ledger) -> None:
    """Take the parts of the layer's kind out of a shape of another."""
    shape = shapes[position]
    parts = parts_of_kind(shape, kind)
    if not parts and ledger.layer == "streams" and parts_of_kind(shape, "polygon"):
        banks = shapely.get_rings(parts_of_kind(shape, "polygon")).tolist()
        shapes[position] = _collected([shapely.LineString(bank) for bank in banks], kind)
        message = "the stream is an area; its banks are used as lines"
        ledger.flag_row(position, "stream_outline", message, "corrected")
        return
    name = shape.geom_type
    if not parts or (kind == "point" and len(parts) > 1):
        message = f"the shape is a {name}, but a {kind} is needed"
        ledger.flag_row(position, "geometry_wrong_kind", message, "set_aside")
        return
    shapes[position] = _collected(parts, kind)
    if name not in _KINDS[kind]:
        message = f"only the {kind} parts of a {name} are used"
        ledger.flag_row(position, "geometry_wrong_kind", message, "corrected")


def parts_of_kind(shape: Any, kind: str) -> list[Any]:
    """The single parts of a shape that are points, lines or polygons, collections opened."""
    if shape.geom_type == "GeometryCollection" or shape.geom_type.startswith("Multi"):
        return [part for inner in shape.geoms for part in parts_of_kind(inner, kind)]
    return [shape] if shape.geom_type in _KINDS[kind] and not shape.is_empty else []


def _collected(parts: list[Any], kind: str) -> Any:
    """Single parts as one shape, none of them changed."""
    if len(parts) == 1:
        return parts[0]
    return shapely.multipolygons(parts) if kind == "polygon" else shapely.multilinestrings(parts)


def placed(
    shapes: Shapes, kind: str, ledger: Ledger, mover: Mover, extent: Extent, crs: CRS
) -> Shapes:
    """Shapes in the working system, to which ``mover`` brings them from their own.

    Points at zero, rows outside the county and shapes that cannot be mended are set aside;
    exchanged latitudes and longitudes are put right where that brings them into the county.
    """
    shapes = shapes.copy()
    if kind == "point":
        x, y = xy_of(shapes)
        ledger.flag((x == 0) | (y == 0), "coordinates_zero", "a coordinate is 0", "set_aside")
    _within(shapes, crs, extent, ledger)
    used = np.flatnonzero(ledger.is_used)
    shapes[used] = mover.shapes(shapes[used])
    lost = np.zeros(len(shapes), bool)
    lost[used] = ~np.isfinite(shapely.bounds(shapes[used])).all(axis=1)
    ledger.flag(
        lost,
        "geometry_unusable",
        "the shape cannot be moved to the county's coordinate system",
        "set_aside",
    )
    if kind != "point":
        _repair(shapes, kind, ledger)
    _report_duplicates(shapes, ledger)
    return shapes


def _within(shapes: Shapes, crs: CRS, extent: Extent, ledger: Ledger) -> None:
    box = extent.inside(crs)
    bounds = shapely.bounds(shapes)
    inside = _meets(bounds, box)
    swapped = ~inside & _meets(bounds[:, [1, 0, 3, 2]], box) & ledger.is_used
    for position in np.flatnonzero(swapped).tolist():
        shapes[position] = shapely.transform(shapes[position], lambda xy: xy[:, ::-1])
    names = "latitude and longitude" if crs.is_geographic else "easting and northing"
    ledger.flag(swapped, "coordinates_swapped", f"{names} were swapped", "corrected")
    negated = _meets(bounds[:, [2, 1, 0, 3]] * [-1, 1, -1, 1], box)

    def message(position: int) -> str:
        west, south, east, north = bounds[position]
        middle = f"{west / 2 + east / 2:.6g}, {south / 2 + north / 2:.6g}"
        text = f"{middle} ({describe(crs)}) is far from the units"
        if negated[position]:
            return text + ". With a minus sign, its longitude would fit"
        if not crs.is_geographic and looks_like_degrees(bounds[position]):
            return text + ". These look like degrees, unlike the rest of the layer"
        if crs.is_geographic and not looks_like_degrees(bounds[position]):
            return text + ". These look like meters or feet, unlike the rest of the layer"
        return text

    ledger.flag(~inside & ~swapped, "outside_county", message, "set_aside")


def _meets(bounds: NDArray[np.float64], box: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether boxes meet one box; False where either is NaN."""
    west, south, east, north = box
    return np.asarray(
        (bounds[:, 0] <= east)
        & (bounds[:, 2] >= west)
        & (bounds[:, 1] <= north)
        & (bounds[:, 3] >= south)
    )


def _repair(shapes: Shapes, kind: str, ledger: Ledger) -> None:
    is_valid = shapely.is_valid(shapes)
    for position in np.flatnonzero(ledger.is_used & ~is_valid).tolist():
        why = shapely.is_valid_reason(shapes[position])
        try:
            parts = parts_of_kind(shapely.make_valid(shapes[position]), kind)
        except shapely.errors.GEOSException:  # coordinates too large to work with
            parts = []
        if not parts:
            message = f"the shape could not be repaired: {why}"
            ledger.flag_row(position, "geometry_unusable", message, "set_aside")
            continue
        shapes[position] = _collected(parts, kind)
        ledger.flag_row(position, "geometry_invalid", f"the shape was repaired: {why}", "corrected")


def _report_duplicates(shapes: Shapes, ledger: Ledger) -> None:
    first: dict[bytes, int] = {}
    again: dict[int, int] = {}
    used = np.flatnonzero(ledger.is_used)
    for position, wkb in zip(used.tolist(), shapely.to_wkb(shapes[used]).tolist(), strict=True):
        seen = first.setdefault(wkb, position)
        if seen != position:
            again[position] = seen
    where = np.zeros(len(shapes), bool)
    where[list(again)] = True
    ledger.flag(
        where,
        "geometry_duplicate",
        lambda position: f"same shape as row {ledger.rows[again[position]]}",
        "kept",
    )
