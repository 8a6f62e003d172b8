"""Where on a parcel all setbacks hold: the parcel less the surroundings of what rules keep off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from scipy.special import ndtri

from geo.receptors import SEARCH_M
from geo.setbacks.candidates import NO, meant, shapes_of
from geo.setbacks.verdicts import CLEAR_AT_MOST
from geo.terrain import sample
from geo.uncertainty import MAP_LINE_SD_M, POINT_95
from layers.county import County
from layers.crs import ground_length_m
from layers.fields.schemas import SCHEMAS
from layers.grid import Grid
from layers.settings.setback_tables import SetbackRule

PARTS: Final = (("tank", ("tank", "unit")), ("discharge_point", ("discharge_point",)))
_ARC_STEPS: Final = 64  # of a quarter circle: the outline errs by less than 8e-5 of the distance
_EDGE_M: Final = 0.02
# Shapes of more corners are cut to the neighborhood of a parcel before they are widened.
_LONG: Final = 50
# Cells looked at around one feature, of a rule for one side only; beyond it holds on every side.
MOST_CELLS: Final = 250_000
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class AllowableArea:
    """Where on a parcel every setback holds.

    Attributes
    ----------
    as_drawn
        By part (tank, discharge_point): where it does if all positions are as drawn.
    surely
        Where a check of each rule would still say clear, with the accuracy of the features and
        that of the place; within ``as_drawn``.
    edges
        Lines around both: ``part``, ``held`` (as_drawn, surely), ``rule_id`` of the rule that
        bites there, ``parcel line`` where none does.
    every_side
        Rules for one side only that were taken to hold on every side.
    not_given
        Layers that rules speak of and that were not given: no place is sure without them.
    zones
        By ``held`` and part, what each rule keeps off, near the parcel.
    """

    as_drawn: dict[str, shapely.Geometry]
    surely: dict[str, shapely.Geometry]
    edges: gpd.GeoDataFrame
    every_side: tuple[str, ...]
    not_given: tuple[str, ...]
    zones: Mapping[str, Mapping[str, Mapping[str, shapely.Geometry]]]


def allowable_area(
    parcel: shapely.Geometry,
    rules: Sequence[SetbackRule],
    features: Mapping[str, gpd.GeoDataFrame | None],
    crs: CRS,
    *,
    place95_m: float,
    line_sd_m: Mapping[str, float],
    ground: Grid | None = None,
) -> AllowableArea:
    """The parcel less the surroundings of every feature that a rule keeps each part away from.

    Parameters
    ----------
    parcel
        An area in the working system.
    rules
        Those that hold.
    features
        The layers by name.
    place95_m
        How well the part will be placed, circular at 95 %.
    line_sd_m
        As of `geo.setbacks.SetbackInputs`; points carry their own ``accuracy95_m``.
    ground
        Heights around the parcel, for rules that hold only upslope or downslope.

    Notes
    -----
    A rule for one side keeps a part away only where the ground at the feature's nearest place
    lies so, as in `geo.receptors.nearest_on_side`; a cell of the ground is let off only if that
    is so at its middle and its corners. ``surely`` takes such rules to hold on every side, since
    the terrain's own error may turn level ground over. A feature whose accuracy is not known
    leaves no sure place within 1,000 m. A feature that may be meant is taken to be.
    """
    keep_off = keep_offs(rules, features, place95_m=place95_m, line_sd_m=line_sd_m)
    return allowable_on(parcel, keep_off, crs, ground=ground)


@dataclass(frozen=True)
class KeepOff:
    """What one rule keeps a part of a unit away from, ready to be asked for many parcels.

    Attributes
    ----------
    shapes, tree
        The features the rule may speak of, and how those near a parcel are found.
    sure_m
        From what distance on a check of each says clear, ground meters.
    is_given
        Whether the layer was given.
    """

    rule: SetbackRule
    shapes: NDArray[np.object_]
    tree: shapely.STRtree
    sure_m: Floats
    is_given: bool


def keep_offs(
    rules: Sequence[SetbackRule],
    features: Mapping[str, gpd.GeoDataFrame | None],
    *,
    place95_m: float,
    line_sd_m: Mapping[str, float],
) -> list[KeepOff]:
    """Each rule with the features it keeps off; parameters as of `allowable_area`."""
    found = []
    for rule in rules:
        layer = features.get(rule.feature)
        if layer is None:
            none: NDArray[np.object_] = np.empty(0, object)
            found.append(KeepOff(rule, none, shapely.STRtree(none), np.empty(0), False))
            continue
        some = layer[meant(layer, rule) != NO]
        shapes = shapes_of(some, rule.feature)
        sd = np.full(len(some), line_sd_m.get(rule.feature, MAP_LINE_SD_M))
        if SCHEMAS[rule.feature].shape == "point":
            sd = some["accuracy95_m"].to_numpy(float) / POINT_95
        sure_m = sure_reach_m(rule.required_m, np.hypot(place95_m / POINT_95, sd))
        found.append(KeepOff(rule, shapes, shapely.STRtree(shapes), sure_m, True))
    return found


def allowable_on(
    parcel: shapely.Geometry,
    keep_off: Sequence[KeepOff],
    crs: CRS,
    *,
    ground: Grid | None = None,
    with_edges: bool = True,
) -> AllowableArea:
    """As `allowable_area`, of rules made ready once for many parcels; ``edges`` only if wanted."""
    plane = plane_by_ground(parcel, crs)
    held: dict[str, dict[str, shapely.Geometry]] = {"as_drawn": {}, "surely": {}}
    rows: list[tuple[str, str, str, shapely.Geometry]] = []
    every_side: list[str] = []
    not_given: list[str] = []
    kept_off: dict[str, dict[str, dict[str, shapely.Geometry]]] = {name: {} for name in held}
    for part, speaks in PARTS:
        zones: dict[str, dict[str, shapely.Geometry]] = {name: {} for name in held}
        for each in keep_off:
            rule = each.rule
            if rule.part not in speaks:
                continue
            if not each.is_given:
                zones["surely"][rule.id] = parcel
                not_given.append(rule.feature)
                continue
            zones["as_drawn"][rule.id], all_sides = _zone(each, parcel, plane, ground)
            if all_sides:
                every_side.append(rule.id)
            zones["surely"][rule.id] = _around(each, each.sure_m * plane, parcel)
        for name, areas in held.items():
            areas[part] = shapely.difference(parcel, shapely.union_all(list(zones[name].values())))
            kept_off[name][part] = zones[name]
            if with_edges:
                rows += [(part, name, *row) for row in _edges(areas[part], zones[name])]
    kept = [row for row in rows if not shapely.is_empty(row[3])]
    table = pd.DataFrame([row[:3] for row in kept], columns=["part", "held", "rule_id"])
    edges = gpd.GeoDataFrame(table, geometry=[row[3] for row in kept], crs=crs)
    return AllowableArea(
        held["as_drawn"],
        held["surely"],
        edges,
        tuple(dict.fromkeys(every_side)),
        tuple(dict.fromkeys(not_given)),
        kept_off,
    )


def sure_reach_m(required_m: float, sd_m: Floats) -> Floats:
    """The distance from which on a check says clear, ground meters.

    Of the two forms of chance that a check must pass (`geo.setbacks`) the normal one is never the
    smaller, so it decides.
    """
    reach = required_m + ndtri(1 - CLEAR_AT_MOST) * np.asarray(sd_m, float)
    return np.where(np.isnan(reach), SEARCH_M, reach)


def plane_by_ground(parcel: shapely.Geometry, crs: CRS) -> float:
    """Length in the plane by length on the ellipsoid at a parcel, over both axes."""
    at = shapely.get_coordinates(shapely.centroid(parcel))[0]
    x, y = np.full(2, at[0]), np.full(2, at[1])
    ground = ground_length_m(x, y, x + np.array([100.0, 0.0]), y + np.array([0.0, 100.0]), crs)
    return float(100.0 / ground.mean())


def _around(each: KeepOff, reach: Floats, parcel: shapely.Geometry) -> shapely.Geometry:
    """What lies within its own reach (plane) of some of the shapes, those near the parcel."""
    near, shapes = _near(each, parcel, reach)
    return shapely.union_all(shapely.buffer(shapes, reach[near], quad_segs=_ARC_STEPS))


def _near(
    each: KeepOff, parcel: shapely.Geometry, reach: Floats
) -> tuple[NDArray[np.int64], NDArray[np.object_]]:
    """The shapes whose reach may come to the parcel, cut off where none of it can."""
    farthest = float(reach.max(initial=0.0)) * 1.01
    near = np.sort(each.tree.query(parcel, predicate="dwithin", distance=farthest))
    near = near[shapely.dwithin(each.shapes[near], parcel, reach[near] * 1.01)]
    shapes = each.shapes[near]
    is_long = shapely.get_num_coordinates(shapes) > _LONG
    if is_long.any():
        west, south, east, north = shapely.bounds(parcel)
        off = farthest * 1.05 + 1.0
        around = shapely.box(west - off, south - off, east + off, north + off)
        shapes = np.where(is_long, shapely.intersection(shapes, around), shapes)
    return near, shapes


def _zone(
    each: KeepOff, parcel: shapely.Geometry, plane: float, ground: Grid | None
) -> tuple[shapely.Geometry, bool]:
    """Where a rule is not met, and whether one for one side was taken to hold on every side."""
    rule, reach = each.rule, each.rule.required_m * plane
    every = np.full(len(each.shapes), reach)
    if rule.direction == "any":
        return _around(each, every, parcel), False
    zones, all_sides = [], False
    near, _ = _near(each, parcel, every)
    for shape in each.shapes[near]:
        zone = shapely.buffer(shape, reach, quad_segs=_ARC_STEPS)
        off = (
            None
            if ground is None
            else _other_side(shape, shapely.intersection(zone, parcel), ground, rule.direction)
        )
        all_sides |= off is None
        zones.append(zone if off is None else shapely.difference(zone, off))
    return shapely.union_all(zones), all_sides


def _other_side(
    shape: shapely.Geometry, within: shapely.Geometry, ground: Grid, direction: str
) -> shapely.Geometry | None:
    """The cells from all of which a feature does not lie upslope (or downslope); None: too many."""
    if shapely.is_empty(within):
        return shapely.Polygon()
    west, south, east, north = shapely.bounds(within)
    t = ground.transform
    rows, cols = ground.shape
    left, right = max(int((west - t.c) // t.a), 0), min(int((east - t.c) // t.a) + 1, cols)
    top, foot = max(int((north - t.f) // t.e), 0), min(int((south - t.f) // t.e) + 1, rows)
    if right <= left or foot <= top:
        return shapely.Polygon()
    if (right - left) * (foot - top) > MOST_CELLS:
        return None
    x0, y0 = np.meshgrid(t.c + np.arange(left, right) * t.a, t.f + np.arange(top, foot) * t.e)
    boxes = shapely.box(x0, y0 + t.e, x0 + t.a, y0).ravel()
    boxes = boxes[shapely.intersects(boxes, within)]
    middle = shapely.get_coordinates(shapely.centroid(boxes))
    here = sample(ground, *middle.T)
    free = np.ones(len(boxes), bool)
    for dx, dy in ((0.0, 0.0), (0.5, 0.5), (0.5, -0.5), (-0.5, 0.5), (-0.5, -0.5)):
        points = shapely.points(middle + np.array([dx * t.a, dy * t.e]))
        feet = shapely.get_coordinates(shapely.shortest_line(points, shape))[1::2]
        rise = sample(ground, *feet.T) - here
        free &= rise < 0 if direction == "upslope" else rise > 0
    return shapely.union_all(boxes[free])


def _edges(
    held: shapely.Geometry, zones: Mapping[str, shapely.Geometry]
) -> list[tuple[str, shapely.Geometry]]:
    """The outline of what is held, by the rule that bites."""
    rows, rest = [], shapely.boundary(held)
    for name, zone in zones.items():
        if shapely.is_empty(zone):
            continue
        rim = shapely.buffer(shapely.boundary(zone), _EDGE_M)
        rows.append((name, shapely.intersection(rest, rim)))
        rest = shapely.difference(rest, rim)
    return [*rows, ("parcel line", rest)]


def rules_today(county: County) -> list[SetbackRule]:
    """Rules of adopted tables in force on the day of the assessment."""
    return [
        rule
        for table in county.setbacks.tables
        if table.is_adopted and _holds(table, county)
        for rule in county.setbacks.rows(table)
        if _holds(rule, county)
    ]


def _holds(level: object, county: County) -> bool:
    begin, end = getattr(level, "effective_from", None), getattr(level, "effective_to", None)
    return (begin is None or county.as_of >= begin) and (end is None or county.as_of < end)
