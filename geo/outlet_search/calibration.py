"""Chances of places set right by how often such places had an outlet that was held out.

What is learned is a conditional logit again, over the few places named of a unit and "none of
these": the chance of each is its first chance to some power, and places at road ditches have a
power and a factor of their own, for where along a ditch a pipe comes out is known less well than
that it comes out there. A power of 1 and a factor of 1 leave chances as they are; what is learned
is drawn to that. Platt, "Probabilistic outputs for support vector machines", in Advances in Large
Margin Classifiers, 1999, section 2.2, asks for outlets the weights were not learned from (from
memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geo.outlet_search.choice import Choices, chances, fit

TERMS: Final = ("power", "power_at_road_ditch", "road_ditch", "none_of_these")
AS_THEY_ARE: Final = np.array([1.0, 0.0, 0.0, 0.0])
# Worth of chances as they are, as a ridge. Common practice, no source.
_RIDGE: Final = 1.0
_LEAST: Final = 1e-9


@dataclass(frozen=True)
class Looked:
    """Places named of one unit: their chances, what each is at, and which has the outlet.

    ``place`` counts from 1, 0 for none of these.
    """

    mass: NDArray[np.float64]
    kind: Sequence[str]
    place: int


def learned_calibration(looked: Sequence[Looked]) -> NDArray[np.float64]:
    """How chances are set right, shape (len(TERMS),), from outlets no weight was learned from."""
    tables = [_table(one.mass, one.kind) for one in looked]
    chosen = np.array([table[one.place - 1] for table, one in zip(tables, looked, strict=True)])
    sizes = np.array([len(table) for table in tables])
    first = (np.cumsum(sizes) - sizes).astype(np.int64)
    choices = Choices(chosen, np.vstack(tables), np.ones(sizes.sum()), first)
    return fit(choices, AS_THEY_ARE, ridge=_RIDGE)


def set_right(
    mass: NDArray[np.float64], kind: Sequence[str], calibration: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The chances of places set right; with that of none of these they add up to 1 as before."""
    return chances(_table(mass, kind), calibration)[:-1]


def _table(mass: NDArray[np.float64], kind: Sequence[str]) -> NDArray[np.float64]:
    """Terms of each place and, last, of none of these, shape (places + 1, len(TERMS))."""
    rest = 1.0 - mass.sum()
    log_chance = np.log(np.maximum(np.append(mass, rest), _LEAST))
    at_road = np.append(np.array([k == "road_ditch" for k in kind], float), 0.0)
    none = np.append(np.zeros(len(mass)), 1.0)
    return np.column_stack([log_chance, log_chance * at_road, at_road, none])
