"""The chance of trouble learned from the county's own visits.

Explained in a minute: write every completed visit with a result into one table, by kind of unit,
then by age within the kind, then by what the visit before had found. Each cell's share of visits
that found trouble is drawn towards the share of the row it belongs to, the more so the fewer
visits it holds and the less such cells have been seen to differ; each row towards the county's.
So a cell of two visits says little more than its row, and one of two hundred speaks for itself.

In statistics: a nested beta-binomial model, its strengths by maximum likelihood (empirical
Bayes; Efron and Morris, J. Am. Stat. Assoc. 70, 1975, 311, and Casella, Am. Stat. 39, 1985, 83,
both from memory, show why such pooling is wanted).

Wetness counts once in a score: where a part with weight already rates water over the lid or the
flood plain, exposure is not one of the groups (`groups_in_use`).
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, betaln, gammaln

from layers.rulebook import LearnedSettings, Priorities

# A visit that ended so found trouble; minor findings did not.
TROUBLE: Final = ("repair", "danger")
# Columns that tell of water over the lid; a part that rates one of them counts wetness.
WETNESS: Final = (
    "lid_wet_state", "lid_wet_return_yr", "lid_wet_annual_probability", "lid_pond_depth_brim_m",
    "flood_distance_m", "flood_depth_m", "flood_hazard", "hand_m",
)  # fmt: skip
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
# A prior worth this many visits is drawn no closer than this to its row, or no farther.
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
    for _ in range(4):  # the likelihood has one crest; 25 points, then 25 between its neighbours
        grid = np.linspace(low, high, 25)
        k = best(np.exp(grid))
        low, high = grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)]
    return float(np.exp(grid[k]))


def groups_in_use(priorities: Priorities) -> tuple[str, ...]:
    """The groups of `[learned]`, without exposure where a part with weight rates wetness."""
    rated = {
        item.column for part in priorities.parts.values() if part.weight > 0 for item in part.inputs
    }
    wet_elsewhere = bool(rated & set(WETNESS))
    return tuple(g for g in priorities.learned.groups if g != "exposure" or not wet_elsewhere)


def group_words(table: pd.DataFrame, settings: LearnedSettings) -> pd.DataFrame:
    """The word of each row for each group: ``kind``, ``age``, ``last_result``, ``exposure``.

    Parameters
    ----------
    table
        ``kind``, ``age_years`` and ``last_result``; for the exposure ``lid_wet_state`` and
        ``flood_distance_m``, which may be missing.

    A fact not on record is a word of its own: such units are told from the others by their own
    visits.
    """
    edges = settings.age_bands_years
    names = np.array([*_age_words(edges), "age not known"], object)
    age = table["age_years"].to_numpy(float)
    band = np.where(np.isnan(age), len(edges) + 1, np.searchsorted(edges, age, side="right"))
    wet = _column(table, "lid_wet_state").isin(["wet", "at_or_below_smallest"]).to_numpy()
    dry = (_column(table, "lid_wet_state") == "dry_in_all").to_numpy()
    flooded = pd.to_numeric(_column(table, "flood_distance_m")).to_numpy(float) == 0
    words = {
        "kind": table["kind"].fillna("unknown").to_numpy(object),
        "age": names[band],
        "last_result": table["last_result"].fillna("unknown").to_numpy(object),
        "exposure": np.select([wet, flooded, dry], ["wet_lid", "flood_plain", "dry"], "unknown"),
    }
    return pd.DataFrame(words, index=table.index).astype(object)


def _column(table: pd.DataFrame, name: str) -> pd.Series:
    return table[name] if name in table else pd.Series(np.nan, index=table.index, dtype=object)


def _age_words(edges: Sequence[float]) -> list[str]:
    between = [f"{a:g} to {b:g} years" for a, b in itertools.pairwise(edges)]
    if not edges:
        return ["any age"]
    return [f"under {edges[0]:g} years", *between, f"{edges[-1]:g} years and more"]


def judged_visits(
    units: pd.DataFrame,
    inspections: pd.DataFrame | None,
    *,
    settings: LearnedSettings,
    until: dt.date,
) -> pd.DataFrame:
    """Completed visits with a result, each with what was known of its unit the day before.

    Parameters
    ----------
    units
        ``unit_id, kind, installed`` and, for the exposure, what `group_words` reads.
    inspections
        ``inspection_id, unit_id, date, outcome, result``; None when there are none.
    until
        Visits after this day are not looked at.

    Returns
    -------
    ``unit_id, date, trouble`` (result repair or danger) and the words of `group_words`; in order
    of date. The age is that on the day of the visit; ``last_result`` that of the last judged visit
    on an earlier day. Visits to units that are not in the list are left out.
    """
    names = ["unit_id", "date", "trouble", "kind", "age", "last_result", "exposure"]
    if inspections is None or not len(inspections):
        return pd.DataFrame({name: [] for name in names}).astype({"trouble": bool})
    when = pd.to_datetime(inspections["date"])
    judged = (
        (inspections["outcome"] == "completed")
        & ~inspections["result"].isin(["unknown"])
        & inspections["result"].notna()
        & (when <= pd.Timestamp(until))
        & inspections["unit_id"].isin(units["unit_id"])
    )
    seen = inspections[judged].assign(date=when[judged])
    seen = seen.sort_values(["date", "inspection_id"], kind="stable").reset_index(drop=True)
    facts = units.drop_duplicates("unit_id").set_index("unit_id").loc[seen["unit_id"]]
    facts = facts.reset_index(drop=True)
    installed = pd.to_datetime(facts["installed"])
    age = (seen["date"] - installed).dt.days / 365.2425
    facts = facts.drop(columns=["age_years", "last_result"], errors="ignore")
    facts["age_years"] = age.where(age >= 0)
    facts["last_result"] = _result_before(seen)
    words = group_words(facts, settings)
    visits = pd.DataFrame(
        {
            "unit_id": seen["unit_id"],
            "date": seen["date"],
            "trouble": seen["result"].isin(TROUBLE).to_numpy(),
        }
    )
    return pd.concat([visits, words], axis=1)[names]


def _result_before(seen: pd.DataFrame) -> NDArray[np.object_]:
    """The last result of the same unit on an earlier day; ``unknown`` where there is none."""
    earlier = seen[["unit_id", "date", "result"]].rename(columns={"result": "before"})
    joined = pd.merge_asof(
        seen[["unit_id", "date"]], earlier, on="date", by="unit_id", allow_exact_matches=False
    )
    return joined["before"].astype(object).fillna("unknown").to_numpy()


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
        county = self.cells.iloc[0]
        mean = np.full(len(words), county["chance"])
        variance = np.full(len(words), _start(county["troubles"], county["visits"])[1])
        for k, group in enumerate(self.groups):
            names = list(self.groups[: k + 1])
            level = self.cells[self.cells["level"] == group].set_index(names)
            counts = level[["troubles", "visits"]].reindex(_keys(words[names]))
            x, n = np.nan_to_num(counts.to_numpy(float)).T
            mean, variance = _drawn(x, n, mean, variance, self.strengths[group])
        low, high = _interval(mean, variance)
        return pd.DataFrame(
            {"trouble_chance": mean, "trouble_chance_low": low, "trouble_chance_high": high},
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


def learn(visits: pd.DataFrame, groups: Sequence[str]) -> TroubleTable:
    """The table of chances from visits as `judged_visits` gives them.

    Raises
    ------
    ValueError
        When there are no visits.
    """
    if not len(visits):
        raise ValueError("nothing can be learned from no visits")
    x, n = int(visits["trouble"].sum()), len(visits)
    mean, variance = _start(x, n)
    cells = [pd.DataFrame({"level": ["county"], "visits": [n], "troubles": [x], "chance": [mean]})]
    cells[0][["chance_low", "chance_high"]] = np.column_stack(
        _interval(np.array([mean]), np.array([variance]))
    )
    means, variances = pd.Series([mean]), pd.Series([variance])
    strengths: dict[str, float] = {}
    factors = [pd.factorize(visits[g], sort=True) for g in groups]
    codes, words = [f[0] for f in factors], [f[1] for f in factors]
    trouble = visits["trouble"].to_numpy(np.float64)
    parent = np.zeros(n, np.int64)  # the cell of the level above, by visit
    for k, group in enumerate(groups):
        key = parent * len(words[k]) + codes[k]
        there, first, cell = np.unique(key, return_index=True, return_inverse=True)
        count: NDArray[np.float64] = np.bincount(cell).astype(np.float64)
        troubles = np.bincount(cell, weights=trouble).astype(np.float64)
        above = there // len(words[k])
        row, row_variance = means.to_numpy()[above], variances.to_numpy()[above]
        strengths[group] = fit_strength(troubles, count, row)
        means, variances = map(
            pd.Series, _drawn(troubles, count, row, row_variance, strengths[group])
        )
        frame = pd.DataFrame({"level": group, "visits": count, "troubles": troubles})
        for j in range(k + 1):
            frame[groups[j]] = np.asarray(words[j], object)[codes[j][first]]
        frame["chance"] = means
        frame["chance_low"], frame["chance_high"] = _interval(
            means.to_numpy(), variances.to_numpy()
        )
        cells.append(frame)
        parent = cell
    table = pd.concat(cells, ignore_index=True).reindex(columns=[c for c in CELLS if c != "share"])
    table = table.astype({"visits": int, "troubles": int})
    table.insert(CELLS.index("share"), "share", table["troubles"] / table["visits"])
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
    trouble = visits["trouble"].to_numpy(float)
    if len(ids) < FOLDS:
        return Calibration(reliability([], []), np.nan, np.nan)
    rng = np.random.default_rng(seed)
    foretold, base = np.empty((2, DEALS, len(visits)))
    for deal in range(DEALS):
        fold = rng.permutation(len(ids))[unit] % FOLDS
        for k in range(FOLDS):
            mine = fold == k
            learned = learn(visits[~mine], groups)
            foretold[deal, mine] = learned.chance(visits.loc[mine, list(groups)])["trouble_chance"]
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
