"""A proposed unit: every figure of a real one, and where on the parcel all setbacks would hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geo.assessment import assess
from geo.measurements import line_accuracy95_m
from geo.results.proposed import Proposal
from geo.setbacks.allowable import PARTS, AllowableArea, allowable_area, rules_today
from geo.trace.traces import to_map
from geo.uncertainty import LINE_95
from layers.county import County
from layers.errors import TraceError
from layers.fields.schemas import SCHEMAS
from layers.grid import Grid, read_around
from layers.measures import format_height, format_length
from layers.problems import NOT_GIVEN
from layers.settings.setback_tables import SetbackRule
from layers.store import Assessment

PROPOSED: Final = "PROPOSED"
# A place typed in is taken to be known as well as a phone in the open gives it, at 95 %.
TYPED95_M: Final = 10.0
_SHOWN_OF: Final = (
    "terrain", "wells", "streams", "water_bodies", "drains", "floodplain", "parcels", "buildings",
    "roads", "protected_places",
)  # fmt: skip
_ROOM_M: Final = 1_000.0  # around a parcel, where what its rules speak of may lie


def assess_proposal(
    county: County,
    *,
    lid: tuple[float, float],
    outlet: tuple[float, float] | None = None,
    kind: str = "surface_discharge",
    place95_m: float = TYPED95_M,
    riser_height_m: float | None = None,
    seed: int = 0,
    draws: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> Proposal:
    """Assess one unit that is not there yet, by the very functions that assess all others.

    Parameters
    ----------
    lid, outlet
        Latitude and longitude (WGS 84).
    kind
        As in the layer of units.
    place95_m
        How well the two places are known, circular at 95 %.
    riser_height_m
        How far the lid would stand above the ground; without it no freeboard is told.
    seed, draws
        As of `geo.assess`; 0 draws: no chances of water over the lid.

    Raises
    ------
    TraceError
        When a place is none, lies off the county, or the kind is unknown.
    """
    kinds = {c.name: c for c in SCHEMAS["units"].columns}["kind"].codes
    if kinds and kind not in kinds:
        raise TraceError(
            f"no kind of unit {kind!r}", where="the kind", hint=f"one of {', '.join(kinds)}"
        )
    bounds = county.layers["units"].total_bounds
    lid_xy = to_map(lid, county.crs, bounds, "the lid")
    outlet_xy = (
        None if outlet is None else to_map(outlet, county.crs, bounds, "the discharge point")
    )
    alone = _with_one_unit(county, lid_xy, outlet_xy, kind, place95_m, riser_height_m)
    result = assess(alone, seed=seed, draws=draws, progress=progress)
    parcel = _parcel_of(county, shapely.Point(lid_xy))
    doubts = tuple(_describe_places(county, result, parcel))
    notes = (_describe_chances(result),)
    if parcel is None:
        empty = gpd.GeoDataFrame({n: [] for n in ("part", "held", "rule_id")}, geometry=[],
                                 crs=county.crs)  # fmt: skip
        return Proposal(result, None, {}, {}, empty, doubts, notes)
    rules = rules_today(county)
    found = allowable_area(
        parcel,
        rules,
        {name: county.layer(name) for name in SCHEMAS if SCHEMAS[name].shape != "raster"},
        county.crs,
        place95_m=place95_m,
        line_sd_m={name: line_accuracy95_m(county, name) / LINE_95 for name in SCHEMAS},
        ground=_ground(county, parcel),
    )
    return Proposal(
        result, parcel, found.as_drawn, found.surely, found.edges, doubts,
        (*notes, *_notes(rules, found)),
    )  # fmt: skip


def _describe_places(
    county: County, result: Assessment, parcel: shapely.Geometry | None
) -> list[str]:
    """What is odd about the places typed in, and what cannot be told of them."""
    unit, show = result.units.iloc[0], county.file.county.show_units
    problems = result.problems
    off = problems[(problems["code"] == "terrain_off") & (problems["feature_id"] == PROPOSED)]
    part = {"units": "lid", "discharge_points": "discharge point"}
    text = [
        f"The {part[layer]} is where the terrain has no data. Height, flow path and standing water"
        " are not calculated there."
        for layer in sorted(set(off["layer"]) & set(part), reverse=True)
    ]
    if parcel is None:
        text.append("No parcel on record holds the lid, so the allowable area is not calculated.")
    if unit["outlet_state"] == "unknown":
        text.append("No discharge point was given, so where its discharge goes is not calculated.")
    outlet = result.discharge_points.geometry
    if parcel is not None and len(outlet) and not parcel.intersects(outlet.iloc[0]):
        text.append(
            "The discharge point is off the parcel that holds the lid. The allowable area covers"
            " that parcel only."
        )
    length_m = unit.get("pipe_length_m", np.nan)
    if length_m > county.file.link.pipe_longer_than_m:
        text.append(
            f"The discharge point is {format_length(float(length_m), show)} from the lid, longer"
            " than a pipe is expected to be. Check both positions."
        )
    rise_m = -unit.get("pipe_drop_m", np.nan)
    terrain = county.file.layers.get("terrain")
    accuracy_m = (terrain.accuracy_m if terrain else None) or 0.0
    if rise_m > 2**0.5 * accuracy_m:
        text.append(
            f"The ground at the discharge point is {format_height(float(rise_m), show)} higher than"
            " at the lid. Water would not get there by gravity."
        )
    floods = county.layer("floodplain")
    if parcel is not None and floods is not None:
        text += _describe_floods(floods, parcel)
    missing = problems.loc[problems["code"].isin(NOT_GIVEN), "layer"]
    lacks = [n.replace("_", " ") for n in missing if n in _SHOWN_OF]
    if lacks:
        text.append(f"Not checked, because no layer was given: {', '.join(lacks)}.")
    return text


def _describe_floods(floods: gpd.GeoDataFrame, parcel: shapely.Geometry) -> list[str]:
    """How much of a parcel lies in mapped flood areas, whether or not a rule speaks of them."""
    here = floods[floods.intersects(parcel)]
    is_floodway = here["is_floodway"].fillna(False).to_numpy(bool)
    undetermined = (here["hazard_class"] == "undetermined").to_numpy()
    text = []
    for mask, what in (
        (here["is_sfha"].to_numpy(bool), "a mapped special flood hazard area"),
        (is_floodway, "a mapped floodway"),
        (undetermined, "an area with undetermined flood hazard"),
    ):
        flooded = shapely.union_all(here.geometry.to_numpy()[mask])
        share = shapely.intersection(flooded, parcel).area / parcel.area
        if share > 0:
            much = "All" if share > 0.995 else f"About {max(share, 0.01):.0%}"
            text.append(
                f"{much} of the parcel is in {what}. The allowable area excludes it only where a"
                " setback rule requires it. The floodplain administrator decides."
            )
    return text


def _describe_chances(result: Assessment) -> str:
    """How sure the chances of water over the lid are."""
    drawn = result.run.draws
    made = drawn.get("made", 0)
    if not made:
        return (
            "Chances of water over the lid are not calculated. They need storms, accuracy_m in"
            " [layers.terrain], and computer runs above 0."
        )
    return (
        f"Chances of water over the lid come from {made} computer runs that vary the terrain and"
        " the position within their error. A chance is good to about"
        f" {round(100 * LINE_95 * 0.5 / made**0.5)} in 100; 0 means in no computer run."
    )


def _notes(rules: list[SetbackRule], found: AllowableArea) -> list[str]:
    """How to read the allowable area."""
    if not rules:
        return ["No setback table is adopted, so the whole parcel shows. Do not rely on it."]
    sure = (
        "In the sure area a check would say clear, allowing for the position accuracy of features"
        " on record and of the unit. Features not on record are not counted. Distances are good to"
        " 0.1%, and to 2 cm at corners."
    )
    text = [sure]
    spoken = {rule.part for rule in rules}
    text += [
        f"No setback rule applies to the {part.replace('_', ' ')}."
        for part, speaks in PARTS
        if not spoken & set(speaks)
    ]
    if any(rule.direction != "any" for rule in rules):
        text.append(
            "Rules for the uphill or downhill side apply only there. The sure area applies them on"
            " every side."
        )
    if found.every_side:
        text.append(f"Applied on every side: {', '.join(found.every_side)}.")
    return text


def _ground(county: County, parcel: shapely.Geometry) -> Grid | None:
    """The terrain around a parcel; None where there is none."""
    source = county.terrain
    return None if source is None else read_around(source, shapely.bounds(parcel), _ROOM_M)


def _with_one_unit(
    county: County,
    lid: tuple[float, float],
    outlet: tuple[float, float] | None,
    kind: str,
    place95_m: float,
    riser_height_m: float | None,
) -> County:
    """The county with this one unit and its discharge point in place of all others."""
    layers = dict(county.layers)
    known = {"unit_id": PROPOSED, "accuracy95_m": place95_m,
             "riser_height_m": riser_height_m, "kind": kind, "status": "active",
             "location_basis": "digitised", "pumped": False, "source_row": 0,
             "installed": pd.Timestamp(county.as_of)}  # fmt: skip
    layers["units"] = _row(layers["units"], known, lid)
    point = {"discharge_point_id": PROPOSED, "unit_id": PROPOSED, "accuracy95_m": place95_m,
             "outlet_kind": "ground", "location_basis": "digitised", "source_row": 0}  # fmt: skip
    if outlet is not None:
        blank: dict[str, list[object]] = {
            c.name: [None] for c in SCHEMAS["discharge_points"].columns
        }
        blank |= {"accuracy95_m": [np.nan], "invert_height_m": [np.nan], "source_row": [0]}
        new = gpd.GeoDataFrame(blank, geometry=[shapely.Point(outlet)], crs=county.crs)
        layers["discharge_points"] = _row(layers.get("discharge_points", new), point, outlet)
    else:
        layers.pop("discharge_points", None)
    records = [name for name, schema in SCHEMAS.items() if schema.shape == "table"]
    layers = {name: layer for name, layer in layers.items() if name not in records}
    given = {name: where for name, where in county.file.layers.items() if name not in records}
    link = {"unit_id": PROPOSED, "discharge_point_id": None if outlet is None else PROPOSED,
            "link_method": "none" if outlet is None else "by_id", "link_confirmed": True,
            "outlet_state": "known" if outlet is not None else
            ("unknown" if kind == "surface_discharge" else "not_expected")}  # fmt: skip
    links = pd.DataFrame([{name: link.get(name) for name in county.links.columns}])
    return replace(
        county,
        file=county.file.model_copy(update={"layers": given}),
        layers=layers,
        links=links.astype(county.links.dtypes.to_dict()),
        strays={},  # what others' records leave open is no doubt about a new unit
    )


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
