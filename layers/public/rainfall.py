"""Point tables of NOAA Atlas 14: rain by duration and average recurrence interval.

Source: the table the Precipitation Frequency Data Server gives as CSV, read in captured answers of
it. The unit stands in the first line only; columns are known by the interval printed over them
(``1,2,5`` years for a partial-duration series, ``'1/2,'1/5`` a year for an annual-maximum one);
the upper and lower bounds follow in blocks of their own.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from layers.errors import LayerError
from layers.files.kinds import regular_size

Series = Literal["partial_duration", "annual_maximum"]

_HEAD: Final = re.compile(r"by duration for (ARI|AEP)[^,]*,(.*)", re.IGNORECASE)
_ROW: Final = re.compile(r"\s*(\d+)\s*-\s*(min|hr|day)\s*:\s*,(.*)", re.IGNORECASE)
_INTERVAL: Final = re.compile(r"'?\s*(?:1\s*/\s*)?(\d+)")
_UNITS: Final = {"inches": 0.0254, "millimeters": 0.001, "mm": 0.001, "inch": 0.0254}
_HINT: Final = (
    "from the Precipitation Frequency Data Server, download 'precipitation depth', estimates, as"
    " CSV; or set depths_in, such as depths_in = { 2 = 2.9, 5 = 3.6 }"
)


@dataclass(frozen=True)
class PointTable:
    """Rain at a point.

    Attributes
    ----------
    depths_m
        By duration as printed ("24-hr"), then by interval in years.
    """

    series: Series
    depths_m: Mapping[str, Mapping[int, float]]


def read_point_table(path: Path, *, where: str) -> PointTable:
    """Read a point table of depths.

    Raises
    ------
    LayerError
        When the file is no such table, or one of intensities or of a bound.
    """
    try:
        regular_size(path)
        text = path.read_bytes().decode("utf-8-sig", "replace")
    except OSError as error:
        raise LayerError(
            f"cannot read the table of storms: {error.strerror}",
            where=where,
            hint="check 'path' in [storms]; it starts at the folder of the county file",
        ) from error
    return _PointText(text.splitlines(), where).table()


class _PointText:
    """The lines of a point table."""

    def __init__(self, lines: list[str], where: str) -> None:
        self.lines = [line.strip().strip('"') for line in lines]
        self.where = where

    def table(self) -> PointTable:
        at = next((k for k, line in enumerate(self.lines) if _HEAD.match(line)), None)
        if at is None:
            raise self._refused(
                "the line 'by duration for ARI' of a NOAA Atlas 14 table is missing"
            )
        factor = self._factor()
        self._refuse_bound(at)
        head = _HEAD.match(self.lines[at])
        assert head is not None
        series: Series = "partial_duration" if head[1].upper() == "ARI" else "annual_maximum"
        stated = self._after("Time series type")
        if stated and stated.lower().startswith("annual") != (series == "annual_maximum"):
            raise self._refused(f"the table says {stated!r}, but its columns are by {head[1]}")
        years = [self._interval(cell) for cell in head[2].split(",")]
        depths: dict[str, dict[int, float]] = {}
        for line in self.lines[at + 1 :]:
            row = _ROW.fullmatch(line)
            if row is None:
                break
            label = f"{int(row[1])}-{row[2].lower()}"
            depths[label] = self._depths(row[3], years, factor, label)
        if not depths:
            raise self._refused("no rows of depths follow the intervals")
        return PointTable(series, depths)

    def _after(self, key: str) -> str:
        for line in self.lines:
            if line.lower().startswith(key.lower() + ":"):
                return line.partition(":")[2].strip()
        return ""

    def _factor(self) -> float:
        stated = re.search(r"\(([^)]*)\)", self.lines[0] if self.lines else "")
        unit = stated[1].strip().lower() if stated else ""
        if "intensity" in self._after("Data type").lower() or unit.endswith(("/hour", "/hr")):
            raise self._refused("the table has intensities (rain per hour), not depths")
        if unit not in _UNITS:
            raise self._refused(f"the first line has no known unit ({unit or 'none'})")
        return _UNITS[unit]

    def _refuse_bound(self, at: int) -> None:
        above = next((line for line in reversed(self.lines[:at]) if line), "").lower()
        for bound in ("upper", "lower"):
            if bound in above:
                raise self._refused(f"the table has the {bound} bounds, not the estimates")

    def _interval(self, cell: str) -> int:
        match = _INTERVAL.fullmatch(cell.strip())
        if match is None:
            raise self._refused(f"{cell.strip()!r} is not an interval in years")
        return int(match[1])

    def _depths(self, text: str, years: list[int], factor: float, label: str) -> dict[int, float]:
        cells = [cell.strip() for cell in text.split(",")]
        try:
            values = [float(cell) for cell in cells if cell]
        except ValueError as error:
            raise self._refused(f"the row {label} has a cell that is not a number") from error
        if len(values) != len(years) or values != sorted(values) or min(values) <= 0:
            raise self._refused(
                f"the row {label} is damaged: depths must increase with the interval"
            )
        return {year: value * factor for year, value in zip(years, values, strict=True)}

    def _refused(self, what: str) -> LayerError:
        return LayerError(what, where=self.where, hint=_HINT)
