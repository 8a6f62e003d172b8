"""The ground, the water, the rules, the order of visits, and what is shown.

``geo.assess(county)`` is the whole story on one page. Its stages can be called one by one:
``measure``, ``review_records``, ``rank`` of a ``UnitTable``, ``assemble``. The rest are its parts,
each usable alone.
"""

from __future__ import annotations

import importlib
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Final

import layers  # noqa: F401  (before numpy: it says on how many threads)

if TYPE_CHECKING:
    from geo import publish, runoff, setbacks, terrain
    from geo.assessment import assemble, assess
    from geo.measurements import Measured, measure
    from geo.order.comparison import compare
    from geo.past.review import Reviewed, review_records
    from geo.ranking import Ranked, UnitTable, rank

__all__ = [
    "Measured", "Ranked", "Reviewed", "UnitTable", "assemble", "assess", "compare", "measure",
    "publish", "rank", "review_records", "runoff", "setbacks", "terrain",
]  # fmt: skip
__version__ = version("rillmark")

_HOMES: Final = {
    "assemble": "assessment", "assess": "assessment", "compare": "order.comparison",
    "Measured": "measurements", "measure": "measurements", "Reviewed": "past.review",
    "review_records": "past.review", "Ranked": "ranking", "UnitTable": "ranking",
    "rank": "ranking",
}  # fmt: skip


def __getattr__(name: str) -> Any:  # imported late, so that --help stays quick
    if name in _HOMES:
        return getattr(importlib.import_module(f"geo.{_HOMES[name]}"), name)
    if name in __all__:
        return importlib.import_module(f"geo.{name}")
    raise AttributeError(f"module 'geo' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
