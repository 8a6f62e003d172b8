"""What somebody about to visit a unit needs to know, drawn from a finished assessment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from geo.results.visit_plan import LikelyPlace, NearWell, OutletHunt, VisitPlan, Walk
from geo.setbacks.sentences import not_known_sentences, setback_sentence
from geo.uncertainty import LINE_95, POINT_95
from layers.crs import length_and_bearing
from layers.crs.coordinates import places
from layers.errors import AssessmentFolderError
from layers.fields.values import bare_id, hint_at_id
from layers.measures import ShowUnits
from layers.outputs import UNITS
from layers.settings.visit_list import LookAt, VisitList
from layers.store import Assessment

# Wells farther than this are not told on a sheet: no published setback for one reaches so far.
WELLS_WITHIN_M: Final = 300.0
WELLS_AT_MOST: Final = 4
# A height apart less than this does not say which of two places is lower.
LEVEL_M: Final = 0.3


def choose_units(
    assessment: Assessment, unit_ids: Sequence[str], *, first: int | None = None
) -> list[str]:
    """The units asked for, then the first so many by rank.

    Raises
    ------
    AssessmentFolderError
        For an id the assessment does not have; the message gives the nearest one.
    """
    ranked = assessment.units.sort_values("rank")["unit_id"].tolist()
    known, bare = set(ranked), {bare_id(unit): unit for unit in ranked}
    for unit_id in unit_ids:
        if unit_id not in known:
            raise AssessmentFolderError(
                f"there is no unit {unit_id!r} in the assessment{hint_at_id(unit_id, bare)}",
                where="the units asked for",
                hint="give ids as priorities.csv has them",
            )
    return list(dict.fromkeys([*unit_ids, *ranked[: first or 0]]))


def visit_plans(
    assessment: Assessment, unit_ids: Sequence[str], visit_list: VisitList
) -> list[VisitPlan]:
    """A plan for each unit, in the order given.

    Parameters
    ----------
    unit_ids
        As `choose_units` gives them.
    """
    units = assessment.units.set_index("unit_id", drop=False).loc[list(unit_ids)]
    crs = units.crs
    assert crs is not None
    outlets = _outlets(units, assessment.discharge_points)
    lids = shapely.get_coordinates(units.geometry.to_numpy())
    ends = np.full((len(units), 2), np.nan)
    a95 = np.full(len(units), np.nan)
    basis = np.full(len(units), None, object)
    found = outlets.notna().to_numpy()
    if found.any():  # without a layer of them the table has no columns to ask
        at = assessment.discharge_points.loc[outlets[found].astype(int)]
        ends[found] = shapely.get_coordinates(at.geometry.to_numpy())
        a95[found] = at["accuracy95_m"].to_numpy(float)
        basis[found] = at["location_basis"].to_numpy(object)
    lid_places = places(lids[:, 0], lids[:, 1], crs, accuracy95_m=units["accuracy95_m"])
    out_places = places(ends[:, 0], ends[:, 1], crs, accuracy95_m=a95)
    paths = assessment.flow_paths.drop_duplicates("unit_id").set_index("unit_id").geometry
    show_units = assessment.run.county.show_units
    plans = []
    for k, (unit_id, row) in enumerate(units.iterrows()):
        lid = lid_places[k]
        assert lid is not None
        unit = row.drop("geometry").to_dict()
        unit |= {"outlet_location_basis": basis[k], "outlet_accuracy95_m": a95[k]}
        plans.append(
            VisitPlan(
                unit=unit,
                lid=lid,
                outlet=out_places[k],
                lid_xy=(float(lids[k, 0]), float(lids[k, 1])),
                outlet_xy=(float(ends[k, 0]), float(ends[k, 1])) if found[k] else None,
                walk=_walk(unit, lids[k], ends[k], a95[k], crs) if found[k] else None,
                wells=_near_wells(
                    assessment.context.get("wells"), unit, lids[k], ends[k], a95[k], crs
                ),
                checks=_checks(assessment.setback_checks, str(unit_id), show_units),
                owed=_owed(assessment.visits.owed, str(unit_id)),
                look_at=tuple(item for item in visit_list.items if _is_for(item, unit)),
                path=paths.get(unit_id),
                hunt=_hunt(assessment, str(unit_id)),
            )
        )
    return plans


def _outlets(units: gpd.GeoDataFrame, points: gpd.GeoDataFrame) -> pd.Series:
    """The row of each unit's discharge point; null where it has none."""
    if not len(points):
        return pd.Series(np.nan, index=units.index)
    rows = pd.Series(points.index, index=points["discharge_point_id"])
    return UNITS.values(units, "discharge_point_id").map(rows[~rows.index.duplicated()])


