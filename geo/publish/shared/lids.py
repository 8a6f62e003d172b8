"""What is said of lids that no storm is seen to wet, and that are not dry for that."""

from __future__ import annotations

from typing import Final

import pandas as pd

from layers.outputs import UNITS

_TEXT: Final = {
    "base_flood": "no modeled storm reaches them, but the mapped base flood does",
    "dry_so_far": "dry in the modeled storms; larger storms and floods are not known",
    "edge": "not known, because the terrain ends or has a hole where water may collect or come in",
    "uncertain": "not known, because their position is rough and water is within its accuracy",
    "unknown": "not known, because the terrain has no data there",
}


def not_dry(units: pd.DataFrame) -> list[str]:
    """A sentence for each such state that a lid is in."""
    return [
        f"{n:,} lid{'' if n == 1 else 's'}: {text}."
        for state, text in _TEXT.items()
        if (n := int(UNITS.equals(units, "lid_wet_state", state).sum()))
    ]
