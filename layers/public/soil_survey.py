"""Map units of the Soil Survey Geographic Database (SSURGO).

Sources: NRCS, "SSURGO Data Packaging and Use" and its table column descriptions:
``mapunit.mukey``, ``muaggatt.hydgrpdcd`` and ``component.hydgrp`` hold A, B, C, D or, where the
group depends on drainage, A/D, B/D, C/D (the first drained, the second as it stands). They were
read in published layers, not in the description itself.
"""

from __future__ import annotations

import re
from typing import Final

from layers.fields.raw import RawLayer
from layers.public.published import Fields, Published, column, numbered

GROUPS: Final = ("A", "B", "C", "D", "A/D", "B/D", "C/D")
_GROUP_FIELDS: Final = ("hydgrpdcd", "hydgrp", "hydrolgrp_dcd", "HydroGrp", "hydgrp_dcd")


def read_soil_survey(raw: RawLayer, layer: str) -> Published | None:
    """Soils from SSURGO, or None where the fields are not its."""
    fields = Fields(raw)
    group = next((name for name in _GROUP_FIELDS if fields.has(name)), None)
    has_key = fields.has("mukey")
    if layer != "soils" or (group is None and not (has_key and fields.has("musym"))):
        return None
    cells = fields.cells(*_GROUP_FIELDS)
    notes = []
    columns = {"hydrologic_group": column(cells)}
    if has_key:
        keys = fields.cells("mukey")
        columns["soil_id"] = column(numbered(keys))
        if len(set(keys)) < len(keys):
            notes.append("mukey repeats, so areas get numbers such as 59539#2")
    if group is None:
        notes.append(
            "the hydrologic group is missing. Fix: join hydgrpdcd from the table muaggatt by mukey"
        )
    named = [name for name in ("mukey", group) if name and fields.has(name)]
    return Published(f"SSURGO ({', '.join(named)})", columns, [], notes, fields.read)


def soil_group(cell: str) -> str | None:
    """A hydrologic group as the survey writes it, or None.

    >>> soil_group("c/d"), soil_group("Group B"), soil_group("B / D"), soil_group("E")
    ('C/D', 'B', 'B/D', None)
    """
    text = re.sub(r"\s+", "", cell.upper()).removeprefix("GROUP")
    return text if text in GROUPS else None
