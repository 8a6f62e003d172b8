"""Partial pooling of shares: a nested beta-binomial table, and how well it foretells.

Each cell's share of visits that found trouble is drawn towards the share of the row it belongs
to, the more so the fewer visits it holds and the less such cells have been seen to differ; each
row towards the county's. The strengths are those that make the counts most likely (empirical
Bayes; Efron and Morris, J. Am. Stat. Assoc. 70, 1975, 311, and Casella, Am. Stat. 39, 1985, 83,
both from memory, show why such pooling is wanted).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, betaln, gammaln

# Units are dealt into so many parts, so many times, to try what was learned on the others.
FOLDS: Final = 5
DEALS: Final = 4
BANDS: Final = 5
CELLS: Final = [
    "level", "kind", "age", "last_result", "exposure", "visits", "troubles", "share", "chance",
    "chance_low", "chance_high",
]  # fmt: skip
RELIABILITY: Final = [
    "band", "visits", "predicted_low", "predicted_high", "predicted", "troubles", "observed",
    "observed_low", "observed_high",
]  # fmt: skip
# The fewest and the most visits a row may be worth to each of its cells.
_STRENGTHS: Final = (1.0, 1e4)
_LEAST_CHANCE: Final = 1e-6


def betabinomial_loglik(
    troubles: ArrayLike, visits: ArrayLike, a: ArrayLike, b: ArrayLike
) -> NDArray[np.float64]:
    """Log of the beta-binomial chance of ``troubles`` among ``visits`` under a Beta(a, b) prior.

    Skellam (1948), J. R. Stat. Soc. B 10, 257, from memory:
    C(n, x) B(x + a, n - x + b) / B(a, b).

    >>> float(np.exp(betabinomial_loglik(1, 2, 1, 1)).round(6))
    0.333333
    """
    x, n, a, b = (np.asarray(v, float) for v in (troubles, visits, a, b))
    choose = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return np.asarray(choose + betaln(x + a, n - x + b) - betaln(a, b))


def posterior_mean(
    troubles: ArrayLike, visits: ArrayLike, a: ArrayLike, b: ArrayLike
) -> NDArray[np.float64]:
    """Chance of trouble of a cell under a Beta(a, b) prior: (a + x) / (a + b + n).

    >>> float(posterior_mean(3, 10, 1, 9))
    0.2
    """
    x, n, a, b = (np.asarray(v, float) for v in (troubles, visits, a, b))
    return np.asarray((a + x) / (a + b + n))


def fit_strength(troubles: ArrayLike, visits: ArrayLike, mean: ArrayLike) -> float:
    """How many visits the prior of each cell is worth, by maximum likelihood.

    Parameters
    ----------
    troubles, visits
        Counts of each cell.
    mean
        Mean of each cell's prior: the chance of the row it belongs to.

    Returns
    -------
    a + b of the beta prior, between 1 and 10,000. Where cells differ no more than chance makes
    them, the likelihood rises all the way and the upper limit is returned: complete pooling.
    """
    x, n, m = np.broadcast_arrays(*(np.asarray(v, float) for v in (troubles, visits, mean)))
    m = np.clip(m, _LEAST_CHANCE, 1 - _LEAST_CHANCE)

    def best(strengths: NDArray[np.float64]) -> int:
        s = strengths[:, None]
        return int(betabinomial_loglik(x, n, s * m, s * (1 - m)).sum(axis=1).argmax())

    low, high = np.log(_STRENGTHS)
    for _ in range(4):  # the likelihood has one crest; 25 points, then 25 between its neighbors
        grid = np.linspace(low, high, 25)
        k = best(np.exp(grid))
        low, high = grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)]
    return float(np.exp(grid[k]))


@dataclass(frozen=True)
class TroubleTable:
    """The table that was learned.

    Attributes
    ----------
    cells
        One row per cell: ``level`` (county, then the last group that tells it apart), the words
        of its groups (null where it spans them all), ``visits``, ``troubles``, ``share`` (as
        counted), ``chance`` (drawn towards its row), ``chance_low`` and ``chance_high`` (95 %).
    groups
        In the order in which they divide the county.
    strengths
        By group: how many visits the row is worth to each of its cells.
    """

    cells: pd.DataFrame
    groups: tuple[str, ...]
    strengths: dict[str, float]

    def chance(self, words: pd.DataFrame) -> pd.DataFrame:
        """``trouble_chance``, ``trouble_chance_low``, ``trouble_chance_high`` on the same index.

        Parameters
        ----------
        words
            As `group_words` gives them. A cell never visited takes the chance of its row.
        """
        row, different = pd.factorize(pd.MultiIndex.from_frame(words[list(self.groups)]))
        alike = pd.DataFrame(list(different), columns=list(self.groups), dtype=object)
        county = self.cells.iloc[0]
        mean = np.full(len(alike), county["chance"])
        variance = np.full(len(alike), _start(county["troubles"], county["visits"])[1])
        for k, group in enumerate(self.groups):
            names = list(self.groups[: k + 1])
            level = self.cells[self.cells["level"] == group].set_index(names)
            counts = level[["troubles", "visits"]].reindex(_keys(alike[names]))
            x, n = np.nan_to_num(counts.to_numpy(float)).T
            mean, variance = _drawn(x, n, mean, variance, self.strengths[group])
        low, high = _interval(mean, variance)
        return pd.DataFrame(
            {
                "trouble_chance": mean[row],
                "trouble_chance_low": low[row],
                "trouble_chance_high": high[row],
            },
            index=words.index,
        )


def _keys(words: pd.DataFrame) -> pd.Index:
    return pd.Index(words.iloc[:, 0]) if words.shape[1] == 1 else pd.MultiIndex.from_frame(words)


def _start(troubles: float, visits: float) -> tuple[float, float]:
    """The county's own chance and its variance, from Jeffreys' prior Beta(1/2, 1/2)."""
    mean = float(posterior_mean(troubles, visits, 0.5, 0.5))
    return mean, mean * (1 - mean) / (visits + 2)


def _drawn(
    x: NDArray[np.float64],
    n: NDArray[np.float64],
    row: NDArray[np.float64],
    row_variance: NDArray[np.float64],
    strength: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and variance of cells drawn towards their rows.

    The variance is the cell's own, beta with its row known, and the row's, by the share the row
    has in the mean.
    """
    mean = posterior_mean(x, n, strength * row, strength * (1 - row))
    own = mean * (1 - mean) / (strength + n + 1)
    return mean, own + (strength / (strength + n)) ** 2 * row_variance


