"""The county's own layers as the map shows them: quiet, simplified, in the order drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.publish.shared import encode, phrases, words
from layers.measures import format_chance
from layers.outputs import AREAS, UNITS
from layers.outputs.units import PROTECTED


@dataclass(frozen=True)
class ShownLayer:
    """How one layer is shown.

    ``within_m`` is how far a simplified line may leave the one on record, ``from_zoom`` the
    least zoom at which it is drawn, ``on`` whether it is drawn without being asked for.
    """

    name: str
    label: str
    shape: Literal["point", "line", "area"]
    within_m: float = 5.0
    step: float = 1.0
    from_zoom: float = 0
    on: bool = True


# Drawn from the first to the last. Tolerances and zooms: measured for smooth zooming, no source.
SHOWN: Final = (
    ShownLayer("floodplain", "Flood zone (1% yearly chance)", "area", within_m=6),
    ShownLayer("water_bodies", "Lakes and ponds", "area", within_m=4),
    ShownLayer("parcels", "Parcels", "area", within_m=1, from_zoom=16),
    ShownLayer("buildings", "Buildings", "area", within_m=0.5, step=0.5, from_zoom=16),
    ShownLayer("roads", "Roads", "line", within_m=5, from_zoom=11),
    ShownLayer("drains", "Drains", "line", within_m=3, from_zoom=13),
    ShownLayer("streams", "Streams", "line", within_m=2),
    ShownLayer("culverts", "Culverts", "line", within_m=0.5, step=0.5, from_zoom=15),
    ShownLayer(
        "terrain_cuts",
        "Road crossings opened in the model (dashed: no culvert on record)",
        "line",
        within_m=0.5,
        step=0.5,
        from_zoom=15,
    ),
    ShownLayer("wells", "Wells on record", "point", step=0.5, from_zoom=16),
    ShownLayer(
        "outlet_candidates",
        "Possible unrecorded discharge points",
        "point",
        step=0.5,
        from_zoom=16,
        on=False,
    ),
    ShownLayer("protected_places", "Protected places", "point", step=0.1),
)


def shown_layers(
    context: Mapping[str, gpd.GeoDataFrame], plane: encode.Plane
) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Every layer of the context that has something to show: how, and its shapes."""
    found = []
    for layer in SHOWN:
        frame = context.get(layer.name)
        if frame is None:
            continue
        frame = placed(frame)
        if layer.name == "floodplain":
            frame = frame[special_flood_hazard(frame)]
        if layer.name == "terrain_cuts":
            frame = frame[is_cut(frame)]
        if len(frame):
            found.append(_shown(layer, frame, plane))
    return found


def _shown(
    layer: ShownLayer, frame: gpd.GeoDataFrame, plane: encode.Plane
) -> tuple[dict[str, Any], dict[str, Any]]:
    entry = {
        "name": layer.name,
        "label": layer.label,
        "shape": layer.shape,
        "fromZoom": layer.from_zoom,
        "on": layer.on,
    }
    coded: dict[str, Any]
    if layer.shape == "point":
        at = encode.points(frame.set_geometry(frame.representative_point()), plane, layer.step)
        coded = {"step": layer.step, "x": at[:, 0], "y": at[:, 1]}
    else:
        coded = encode.shapes(frame, plane, within_m=layer.within_m, step=layer.step)
    if layer.name in _NAMES:
        coded["names"] = phrases.texts(_NAMES[layer.name](frame))
    if layer.name == "streams" and "permanence" in frame:
        coded["dashed"] = frame["permanence"].isin(["intermittent", "ephemeral"]).to_numpy(int)
        if coded["dashed"].any():
            entry["label"] = f"{layer.label} (dashed: not all year)"
    if layer.name == "terrain_cuts":
        coded["dashed"] = (frame["kind"] == "breach").to_numpy(int)
    return entry, coded


