"""The storms of a county: 24-hour depths from a point table of rain."""

from __future__ import annotations

from pathlib import Path

from layers.errors import LayerError
from layers.measures import IN_M
from layers.public.rainfall import read_point_table
from layers.settings.county_file import RETURN_PERIODS_YR, StormSection


def storms_from_table(storms: StormSection, path: Path) -> StormSection:
    """`[storms]` with the 24-hour depths and the series of the table it names.

    Raises
    ------
    LayerError
        When the table cannot be used, or is of another series than the section says.
    """
    where = f"[storms] {storms.path}"
    table = read_point_table(path, where=where)
    if "series" in storms.model_fields_set and storms.series != table.series:
        raise LayerError(
            f"the county file says series = {storms.series!r}, but the table is {table.series!r}",
            where=where,
            hint="remove 'series'; the table has it",
        )
    if "24-hr" not in table.depths_m:
        raise LayerError(
            f"the table has no 24-hr row, only {', '.join(table.depths_m)}",
            where=where,
            hint="download the table with all durations",
        )
    depths = {
        years: round(depth / IN_M, 6)
        for years, depth in table.depths_m["24-hr"].items()
        if years in RETURN_PERIODS_YR
    }
    return storms.model_copy(update={"depths_in": depths, "series": table.series})
