"""The ground, the water, the rules, the order of visits, and what is shown.

``geo.assess(county)`` is the whole story on one page; the rest are its parts, each usable alone.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

import layers  # noqa: F401  (before numpy: it says on how many threads)

if TYPE_CHECKING:
    from geo import publish, runoff, setbacks, terrain
    from geo.assessment import assess

__all__ = ["assess", "publish", "runoff", "setbacks", "terrain"]


def __getattr__(name: str) -> Any:  # imported late, so that --help stays quick
    if name == "assess":
        return importlib.import_module("geo.assessment").assess
    if name in __all__:
        return importlib.import_module(f"geo.{name}")
    raise AttributeError(f"module 'geo' has no attribute {name!r}")