def placed(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The rows that have a place."""
    geometry = frame.geometry.array
    return frame[~(shapely.is_missing(geometry) | shapely.is_empty(geometry))]


def running_down(streams: gpd.GeoDataFrame, problems: pd.DataFrame) -> gpd.GeoDataFrame:
    """The streams in the direction their water runs: those the terrain turned round are turned."""
    if not len(problems) or "code" not in problems or "stream_id" not in streams:
        return streams
    shown = problems[(problems["code"] == "drawn_uphill") & (problems["layer"] == "streams")]
    is_turned = streams["stream_id"].isin(shown["feature_id"].dropna()).to_numpy()
    geometry = streams.geometry.array.copy()
    geometry[is_turned] = shapely.reverse(geometry[is_turned])
    return streams.set_geometry(geometry, crs=streams.crs)


def is_cut(cuts: gpd.GeoDataFrame) -> pd.Series:
    """Which rows of the terrain's cuts were made and have a line to draw."""
    is_line = np.isin(shapely.get_type_id(cuts.geometry.array), (1, 5))
    return (cuts["reason"] == "cut") & cuts["used"].astype(bool) & is_line


def special_flood_hazard(frame: gpd.GeoDataFrame) -> pd.Series:
    """Which areas are special flood hazard areas.

    By the layer's own column ``is_sfha``; without one, zones whose name begins with A or V
    (44 CFR 64.3: these are the zones of special flood hazard).
    """
    if "is_sfha" in frame:
        return frame["is_sfha"].map(lambda v: str(v).lower() in {"true", "1", "1.0"}).astype(bool)
    if "zone" not in frame:
        return pd.Series(True, index=frame.index)
    zone = frame["zone"].astype("str").str.strip().str.upper()
    return zone.str.match(r"[AV]").fillna(False).astype(bool)


def _column(frame: pd.DataFrame, name: str) -> list[str | None]:
    return encode.text_or_none(frame[name]) if name in frame else [None] * len(frame)


def _well_names(frame: gpd.GeoDataFrame) -> list[str | None]:
    return [None if name is None else f"Well {name}" for name in _column(frame, "well_id")]


def _place_names(frame: gpd.GeoDataFrame) -> list[str | None]:
    pairs = zip(_column(frame, "place_kind"), _column(frame, "name"), strict=True)
    kinds = [(words.in_words(kind or "unknown", PROTECTED), name) for kind, name in pairs]
    return [name or kind for kind, name in kinds]


def _likely_places(frame: gpd.GeoDataFrame) -> list[str | None]:
    """The place of each in its unit's order, with its chance."""
    rows = zip(frame["rank"], frame["chance"], strict=True)
    return [f"{rank}) {format_chance(chance)}" for rank, chance in rows]


_NAMES: Final[Mapping[str, Callable[[gpd.GeoDataFrame], list[str | None]]]] = {
    "water_bodies": lambda frame: _column(frame, "name"),
    "roads": lambda frame: _column(frame, "name"),
    "streams": lambda frame: _column(frame, "name"),
    "wells": _well_names,
    "protected_places": _place_names,
    "outlet_candidates": _likely_places,
}


def flow_paths(
    frame: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    places: NDArray[np.float64],
    plane: encode.Plane,
) -> dict[str, Any] | None:
    """Flow paths in the order of their units, each told from its unit's place.

    Parameters
    ----------
    places
        Of the units in steps, shape (units, 2), NaN where not known.
    """
    frame, unit = _by_unit(placed(frame), row_of)
    if not len(frame):
        return None
    shapes = encode.shapes(frame, plane, within_m=5, step=2.0)
    return {
        "unit": _row_steps(unit),
        "ends": phrases.texts(_column(frame, "path_end")),
        **_from_units(shapes, unit, places * plane.step),
    }


def discharge_points(
    frame: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    places: NDArray[np.float64],
    plane: encode.Plane,
) -> dict[str, Any] | None:
    """Discharge points in the order of their units, told from their places where these are known.

    ``unit`` holds the step from the row of the unit before, NaN for a point of nobody.
    """
    frame, unit = _by_unit(placed(frame), row_of)
    if not len(frame):
        return None
    at = encode.points(frame.to_crs(encode.MERCATOR), plane)
    at = at - _homes(unit, places)
    return {
        "unit": _row_steps(unit),
        "x": at[:, 0],
        "y": at[:, 1],
        "within": encode.tenths_of_meters(frame),
    }


def outlet_places(
    frame: gpd.GeoDataFrame, row_of: Mapping[str, int], plane: encode.Plane
) -> NDArray[np.float64]:
    """Of each unit its discharge point in steps, shape (units, 2); the last of several."""
    frame, unit = _by_unit(placed(frame), row_of)
    places = np.full((len(row_of), 2), np.nan)
    if len(frame):
        at = encode.points(frame.to_crs(encode.MERCATOR), plane)
        places[unit[unit >= 0]] = at[unit >= 0]
    return places


def _by_unit(
    frame: gpd.GeoDataFrame, row_of: Mapping[str, int]
) -> tuple[gpd.GeoDataFrame, NDArray[np.int64]]:
    """Rows in the order of their units, those of nobody last, and the row of each one's unit."""
    unit = np.array([row_of.get(u or "", -1) for u in _column(frame, "unit_id")], np.int64)
    order = np.argsort(np.where(unit < 0, len(row_of), unit), kind="stable")
    return frame.iloc[order], unit[order]


def _row_steps(unit: NDArray[np.int64]) -> NDArray[np.float64]:
    """Rising rows as steps from the one before, NaN for nobody's."""
    return np.where(unit < 0, np.nan, np.diff(unit, prepend=0))


def _homes(unit: NDArray[np.int64], places: NDArray[np.float64]) -> NDArray[np.int64]:
    """Places of the units, (0, 0) where there is none."""
    if not len(places):
        return np.zeros((len(unit), 2), np.int64)
    home = np.where((unit < 0)[:, None], 0.0, places[unit])
    return np.nan_to_num(home).astype(np.int64)


def _from_units(
    shapes: dict[str, Any], unit: NDArray[np.int64], places_m: NDArray[np.float64]
) -> dict[str, Any]:
    """Runs that begin at the place of their unit instead of where the run before ended."""
    size, step = shapes["size"], shapes["step"]
    at = np.column_stack([np.cumsum(shapes["x"]), np.cumsum(shapes["y"])])
    home = _homes(np.repeat(unit, shapes["parts"]), np.floor(places_m / step + 0.5))
    first = np.cumsum(size) - size
    differences = np.diff(at, axis=0, prepend=np.zeros((1, 2), np.int64))
    differences[first] = at[first] - home
    return shapes | {"x": differences[:, 0], "y": differences[:, 1]}


def line_ends(
    frame: gpd.GeoDataFrame, wanted: NDArray[np.bool_], plane: encode.Plane
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Rows of the wanted lines that have a place, and their two ends in steps, shape (n, 2, 2)."""
    geometry = np.asarray(frame.geometry.array)
    rows = np.flatnonzero(wanted & (shapely.get_num_coordinates(geometry) >= 2))
    ends = np.stack(
        [shapely.get_coordinates(shapely.get_point(geometry[rows], i)) for i in (0, -1)], axis=1
    ).reshape(-1, 2)
    plain = gpd.GeoSeries(gpd.points_from_xy(*ends.T), crs=frame.crs).to_crs(encode.MERCATOR)
    at = plane.steps(shapely.get_coordinates(plain.array))
    return rows, at.reshape(-1, 2, 2).astype(float)


def small_areas(
    areas: pd.DataFrame, units: pd.DataFrame, plane: encode.Plane
) -> dict[str, Any] | None:
    """The county's small areas with their counts, and each unit's area; None without any."""
    if not len(areas) or not isinstance(areas, gpd.GeoDataFrame):
        return None
    place = {name: i for i, name in enumerate(_column(areas, "area_id"))}
    named = encode.text_or_none(AREAS.values(areas, "name"))
    return {
        **encode.shapes(areas, plane, within_m=3),
        "isNamed": any(named),
        "names": phrases.texts([name or id_ for name, id_ in zip(named, place, strict=True)]),
        "units": areas["units"].to_numpy(int),
        "first": AREAS.numbers(areas, "first_class"),
        "wet": AREAS.numbers(areas, "lids_wet"),
        "lids": areas["units"].to_numpy(float) - AREAS.numbers(areas, "lids_not_known"),
        "areaOf": np.array(
            [
                place.get(name or "", np.nan)
                for name in encode.text_or_none(UNITS.values(units, "area_id"))
            ]
        ),
    }
