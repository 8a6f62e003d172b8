"""Files, fields, rasters and reference systems of a county; knows nothing of the ground's physics.

``layers.read_county(path)`` reads, checks and links a county, ``layers.sample_county()`` the
invented one that comes along; ``layers.read_assessment(folder)`` reads back what was written.
"""

from __future__ import annotations

import importlib
import os
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from layers import store
    from layers.county import County
    from layers.reading.reading import read_county, sample_county
    from layers.store import Assessment, read_assessment

# The linear systems here are small: on several threads they wait for each other, and on a machine
# that is busy otherwise for most of the time. Heeded by numpy and scipy when they are first loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__all__ = ["Assessment", "County", "read_assessment", "read_county", "sample_county", "store"]

_HOMES: Final = {
    "Assessment": "store", "County": "county", "read_assessment": "store",
    "read_county": "reading.reading", "sample_county": "reading.reading",
}  # fmt: skip


def __getattr__(name: str) -> Any:  # imported late, so that --help stays quick
    if name in _HOMES:
        return getattr(importlib.import_module(f"layers.{_HOMES[name]}"), name)
    if name == "store":
        return importlib.import_module("layers.store")
    raise AttributeError(f"module 'layers' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
