"""Base flood elevations made comparable with the terrain, or left unknown with a reason.

NAVD88 replaced NGVD29; they differ by -0.4 to 1.5 m over the conterminous states (from memory),
which is as much as a flood is deep. So a level is used only when its vertical datum and the
terrain's are both stated and equal, or a shift between them is given.
"""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from layers.fields.datums import vertical_datum
from layers.problems import ProblemLog
from layers.settings.county_file import LayerSection

_LEVEL = "base_flood_elevation_m"


def settle_elevations(
    floodplain: gpd.GeoDataFrame,
    section: LayerSection,
    terrain_datum: str | None,
    log: ProblemLog,
) -> gpd.GeoDataFrame:
    """Areas with ``base_flood_elevation_m`` in the terrain's datum, NaN where that cannot be said.

    Parameters
    ----------
    section
        `[layers.floodplain]`: its ``vertical_datum`` stands for rows that state none, its
        ``datum_shift_m`` is added to levels of another datum than the terrain's.
    terrain_datum
        As `layers.fields.datums.vertical_datum` names it, or None when it is not stated.
    """
    default = vertical_datum(section.vertical_datum)
    datums = floodplain["vertical_datum"].map(vertical_datum, na_action="ignore")
    datums = datums.astype(object).where(datums.notna(), default)
    level = floodplain[_LEVEL].astype("float64")
    has_level = level.notna()
    unstated = has_level & datums.isna()
    differs = has_level & datums.notna() & (datums != terrain_datum)
    if terrain_datum is None:
        unstated, differs = has_level, has_level & False
        what = "the terrain's vertical datum is not given"
        hint = 'add it to [layers.terrain], such as vertical_datum = "NAVD88"'
    else:
        what = "the base flood elevation has no vertical datum"
        hint = 'add it to [layers.floodplain], such as vertical_datum = "NAVD88"'
    _report(floodplain, unstated, "flood_datum_unstated", f"{what}. Fix: {hint}", log)
    if section.datum_shift_m is None:
        named = ", ".join(sorted(set(datums[differs])))
        message = (
            f"base flood elevations are in {named} but the terrain is in {terrain_datum}. Fix: set"
            " datum_shift_m in [layers.floodplain], the meters to add to them here (from the"
            " National Geodetic Survey's conversion tool)"
        )
        _report(floodplain, differs, "flood_datum_differs", message, log)
        level = level.mask(unstated | differs)
    else:
        level = level.mask(unstated) + section.datum_shift_m * differs
    return floodplain.assign(
        **{_LEVEL: level, "vertical_datum": datums.where(datums.notna(), None)}
    )


def _report(
    floodplain: gpd.GeoDataFrame, where: pd.Series, code: str, message: str, log: ProblemLog
) -> None:
    rows = floodplain.loc[where, "source_row"].tolist()
    if not rows:
        return
    if len(rows) == 1:
        name = str(floodplain.loc[where, "floodplain_id"].iloc[0])
        log.add("floodplain", code, message, action="kept", row=rows[0], feature_id=name)
        return
    first = ", ".join(str(row) for row in rows[:5])
    log.add("floodplain", code, f"{len(rows)} rows (first: {first}): {message}", action="kept")
