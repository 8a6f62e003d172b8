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
    from geo.order.comparison import compare, compare_orders, reordered, who_moved
    from geo.order.sensitivity import order_sensitivity
    from geo.order.weights import pairwise_weights
    from geo.past.lot import drawn_by_lot
    from geo.past.review import Reviewed, review_records
    from geo.proposal import assess_proposal
    from geo.ranking import Ranked, UnitTable, rank
    from geo.results.traced import describe_chance
    from geo.trace import is_on_way, trace_down, trace_up

__all__ = [
    "Measured",
    "Ranked",
    "Reviewed",
    "UnitTable",
    "assemble",
    "assess",
    "assess_proposal",
    "compare",
    "compare_orders",
    "describe_chance",
    "drawn_by_lot",
    "is_on_way",
    "measure",
    "order_sensitivity",
    "pairwise_weights",
    "publish",
    "rank",
    "reordered",
    "review_records",
    "runoff",
    "setbacks",
    "terrain",
    "trace_down",
    "trace_up",
    "who_moved",
]  # fmt: skip
__version__ = version("rillmark")

# what is brought up here, by the module it stands in
_HOMES: Final = {
    name: home
    for home, names in {
        "assessment": ("assemble", "assess"),
        "measurements": ("Measured", "measure"),
        "order.comparison": ("compare", "compare_orders", "reordered", "who_moved"),
        "order.sensitivity": ("order_sensitivity",),
        "order.weights": ("pairwise_weights",),
        "past.lot": ("drawn_by_lot",),
        "past.review": ("Reviewed", "review_records"),
        "proposal": ("assess_proposal",),
        "ranking": ("Ranked", "UnitTable", "rank"),
        "results.traced": ("describe_chance",),
        "trace": ("is_on_way", "trace_down", "trace_up"),
    }.items()
    for name in names
}


def __getattr__(name: str) -> Any:  # imported late, so that --help stays quick
    if name in _HOMES:
        return getattr(importlib.import_module(f"geo.{_HOMES[name]}"), name)
    if name in __all__:
        return importlib.import_module(f"geo.{name}")
    raise AttributeError(f"module 'geo' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
