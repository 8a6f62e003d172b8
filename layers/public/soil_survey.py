"""Map units of the Soil Survey Geographic Database (SSURGO).

Sources: NRCS, "SSURGO Data Packaging and Use" and its table column descriptions:
``mapunit.mukey``, ``muaggatt.hydgrpdcd`` and ``component.hydgrp`` hold A, B, C, D or, where the
group depends on drainage, A/D, B/D, C/D (the first drained, the second as it stands). They were
read in published layers, not in the description itself.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from layers.fields.raw import RawLayer
from layers.fields.values import shown
from layers.public.published import Fields, Published, Remark, column, numbered

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
    groups = [None if cell is None else _group(cell) for cell in cells]
    count = len(raw)
    is_unknown = np.array(
        [cell is not None and known is None for cell, known in zip(cells, groups, strict=True)],
        bool,
    ).reshape(count)
    known = ", ".join(GROUPS)
    remarks = [
        Remark(
            is_unknown,
            "code_unknown",
            lambda position: f"{group} {shown(cells[position] or '')} is not one of {known}",
            "kept",
        )
    ]
    notes = []
    columns = {"hydrologic_group": column(groups)}
    if has_key:
        keys = fields.cells("mukey")
        columns["soil_id"] = column(numbered(keys))
        if len(set(keys)) < len(keys):
            notes.append("mukey names a kind of ground, not an area: areas are numbered, 59539#2")
    if group is None:
        notes.append(
            "the map units carry no hydrologic group: join hydgrpdcd of the table muaggatt by mukey"
        )
    named = [name for name in ("mukey", group) if name and fields.has(name)]
    return Published(f"SSURGO ({', '.join(named)})", columns, remarks, notes, fields.read)


def _group(cell: str) -> str | None:
    """A hydrologic group as the survey writes it, or None.

    >>> _group("c/d"), _group("Group B"), _group("B / D"), _group("E")
    ('C/D', 'B', 'B/D', None)
    """
    text = re.sub(r"\s+", "", cell.upper()).removeprefix("GROUP")
    return text if text in GROUPS else None
