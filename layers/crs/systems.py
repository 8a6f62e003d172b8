"""Which reference system is meant: one without a code known again, or none at all guessed at."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from pyproj import CRS, Proj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from layers.crs import WGS84, LonLatBounds, Mover, looks_like_degrees
from layers.errors import ReferenceSystemError

_GEOGRAPHIC: Final[dict[str, int]] = {
    "world geodetic system 1984": 4326,
    "world geodetic system 1984 ensemble": 4326,
    "north american datum 1983": 4269,
    "nad83 (high accuracy reference network)": 4152,
    "nad83 (national spatial reference system 2011)": 6318,
    "north american datum 1927": 4267,
}
_UNNAMED: Final = ("unknown", "unnamed", "not specified", "d_unknown", "undefined")
_PLAIN_DATUMS: Final = ("north american datum 1983", "world geodetic system 1984")
# plane systems of the United States a list of coordinates may be in
_UNITED_STATES: Final = AreaOfInterest(-180.0, 15.0, -60.0, 72.0)
_FAMILY: Final = "NAD83 / "
_WEST: Final = -125.0  # the conterminous states come first
_NEAR_DEGREES: Final = 1.5
_MOST_CANDIDATES: Final = 4


# ------------------------------------------------------------------------------------ known again


def identified(crs: CRS, x: float, y: float) -> CRS | None:
    """The system with a code that a system without one is equal to, or None.

    Equal means: the same projection with the same parameters in the same unit, on the same datum,
    or on an unnamed one of the same ellipsoid; of several the one on plain NAD83 or WGS 84. A
    geographic system is known by the name of its datum.

    Parameters
    ----------
    x, y
        A place of the layer, which tells which systems to look among.
    """
    if crs.to_authority(min_confidence=100) is not None:
        return None
    datum = _datum_name(crs)
    if crs.is_geographic:
        code = _GEOGRAPHIC.get(datum.removesuffix(" ensemble"))
        return None if code is None else CRS.from_epsg(code)
    if not crs.is_projected or crs.coordinate_operation is None:
        return None
    try:
        lon, lat = Mover(crs, WGS84)(np.array([x]), np.array([y]))
    except ReferenceSystemError:
        return None
    if not np.isfinite(lon + lat).all():
        return None
    place = AreaOfInterest(*(float(v) for v in (lon[0], lat[0], lon[0], lat[0])))
    equal = [known for known in _projected(place) if _is_same_projection(crs, known)]
    named = [known for known in equal if _datum_name(known) == datum]
    if named or not datum.startswith(_UNNAMED):
        return named[0] if named else None
    return min(equal, key=_plainness, default=None)


def _plainness(crs: CRS) -> int:
    datum = _datum_name(crs).removesuffix(" ensemble")
    return _PLAIN_DATUMS.index(datum) if datum in _PLAIN_DATUMS else len(_PLAIN_DATUMS)


def _datum_name(crs: CRS) -> str:
    geodetic = crs.geodetic_crs
    datum = None if geodetic is None else geodetic.to_json_dict()
    if datum is None:
        return ""
    return str((datum.get("datum") or datum.get("datum_ensemble") or {}).get("name", "")).lower()


def _projected(place: AreaOfInterest) -> Iterator[CRS]:
    for info in query_crs_info(
        auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS], area_of_interest=place, contains=True
    ):
        yield CRS.from_epsg(info.code)


def _is_same_projection(one: CRS, other: CRS) -> bool:
    if one.ellipsoid is None or other.ellipsoid is None:
        return False
    if abs(one.ellipsoid.semi_major_metre - other.ellipsoid.semi_major_metre) > 1e-3:
        return False
    if abs(one.ellipsoid.inverse_flattening - other.ellipsoid.inverse_flattening) > 1e-5:
        return False
    if not math.isclose(_unit_m(one), _unit_m(other), rel_tol=1e-12):
        return False
    mine, theirs = _parameters(one), _parameters(other)
    return (
        mine is not None
        and theirs is not None
        and mine.keys() == theirs.keys()
        and all(math.isclose(mine[name], theirs[name], rel_tol=1e-9, abs_tol=1e-9) for name in mine)
    )


def _unit_m(crs: CRS) -> float:
    return float(crs.axis_info[0].unit_conversion_factor)


def _parameters(crs: CRS) -> dict[str, float] | None:
    """Method and parameters of a projection, angles in radians and lengths in meters."""
    operation = crs.coordinate_operation
    if operation is None:
        return None
    values = {p.name.lower(): float(p.value) * p.unit_conversion_factor for p in operation.params}
    return {operation.method_name.lower(): 0.0, **values}


# ------------------------------------------------------------------------------------ none at all


@dataclass(frozen=True)
class Candidate:
    """A system coordinates may be in, and where it would put their middle."""

    code: str
    name: str
    lon: float
    lat: float
    away_deg: float

    def text(self) -> str:
        """The line to type, and what it would do."""
        return f'crs = "{self.code}" ({self.name}), which gives {self.lat:.3f}, {self.lon:.3f}'


def candidates(bounds: Sequence[float], near: LonLatBounds | None = None) -> list[Candidate]:
    """The systems coordinates are likely to be in, the likeliest first.

    Parameters
    ----------
    bounds
        (west, south, east, north) of the coordinates in their unknown system.
    near
        Where the county is known to be, in degrees; then only systems that put them there.
    """
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    if looks_like_degrees(bounds):
        swap = abs(y) > 90 or (
            near is not None and not _is_near(x, y, near) and _is_near(y, x, near)
        )
        lon, lat = (y, x) if swap else (x, y)
        pairs = (("EPSG:4326", "WGS 84"), ("EPSG:4269", "NAD83"))
        return [Candidate(code, name, lon, lat, 0.0) for code, name in pairs]
    found = []
    for info in query_crs_info(
        auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS], area_of_interest=_UNITED_STATES
    ):
        area = info.area_of_use
        if not info.name.startswith(_FAMILY) or area is None:
            continue
        # in degrees of its own datum, which is near enough here
        lon_at, lat_at = Proj(CRS.from_epsg(info.code))(x, y, inverse=True)
        if not np.isfinite(lon_at + lat_at) or not _is_within(lon_at, lat_at, area.bounds, 0.0):
            continue
        middle = near if near is not None else area.bounds
        away = math.hypot(
            lon_at - (middle[0] + middle[2]) / 2, lat_at - (middle[1] + middle[3]) / 2
        )
        if near is None or _is_near(lon_at, lat_at, near):
            code = f"EPSG:{info.code}"
            found.append(Candidate(code, info.name, lon_at, lat_at, away))
    found.sort(key=lambda one: (one.lon < _WEST, round(one.away_deg, 3), one.code))
    return found


def _is_near(lon: float, lat: float, near: LonLatBounds) -> bool:
    return _is_within(lon, lat, near, _NEAR_DEGREES)


def _is_within(lon: float, lat: float, box: Sequence[float], margin: float) -> bool:
    return box[0] - margin <= lon <= box[2] + margin and box[1] - margin <= lat <= box[3] + margin


def missing_system(
    bounds: Sequence[float], *, where: str, near: LonLatBounds | None = None
) -> ReferenceSystemError:
    """The error for coordinates without a system, with the likely ones and where they would be."""
    west, south, east, north = bounds
    extent = f"x from {west:.6g} to {east:.6g} and y from {south:.6g} to {north:.6g}"
    likely = candidates(bounds, near)
    if not likely:
        likely, near = candidates(bounds), None
    listed = "; ".join(one.text() for one in likely[:_MOST_CANDIDATES])
    if len(likely) > _MOST_CANDIDATES:
        listed += f"; and {len(likely) - _MOST_CANDIDATES} more"
    place = " in the county" if near is not None else ""
    text = f"likely{place}: {listed}" if likely else f"no common system fits{place}"
    return ReferenceSystemError(
        f"no coordinate system is given for {extent}",
        where=where,
        hint=f"set 'crs' in the county file; {text}",
    )
