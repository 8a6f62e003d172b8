"""The dictionary of columns, as README.md beside this file has it.

``python -m layers.outputs.dictionary`` writes it again.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from layers.outputs import OUTPUTS
from layers.outputs.field import Field

PAGE: Final = Path(__file__).with_name("README.md")
_HEAD: Final = """# Columns of an assessment

This page is made by `make renew` from the register in this folder. Change columns there, not here.
Each table is a layer of `assessment.gpkg`; `units` is also `priorities.csv`. Lengths, heights and
depths are in meters, areas in square meters, positions in the county's coordinate system.
`{T}` is the return period of a storm in years, `{part}` a part of the score.
"""


def dictionary() -> str:
    """The whole page."""
    lines = [_HEAD]
    for table in OUTPUTS.values():
        lines += [f"## `{table.name}`", "", table.about, ""]
        lines += ["| column | what it is | kind | empty means | made by |", "|---|---|---|---|---|"]
        lines += [_row(field) for field in table.fields if field.stored]
        lines.append("")
        lines += _codes(table.fields)
    return "\n".join(lines).rstrip() + "\n"


def _row(field: Field) -> str:
    kind = f"{field.kind}, {field.unit}" if field.unit else field.kind
    about = f"{field.alias}. {field.about}".rstrip() if field.about else field.alias
    made_by = f"`{field.made_by}`" if field.made_by else ""
    return f"| `{field.name}` | {about} | {kind} | {field.null or 'never empty'} | {made_by} |"


def _codes(fields: tuple[Field, ...]) -> Iterator[str]:
    coded = [field for field in fields if field.codes and field.stored]
    for field in coded:
        words = "; ".join(f"`{code}` {text}" for code, text in field.codes.items())
        yield f"- `{field.name}`: {words}"
    if coded:
        yield ""


if __name__ == "__main__":
    PAGE.write_text(dictionary(), encoding="utf-8")
