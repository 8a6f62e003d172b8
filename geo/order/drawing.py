"""What of a table is not exactly known, and how each such input is drawn as a rating."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.priorities import known_rating, lacks_input, rate
from geo.runoff.return_periods import annual_probability, dry_state
from geo.uncertainty import LINE_95
from layers.outputs import UNITS
from layers.outputs.field import Band, Distance, DistanceForm, StormFields
from layers.settings.priority_settings import Priorities, PriorityInput, PriorityPart

SourceKind = Literal["distance", "storms", "learned", "not_on_record"]
Ratings = NDArray[np.float64]
Draw = Callable[[np.random.Generator, int], Ratings]

_DRAWN: Final = {each.name: each.draw for each in UNITS if each.draw is not None}
# With fewer known units the ratings on record say too little of those that are not.
LEAST_KNOWN: Final = 30


@dataclass(frozen=True)
class Source:
    """One input of one part that is not exactly known.

    Attributes
    ----------
    name
        Its own among all sources, and the name of its stream of random numbers.
    input
        The column drawn; for what is not on record, the part.
    rows
        Positions of the rows it is drawn for.
    draw
        Ratings of ``rows``, shape (draws, rows), from a generator and a number of draws.
    """

    name: str
    kind: SourceKind
    input: str
    part: str
    rows: NDArray[np.int64]
    draw: Draw


@dataclass(frozen=True)
class PartDraws:
    """A part of the score: its rating where it is certain, and what is drawn on top.

    ``certain`` holds the largest rating of the inputs known exactly, -1 where there is none.
    """

    certain: Ratings
    unknown: float
    sources: list[Source] = field(default_factory=list)

    def ratings(
        self, generators: Mapping[str, np.random.Generator], draws: int
    ) -> tuple[Ratings, list[Ratings]]:
        """The part's rating in each draw, shape (draws, rows) or (rows,) where nothing is drawn.

        With it what each source drew: the largest rating counts, once.
        """
        if not self.sources:
            return np.where(self.certain < 0, self.unknown, self.certain), []
        rating = np.tile(self.certain, (draws, 1))
        drawn = []
        for source in self.sources:
            mine = source.draw(generators[source.name], draws)
            rating[:, source.rows] = np.maximum(rating[:, source.rows], mine)
            drawn.append(mine)
        rating[rating < 0] = self.unknown
        return rating, drawn


def part_draws(
    table: pd.DataFrame,
    priorities: Priorities,
    sds: pd.DataFrame,
    *,
    on_record: pd.DataFrame | None = None,
) -> dict[str, PartDraws]:
    """What is certain and what is drawn of each part.

    Parameters
    ----------
    table
        One row per unit with the columns the parts name. ``lid_wet_{T}yr_probability`` and
        ``outlet_wet_{T}yr_probability`` are the chances of being wet in the T-year storm; where
    they are known the wetting storm is drawn from them, one uniform number per unit for all
        storms together; elsewhere the state on record is taken as certain.
    sds
        On the same index, standard deviations in meters of the distances, under their own names.
    on_record
        The units whose known ratings stand in for unknown ones; those of ``table`` if not given.

    A distance to a point is drawn as the length of (d + s z1, s z2), which has the Rice
    distribution; to a line as |d + s z|; to an area as d + s z with d negative inside, 0 where
    that is inside. A chance with a band is drawn from the beta distribution of its mean
    and of the standard deviation of a normal one with that band, once for all units that share
    it. What is not on record is drawn, as the part's ``draw_unknown`` says, from the
    ratings of the units for which the part is known, each as likely as the next, so long as there
    are `LEAST_KNOWN`, else evenly between 0 and 1; evenly; or never: then its fixed rating stands.
    """
    return {
        name: _draws_of(name, part, table, sds, table if on_record is None else on_record)
        for name, part in priorities.parts.items()
        if part.weight > 0
    }


def _draws_of(
    name: str,
    part: PriorityPart,
    table: pd.DataFrame,
    sds: pd.DataFrame,
    on_record: pd.DataFrame,
) -> PartDraws:
    n = len(table)
    certain, covered = np.full(n, -1.0), np.zeros(n, bool)
    sources: list[Source] = []
    set_aside: dict[str, NDArray[np.bool_]] = {}  # rows whose input speaks through a source
    for state, how in _DRAWN.items():
        storms = _storms(table, state, how, part) if isinstance(how, StormFields) else None
        if storms is not None:
            rows, draw, columns = storms
            place = state.removesuffix("_wet_state")
            sources.append(Source(f"{name}:{place}", "storms", state, name, rows, draw))
            set_aside |= dict.fromkeys(columns, np.isin(np.arange(n), rows))
    for item in part.inputs:
        sd = _spread(item.column, sds, n)
        # where it is known that there is none there is a rating and no distance to draw
        is_drawn = (sd > 0) & ~np.isnan(rate(table, item))
        is_drawn &= ~UNITS.is_none(table, item.column)
        if is_drawn.any():
            rows = np.flatnonzero(is_drawn)
            draw = _distances(table, item, rows, sd[rows], _rated_inside(item.column, part, table))
            sources.append(
                Source(f"{name}:{item.column}", "distance", item.column, name, rows, draw)
            )
            set_aside[item.column] = is_drawn
            how = _DRAWN[item.column]
            if isinstance(how, Distance) and how.depth:
                set_aside[how.depth] = is_drawn
        learned = _learned(table, item)
        if learned is not None:
            sources.append(Source(f"{name}:{item.column}", "learned", item.column, name, *learned))
            set_aside[item.column] = np.isin(np.arange(n), learned[0])
    for item in part.inputs:
        aside = set_aside.get(item.column, np.zeros(n, bool))
        certain = np.fmax(certain, np.where(aside, np.nan, rate(table, item)))
    for source in sources:
        covered[source.rows] = True
    lacks = lacks_input(table, part) | ((certain < 0) & ~covered)
    if part.draw_unknown == "never":
        certain[lacks] = np.maximum(certain[lacks], part.unknown)
    rows = np.flatnonzero(lacks)
    if len(rows) and part.draw_unknown != "never":
        known = known_rating(on_record, part)
        # in order, so that the order of the units makes no difference
        pool = np.sort(known[~np.isnan(known)]) if part.draw_unknown == "known" else known[:0]
        draw = _unknown(pool, len(rows))
        sources.append(Source(f"{name}:not_on_record", "not_on_record", name, name, rows, draw))
    return PartDraws(certain, part.unknown, sources)


def _spread(column: str, sds: pd.DataFrame, n: int) -> NDArray[np.float64]:
    if not isinstance(_DRAWN.get(column), Distance) or column not in sds:
        return np.zeros(n)
    return np.nan_to_num(sds[column].to_numpy(float))


def _rated_inside(column: str, part: PriorityPart, table: pd.DataFrame) -> Ratings | None:
    """The rating of what is told only inside an area, -1 where it is not told."""
    how = _DRAWN.get(column)
    shown = [i for i in part.inputs if isinstance(how, Distance) and i.column == how.depth]
    return np.nan_to_num(rate(table, shown[0]), nan=-1.0) if shown else None


def _distances(
    table: pd.DataFrame,
    item: PriorityInput,
    rows: NDArray[np.int64],
    sd_m: NDArray[np.float64],
    inside: Ratings | None,
) -> Draw:
    how = _DRAWN[item.column]
    assert isinstance(how, Distance)
    kind = how.form
    distance = table[item.column].to_numpy(float)[rows]
    x, y = (np.array(axis, float) for axis in zip(*item.curve, strict=True))
    if how.inside:
        distance = distance - np.nan_to_num(UNITS.numbers(table, how.inside)[rows])
    shown = np.full(len(rows), -1.0) if inside is None else inside[rows]

    def draw(generator: np.random.Generator, draws: int) -> Ratings:
        drawn_m = draw_distances(generator, draws, distance, sd_m, kind)
        rating = np.interp(drawn_m, x, y)
        return (
            np.where(drawn_m <= 0, np.maximum(rating, shown), rating) if kind == "area" else rating
        )

    return draw


def draw_distances(
    generator: np.random.Generator,
    draws: int,
    distance_m: NDArray[np.float64],
    sd_m: NDArray[np.float64],
    kind: DistanceForm,
) -> NDArray[np.float64]:
    """True distances that go with measured ones, shape (draws, len(distance_m)).

    ``kind`` as `part_draws` tells; for ``area`` ``distance_m`` is negative inside, and what is
    drawn is 0 there.
    """
    shape = (draws, len(distance_m))
    along = distance_m + sd_m * generator.standard_normal(shape, dtype=np.float32)
    if kind == "point":
        return np.hypot(along, sd_m * generator.standard_normal(shape, dtype=np.float32))
    return np.abs(along) if kind == "line" else np.maximum(along, 0.0)


def _storms(
    table: pd.DataFrame, state: str, how: StormFields, part: PriorityPart
) -> tuple[NDArray[np.int64], Draw, list[str]] | None:
    """Rows whose chances of being wet are known, how their storm is drawn, the columns it says."""
    chances = UNITS.expand(how.of_each, table.columns)
    years = [chance.years for chance in chances]
    smallest, in_a_year = how.smallest, how.in_a_year
    text = [item for item in part.inputs if item.column in (state, smallest, in_a_year)]
    if not years or not text:
        return None
    chance = table[[chance.name for chance in chances]].to_numpy(float)
    rows = np.flatnonzero(~np.isnan(chance).any(axis=1))
    if not len(rows):
        return None
    chance = np.maximum.accumulate(chance[rows], axis=1)  # what is wet stays wet in a larger storm
    outcomes = pd.DataFrame(
        {
            state: ["at_or_below_smallest", *["wet"] * (len(years) - 1), dry_state(years)],
            smallest: [*years, np.nan],
        }
    )
    if in_a_year in table:
        yearly = annual_probability(years, series="partial_duration")
        outcomes[in_a_year] = [*yearly.tolist(), 0.0]
    rating = np.full(len(outcomes), -1.0)
    for item in text:
        rating = np.fmax(rating, rate(outcomes, item))
    if UNITS.is_open(outcomes, state)[-1]:
        rating[-1] = max(rating[-1], part.unknown)

    def draw(generator: np.random.Generator, draws: int) -> Ratings:
        uniform = generator.random((draws, len(rows)), dtype=np.float32)
        first_wet = np.zeros(uniform.shape, np.intp)
        for storm in range(len(years)):
            first_wet += uniform >= chance[:, storm]
        return rating[first_wet]

    return rows, draw, [item.column for item in text]


def _learned(table: pd.DataFrame, item: PriorityInput) -> tuple[NDArray[np.int64], Draw] | None:
    """Rows whose chance has a band, and how it is drawn: alike where mean and band are."""
    how = _DRAWN.get(item.column)
    if not isinstance(how, Band) or not item.curve:
        return None
    mean, low, high = (UNITS.numbers(table, name) for name in (item.column, how.low, how.high))
    sd = (high - low) / (2 * LINE_95)
    rows = np.flatnonzero((sd > 0) & (sd**2 < mean * (1 - mean)))
    if not len(rows):
        return None
    alike, which = np.unique(np.column_stack([mean, sd])[rows], axis=0, return_inverse=True)
    known_as = alike[:, 0] * (1 - alike[:, 0]) / alike[:, 1] ** 2 - 1
    x, y = (np.array(axis, float) for axis in zip(*item.curve, strict=True))

    def draw(generator: np.random.Generator, draws: int) -> Ratings:
        a, b = alike[:, 0] * known_as, (1 - alike[:, 0]) * known_as
        chance = generator.beta(a, b, size=(draws, len(alike)))
        return np.interp(chance, x, y)[:, which.ravel()]

    return rows, draw


def _unknown(known: Ratings, n: int) -> Draw:
    def draw(generator: np.random.Generator, draws: int) -> Ratings:
        if len(known) < LEAST_KNOWN:
            return generator.random((draws, n))
        return known[generator.integers(len(known), size=(draws, n), dtype=np.int32)]

    return draw
