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

from geo.publish import encode, words


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
    ShownLayer("floodplain", "Special flood hazard area (1 % a year)", "area", within_m=6),
    ShownLayer("water_bodies", "Lakes and ponds", "area", within_m=4),
    ShownLayer("parcels", "Parcels", "area", within_m=1, from_zoom=16),
    ShownLayer("buildings", "Buildings", "area", within_m=0.5, step=0.5, from_zoom=16),
    ShownLayer("roads", "Roads", "line", within_m=5, from_zoom=11),
    ShownLayer("drains", "Drains", "line", within_m=3, from_zoom=13),
    ShownLayer("streams", "Streams", "line"),
    ShownLayer("culverts", "Culverts", "line", within_m=0.5, step=0.5, from_zoom=15),
    ShownLayer("wells", "Wells on record", "point", step=0.1, from_zoom=16),
    ShownLayer("protected_places", "Protected places", "point", step=0.1),
)


def shown_layers(
    context: Mapping[str, gpd.GeoDataFrame], plane: encode.Plane
) -> list[dict[str, Any]]:
    """Every layer of the context that has something to show."""
    found = []
    for layer in SHOWN:
        frame = context.get(layer.name)
        if frame is None:
            continue
        frame = placed(frame)
        if layer.name == "floodplain":
            frame = frame[special_flood_hazard(frame)]
        if len(frame):
            found.append(_shown(layer, frame, plane))
    return found


def _shown(layer: ShownLayer, frame: gpd.GeoDataFrame, plane: encode.Plane) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "name": layer.name,
        "label": layer.label,
        "shape": layer.shape,
        "fromZoom": layer.from_zoom,
        "on": layer.on,
    }
    if layer.shape == "point":
        at = encode.points(frame.set_geometry(frame.representative_point()), plane)
        entry |= {"step": plane.step, "xy": at.ravel().tolist()}
    else:
        entry |= encode.shapes(frame, plane, within_m=layer.within_m, step=layer.step)
    if layer.name in _NAMES:
        entry["names"] = encode.texts(_NAMES[layer.name](frame))
    if layer.name == "streams" and "permanence" in frame:
        entry["dashed"] = (
            frame["permanence"].isin(["intermittent", "ephemeral"]).astype(int).tolist()
        )
    return entry


def placed(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The rows that have a place."""
    geometry = frame.geometry.array
    return frame[~(shapely.is_missing(geometry) | shapely.is_empty(geometry))]


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
    kinds = [(words.in_words(kind or "unknown", words.PROTECTED), name) for kind, name in pairs]
    return [name or kind for kind, name in kinds]


_NAMES: Final[Mapping[str, Callable[[gpd.GeoDataFrame], list[str | None]]]] = {
    "water_bodies": lambda frame: _column(frame, "name"),
    "roads": lambda frame: _column(frame, "name"),
    "streams": lambda frame: _column(frame, "name"),
    "wells": _well_names,
    "protected_places": _place_names,
}


def flow_paths(
    frame: gpd.GeoDataFrame, row_of: Mapping[str, int], plane: encode.Plane
) -> dict[str, Any] | None:
    """Flow paths with the row of the unit each belongs to."""
    frame = placed(frame)
    if not len(frame):
        return None
    rows = [row_of.get(unit or "") for unit in _column(frame, "unit_id")]
    return {"unit": rows, **encode.shapes(frame, plane, within_m=2, step=0.5)}


def discharge_points(
    frame: gpd.GeoDataFrame, row_of: Mapping[str, int], plane: encode.Plane
) -> dict[str, Any] | None:
    """Discharge points with the row of the unit each belongs to, None for one of nobody."""
    frame = placed(frame)
    if not len(frame):
        return None
    at = encode.points(frame.to_crs(encode.MERCATOR), plane)
    return {
        "unit": [row_of.get(unit or "") for unit in _column(frame, "unit_id")],
        "names": encode.texts(_column(frame, "discharge_point_id")),
        "xy": at.ravel().tolist(),
        "within": encode.tenths_of_metres(frame),
    }


def setback_lines(
    checks: gpd.GeoDataFrame, from_xy: NDArray, plane: encode.Plane
) -> dict[str, Any]:
    """The lines between nearest points of the checks that matter; others would crowd the map.

    Parameters
    ----------
    from_xy
        Place of each check's unit in steps, NaN where not known; lines are told from there.

    Returns
    -------
    dict
        ``check``: which checks have a line; ``xy``: its two ends, four numbers each.
    """
    if "verdict" not in checks or "geometry" not in checks:
        return {"check": [], "xy": []}
    geometry = np.asarray(checks.geometry.array)
    drawn = np.flatnonzero(
        checks["verdict"].isin(words.MATTERS).to_numpy()
        & (shapely.get_num_coordinates(geometry) >= 2)
        & np.isfinite(from_xy).all(axis=1)
    )
    plain = gpd.GeoSeries(geometry[drawn], crs=checks.crs).to_crs(encode.MERCATOR).array
    ends = [shapely.get_coordinates(line)[[0, -1]] for line in plain]
    at = plane.steps(np.array(ends).reshape(-1, 2)).reshape(-1, 2, 2)
    told = at - from_xy[drawn][:, None, :].astype(np.int64)
    return {"check": drawn.tolist(), "xy": told.ravel().tolist()}
