"""Down the water from a discharge point: reaches, places, wells and parcels along it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from numpy.typing import NDArray

from geo.meetings import first_meeting_m
from geo.trace.graph import WaterGraph
from geo.waters.downstream import REACHED_KINDS
from geo.waters.paths import WELL_WITHIN_M
from layers.crs import ground_length_m
from layers.fields.schemas import SCHEMAS
from layers.store import Assessment

# A well lies at the place where water comes in if it is no farther along. Common practice.
_AT_ENTRY_M: Final = 0.5
Floats = NDArray[np.float64]


def ways_down(graph: WaterGraph, path: int | None, entry: int | None) -> gpd.GeoDataFrame:
    """Every line the water takes, with how far along the water it begins.

    ``leg``: the row of ``water_legs``, -1 for others.
    """
    layer: list[object] = []
    ids: list[object] = []
    begins: list[float] = []
    scales: list[float] = []
    shapes: list[shapely.Geometry] = []
    legs: list[int] = []
    enters: dict[int, tuple[float, float]] = {}

    def add(
        what: object, name: object, at: float, scale: float, shape: shapely.Geometry, leg: int = -1
    ) -> None:
        legs.append(leg)
        layer.append(what)
        ids.append(name)
        begins.append(at)
        scales.append(scale)
        shapes.append(shape)

    if path is not None:
        line = graph.path_shapes[path]
        length = float(graph.paths["length_m"].iloc[path])
        add("ground", None, 0.0, length / line.length if line.length else 1.0, line)
    if entry is not None:
        before = float(graph.entries.before_m[entry])
        leg = int(graph.entries.leg[entry])
        if leg >= 0:
            rest = shapely.ops.substring(
                graph.shapes[leg], graph.entries.along_m[entry], graph.shapes[leg].length
            )
            if rest.geom_type == "Point":  # it comes in where the line ends: reached all the same
                rest = shapely.LineString([rest, rest])
            add(graph.layer[leg], graph.feature_id[leg], before, graph.scale[leg], rest, leg)
        far, _ = graph.down(entry)
        for k in np.flatnonzero(np.isfinite(far[graph.from_node])).tolist():
            at = before + float(far[graph.from_node[k]])
            add(graph.layer[k], graph.feature_id[k], at, graph.scale[k], graph.shapes[k], k)
        for k, at, where in _waters_entered(graph, entry, far, before):
            add("water_bodies", graph.water_ids[k], at, 1.0, graph.areas[k])
            enters[len(shapes) - 1] = where
    table = gpd.GeoDataFrame(
        {"layer": layer, "feature_id": ids, "begins_m": begins, "scale": scales, "leg": legs},
        geometry=shapes,
        crs=graph.crs,
    )
    xy = [enters.get(k, (np.nan, np.nan)) for k in range(len(shapes))]
    table[["enters_x", "enters_y"]] = np.array(xy, float).reshape(-1, 2)
    return table.sort_values("begins_m", ignore_index=True, kind="stable")


def _waters_entered(
    graph: WaterGraph, entry: int, far: Floats, before: float
) -> Iterator[tuple[int, float, tuple[float, float]]]:
    """Water bodies the water comes into, how far along, and where it enters."""
    entered: dict[int, tuple[float, tuple[float, float]]] = {}
    own = int(graph.entries.water[entry])
    if own >= 0:
        entered[own] = (before, tuple(graph.entries.xy[entry].tolist()))
    places = graph.inflows
    for k in np.flatnonzero(np.isfinite(far[places.node])).tolist():
        at = before + float(far[places.node[k]])
        water = int(places.water[k])
        if at < entered.get(water, (np.inf,))[0]:
            entered[water] = (at, tuple(places.xy[k].tolist()))
    for water, (at, where) in entered.items():
        for area in np.flatnonzero(graph.groups == water).tolist():
            yield area, at, where


_NOTICE: Final = ("what", "id", "name", "along_m", "off_m", "geometry")


def reaches(ways: gpd.GeoDataFrame) -> pd.DataFrame:
    """The first place of each named water, and of each way over the ground from a drain's end."""
    named = ways[ways["feature_id"].notna()].drop_duplicates(["layer", "feature_id"])
    some = pd.concat([named, ways[(ways["layer"] == "ground") & (ways["leg"] >= 0)]])
    start = [shapely.Point(shapely.get_coordinates(g)[0]) for g in some.geometry]
    return pd.DataFrame(
        {"what": some["layer"].to_numpy(object), "id": some["feature_id"].to_numpy(object),
         "name": None, "along_m": some["begins_m"].to_numpy(float), "off_m": 0.0,
         "geometry": start},
        columns=_NOTICE,
    )  # fmt: skip


