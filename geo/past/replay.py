"""Does the order help? Past years replayed with what was known then, and a fair lot for the next.

For each past year the units visited in it are put in order with what was known on the last day of
the year before: records until then, the age then, what had been learned until then; terrain, water
and lists are today's. Then one counts how many troubles the first N visits would have met in this
order, in the order really used, oldest first, and in random order.

History knows outcomes only of units that were visited: nothing here speaks of the others. A share
of each year's visits drawn by lot (`geo.past.lot`) makes the next answer fair for all of them.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.priorities import prioritize
from geo.past.learned import judged_visits, learn_if_sound
from geo.past.visit_orders import Line, hypergeometric, line_of, random_band, troubles_found
from geo.programme.history import history_columns
from geo.results.cautions import VISITED_ONLY
from layers.outputs import REPLAY
from layers.settings.priority_settings import Priorities

ORDERS: Final = ("this_order", "likelihood_alone", "as_visited", "oldest_first", "random")
ALL_YEARS: Final = "all"
# Depths at which troubles are counted, as shares of a year's visits.
DEPTHS: Final = tuple(k / 20 for k in range(1, 21))
# The share of a year's visits at which the answer is given in words: set before any is looked at.
SHOWN_AT: Final = 0.25
DRAWS: Final = 500
# A year with fewer visited units, or without trouble, tells orders apart no way.
LEAST_UNITS: Final = 10
LIMITS: Final = (
    f"{VISITED_ONLY} The office chose which units to visit.",
    (
        "Records, ages and learned chances are as of the start of each year. Terrain, water, wells"
        " and lists are as of today. Units are ordered by score; visits due then are not used."
    ),
    (
        "The score also weighs harm, so it does not aim at repairs alone. The order by likelihood"
        " does."
    ),
)


@dataclass(frozen=True)
class _Year:
    """The units judged in a year: their place among all such units, trouble, and sort keys."""

    name: str
    unit: NDArray[np.int64]
    trouble: NDArray[np.float64]
    keys: Mapping[str, NDArray[np.float64]]


def replay(
    table: pd.DataFrame,
    inspections: pd.DataFrame | None,
    priorities: Priorities,
    *,
    as_of: dt.date,
    seed: int = 0,
    draws: int = DRAWS,
) -> pd.DataFrame:
    """Troubles the first N visits of each past year would have met, by order, with bands.

    Parameters
    ----------
    table
        One row per unit: ``unit_id, kind, installed`` and the columns the parts name. What hangs
        on records (``age_years``, ``last_result``, ``days_since_inspection``, ``trouble_*``) is
        made anew for each year.
    inspections
        ``inspection_id, unit_id, date, outcome, result`` and, where it is kept, ``by_lot``.
    as_of
        Visits after this day are not looked at.
    draws
        Of units with replacement, for the bands.

    Returns
    -------
    One row per ``year`` (and "all"), ``among`` (``visited``; ``by_lot``: only visits drawn by
    lot), ``order`` (`ORDERS`) and ``visits`` (N): ``units`` judged, ``troubles`` among them,
    ``met`` by the first N, each with its 95 % band, and how many more than in the order really
    used and than at random. For random order ``met`` is N K / M with the hypergeometric's own
    band; where an order does not tell units apart, ``met`` is the mean over their orders. A
    unit counts once a year, with its first judged visit. Years with fewer than `LEAST_UNITS` units
    or without trouble are left out.
    """
    visits = judged_visits(table, inspections, settings=priorities.learned, until=as_of)
    if not len(visits) or inspections is None:
        return REPLAY.empty()
    lots = _by_lot(inspections)
    first = visits.assign(year=visits["date"].dt.year)
    if lots is not None:
        keyed = pd.MultiIndex.from_frame(first[["unit_id", "date"]])
        first["by_lot"] = keyed.isin(lots)
    first = first.drop_duplicates(["year", "unit_id"])
    years = {
        int(year): _known_then(int(year), seen, visits, table, inspections, priorities)
        for year, seen in first.groupby("year", sort=True)
    }
    frames = [_compared(list(years.values()), "visited", seed, draws)]
    if lots is not None:
        drawn = [
            _only(years[int(year)], seen["by_lot"].to_numpy(bool))
            for year, seen in first.groupby("year", sort=True)
        ]
        frames.append(_compared(drawn, "by_lot", seed, draws))
    frames = [frame for frame in frames if len(frame)]
    return pd.concat(frames, ignore_index=True)[REPLAY.names] if frames else REPLAY.empty()


def _by_lot(inspections: pd.DataFrame) -> pd.MultiIndex | None:
    """Unit and day of each visit drawn by lot; None where no such visit is on record."""
    if "by_lot" not in inspections:
        return None
    drawn = inspections[inspections["by_lot"].fillna(value=False).astype(bool)]
    if not len(drawn):
        return None
    return pd.MultiIndex.from_arrays([drawn["unit_id"], pd.to_datetime(drawn["date"])])


def _known_then(
    year: int,
    seen: pd.DataFrame,
    visits: pd.DataFrame,
    table: pd.DataFrame,
    inspections: pd.DataFrame,
    priorities: Priorities,
) -> _Year:
    """The units judged in a year, in order with what was known on the last day before it."""
    eve = dt.date(year - 1, 12, 31)
    place = pd.Index(table["unit_id"]).get_indexer(seen["unit_id"])
    units = table.iloc[place].reset_index(drop=True)
    made = ["age_years", "days_since_inspection", "last_result", *_trouble_columns(units)]
    units = units.drop(columns=made, errors="ignore")
    dated = inspections[inspections["date"].notna()]  # what has no day may have come later
    units = units.join(history_columns(units, dated, as_of=eve))
    learned = learn_if_sound(visits[visits["date"] <= pd.Timestamp(eve)], priorities)
    units = units.join(learned.columns(units, priorities.learned))
    order = prioritize(units, priorities.for_columns(units.columns))
    installed = pd.to_datetime(units["installed"])
    days = (installed - pd.Timestamp("1900-01-01")).dt.days.to_numpy(float)
    return _Year(
        name=str(year),
        unit=place.astype(np.int64),
        trouble=seen["trouble"].to_numpy(float),
        keys={
            "this_order": -order["score"].to_numpy(float),
            "likelihood_alone": -order["likelihood"].to_numpy(float),
            "as_visited": seen["date"].dt.day_of_year.to_numpy(float),
            "oldest_first": np.where(np.isnan(days), np.inf, days),
        },
    )


def _trouble_columns(units: pd.DataFrame) -> list[str]:
    return [name for name in units if str(name).startswith("trouble_")]


def _only(year: _Year, kept: NDArray[np.bool_]) -> _Year:
    keys = {order: key[kept] for order, key in year.keys.items()}
    return _Year(year.name, year.unit[kept], year.trouble[kept], keys)


# ------------------------------------------------------------------ counting


def _compared(years: Sequence[_Year], among: str, seed: int, draws: int) -> pd.DataFrame:
    """Every order of every year, and of all years together, at every depth, with bands."""
    years = [y for y in years if len(y.unit) >= LEAST_UNITS and y.trouble.any()]
    if not years:
        return pd.DataFrame()
    depths = np.array(DEPTHS)
    orders = [order for order in ORDERS if order != "random"]
    units = np.array([len(y.unit) for y in years], float)
    troubles = np.array([y.trouble.sum() for y in years])
    visits = np.maximum(np.round(units[:, None] * depths), 1.0)  # year x depth
    lines = [[line_of(y.keys[order], y.trouble) for order in orders] for y in years]
    counted = np.array(
        [
            [troubles_found(line, np.ones(len(y.unit)), n) for line in mine]
            for y, mine, n in zip(years, lines, visits, strict=True)
        ]
    )  # year x order x depth
    drawn = _drawn_again(years, lines, visits, seed, draws)  # draw x year x order x depth
    random = visits * (troubles / units)[:, None]
    of_them = _of_as_many(drawn, random)
    laws = [
        [hypergeometric(int(m), int(x), int(n)) for n in mine]
        for m, x, mine in zip(units, troubles, visits, strict=True)
    ]
    bands = [random_band([law]) for law in laws]
    found = [
        _Found(units[k], troubles[k], visits[k], counted[k], drawn[:, k], of_them[:, k], random[k],
               bands[k])
        for k in range(len(years))
    ]  # fmt: skip
    together = _Found(
        units.sum(), troubles.sum(), visits.sum(axis=0), counted.sum(axis=0), drawn.sum(axis=1),
        of_them.sum(axis=1), random.sum(axis=0), random_band(laws),
    )  # fmt: skip
    names = [*(year.name for year in years), ALL_YEARS]
    frames = [
        _rows(each, orders).assign(year=name, among=among)
        for name, each in zip(names, [*found, together], strict=True)
    ]
    return pd.concat(frames, ignore_index=True)


def _drawn_again(
    years: Sequence[_Year],
    lines: Sequence[Sequence[Line]],
    visits: NDArray[np.float64],
    seed: int,
    draws: int,
) -> NDArray[np.float64]:
    """Troubles met when units are drawn with replacement, all years of a unit together.

    The last order of the result is random order, by its mean. Counts are brought to the visits
    of the year as it was.
    """
    everyone, place = np.unique(np.concatenate([y.unit for y in years]), return_inverse=True)
    starts = np.cumsum([0, *(len(y.unit) for y in years)])
    places = [place[a:b] for a, b in itertools.pairwise(starts)]
    rng = np.random.default_rng(seed)
    out = np.empty((draws, len(years), len(lines[0]) + 1, visits.shape[1]))
    for b in range(draws):
        counts = np.bincount(rng.integers(0, len(everyone), len(everyone)), minlength=len(everyone))
        for k, year in enumerate(years):
            weight = counts[places[k]].astype(float)
            size = weight.sum()
            scale = size / len(year.unit)
            if size == 0:
                out[b, k] = 0.0
                continue
            n = visits[k] * scale
            for j, line in enumerate(lines[k]):
                out[b, k, j] = troubles_found(line, weight, n) / scale
            out[b, k, -1] = visits[k] * (weight @ year.trouble) / size
    return out


def _of_as_many(drawn: NDArray[np.float64], random: NDArray[np.float64]) -> NDArray[np.float64]:
    """The draws brought to as many troubles as each year really had; without any, as at random."""
    had = drawn[:, :, -1:, -1:]
    share = np.divide(drawn, had, out=np.zeros_like(drawn), where=had > 0)
    return np.where(had > 0, share * random[:, None, -1:], random[:, None, :])


class _Found(NamedTuple):
    """What was come upon in one year, or in all of them.

    ``counted`` is order x depth and ``drawn`` draw x order x depth, random order last; ``of_them``
    the same brought to as many troubles as there were. Gains come from the draws as they are,
    bands of troubles from ``of_them``.
    """

    units: float
    troubles: float
    visits: NDArray[np.float64]
    counted: NDArray[np.float64]
    drawn: NDArray[np.float64]
    of_them: NDArray[np.float64]
    random: NDArray[np.float64]
    random_band: NDArray[np.float64]


def _rows(found: _Found, orders: Sequence[str]) -> pd.DataFrame:
    """The rows of one year, for each order and depth."""
    all_counted = np.vstack([found.counted, found.random])
    used = orders.index("as_visited")
    band = _band(found.of_them)
    band[:, -1] = found.random_band
    more_used = _band(found.drawn - found.drawn[:, [used]])
    more_random = _band(found.drawn - found.drawn[:, [-1]])
    frames = [
        pd.DataFrame(
            {
                "units": int(found.units),
                "troubles": int(found.troubles),
                "order": order,
                "visits": found.visits.astype(int),
                "met": all_counted[j],
                "met_low": band[0, j],
                "met_high": band[1, j],
                "more_than_as_visited": all_counted[j] - all_counted[used],
                "more_than_as_visited_low": more_used[0, j],
                "more_than_as_visited_high": more_used[1, j],
                "more_than_random": all_counted[j] - all_counted[-1],
                "more_than_random_low": more_random[0, j],
                "more_than_random_high": more_random[1, j],
            }
        )
        for j, order in enumerate([*orders, "random"])
    ]
    return pd.concat(frames, ignore_index=True).drop_duplicates(["order", "visits"])


def _band(drawn: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.quantile(drawn, [0.025, 0.975], axis=0)


# ------------------------------------------------------------------ in words


def replay_sentences(
    table: pd.DataFrame, *, among: str = "visited", order: str = "this_order"
) -> list[str]:
    """What the replay shows of all years together, at `SHOWN_AT` of the visits, in sentences.

    Parameters
    ----------
    table
        As `replay` gives it.

    A gain is claimed only where its 95 % band lies above zero. Empty where nothing can be
    compared. `LIMITS` belong beside them.
    """
    mine = table[(table["among"] == among) & (table["year"] == ALL_YEARS)]
    if not len(mine):
        return []
    at = mine.loc[mine["order"] == "random"]
    row = (at["visits"] - SHOWN_AT * at["units"]).abs().idxmin()
    n = at.loc[row, "visits"]
    by = mine[mine["visits"] == n].set_index("order")
    this, used, random = by.loc[order], by.loc["as_visited"], by.loc["random"]
    years = sorted(set(table.loc[table["among"] == among, "year"]) - {ALL_YEARS})
    when = years[0] if len(years) == 1 else f"{years[0]} to {years[-1]}"
    picked = " picked at random" if among == "by_lot" else ""
    summary = (
        f"{int(this['units']):,} visited units{picked} have a result in {when}, counted once a"
        f" year. {int(this['troubles']):,} needed a repair. A quarter of each year's visits,"
        f" {n:,} in all, would have found {this['met']:.0f} of them in this order (could be"
        f" {this['met_low']:.0f} to {this['met_high']:.0f}). The order used found"
        f" {used['met']:.0f}, oldest first {by.loc['oldest_first', 'met']:.0f}, and random order"
        f" {random['met']:.0f} ({random['met_low']:.0f} to {random['met_high']:.0f})."
    )
    text = [summary]
    gain, low, high = (this[f"more_than_as_visited{end}"] for end in ("", "_low", "_high"))
    if low > 0:
        text.append(
            f"That is {gain:.0f} more than the order used (could be {low:.0f} to {high:.0f})."
        )
    elif high < 0:
        text.append(
            f"That is {-gain:.0f} fewer than the order used (could be {-high:.0f} to {-low:.0f})."
        )
    else:
        text.append(
            f"The difference from the order used ({gain:+.0f}) may be chance: it could be"
            f" {low:+.0f} to {high:+.0f}."
        )
    return text
