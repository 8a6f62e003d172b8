"""A proposed unit: every figure of a real one, and where on the parcel all setbacks would hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from geo.assessment import assess
from geo.setbacks import matching
from geo.trace import to_map
from layers.county import County
from layers.crs import ground_length_m
from layers.errors import TraceError
from layers.schemas import SCHEMAS
from layers.setback_tables import SetbackRule
from layers.store import Assessment

PROPOSED: Final = "PROPOSED"
CAUTION: Final = (
    "Screening only, from maps and records: no approval and no refusal. The local code, a survey"
    " and a licensed designer decide."
)
# A place typed in is taken to be known as well as a phone in the open gives it, at 95 %.
TYPED95_M: Final = 10.0
_ARC_STEPS: Final = 64  # of a quarter circle: the outline errs by less than 8e-5 of the distance
_EDGE_M: Final = 0.02


@dataclass(frozen=True)
class Proposal:
    """What a proposed unit would meet.

    Attributes
    ----------
    result
        The assessment of a county with this one unit.
    parcel
        The parcel that holds the lid; None where none does.
    allowed
        By part (tank, discharge_point): where on the parcel every adopted setback of today holds.
    edges
        Lines around the allowed parts: ``part`` and ``rule_id`` of the rule that bites there,
        ``parcel line`` where none does.
    """

    result: Assessment
    parcel: shapely.Geometry | None
    allowed: dict[str, shapely.Geometry]
    edges: gpd.GeoDataFrame
    notes: tuple[str, ...]
    caution: str = CAUTION

    def share(self, part: str) -> float | None:
        """Of the parcel, where a part is allowed; None without a parcel."""
        if self.parcel is None or not self.parcel.area:
            return None
        return round(float(self.allowed[part].area / self.parcel.area), 4)


def assess_proposal(
    county: County,
    *,
    lid: tuple[float, float],
    outlet: tuple[float, float] | None = None,
    kind: str = "surface_discharge",
    progress: Callable[[str], None] | None = None,
) -> Proposal:
    """Assess one unit that is not there yet, by the very functions that assess all others.

    Parameters
    ----------
    lid, outlet
        Latitude and longitude (WGS 84).
    kind
        As in the layer of units.

    Raises
    ------
    TraceError
        When a place is none, lies off the county, or the kind is unknown.
    """
    kinds = {c.name: c for c in SCHEMAS["units"].columns}["kind"].codes
    if kinds and kind not in kinds:
        raise TraceError(f"no kind {kind!r}", where="--kind", mend=f"one of {', '.join(kinds)}")
    room = shapely.box(*county.layers["units"].total_bounds).buffer(20_000)
    lid_xy = to_map(lid, county.crs)
    outlet_xy = None if outlet is None else to_map(outlet, county.crs)
    for xy in filter(None, (lid_xy, outlet_xy)):
        if not room.contains(shapely.Point(xy)):
            raise TraceError(
                "a place lies far outside the county", where="--lid, --outlet",
                mend="write the latitude first, and west as a minus",
            )  # fmt: skip
    alone = _with_one_unit(county, lid_xy, outlet_xy, kind)
    result = assess(alone, seed=0, draws=0, progress=progress)
    parcel = _parcel_of(county, shapely.Point(lid_xy))
    if parcel is None:
        note = "No parcel on record holds the lid: the allowable area is not told."
        empty = gpd.GeoDataFrame({"part": [], "rule_id": []}, geometry=[], crs=county.crs)
        return Proposal(result, None, {}, empty, (note,))
    allowed, edges = allowable_area(parcel, _rules_today(county), county, lid_xy)
    note = (
        "The allowable area takes positions as drawn and rules that hold only upslope or downslope"
        " as holding in every direction; distances are good to 0.1 %, and to 2 cm at corners."
    )
    return Proposal(result, parcel, allowed, edges, (note,))


def _with_one_unit(
    county: County,
    lid: tuple[float, float],
    outlet: tuple[float, float] | None,
    kind: str,
) -> County:
    """The county with this one unit and its discharge point in place of all others."""
    layers = dict(county.layers)
    known = {"unit_id": PROPOSED, "accuracy95_m": TYPED95_M, "kind": kind, "status": "active",
             "location_basis": "digitised", "pumped": False, "source_row": 1,
             "installed": pd.Timestamp(county.as_of)}  # fmt: skip
    layers["units"] = _row(layers["units"], known, lid)
    point = {"discharge_point_id": PROPOSED, "unit_id": PROPOSED, "accuracy95_m": TYPED95_M,
             "outlet_kind": "ground", "location_basis": "digitised", "source_row": 1}  # fmt: skip
    if outlet is not None:
        blank: dict[str, list[object]] = {
            c.name: [None] for c in SCHEMAS["discharge_points"].columns
        }
        blank |= {"accuracy95_m": [np.nan], "invert_height_m": [np.nan], "source_row": [1]}
        new = gpd.GeoDataFrame(blank, geometry=[shapely.Point(outlet)], crs=county.crs)
        layers["discharge_points"] = _row(layers.get("discharge_points", new), point, outlet)
    else:
        layers.pop("discharge_points", None)
    for name in ("inspections", "complaints", "permits", "variances", "taped_distances"):
        if name in layers:
            layers[name] = layers[name].iloc[:0]
    link = {"unit_id": PROPOSED, "discharge_point_id": None if outlet is None else PROPOSED,
            "link_method": "none" if outlet is None else "by_id", "link_confirmed": True,
            "outlet_state": "known" if outlet is not None else
            ("unknown" if kind == "surface_discharge" else "not_expected")}  # fmt: skip
    links = pd.DataFrame([{name: link.get(name) for name in county.links.columns}])
    return replace(county, layers=layers, links=links.astype(county.links.dtypes.to_dict()))


def _row(
    layer: gpd.GeoDataFrame, known: dict[str, object], xy: tuple[float, float]
) -> gpd.GeoDataFrame:
    """One row of a layer's own columns and types."""
    row = layer.iloc[[0]].copy().reset_index(drop=True)
    for name in row.columns.drop("geometry"):
        value = known.get(name)
        row[name] = pd.Series([value], dtype=row[name].dtype)
    return row.set_geometry([shapely.Point(xy)], crs=layer.crs)


