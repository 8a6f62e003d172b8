"""What a trace along the water found: made by `geo.trace`, shown by `geo.publish`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from layers.measures import format_chance

WHAT: Final[dict[str, str]] = {
    "streams": "stream", "drains": "drain", "water_bodies": "lake or pond",
    "ground": "over the ground", "bathing": "swimming area", "intake": "water intake",
}  # fmt: skip
# Heights that differ by less are called level: less than terrain is known to. Common practice.
LEVEL_M: Final = 0.1


@dataclass(frozen=True)
class TraceUp:
    """Discharge points whose water comes past a place, nearest along the water first.

    Attributes
    ----------
    xy
        The place in the working system; of a stream, drain or pond, a point of it.
    name
        The place in words.
    within_m
        How near water must pass.
    candidates
        ``order, unit_id, discharge_point_id, along_m, way`` (ground or mapped), ``chance`` that
        terrain and position error allow, null where not told, ``chance_by_position``, ``draws``
        of the terrain that it comes from, null for none, ``fork`` and ``branch`` (the last fork
        walked up on the way to it and the branch taken there, null before the first),
        ``last_result, must_visit_by, why_due``, and points.
    others
        Outlets that are no candidates, but whose water came past in some draws: ``unit_id,
        discharge_point_id, chance, draws``, the last columns as above; likeliest first.
    forks
        One row per fork and branch, in the order of a walk upstream: ``fork, along_m, branch,
        layer, feature_id, bearing_deg`` (from true north, up the branch), ``candidates, share``
        (of all candidates), ``halves`` (at this fork a look says most), and points.
    ways
        The lines that lead to the place.
    notes
        What was not followed, in words.
    """

    xy: tuple[float, float]
    name: str
    within_m: float
    candidates: gpd.GeoDataFrame
    others: gpd.GeoDataFrame
    forks: gpd.GeoDataFrame
    ways: gpd.GeoDataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class TraceDown:
    """What the water of one discharge point comes past: a list for staff.

    Attributes
    ----------
    notices
        ``what`` (well, parcel, bathing, intake, streams, drains, water_bodies, or ground: the way
        over it from the end of a drain), ``id, name, along_m`` (from the discharge point along the
        water), ``off_m`` (from the water), of wells ``rise_m`` (of the ground there over the
        nearest place of the way), ``is_downhill`` (it is no higher) and ``is_below_outlet`` (no
        higher than at the discharge point; told along the unit's own way), points.
    ways
        The lines along which the water runs.
    ends
        Where the mapped water ends, in words.
    """

    unit_id: str
    xy: tuple[float, float] | None
    notices: gpd.GeoDataFrame
    ways: gpd.GeoDataFrame
    notes: tuple[str, ...]


def describe_chance(row: Mapping[str, Any], *, runs_are: str = " computer runs") -> str:
    """The chance of a candidate in words.

    ``runs_are`` is empty under a heading that names the computer runs.

    >>> describe_chance({"chance": 0.7, "draws": 20})
    'about 7 in 10 (14 of 20 computer runs)'
    >>> describe_chance({"chance": 0.0, "draws": 20})
    'in no computer run'
    >>> describe_chance({"chance": 0.7, "draws": 20}, runs_are="")
    'about 7 in 10 (14 of 20)'
    """
    if pd.isna(row["chance"]):
        by_position = row.get("chance_by_position")
        if by_position is None or pd.isna(by_position):
            return "not calculated: position accuracy is not on record"
        return f"{format_chance(by_position)} if the terrain is right"
    if pd.isna(row["draws"]):
        return format_chance(row["chance"])
    runs = round(row["chance"] * row["draws"])
    if not runs:
        return "in no computer run"
    return f"{format_chance(row['chance'])} ({runs} of {row['draws']}{runs_are})"


def text_lie(row: Mapping[str, Any], print_step: Callable[[float], str]) -> str:
    """How a well lies to the water, in words; empty where it is not known.

    >>> text_lie({"rise_m": -0.5, "is_below_outlet": True}, "{:g} m".format)
    '0.5 m lower than the water there, below the discharge point'
    """
    rise = row.get("rise_m")
    if rise is None or pd.isna(rise):
        text = []
    elif abs(rise) < LEVEL_M:
        text = ["level with the water there"]
    else:
        text = [f"{print_step(abs(rise))} {'lower' if rise < 0 else 'higher'} than the water there"]
    below = row.get("is_below_outlet")
    if below is not None and not pd.isna(below):
        text.append(f"{'below' if below else 'above'} the discharge point")
    return ", ".join(text)


def plain(table: pd.DataFrame) -> pd.DataFrame:
    """A table without its shapes."""
    return pd.DataFrame(table.drop(columns="geometry", errors="ignore"))
