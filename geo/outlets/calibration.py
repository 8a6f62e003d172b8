"""Chances of places set right by how often such places had an outlet that was held out.

What is learned is a conditional logit again, over the few places named of a unit and "none of
these": each chance is taken to a power, and the chances of a unit made to add up again. The power
depends on how sure the first place is, and on how much of a unit's chance lies at road ditches, for
that a pipe comes out at a ditch is known better than where along it. "None of these" has a factor
of its own, which depends on that too. A power and a factor of 1 leave chances as they are; what is
learned is drawn to that.
Within a unit no place passes another. Platt, "Probabilistic outputs for support vector machines",
in Advances in Large Margin Classifiers, 1999, section 2.2, asks for outlets the weights were not
learned from (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geo.outlets.choice import Choices, chances, fit

TERMS: Final = (
    "power", "power_by_first", "power_by_road_ditch", "none_of_these", "none_by_road_ditch",
)  # fmt: skip
AS_THEY_ARE: Final = np.array([1.0, 0.0, 0.0, 0.0, 0.0])
# Worth of chances as they are, as a ridge. Common practice, no source.
_RIDGE: Final = 1.0
# However it is learned, a place that was likelier stays so.
_LEAST_POWER: Final = 0.1
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
    sure, at_road, none = _about(mass, kind)
    power = max(float(calibration[:3] @ (1.0, sure, at_road)), _LEAST_POWER)
    utility = power * _log_chance(mass) + none * (calibration[3:] @ (1.0, at_road))
    return chances(utility[:, None], np.ones(1))[:-1]


def _table(mass: NDArray[np.float64], kind: Sequence[str]) -> NDArray[np.float64]:
    """Terms of each place and, last, of none of these, shape (places + 1, len(TERMS))."""
    sure, at_road, none = _about(mass, kind)
    log_chance = _log_chance(mass)
    return np.column_stack(
        [log_chance, log_chance * sure, log_chance * at_road, none, none * at_road]
    )


def _log_chance(mass: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each place and of none of these."""
    return np.asarray(np.log(np.maximum(np.append(mass, 1.0 - mass.sum()), _LEAST)), float)


def _about(
    mass: NDArray[np.float64], kind: Sequence[str]
) -> tuple[float, float, NDArray[np.float64]]:
    """The chance of the first place, that at road ditches, and which is none of these."""
    at_road = sum(m for m, k in zip(mass.tolist(), kind, strict=True) if k == "road_ditch")
    return float(mass.max(initial=0.0)), at_road, np.append(np.zeros(len(mass)), 1.0)
