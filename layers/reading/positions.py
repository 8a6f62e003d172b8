"""Positions as people write them, and how finely: degrees, minutes and seconds; grid squares.

Sources: FGDC-STD-011-2001, "United States National Grid": a reference names the square whose
south-west corner its digits are, so digits are cut off, never rounded, and the place is taken in
the middle of the square.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Final

import mgrs
import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from layers.crs import WGS84, Mover
from layers.fields.schemas import HALF_STEP_TO_95
from layers.fields.values import is_blank, plain_value

FINEST: Final = 7  # about a centimeter; beyond it decimals say nothing of a place
_TOLERANCE: Final = 1e-10
_DEGREE_M: Final = 111_320.0
_FEWER: Final = 3  # decimals fewer than its column's: of a million rows one has them by chance

_NUMBER: Final = r"\d+(?:\.\d*)?|\.\d+"
_DEGREE: Final = r"(?:\s*[°º˚d:*]\s*|\s*deg\.?\s*|\s*-\s*|\s+)"
_MINUTE: Final = r"(?:\s*['’′´m:]\s*|\s*min\.?\s*|\s*-\s*|\s+)"
_SECOND: Final = r"(?:\s*(?:[\"”″]|''|’’|′′|sec\.?|(?-i:s)))?"
_ANGLE: Final = re.compile(
    rf"(?P<before>[NSEW])?\s*(?P<sign>[+-])?\s*(?P<degrees>{_NUMBER})"
    rf"(?:{_DEGREE}(?P<minutes>{_NUMBER})(?:{_MINUTE}(?P<seconds>{_NUMBER}){_SECOND})?)?"
    r"\s*(?:[°º˚:*'’′´\"”″]|(?-i:[dm]))*\s*(?P<after>[NSEW])?",
    re.IGNORECASE,
)
_GRID: Final = re.compile(r"((?:0?[1-9]|[1-5]\d|60)[C-HJ-NP-X])([A-HJ-NP-Z][A-HJ-NP-V])(\d*)")


def parse_degrees(text: str) -> float:
    r"""Degrees from a number, or from degrees, minutes and seconds.

    A letter of the compass, before or behind, gives the sign. Only the last part may have
    decimals; minutes and seconds are below 60.

    Raises
    ------
    ValueError
        When the text is neither.

    >>> parse_degrees("39°12'34.5\"N"), parse_degrees("W84 30.5"), parse_degrees("-84.5")
    (39.209583333333335, -84.50833333333334, -84.5)
    """
    match = _ANGLE.fullmatch(text.strip())
    if match is None:
        return _plain(text)
    parts = [match["degrees"], match["minutes"], match["seconds"]]
    given = [part for part in parts if part is not None]
    before, after = match["before"], match["after"]
    if len(given) == 1 and not before and not after:
        return _plain(text.strip().rstrip("°º˚ "))
    if any("." in part for part in given[:-1]):
        raise ValueError("only the last part of an angle can have decimals")
    numbers = [float(part) for part in given]
    if any(number >= 60 for number in numbers[1:]) or (before and after) or numbers[0] > 180:
        raise ValueError("use minutes and seconds below 60, and one letter N, S, E or W")
    value = sum(number / 60**power for power, number in enumerate(numbers))
    side = (before or after or "").upper()
    if side and match["sign"] == "-":
        raise ValueError("use a minus sign or a letter, not both")
    return -value if side in ("S", "W") or match["sign"] == "-" else value


def _plain(text: str) -> float:
    if "_" in text:
        raise ValueError("not a number")
    return float(text)


def is_sexagesimal(text: str) -> bool:
    """Whether text gives minutes as well as degrees.

    >>> is_sexagesimal("39 12.5"), is_sexagesimal("39.2")
    (True, False)
    """
    match = _ANGLE.fullmatch(text.strip())
    return match is not None and match["minutes"] is not None


def parse_grid_square(text: str) -> tuple[int, float, float, float]:
    """The UTM zone (its EPSG code on WGS 84), easting and northing of the middle, and the side.

    Raises
    ------
    ValueError
        When the text is no reference, names no zone, or a square of 10 km or more.

    >>> parse_grid_square("18S UJ 2348 0647")
    (32618, 323485.0, 4306475.0, 10.0)
    """
    plain = re.sub(r"[\s,.-]+", "", text).upper()
    match = _GRID.fullmatch(plain)
    if match is None:
        raise ValueError("is not a grid reference with its zone, such as 18SUJ23480647")
    zone, square, digits = match.groups()
    count = len(digits) // 2
    if len(digits) % 2 or count > 5:
        raise ValueError("needs the same number of digits for easting and northing, at most 5 each")
    if count < 2:
        raise ValueError("is a square of 10 km or more, too large for a position")
    east, north = digits[:count].ljust(5, "0"), digits[count:].ljust(5, "0")
    side = 10.0 ** (5 - count)
    try:
        # the corner of the square of a meter; which point of it the library gives has varied
        number, hemisphere, x, y = mgrs.MGRS().MGRSToUTM(f"{zone}{square}{east}{north}")
    except mgrs.MGRSError as error:
        raise ValueError("is not a square of the national grid") from error
    epsg = (32600 if hemisphere == "N" else 32700) + int(number)
    return epsg, math.floor(x) + side / 2, math.floor(y) + side / 2, side


def grid_places(
    cells: Sequence[str | None],
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[str | None]]:
    """Longitude and latitude (WGS 84) and side in meters of grid squares; NaN and why if none.

    Returns
    -------
    lonlat, side_m, whys
        Of shape (rows, 2) and (rows,), and a message or None for each row.
    """
    lonlat, side_m = np.full((len(cells), 2), np.nan), np.full(len(cells), np.nan)
    whys: list[str | None] = [None] * len(cells)
    in_zone: dict[int, list[tuple[int, float, float]]] = {}
    for position, cell in enumerate(cells):
        if is_blank(cell):
            whys[position] = "the grid reference is blank"
            continue
        try:
            epsg, x, y, side_m[position] = parse_grid_square(str(cell))
        except ValueError as error:
            whys[position] = f"{plain_value(str(cell))} {error}"
        else:
            in_zone.setdefault(epsg, []).append((position, x, y))
    for epsg, found in in_zone.items():
        table = np.array(found, float)
        places = Mover(CRS.from_epsg(epsg), WGS84)(table[:, 1], table[:, 2])
        lonlat[table[:, 0].astype(np.int64)] = np.column_stack(places)
    return lonlat, side_m, whys


def square_accuracy95_m(side_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far at 95 % a place may lie from the middle of the square that holds it."""
    return HALF_STEP_TO_95 * side_m / 2