def _interval(
    mean: NDArray[np.float64], variance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Central 95 % of the beta distribution of that mean and variance."""
    mean = np.clip(mean, _LEAST_CHANCE, 1 - _LEAST_CHANCE)
    size = np.maximum(mean * (1 - mean) / variance - 1, 1e-3)
    a, b = mean * size, (1 - mean) * size
    return betaincinv(a, b, 0.025), betaincinv(a, b, 0.975)


@dataclass(frozen=True)
class _Cells:
    """The cells visits fall into, level by level below the county.

    ``of_visit[k]`` is the cell of each visit, ``row[k]`` the cell of the level above that each
    cell belongs to, ``first[k]`` a visit of each cell.
    """

    of_visit: list[NDArray[np.int64]]
    row: list[NDArray[np.int64]]
    first: list[NDArray[np.int64]]


def _cells(visits: pd.DataFrame, groups: Sequence[str]) -> _Cells:
    out = _Cells([], [], [])
    above = np.zeros(len(visits), np.int64)
    for group in groups:
        codes, words = pd.factorize(visits[group], sort=True)
        there, first, cell = np.unique(
            above * len(words) + codes, return_index=True, return_inverse=True
        )
        out.row.append(there // len(words))
        out.first.append(first)
        out.of_visit.append(cell)
        above = cell
    return out


@dataclass(frozen=True)
class _Level:
    """Counts of the cells of a level, and their chances drawn towards their rows."""

    visits: NDArray[np.float64]
    troubles: NDArray[np.float64]
    mean: NDArray[np.float64]
    variance: NDArray[np.float64]
    strength: float


def _fit(cells: _Cells, trouble: NDArray[np.float64], kept: NDArray[np.bool_]) -> list[_Level]:
    """The county, then every level, from the visits ``kept``."""
    n, x = float(kept.sum()), float(trouble[kept].sum())
    mean, variance = _start(x, n)
    levels = [_Level(np.array([n]), np.array([x]), np.array([mean]), np.array([variance]), np.inf)]
    for cell, row in zip(cells.of_visit, cells.row, strict=True):
        counted = _count(cell[kept], None, len(row))
        troubles = _count(cell[kept], trouble[kept], len(row))
        above, above_variance = levels[-1].mean[row], levels[-1].variance[row]
        strength = fit_strength(troubles, counted, above)
        drawn = _drawn(troubles, counted, above, above_variance, strength)
        levels.append(_Level(counted, troubles, *drawn, strength))
    return levels


def _count(
    cell: NDArray[np.int64], weights: NDArray[np.float64] | None, cells: int
) -> NDArray[np.float64]:
    return np.asarray(np.bincount(cell, weights=weights, minlength=cells), np.float64)


def learn_troubles(visits: pd.DataFrame, groups: Sequence[str]) -> TroubleTable:
    """The table of chances from visits as `judged_visits` gives them.

    Raises
    ------
    ValueError
        When there are no visits.
    """
    if not len(visits):
        raise ValueError("nothing can be learned from no visits")
    cells = _cells(visits, groups)
    levels = _fit(cells, visits["trouble"].to_numpy(np.float64), np.ones(len(visits), bool))
    frames = []
    for k, level in enumerate(levels):
        frame = pd.DataFrame({"level": ["county", *groups][k], "chance": level.mean})
        frame["visits"] = level.visits.astype(np.int64)
        frame["troubles"] = level.troubles.astype(np.int64)
        frame["share"] = level.troubles / level.visits
        frame["chance_low"], frame["chance_high"] = _interval(level.mean, level.variance)
        for group in groups[:k]:
            frame[group] = visits[group].to_numpy(object)[cells.first[k - 1]]
        frames.append(frame)
    table = pd.concat(frames, ignore_index=True).reindex(columns=CELLS)
    strengths = {group: level.strength for group, level in zip(groups, levels[1:], strict=True)}
    return TroubleTable(table, tuple(groups), strengths)


@dataclass(frozen=True)
class Calibration:
    """How well chances foretold visits they had not seen.

    Attributes
    ----------
    bands
        ``band`` (1 is lowest), ``visits``, ``predicted_low, predicted_high, predicted`` (range and
        mean of the chances), ``troubles, observed`` and the exact 95 % interval of the latter.
    brier, brier_base
        Mean squared error of the chances, and of the same chance for every unit (the share of
        trouble in the records the chances were learned from). Brier (1950), Mon. Weather Rev.
        78, 1.
    """

    bands: pd.DataFrame
    brier: float
    brier_base: float

    @property
    def better_than_base(self) -> bool:
        """Whether units were told apart better than by one chance for all."""
        return self.brier < self.brier_base


def calibration(visits: pd.DataFrame, groups: Sequence[str], *, seed: int = 0) -> Calibration:
    """Chances against what was found, each foretold from the visits to other units only.

    Units are dealt at random into `FOLDS` parts, and the visits to each part foretold by what is
    learned from the others; `DEALS` times, so that no one deal decides. The bands hold the mean
    of each visit's foretold chances, the scores are means over deals.
    """
    unit, ids = pd.factorize(visits["unit_id"].astype(str), sort=True)
    trouble = visits["trouble"].to_numpy(np.float64)
    if len(ids) < FOLDS:
        return Calibration(reliability([], []), np.nan, np.nan)
    rng = np.random.default_rng(seed)
    cells = _cells(visits, groups)
    foretold, base = np.empty((2, DEALS, len(visits)))
    for deal in range(DEALS):
        fold = rng.permutation(len(ids))[unit] % FOLDS
        for k in range(FOLDS):
            mine = fold == k
            lowest = _fit(cells, trouble, ~mine)[-1]
            foretold[deal, mine] = lowest.mean[cells.of_visit[-1][mine]]
            base[deal, mine] = trouble[~mine].mean()
    return Calibration(
        bands=reliability(foretold.mean(axis=0), trouble),
        brier=float(np.mean((foretold - trouble) ** 2)),
        brier_base=float(np.mean((base - trouble) ** 2)),
    )


def reliability(chance: ArrayLike, trouble: ArrayLike, *, bands: int = BANDS) -> pd.DataFrame:
    """Foretold chances in bands of about equal size against the share found in each.

    Returns
    -------
    Columns as `Calibration.bands`; equal chances share a band. The interval is Clopper and
    Pearson's (1934), exact for the binomial.
    """
    p, y = np.asarray(chance, float), np.asarray(trouble, float)
    if not len(p):
        return pd.DataFrame(columns=RELIABILITY)
    middle = pd.Series(p).rank(method="average").to_numpy() - 0.5
    band = np.floor(middle / len(p) * bands)
    frame = pd.DataFrame({"band": band, "p": p, "y": y}).groupby("band", sort=True)
    out = frame.agg(
        visits=("p", "size"),
        predicted_low=("p", "min"),
        predicted_high=("p", "max"),
        predicted=("p", "mean"),
        troubles=("y", "sum"),
        observed=("y", "mean"),
    ).reset_index(drop=True)
    out["troubles"] = out["troubles"].astype(int)
    x, n = out["troubles"].to_numpy(float), out["visits"].to_numpy(float)
    out["observed_low"] = np.where(x > 0, betaincinv(np.maximum(x, 1), n - x + 1, 0.025), 0.0)
    out["observed_high"] = np.where(x < n, betaincinv(x + 1, np.maximum(n - x, 1), 0.975), 1.0)
    out.insert(0, "band", np.arange(1, len(out) + 1))
    return out[RELIABILITY]