def _walk(
    unit: Mapping[str, Any],
    lid: NDArray[np.float64],
    outlet: NDArray[np.float64],
    outlet95_m: float,
    crs: CRS,
) -> Walk:
    x1, y1, x2, y2 = lid[0], lid[1], outlet[0], outlet[1]
    distance, bearing = length_and_bearing(x1, y1, x2, y2, crs)
    return Walk(
        distance_m=float(distance),
        bearing_deg=float(bearing),
        drop_m=float(unit.get("pipe_drop_m", np.nan)),
        search_radius_m=float(np.hypot(unit["accuracy95_m"], outlet95_m)),
    )


def _hunt(assessment: Assessment, unit_id: str) -> OutletHunt | None:
    areas, places = assessment.search.areas, assessment.search.candidates
    mine = areas[areas["unit_id"] == unit_id]
    if not len(mine):
        return None
    area = mine.iloc[0]
    found = places[places["unit_id"] == unit_id].sort_values("rank")
    return OutletHunt(
        state=str(area["state"]),
        by_gravity=bool(area["by_gravity"]),
        radius_m=float(area["radius_m"]),
        places=tuple(
            LikelyPlace(
                rank=int(row["rank"]),
                chance=float(row["chance"]),
                distance_m=float(row["distance_m"]),
                bearing_deg=float(row["bearing_deg"]),
                drop_m=float(row["drop_m"]),
                kind=str(row["kind"]),
                xy=(float(row["geometry"].x), float(row["geometry"].y)),
            )
            for row in found.to_dict("records")
        ),
        rest_chance=float(area["rest_chance"]),
        area=area["geometry"],
    )


def _near_wells(
    wells: gpd.GeoDataFrame | None,
    unit: Mapping[str, Any],
    lid: NDArray[np.float64],
    outlet: NDArray[np.float64],
    outlet95_m: float,
    crs: CRS,
) -> tuple[NearWell, ...]:
    if wells is None or not len(wells):
        return ()
    from_outlet = bool(np.isfinite(outlet[0]))
    start, own95 = (outlet, outlet95_m) if from_outlet else (lid, unit["accuracy95_m"])
    xy = shapely.get_coordinates(wells.geometry.to_numpy())
    in_reach = np.flatnonzero(np.hypot(*(xy - start).T) <= 1.01 * WELLS_WITHIN_M)
    x, y = (np.full(len(in_reach), v) for v in start)
    to_x, to_y = xy[in_reach, 0], xy[in_reach, 1]
    distance, bearing = length_and_bearing(x, y, to_x, to_y, crs)
    near = np.argsort(distance, kind="stable")[:WELLS_AT_MOST]
    ground = unit.get("outlet_m" if from_outlet else "ground_m", np.nan)
    if from_outlet and pd.isna(ground):  # the outlet's own height, by the drop of the pipe
        ground = unit.get("ground_m", np.nan) - unit.get("pipe_drop_m", np.nan)
    return tuple(
        NearWell(
            well_id=str(row["well_id"]),
            use=str(row["use"]),
            measured_from="discharge point" if from_outlet else "lids",
            distance_m=float(distance[k]),
            u95_m=float(LINE_95 * np.hypot(own95, row["accuracy95_m"]) / POINT_95),
            bearing_deg=float(bearing[k]),
            is_downhill=_is_lower(row.get("ground_m", np.nan), ground),
        )
        for k in near
        if distance[k] <= WELLS_WITHIN_M
        for row in (wells.iloc[in_reach[k]],)
    )


def _is_lower(well_m: float, from_m: float) -> bool | None:
    if pd.isna(well_m) or pd.isna(from_m) or abs(well_m - from_m) < LEVEL_M:
        return None
    return bool(well_m < from_m)


def _checks(checks: pd.DataFrame, unit_id: str, show_units: ShowUnits) -> tuple[str, ...]:
    """One sentence a part and feature: short before uncertain, then what cannot be measured."""
    mine = checks[
        (checks["unit_id"] == unit_id)
        & checks["in_force"].astype(bool)
        & checks["verdict"].isin(["short", "uncertain", "not_known"])
    ]
    not_known, mine = mine[mine["verdict"] == "not_known"], mine[mine["verdict"] != "not_known"]
    lost = mine["distance_m"].isna()
    known = mine[~lost].assign(later=mine["verdict"] == "uncertain")
    known = known.sort_values(["later", "short_probability"], ascending=[True, False])
    once = known.drop_duplicates(["part", "feature"])
    text = [setback_sentence(row, show_units) for row in once.to_dict("records")]
    if lost.any():
        text.append("Setbacks of the discharge point are not known until it is located.")
    return (*text, *not_known_sentences(not_known))


def _owed(owed: pd.DataFrame, unit_id: str) -> tuple[Mapping[str, Any], ...]:
    mine = owed[owed["unit_id"] == unit_id]
    return tuple(mine.to_dict("records"))


def _is_for(item: LookAt, unit: Mapping[str, Any]) -> bool:
    pumped = unit.get("pumped")
    return item.is_for(
        kind=str(unit.get("kind", "unknown")),
        pumped=None if pumped is None or pd.isna(pumped) else bool(pumped),
        outlet_expected=unit.get("outlet_state") != "not_expected",
    )