def decimals_of(degrees: NDArray[np.float64]) -> NDArray[np.int64]:
    """Decimals each number needs, from 0 to `FINEST`; `FINEST` for NaN.

    >>> decimals_of(np.array([-88.51, 26.5014, 26.0])).tolist()
    [2, 4, 0]
    """
    needed = np.full(degrees.shape, FINEST, np.int64)
    for places in range(FINEST - 1, -1, -1):
        scaled = degrees * 10.0**places
        needed[np.abs(scaled - np.round(scaled)) <= _TOLERANCE * 10.0**places] = places
    return needed


def coarse_accuracy95_m(
    lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Decimals rows were written with, and the accuracy at 95 % that rounding alone leaves.

    A row counts with its own decimals where they are plainly fewer than its column's, else with
    the column's: of good coordinates one in ten ends in 0.

    Parameters
    ----------
    lon, lat
        Degrees as given; NaN where a row has none.

    Returns
    -------
    decimals, accuracy95_m
        Of shape (rows,); 0 m where rounding says nothing.

    >>> decimals, accuracy = coarse_accuracy95_m(np.array([-85.834]), np.array([39.745]))
    >>> int(decimals[0]), round(float(accuracy[0]))
    (3, 67)
    """
    lon, lat = (np.where(np.abs(v) <= 360, v, np.nan) for v in (lon, lat))
    known = (np.abs(lon) <= 360) & (np.abs(lat) <= 360)  # False for NaN
    own = np.maximum(
        decimals_of(np.where(known, lon, np.nan)), decimals_of(np.where(known, lat, np.nan))
    )
    if not known.any():
        return own, np.zeros(len(lon))
    column = int(np.quantile(own[known], 0.9, method="higher"))
    decimals = np.where(own <= column - _FEWER, own, column)
    accuracy = HALF_STEP_TO_95 * 0.5 * 10.0 ** -decimals.astype(float) * _DEGREE_M
    return decimals, np.where(known & (decimals < FINEST), accuracy, 0.0)
