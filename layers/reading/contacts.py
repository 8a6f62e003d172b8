"""Whom to ask and what to mind at a property: a table for staff, read when sheets are made.

It is kept out of the county's layers and of every assessment folder, so that no name gets there.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from layers.errors import LayerError
from layers.fields.column_names import folded
from layers.fields.values import bare_id
from layers.files.tables import read_table

FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    "contact": ("contact", "name", "owner", "contactname", "occupant"),
    "phone": ("phone", "telephone", "tel", "mobile"),
    "permission": ("permission", "consent", "access"),
    "gate": ("gate", "gatecode", "key"),
    "dog": ("dog", "dogs", "animals"),
    "appointment": ("appointment", "appt", "when"),
    "attempts": ("attempts", "tried"),
    "note": ("note", "notes", "remarks"),
}
_IDS: Final = ("unitid", "unit", "unitno", "unitnumber", "systemid", "sysno")


def read_contacts(path: str | Path) -> dict[str, dict[str, str]]:
    """By unit, the fields that say something; of several rows of a unit the first that does.

    Raises
    ------
    LayerError
        When the file cannot be read as a table or has no column of units.
    """
    raw = read_table(path)
    by_name = {folded(name): name for name in raw.columns}
    key = next((by_name[name] for name in _IDS if name in by_name), None)
    if key is None:
        raise LayerError(
            "no column is recognized as the unit's id",
            where=str(path),
            hint=f"rename one column to unit_id; the table has {', '.join(map(repr, raw.columns))}",
        )
    theirs = {
        field: next(by_name[name] for name in names if name in by_name)
        for field, names in FIELDS.items()
        if any(name in by_name for name in names)
    }
    cells = {field: raw.texts(name).tolist() for field, name in theirs.items()}
    contacts: dict[str, dict[str, str]] = {}
    for row, unit_id in enumerate(raw.texts(key).tolist()):
        if unit_id is None:
            continue
        mine = contacts.setdefault(unit_id.strip(), {})
        for field, column in cells.items():
            if column[row] is not None:
                mine.setdefault(field, column[row])
    return contacts


def contacts_of(
    contacts: Mapping[str, Mapping[str, str]], unit_ids: list[str]
) -> dict[str, Mapping[str, str]]:
    """The contacts of some units, also where a spreadsheet took zeros off an id and one fits."""
    bare: dict[str, list[str]] = {}
    for unit_id in contacts:
        bare.setdefault(bare_id(unit_id), []).append(unit_id)
    found = {}
    for unit_id in unit_ids:
        alike = bare.get(bare_id(unit_id), [])
        if unit_id in contacts:
            found[unit_id] = contacts[unit_id]
        elif len(alike) == 1:
            found[unit_id] = contacts[alike[0]]
    return found
