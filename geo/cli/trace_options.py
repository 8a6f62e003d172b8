"""What a person types for ``rillmark trace``: places, lengths, files to write."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any, Final

import click

_SIDES: Final = {"N": 0, "S": 0, "E": 1, "W": 1}
_PLACE: Final = '"26.5001, -88.5002"'


class LatLon(click.ParamType):
    """A latitude and a longitude: degrees, degrees and minutes, or a national grid reference."""

    name = "LAT, LON"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Two numbers of degrees."""
        if isinstance(value, tuple):
            return value
        try:
            return place_of(str(value))
        except ValueError as error:
            why = f" ({error})" if str(error) else ""
            return self.fail(f"{value!r}: write it as {_PLACE}{why}", param, ctx)


def place_of(text: str) -> tuple[float, float]:
    """Latitude and longitude (WGS 84) of a place as visit sheets and maps write it.

    Raises
    ------
    ValueError
        When it is none of these, or names one side twice.

    >>> place_of("26.5, -88.5"), place_of("88.5W 26.5N"), place_of("26° 30.0000' N  88° 30.0000' W")
    ((26.5, -88.5), (26.5, -88.5), (26.5, -88.5))
    """
    from layers.reading.positions import parse_degrees, parse_grid_square

    if re.fullmatch(r"\s*\d{1,2}\s*[C-Xc-x]\s*[A-Za-z]{2}[\s\d]+", text):
        return _of_square(*parse_grid_square(text)[:3])
    parts = [part for part in re.split(r"[,;]", text) if part.strip()]
    if len(parts) == 1:
        parts = text.split()
    if len(parts) != 2:  # a letter ends the first
        parts = [p for p in re.split(r"(?<=[NSEWnsew])(?=[\s\d])\s*", text.strip()) if p]
    if len(parts) != 2:
        raise ValueError("two numbers are needed, latitude first")
    degrees = [parse_degrees(part.replace("−", "-")) for part in parts]
    letters = [re.sub(r"[^NSEW]", "", part.upper()) for part in parts]
    order = [_SIDES[letter] if letter else None for letter in letters]
    if order[0] == order[1] is not None:
        raise ValueError("both numbers are latitudes or both are longitudes")
    if order[0] == 1 or order[1] == 0:
        degrees.reverse()
    return degrees[0], degrees[1]


def _of_square(epsg: int, east: float, north: float) -> tuple[float, float]:
    import numpy as np
    from pyproj import CRS

    from layers.crs import WGS84, Mover

    lon, lat = Mover(CRS.from_epsg(epsg), WGS84)(np.array([east]), np.array([north]))
    return float(lat[0]), float(lon[0])


class Length(click.ParamType):
    """A length with its unit, as in ``80 ft``, ``8 in`` or ``25 m``; a bare number is meters."""

    name = "LENGTH"

    def __init__(self, most_m: float) -> None:
        self.most_m = most_m

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Meters."""
        from layers.measures import spelled_out, to_meters

        match = re.fullmatch(r"\s*(\d+\.?\d*|\.\d+)\s*(.*?)\s*", str(value))
        number, unit = match.groups() if match else (str(value), "")
        try:
            length_m = to_meters(float(number), str(spelled_out(unit.strip(".").casefold() or "m")))
        except ValueError:
            return self.fail(f'{value!r}: write it as "80 ft", "8 in" or "25 m"', param, ctx)
        if not 0 <= length_m <= self.most_m:
            return self.fail(f"{value!r}: use 0 to {self.most_m:g} m", param, ctx)
        return length_m


def must_be_writable(*files: Path | None) -> None:
    """Refuse, before the work is done, files that could not be written after it.

    Raises
    ------
    TraceError
        When two are the same, or the folder of one is missing or may not be written to.
    """
    from layers.errors import TraceError

    some = [file for file in files if file is not None]
    if len({file.resolve() for file in some}) < len(some):
        raise TraceError(
            "two results would go into one file", where=str(some[-1]),
            hint="give each its own file name",
        )  # fmt: skip
    for file in some:
        folder = file.resolve().parent
        if not folder.is_dir():
            raise TraceError(
                f"the folder {folder} does not exist", where=str(file),
                hint="create it first, or name a file in another folder",
            )  # fmt: skip
        if not os.access(file if file.exists() else folder, os.W_OK):
            raise TraceError(
                "you do not have permission to write there", where=str(file),
                hint="name a file in a folder that you can write to",
            )  # fmt: skip
