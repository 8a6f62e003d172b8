"""A place as people write it down: degrees, degrees and minutes, UTM, US National Grid, geo URI."""

from __future__ import annotations

import math
from dataclasses import dataclass

import mgrs
import numpy as np
from numpy.typing import ArrayLike
from pyproj import CRS

from layers.crs import WGS84, Mover


@dataclass(frozen=True)
class Place:
    """A point in degrees of WGS 84 and as a person reads it.

    Attributes
    ----------
    decimal
        Latitude, longitude with 6 decimals (0.1 m).
    minutes
        Degrees and decimal minutes with 4 decimals (0.2 m).
    utm
        Zone, easting, northing in whole meters.
    usng
        US National Grid to 1 m, truncated as FGDC-STD-011-2001 asks; empty near the poles.
    geo_uri
        RFC 5870, with the 95 % accuracy in whole meters, rounded up, as ``u``; the RFC states no
        confidence level.
    """

    lat: float
    lon: float
    decimal: str
    minutes: str
    utm: str
    usng: str
    geo_uri: str


def places(x: ArrayLike, y: ArrayLike, crs: CRS, *, accuracy95_m: ArrayLike) -> list[Place | None]:
    """Places of points in ``crs``; None where one is not known."""
    x, y = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))
    lon, lat = Mover(crs, WGS84)(x, y)
    accuracy = np.broadcast_to(np.asarray(accuracy95_m, float), lon.shape)
    return [
        _place(float(a), float(o), float(u)) if np.isfinite(a) and np.isfinite(o) else None
        for a, o, u in zip(lat, lon, accuracy, strict=True)
    ]


def _place(lat: float, lon: float, accuracy95_m: float) -> Place:
    uncertainty = f";u={math.ceil(accuracy95_m)}" if np.isfinite(accuracy95_m) else ""
    return Place(
        lat=lat,
        lon=lon,
        decimal=f"{lat:.6f}, {lon:.6f}",
        minutes=f"{_minutes(lat, 'N', 'S')}  {_minutes(lon, 'E', 'W')}",
        utm=utm(lat, lon),
        usng=_usng(lat, lon),
        geo_uri=f"geo:{_plain(lat)},{_plain(lon)}{uncertainty}",
    )


def _plain(degrees: float) -> str:
    """Degrees without exponent or negative zero."""
    text = f"{degrees:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _minutes(degrees: float, positive: str, negative: str) -> str:
    """Degrees and minutes, carried over where the minutes round up to 60."""
    steps = round(abs(degrees) * 600_000)  # of a ten-thousandth of a minute
    whole, rest = divmod(steps, 600_000)
    return f"{whole}° {rest / 10_000:07.4f}' {positive if degrees >= 0 else negative}"


def utm(lat: float, lon: float) -> str:
    """UTM zone and whole meters, with the exceptions of Norway and Svalbard left out.

    >>> utm(38.889467, -77.035236)
    '18N 323484 E 4306479 N'
    """
    zone = min(int((lon + 180) // 6) + 1, 60)
    half = "N" if lat >= 0 else "S"
    to_utm = Mover(WGS84, CRS.from_epsg((32600 if half == "N" else 32700) + zone))
    east, north = to_utm(np.array([lon]), np.array([lat]))
    return f"{zone}{half} {east[0]:.0f} E {north[0]:.0f} N"


def _usng(lat: float, lon: float) -> str:
    if not -80 <= lat <= 84:
        return ""
    text = str(mgrs.MGRS().toMGRS(lat, lon, MGRSPrecision=5))
    zone, square, digits = text[:-12], text[-12:-10], text[-10:]
    return f"{zone} {square} {digits[:5]} {digits[5:]}"