def _parcel_of(county: County, lid: shapely.Point) -> shapely.Geometry | None:
    parcels = county.layer("parcels")
    if parcels is None:
        return None
    mine = parcels[parcels.intersects(lid)]
    return None if mine.empty else mine.geometry.iloc[0]


def _rules_today(county: County) -> list[SetbackRule]:
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


def allowable_area(
    parcel: shapely.Geometry,
    rules: list[SetbackRule],
    county: County,
    near: tuple[float, float],
) -> tuple[dict[str, shapely.Geometry], gpd.GeoDataFrame]:
    """The parcel less the surroundings of every feature that a rule keeps each part away from.

    Returns the allowed shape by part and the lines around them with the rule that bites.
    """
    plane = plane_by_ground(near, county.crs)
    allowed, rows = {}, []
    for part, speaks in (("tank", ("tank", "unit")), ("discharge_point", ("discharge_point",))):
        zones = {
            rule.id: _zone(rule, county, parcel, plane) for rule in rules if rule.part in speaks
        }
        held = shapely.difference(parcel, shapely.union_all(list(zones.values())))
        allowed[part] = held
        rest = shapely.boundary(held)
        for name, zone in zones.items():
            if shapely.is_empty(zone):
                continue
            rim = shapely.buffer(shapely.boundary(zone), _EDGE_M)
            rows.append((part, name, shapely.intersection(rest, rim)))
            rest = shapely.difference(rest, rim)
        rows.append((part, "parcel line", rest))
    kept = [row for row in rows if not shapely.is_empty(row[2])]
    table = pd.DataFrame([row[:2] for row in kept], columns=["part", "rule_id"])
    return allowed, gpd.GeoDataFrame(table, geometry=[row[2] for row in kept], crs=county.crs)


def plane_by_ground(xy: tuple[float, float], crs: CRS) -> float:
    """Length in the plane by length on the ellipsoid at a place, over both axes."""
    x, y = np.full(2, xy[0]), np.full(2, xy[1])
    ground = ground_length_m(x, y, x + np.array([100.0, 0.0]), y + np.array([0.0, 100.0]), crs)
    return float(100.0 / ground.mean())


def _zone(
    rule: SetbackRule, county: County, parcel: shapely.Geometry, plane: float
) -> shapely.Geometry:
    """Where a rule is not met."""
    layer = county.layer(rule.feature)
    reach = rule.required_m * plane
    if layer is None:
        return shapely.Polygon()
    some = matching(layer, rule)
    some = some[shapely.dwithin(some.geometry.to_numpy(), parcel, reach * 1.01)]
    shapes = some.geometry.to_numpy()
    if rule.feature == "parcels":
        shapes = shapely.boundary(shapes)
    return shapely.union_all(shapely.buffer(shapes, reach, quad_segs=_ARC_STEPS))
