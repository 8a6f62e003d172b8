"""How steady the order is: the whole ranking drawn again with what is not exactly known.

Drawn are distances (not geometries), the storm that wets a lid, the chance learned from visits,
what is not on record, and the weights. Each is drawn on its own: two distances from one lid are
not moved together.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.drawing import PartDraws, Ratings, Source, part_draws
from geo.order.priorities import AXES, is_scored
from layers.settings.priority_settings import Priorities

LOW, HIGH = 0.05, 0.95
# Draws made at a time, so that memory does not grow with their number. Part of what a seed means.
BLOCK: Final = 20
WEIGHTS: Final = "weights"
# What would settle less of p (1 - p), at most 1/4, is not told unit by unit.
LEAST_SETTLED: Final = 0.0125
WORTH_KNOWING: Final = [
    "unit_id", "input", "kind", "part", "first_class_chance", "settles", "share_settled",
]  # fmt: skip


@dataclass(frozen=True)
class Bands:
    """What the draws say.

    Attributes
    ----------
    columns
        On the index of the table: ``rank_low``, ``rank_high``, ``first_class_chance``.
    worth_knowing
        One row per unit and input that would settle something if it were known, most first:
        ``unit_id``, ``input`` (a column, or the part nothing is on record for), ``kind``
        (``distance``, ``storms``, ``learned``, ``not_on_record``), ``part``,
        ``first_class_chance``, ``settles`` (expected drop of p (1 - p), p the chance of the first
        class) and ``share_settled`` (of the unit's own p (1 - p)).
    inputs
        The same summed over the county, most first, the weights among them: ``input``, ``kind``,
        ``part``, ``units`` (how many it is drawn for) and ``settles``.
    unsettled
        The sum of p (1 - p) over the units.
    widened
        How many units' rank lay outside the 5 to 95 % that was drawn, so that the band was
        widened to hold it.
    """

    columns: pd.DataFrame
    worth_knowing: pd.DataFrame
    inputs: pd.DataFrame
    unsettled: float
    widened: int


def draw_bands(
    table: pd.DataFrame,
    order: pd.DataFrame,
    priorities: Priorities,
    sds: pd.DataFrame,
    *,
    seed: int,
) -> Bands | None:
    """The order drawn again and again, as ``priorities.steadiness`` says; None for no draws.

    Parameters
    ----------
    table
        What `geo.order.priorities.prioritize` was given.
    order
        What it gave, on the same index. Rows that are not ``ranked_by`` their score (visits that
        are owed, units without a score) keep their rank and class in every draw.
    sds
        On the same index, the standard deviations of distances that `geo.order.drawing.part_draws`
        takes; what is absent or null is exact.
    seed
        The same seed, table and settings give the same bands, in whatever order the rows stand.

    Notes
    -----
    ``rank_low`` and ``rank_high`` are the 5 % and 95 % points of the drawn ranks, taken outwards
    to a rank that was drawn; equal scores rank by unit id, as in `prioritize`. A band always
    holds the rank itself: where the fixed rating of what is unknown puts a unit outside what was
    drawn, the band is widened.

    ``first_class_chance`` is the share of draws in which the unit stands in the first class. In
    every draw the class has the size it has in the order, with its rule for equal scores.

    What an input would settle is the expected drop of p (1 - p) when it is known:
    Var(E[I given x]) of membership I and the rating x, estimated from below by the squared
    correlation of the two over the m draws, R2, less what chance alone gives:
    1 - (1 - R2) (m - 1) / (m - k - 1) with k = 1; for the weights R2 is that of all of them.
    """
    draws = priorities.steadiness.draws
    if not draws or not len(table):
        return None
    priorities = priorities.for_columns(table.columns)
    is_free = (order["ranked_by"] == "score").to_numpy()
    scored = is_scored(table, priorities)
    ids = table["unit_id"].astype(str).to_numpy(object)
    free = np.flatnonzero(is_free)
    free = free[np.argsort(ids[free], kind="stable")]
    rank = order["rank"].to_numpy(np.int64)
    places = np.sort(rank[free])
    most_first, _ = priorities.classes.sizes(int(scored.sum()))
    seats = max(most_first - int((order["ranked_by"] == "owed").sum()), 0)

    parts = part_draws(table.iloc[free], priorities, sds.iloc[free], on_record=table[scored])
    weights = _drawn_weights(priorities, draws, seed)
    tally = _Tally((s for p in parts.values() for s in p.sources), weights, len(free))
    drawn_rank = np.empty((draws, len(free)), np.min_scalar_type(len(table)))
    generators = {s.name: _generator(seed, s.name) for s in tally.sources}
    for begin in range(0, draws, BLOCK):
        block = slice(begin, min(begin + BLOCK, draws))
        score, ratings = _scores(parts, priorities, weights, block, generators, len(free))
        for row, mine in enumerate(score, start=begin):
            best_first = np.argsort(-mine, kind="stable")
            drawn_rank[row, best_first] = places
            line = mine[best_first[seats]] if seats < len(free) else -1.0
            tally.add(row, mine > line)
        tally.regress(block, ratings)

    low, high = _ends(drawn_rank)
    columns = pd.DataFrame({"rank_low": rank, "rank_high": rank}, index=table.index)
    columns["first_class_chance"] = (order["visit_class"] == "first").astype(float)
    columns.iloc[free, 0] = np.minimum(low, rank[free])
    columns.iloc[free, 1] = np.maximum(high, rank[free])
    columns.iloc[free, 2] = tally.chance
    widened = int(((low > rank[free]) | (high < rank[free])).sum())
    worth_knowing, inputs = tally.settled(ids[free])
    unsettled = float((tally.chance * (1 - tally.chance)).sum())
    return Bands(columns, worth_knowing, inputs, unsettled, widened)


def _generator(seed: int, name: str) -> np.random.Generator:
    """Random numbers of its own for each input, so that a part more or less moves no other."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def _drawn_weights(priorities: Priorities, draws: int, seed: int) -> dict[str, Ratings]:
    """The weight of each part in each draw: Dirichlet per axis, as `Steadiness` says."""
    spread = priorities.steadiness.weight_spread
    drawn: dict[str, Ratings] = {}
    for axis in AXES:
        stated = {n: p.weight for n, p in priorities.parts.items() if p.axis == axis and p.weight}
        if spread == 0 or len(stated) == 1:
            drawn |= {name: np.full(draws, weight) for name, weight in stated.items()}
            continue
        alpha = np.array(list(stated.values())) * (1 / spread**2 - 1)
        table = _generator(seed, f"{WEIGHTS}:{axis}").dirichlet(alpha, draws)
        drawn |= dict(zip(stated, table.T, strict=True))
    return drawn


def _scores(
    parts: dict[str, PartDraws],
    priorities: Priorities,
    weights: dict[str, Ratings],
    block: slice,
    generators: dict[str, np.random.Generator],
    n: int,
) -> tuple[Ratings, list[Ratings]]:
    """Scores of a block of draws, shape (draws, n), and what each source drew, in order.

    The same sums in the same order as `prioritize`, so that certain inputs give its very scores.
    """
    size = block.stop - block.start
    axes = {axis: np.zeros((size, n)) for axis in AXES}
    ratings: list[Ratings] = []
    for name, part in parts.items():
        rating, drawn = part.ratings(generators, size)
        axes[priorities.parts[name].axis] += weights[name][block, None] * rating
        ratings += drawn
    score = 100 * axes["likelihood"] * axes["harm"]
    assert not np.isnan(score).any(), "a score that is no number"
    return score, ratings


def _ends(ranks: NDArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The 5 % and 95 % points of each column, outwards to a value that is there."""
    last = len(ranks) - 1
    at = [int(np.floor(LOW * last)), int(np.ceil(HIGH * last))]
    low, high = (np.empty(ranks.shape[1], np.int64) for _ in at)
    for begin in range(0, ranks.shape[1], 4_096):
        some = slice(begin, begin + 4_096)
        ordered = np.partition(np.ascontiguousarray(ranks[:, some].T), at, axis=1)
        low[some], high[some] = ordered[:, at].T
    return low, high


class _Tally:
    """Sums over the draws: who stood in the first class, and which input it went with."""

    def __init__(self, sources: Iterable[Source], weights: dict[str, Ratings], n: int) -> None:
        self.sources = list(sources)
        self.draws = len(next(iter(weights.values())))
        self.first = np.zeros((min(BLOCK, self.draws), n), np.float32)
        self.inside = np.zeros(n)
        # sums of x, x x and x I for each source and row
        self.sums = [np.zeros((3, len(s.rows))) for s in self.sources]
        spread = np.column_stack(list(weights.values()))
        left, size, _ = np.linalg.svd(spread - spread.mean(axis=0), full_matrices=False)
        self.directions = left[:, size > 1e-9 * max(size.max(), 1.0)]
        self.along = np.zeros((self.directions.shape[1], n))

    def add(self, draw: int, is_first: NDArray[np.bool_]) -> None:
        self.first[draw % BLOCK] = is_first
        self.inside += is_first

    def regress(self, block: slice, ratings: list[Ratings]) -> None:
        first = self.first[: block.stop - block.start]
        for source, x, sums in zip(self.sources, ratings, self.sums, strict=True):
            sums[0] += x.sum(axis=0)
            sums[1] += np.einsum("dr,dr->r", x, x)
            sums[2] += np.einsum("dr,dr->r", x, first[:, source.rows])
        self.along += self.directions[block].T @ first

    @property
    def chance(self) -> Ratings:
        return self.inside / self.draws

    def settled(self, ids: NDArray[np.object_]) -> tuple[pd.DataFrame, pd.DataFrame]:
        """`Bands.worth_knowing` and `Bands.inputs`."""
        chance, m = self.chance, self.draws
        doubt = chance * (1 - chance)
        shown: list[pd.DataFrame] = []
        totals: list[tuple[str, str, str | None, int, float]] = []
        for source, (x, xx, xi) in zip(self.sources, self.sums, strict=True):
            p = chance[source.rows]
            variance = xx / m - (x / m) ** 2
            covariance = xi / m - x / m * p
            most = variance * doubt[source.rows]
            varies = (most > 1e-12) & (variance > 1e-9)
            r2 = np.where(varies, covariance**2 / np.where(varies, most, 1.0), 0.0)
            settles = _adjusted(r2, m, 1) * doubt[source.rows]
            totals.append((source.input, source.kind, source.part, len(source.rows), settles.sum()))
            row = np.flatnonzero(settles >= LEAST_SETTLED)
            at = source.rows[row]
            shown.append(
                pd.DataFrame(
                    {
                        "unit_id": ids[at],
                        "input": source.input,
                        "kind": source.kind,
                        "part": source.part,
                        "first_class_chance": chance[at],
                        "settles": settles[row],
                        "share_settled": settles[row] / doubt[at],
                    }
                )
            )
        if self.directions.shape[1]:
            share = (self.along**2).sum(axis=0) / m / np.where(doubt > 0, doubt, 1.0)
            settles = (
                _adjusted(np.where(doubt > 0, share, 0.0), m, self.directions.shape[1]) * doubt
            )
            totals.append((WEIGHTS, WEIGHTS, None, len(chance), settles.sum()))
        inputs = pd.DataFrame(totals, columns=["input", "kind", "part", "units", "settles"])
        worth = pd.concat(shown) if shown else pd.DataFrame(columns=WORTH_KNOWING)
        return (
            worth.sort_values(
                ["settles", "unit_id", "input"], ascending=[False, True, True], kind="stable"
            ).reset_index(drop=True),
            inputs.sort_values("settles", ascending=False, kind="stable").reset_index(drop=True),
        )


def _adjusted(r2: Ratings, m: int, k: int) -> Ratings:
    """A squared correlation less what chance alone gives with k regressors in m draws."""
    if m <= k + 1:
        return np.zeros_like(r2)
    return np.clip(1 - (1 - r2) * (m - 1) / (m - k - 1), 0.0, 1.0)
