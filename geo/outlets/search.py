"""Outlets nobody knows: where to look for them, one row per place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.outlets.area import PARCEL_LINE_M, parcels_of
from geo.outlets.cells import (
    FEATURES,
    Cells,
    Surroundings,
    cells_of,
    outside_area_m,
    search_area,
)
from geo.outlets.learning import (
    FOUND_WITHIN_M,
    KnownOutlet,
    Weights,
    group_of,
    learn_weights,
    stated_weights,
)
from geo.outlets.trial import naive_place, try_held_out
from geo.outlets.worth import worth
from geo.results.cautions import UNMAPPED_PIPES
from geo.results.outlet_kinds import KIND_WORDS
from geo.terrain import Terrain
from layers.crs import length_and_bearing
from layers.measures import ACRE_M2, ShowUnits, format_area, format_length
from layers.outputs import OUTLET_CANDIDATES, OUTLET_SEARCH_AREAS
from layers.reading.link import expects_outlet
from layers.settings.county_file import OutletSection

# Of so much land and more the water is told that drains past.
_DRAW_M2: Final = ACRE_M2 / 2
_LIMITS: Final = (
    "Possible places of unrecorded discharge points are those where a straight pipe from one unit"
    f" could come out. {UNMAPPED_PIPES}"
)
# Half of how far off an outlet still counts as found at a place. Common practice, no source.
ON_LINE_M: Final = FOUND_WITHIN_M / 2
_NOT_OWN: Final = ("shared_collector", "soil")


@dataclass(frozen=True)
class OutletSearch:
    """Where to look, and how well such a search finds outlets that are on record.

    Attributes
    ----------
    candidates
        Points: ``unit_id``, ``rank`` from 1 within the unit, ``chance`` (of the outlet lying
        within 10 m of it and of no place before it), ``why``, ``distance_m`` and ``bearing_deg``
        (true) from the lid, ``drop_m`` (ground at the lid less ground there), ``kind`` (stream,
        ditch, road_ditch, drain, ground).
    areas
        Polygons searched, one row per unit: ``state`` (found, no_daylight, off_terrain),
        ``by_gravity``, ``bounded_by`` (parcel or circle), ``radius_m``, ``places_looked_at``,
        ``rest_chance`` (of an outlet at none of the candidates), ``weights`` (learned or stated).
    section
        All that is known of the method's worth, as plain data with ``sentences``.
    notes
        What the method cannot know, in words.
    """

    candidates: gpd.GeoDataFrame
    areas: gpd.GeoDataFrame
    section: dict[str, Any]
    notes: list[str]


def search_outlets(
    units: gpd.GeoDataFrame,
    links: pd.DataFrame,
    discharge_points: gpd.GeoDataFrame | None,
    terrain: Terrain | None,
    features: Mapping[str, gpd.GeoDataFrame | None],
    settings: OutletSection,
    *,
    show_units: ShowUnits = "us",
    seed: int = 0,
) -> OutletSearch:
    """Places where the outlets of units could be that nobody has recorded, or only guessed.

    Parameters
    ----------
    units
        ``unit_id, kind, status, pumped, parcel_id, accuracy95_m`` and points.
    links
        As `layers.reading.link.link_units` gives them, in the order of ``units``.
    discharge_points
        ``discharge_point_id, outlet_kind, accuracy95_m`` and points; None where there are none.
    features
        ``parcels, streams, water_bodies, drains, roads, buildings, wells``, None where missing.
    seed
        Of what is drawn: the known outlets learned from, and the cells that speak for their
        search areas.

    Notes
    -----
    A pipe leaves the lid a stated depth under the ground and falls at least so much; it can come
    out wherever the ground lies no higher than that, on the parcel and a little way beyond. How
    likely each such place is is told by a conditional logit (`geo.outlets.choice`) of a few
    features, whose weights are learned from outlets on record by id, and stated where these are too
    few. Pumped units are not limited by fall; a unit of which that is not known counts as not
    pumped.
    """
    wanted = expects_outlet(units) & (units["kind"] != "shared_collector")
    open_ones = links["outlet_state"].isin(["unknown", "unconfirmed"]).to_numpy()
    placed = ~shapely.is_missing(units.geometry.to_numpy())
    at = np.flatnonzero(wanted.to_numpy() & open_ones & placed)
    if not len(at) or terrain is None:
        notes = []
        if len(at):
            notes.append(
                "Possible places of unrecorded discharge points are not calculated without terrain."
            )
        return OutletSearch(*_empty(units), {"used": False, "searched": 0, "sentences": []}, notes)
    surroundings = Surroundings.of(terrain, features)
    parcels = parcels_of(units, features.get("parcels"))
    lids, pumped = units.geometry.to_numpy(), _is_pumped(units)
    groups = [
        group_of(a95, pumped=bool(p))
        for a95, p in zip(units["accuracy95_m"].to_numpy(float), pumped, strict=True)
    ]

    def look(k: int) -> Cells:
        return cells_of(lids[k], parcels[k], surroundings, settings, pumped=bool(pumped[k]))

    known = _known(units, links, discharge_points, lids, parcels, groups, look, settings, seed)
    learned = len(known) >= settings.least_known
    weights = learn_weights(known, settings, seed=seed) if learned else stated_weights()
    trial = try_held_out(known, settings, seed=seed, learned=learned) if known else None
    places, areas = [], []
    for k in at:
        cells = look(int(k))
        found = _places(cells, weights, groups[k], surroundings, settings, show_units)
        name = units["unit_id"].iloc[k]
        places += [{"unit_id": name, "lid": lids[k], **row} for row in found]
        area = search_area(lids[k], parcels[k], cells, settings)
        areas.append(
            {
                "unit_id": name,
                "state": cells.state,
                "by_gravity": not pumped[k],
                "bounded_by": "circle" if cells.adjoining_xy is None else "parcel",
                "radius_m": settings.longest_m,
                "places_looked_at": len(cells.x),
                "rest_chance": max(1.0 - sum(row["chance"] for row in found), 0.0),
                "weights": "learned" if learned else "stated",
                "geometry": area,
            }
        )
    section = worth(known, trial, weights, areas, settings, learned=learned, show_units=show_units)
    return OutletSearch(
        _candidates_frame(places, units),
        gpd.GeoDataFrame(
            areas,
            columns=[*OUTLET_SEARCH_AREAS.names, "geometry"],
            geometry="geometry",
            crs=units.crs,
        ),
        section,
        [_LIMITS],
    )


def _empty(units: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    return (
        OUTLET_CANDIDATES.empty_layer(units.crs),
        OUTLET_SEARCH_AREAS.empty_layer(units.crs),
    )


def _is_pumped(units: gpd.GeoDataFrame) -> NDArray[np.bool_]:
    return units["pumped"].map(lambda flag: bool(flag) if pd.notna(flag) else False).to_numpy(bool)


def _known(
    units: gpd.GeoDataFrame,
    links: pd.DataFrame,
    points: gpd.GeoDataFrame | None,
    lids: NDArray[np.object_],
    parcels: Sequence[shapely.Geometry | None],
    groups: Sequence[str],
    look: Any,
    settings: OutletSection,
    seed: int,
) -> list[KnownOutlet]:
    """Units with an outlet of their own on record by id, by id; some of them where there are many.

    A unit whose lid lies off the terrain teaches nothing.
    """
    if points is None:
        return []
    row_of = pd.Series(range(len(points)), index=points["discharge_point_id"])
    row_of = row_of[~row_of.index.duplicated()]
    row = links["discharge_point_id"].map(row_of).to_numpy(float)
    usable = (links["outlet_state"] == "known").to_numpy() & ~np.isnan(row)
    usable = usable & (units["kind"] != "shared_collector").to_numpy() & ~shapely.is_missing(lids)
    own = ~points["outlet_kind"].isin(_NOT_OWN).to_numpy()
    usable[usable] = own[row[usable].astype(int)]
    ids = units["unit_id"].to_numpy(object)
    at = np.array(sorted(np.flatnonzero(usable), key=lambda k: str(ids[k])), int)
    if len(at) > settings.learn_from_at_most:
        drawn = np.random.default_rng(seed).permutation(len(at))[: settings.learn_from_at_most]
        at = at[np.sort(drawn)]
    found = []
    for k in at:
        point = points.iloc[int(row[k])]
        cells = look(int(k))
        if cells.state == "off_terrain":
            continue
        x, y = float(point.geometry.x), float(point.geometry.y)
        found.append(
            KnownOutlet(
                str(ids[k]),
                groups[k],
                cells,
                (x, y),
                float(point["accuracy95_m"]),
                naive_place(lids[k], parcels[k], cells, settings),
                str(point["outlet_kind"]) if pd.notna(point["outlet_kind"]) else "unknown",
                outside_area_m(x, y, lids[k], parcels[k], cells, settings),
            )
        )
    return found


def _places(
    cells: Cells,
    weights: Weights,
    group: str,
    surroundings: Surroundings,
    settings: OutletSection,
    show_units: ShowUnits,
) -> list[dict[str, Any]]:
    """The most likely places of one unit, in order, each put on the water it is said to be at.

    A place is the middle of a cell, and where no more than `ON_LINE_M` from such water put on it.
    """
    places = weights.places(cells, group, at_most=settings.at_most)
    rows = []
    for rank, (k, chance, kind) in enumerate(
        zip(places.center, places.mass, places.kind, strict=True), 1
    ):
        middle = shapely.Point(cells.x[k], cells.y[k])
        place = surroundings.put_at(middle, kind, ON_LINE_M)
        ground_m = float(cells.ground_m[k])
        if place is not middle and np.isfinite(at_line := surroundings.ground_m(place)):
            ground_m = at_line
        rows.append(
            {
                "rank": rank,
                "chance": float(chance),
                "why": _why(cells, int(k), kind, group, show_units),
                "drop_m": cells.lid_ground_m - ground_m,
                "kind": kind,
                "geometry": place,
            }
        )
    return rows


def _why(cells: Cells, k: int, kind: str, group: str, show_units: ShowUnits) -> str:
    """What speaks for a place, in a few words."""
    value = dict(zip(FEATURES, cells.features[k], strict=True))
    text = [KIND_WORDS[kind]]
    if cells.upslope_m2[k] >= _DRAW_M2:
        text.append(f"in a swale that drains {format_area(float(cells.upslope_m2[k]), show_units)}")
    if cells.downhill_xy != (0.0, 0.0):
        text.append(_lies(float(value["downhill"])))
    if group == "pumped":
        text.append("pumped, so not limited by fall")
    else:
        text.append(
            f"a gravity pipe can reach daylight {_far(cells.daylight_m[k], show_units)} or more"
            " from the lid"
        )
    if value["on_other"]:
        text.append(f"{_far(cells.outside_m[k], show_units)} outside the parcel, on another one")
    elif cells.outside_m[k] > PARCEL_LINE_M:
        text.append(f"{_far(cells.outside_m[k], show_units)} outside the parcel")
    if value["in_the_way"]:
        text.append("a building or well between")
    if value["road_crossed"]:
        text.append("across a road")
    return ", ".join(text)


def _lies(downhill: float) -> str:
    """Which way a place lies from the lid, by the cosine between the way to it and the fall."""
    if downhill > 0.85:
        return "straight downhill from the lid"
    if downhill >= 0.3:
        return "downhill and to one side"
    return "level with the slope, to the side" if downhill > -0.3 else "uphill of the lid"


def _far(length_m: float, show_units: ShowUnits) -> str:
    return format_length(float(length_m), show_units)


def _candidates_frame(
    places: Sequence[Mapping[str, Any]], units: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    if not places:
        return _empty(units)[0]
    frame = pd.DataFrame(places)
    lid = shapely.get_coordinates(frame["lid"].to_numpy(object))
    end = shapely.get_coordinates(frame["geometry"].to_numpy(object))
    assert units.crs is not None
    length, bearing = length_and_bearing(lid[:, 0], lid[:, 1], end[:, 0], end[:, 1], units.crs)
    frame["distance_m"], frame["bearing_deg"] = length, bearing
    return gpd.GeoDataFrame(
        frame[[*OUTLET_CANDIDATES.names, "geometry"]], geometry="geometry", crs=units.crs
    )
