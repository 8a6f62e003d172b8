"""What one visit sheet tells, as plain data: made by `geo.visits`, shown by `geo.publish`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import shapely

from layers.crs.coordinates import Place
from layers.settings.visit_list import LookAt


@dataclass(frozen=True)
class Walk:
    """The way from the lids to the discharge point.

    Attributes
    ----------
    distance_m, bearing_deg
        On the ellipsoid; clockwise from true north.
    drop_m
        How much lower the outlet lies than the ground at the lids; NaN where not known.
    search_radius_m
        Within which the outlet should be looked for at 95 %: both positions' errors together.
    """

    distance_m: float
    bearing_deg: float
    drop_m: float
    search_radius_m: float


@dataclass(frozen=True)
class NearWell:
    """A well near the unit, from its discharge point where that is known, else from its lids."""

    well_id: str
    use: str
    measured_from: str
    distance_m: float
    u95_m: float
    bearing_deg: float
    is_downhill: bool | None


@dataclass(frozen=True)
class LikelyPlace:
    """A place where an outlet nobody knows may be, seen from the lids.

    ``kind`` is a key of `geo.results.outlet_kinds.KIND_WORDS`; ``xy`` lies in the working system;
    ``drop_m`` is how much lower the ground is than at the lids.
    """

    rank: int
    chance: float
    distance_m: float
    bearing_deg: float
    drop_m: float
    kind: str
    xy: tuple[float, float]


@dataclass(frozen=True)
class OutletHunt:
    """Where to look for an outlet that nobody has recorded, or only guessed.

    Attributes
    ----------
    state
        found, no_daylight (no pipe by gravity comes out within ``radius_m``), off_terrain.
    places
        Most likely first.
    rest_chance
        Of the outlet lying at none of all places named in the assessment.
    area
        What was searched, in the working system.
    """

    state: str
    by_gravity: bool
    radius_m: float
    places: tuple[LikelyPlace, ...]
    rest_chance: float
    area: shapely.Geometry


@dataclass(frozen=True)
class VisitPlan:
    """All that one sheet tells.

    Attributes
    ----------
    unit
        The unit's row of the assessment.
    lid, outlet
        Places; ``outlet`` is None where nobody knows it.
    lid_xy, outlet_xy
        The same in the working system.
    walk
        None where the outlet is not known.
    wells
        Nearest first.
    checks
        Setbacks in force that appear short or cannot be told, in sentences.
    owed
        What is owed to the unit, by day.
    look_at
        Items of the visit list that are for this unit, in its order.
    path
        The way of the outlet's water, None where not known.
    hunt
        None where the outlet is known, none is expected, or there is no terrain.
    """

    unit: Mapping[str, Any]
    lid: Place
    outlet: Place | None
    lid_xy: tuple[float, float]
    outlet_xy: tuple[float, float] | None
    walk: Walk | None
    wells: tuple[NearWell, ...]
    checks: tuple[str, ...]
    owed: tuple[Mapping[str, Any], ...]
    look_at: tuple[LookAt, ...]
    path: shapely.LineString | None
    hunt: OutletHunt | None = None