def near(
    ways: gpd.GeoDataFrame, assessment: Assessment, layer: str, within_m: float, reach_m: float
) -> pd.DataFrame:
    """Points of a layer near the ways, each at its first place along the water."""
    table = assessment.context.get(layer)
    if table is None or not len(ways):
        return pd.DataFrame(columns=_NOTICE)
    if layer == "protected_places":
        table = table[table["place_kind"].isin(REACHED_KINDS)]
    points, shapes = table.geometry.to_numpy(), ways.geometry.to_numpy()
    way, point = shapely.STRtree(points).query(shapes, predicate="dwithin", distance=within_m)
    along = _along(ways, way, points[point])
    found = pd.DataFrame(
        {
            "point": point,
            "way": way,
            "along_m": along,
            "off_m": shapely.distance(shapes[way], points[point]),
        }
    )
    found = found[found["along_m"] <= reach_m].sort_values(["along_m", "off_m"], kind="stable")
    found = found.drop_duplicates("point")
    of = table.iloc[found["point"].to_numpy(int)]
    kinds = of["place_kind"] if layer == "protected_places" else pd.Series("well", of.index)
    names = of["name"] if "name" in of else pd.Series(None, of.index, dtype=object)
    return pd.DataFrame(
        {"what": kinds.to_numpy(object), "id": of[SCHEMAS[layer].id].to_numpy(object),
         "name": names.to_numpy(object), "along_m": found["along_m"].to_numpy(),
         "off_m": found["off_m"].to_numpy(), "geometry": of.geometry.to_numpy(),
         "way": found["way"].to_numpy()},
        columns=[*_NOTICE, "way"],
    )  # fmt: skip


def _along(ways: gpd.GeoDataFrame, way: NDArray[np.int64], points: NDArray[np.object_]) -> Floats:
    """How far along the water points at some ways lie: straight across where they are areas."""
    shapes = ways.geometry.to_numpy()[way]
    begins, scale, x, y = ways[["begins_m", "scale", "enters_x", "enters_y"]].to_numpy(float)[way].T
    is_line = shapely.get_type_id(shapes) == 1
    measure = np.zeros(len(shapes))
    measure[is_line] = shapely.line_locate_point(shapes[is_line], points[is_line])
    far = ~is_line
    ends = shapely.get_x(points[far]), shapely.get_y(points[far])
    measure[far] = ground_length_m(x[far], y[far], *ends, ways.crs) if far.any() else 0.0
    return begins + measure * scale


def parcels(
    ways: gpd.GeoDataFrame, graph: WaterGraph, unit_id: str, reach_m: float
) -> pd.DataFrame:
    """Parcels the water crosses beside the unit's own, in order."""
    parcels = graph.assessment.context.get("parcels")
    if parcels is None or not len(ways):
        return pd.DataFrame(columns=_NOTICE)
    lid = graph.on_record.geometry.loc[unit_id]
    shapes, lots = ways.geometry.to_numpy(), parcels.geometry.to_numpy()
    way, lot = shapely.STRtree(lots).query(shapes, predicate="intersects")
    keep = ~shapely.intersects(lots[lot], lid) & (shapely.get_type_id(shapes[way]) == 1)
    way, lot = way[keep], lot[keep]
    first = first_meeting_m(shapes[way], lots[lot])
    along = ways["begins_m"].to_numpy(float)[way] + first * ways["scale"].to_numpy(float)[way]
    found = pd.DataFrame({"lot": lot, "along_m": along}).sort_values("along_m", kind="stable")
    found = found[found["along_m"] <= reach_m].drop_duplicates("lot")
    of = parcels.iloc[found["lot"].to_numpy(int)]
    name = of["address"] if "address" in of else pd.Series(None, of.index, dtype=object)
    return pd.DataFrame(
        {"what": "parcel", "id": of["parcel_id"].to_numpy(object), "name": name.to_numpy(object),
         "along_m": found["along_m"].to_numpy(), "off_m": 0.0,
         "geometry": shapely.point_on_surface(of.geometry.to_numpy())},
        columns=_NOTICE,
    )  # fmt: skip


def well_sides(
    graph: WaterGraph,
    ways: gpd.GeoDataFrame,
    notices: gpd.GeoDataFrame,
    unit_id: str,
    entry: int | None,
) -> pd.DataFrame:
    """How wells lie to the water, on the notices' index; null for others and where not known.

    Parameters
    ----------
    notices
        With ``way``: the row of ``ways`` that passes each well.

    Returns
    -------
    ``rise_m``: how much higher the ground at the well is than at the nearest place of the way that
    passes it (a water body: than its shore nearest by); ``is_downhill``: whether it is no higher;
    ``is_below_outlet``: whether it is no higher than the ground at the discharge point, told of
    wells along the unit's own way over the ground.
    """
    shown = pd.DataFrame(
        {"rise_m": np.nan, "is_downhill": None, "is_below_outlet": None}, notices.index
    ).astype({"is_downhill": object, "is_below_outlet": object})
    assessment = graph.assessment
    heights = assessment.water.wells
    if len(heights):
        heights = heights[heights["well_id"].isin(notices.loc[notices["what"] == "well", "id"])]
    outlet = graph.on_record["discharge_point_id"].get(unit_id)
    for at, row in notices[notices["what"] == "well"].iterrows():
        way = ways.iloc[int(row["way"])]
        well_m = way_m = np.nan
        if len(heights):
            mine = heights[heights["well_id"] == row["id"]]
            by = (
                mine["leg"] == way["leg"]
                if way["leg"] >= 0
                else (mine["discharge_point_id"] == outlet)
            )
            if len(mine):
                well_m = float(mine["well_ground_m"].iloc[0])
            if way["layer"] != "water_bodies" and by.any():
                way_m = float(mine.loc[by, "way_ground_m"].iloc[0])
            begins_here = row["along_m"] - way["begins_m"] < _AT_ENTRY_M
            if entry is not None and way["leg"] == graph.entries.leg[entry] >= 0 and begins_here:
                way_m = float(graph.entries.height_m[entry])
        if way["layer"] == "water_bodies":
            group = int(graph.groups[graph.water_ids == way["feature_id"]][0])
            way_m = graph.height_of(group, (row.geometry.x, row.geometry.y))
            well_m = _well_ground(assessment, row["id"], well_m)
        if np.isfinite(rise := well_m - way_m):
            shown.loc[at, ["rise_m", "is_downhill"]] = rise, bool(rise <= 0)
    paths = assessment.flow_paths
    mine = paths[paths["unit_id"] == unit_id]
    if len(mine) and "wells_downhill_ids" in mine:
        text = mine["wells_downhill_ids"].iloc[0]
        low = set() if pd.isna(text) else set(str(text).split(", "))
        near = notices.distance(mine.geometry.iloc[0]) <= WELL_WITHIN_M
        judged = (notices["what"] == "well") & near
        shown.loc[judged, "is_below_outlet"] = notices.loc[judged, "id"].isin(low).astype(object)
    return shown


def _well_ground(assessment: Assessment, well_id: object, known_m: float) -> float:
    """The ground at a well, as the context has it where no way tells it."""
    wells = assessment.context["wells"]
    if np.isfinite(known_m) or "ground_m" not in wells:
        return known_m
    return float(wells.loc[wells["well_id"] == well_id, "ground_m"].iloc[0])
