"""What a county's own known outlets look like, learned; tried on outlets that were held out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.special import betaincinv

from geo.kernels.pipes import gathered
from geo.outlet_search.cells import FEATURES, SPACING_M, STATED_WEIGHTS, Cells
from geo.outlet_search.choice import Choices, chances, fit
from geo.uncertainty import POINT_95
from layers.county import OutletSection

# A place is found where the true outlet lies so near its centre.
FOUND_WITHIN_M: Final = 10.0
# A lid known no better than this is poorly placed: the way its pipe runs says less.
WELL_PLACED_M: Final = 15.0
FOLDS: Final = 5
# A place is said to be at a ditch, stream or drain where so much of its chance lies at one.
_AT_LEAST: Final = 1 / 3
# So many cells speak for all of a search area while weights are fitted.
_DRAWN: Final = 100
# Worth of the stated weights against what the county teaches, and of the county's against what
# one group of its units teaches. Common practice, no source.
_RIDGE, _GROUP_RIDGE = 1.0, 5.0
# Logarithm of how attractive "none of these" is beside one cell of `SPACING_M`: about one outlet in
# ten lies elsewhere. Common practice, no source.
_STATED_NONE: Final = 4.0
GROUPS: Final = ("well_placed", "poorly_placed", "pumped")
_ALL: Final = "all"
NAMES: Final = (*FEATURES, "none_of_these")
_STATED: Final = np.array([*STATED_WEIGHTS.values(), _STATED_NONE])
_EDGES: Final = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 1.0)


@dataclass(frozen=True)
class KnownOutlet:
    """A unit whose outlet is on record: where its pipe could end, and where it does.

    ``naive_xy`` is straight down the land to the edge of the parcel, None where it is level;
    ``kind`` what it lets out into, on record; ``off_area_m`` how far outside the searched area.
    """

    unit_id: str
    group: str
    cells: Cells
    xy: tuple[float, float]
    accuracy95_m: float
    naive_xy: tuple[float, float] | None
    kind: str = "unknown"
    off_area_m: float = 0.0


@dataclass(frozen=True)
class Weights:
    """Weights by group of units, shape (len(NAMES),) each, in the order of `NAMES`."""

    by_group: dict[str, NDArray[np.float64]]

    def places(
        self, cells: Cells, group: str, *, at_most: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
        """The most likely places of a unit: their cells, their chances, and that of each cell.

        A place's chance is that of the outlet lying within `FOUND_WITHIN_M` of it and of no
        place before it. The chances of the cells add up to 1 less that of none of these.
        """
        weights = self.by_group[group]
        table = np.zeros((len(cells.x) + 1, len(NAMES)))
        table[:-1, :-1] = cells.features
        table[-1, -1] = 1.0
        weight = np.append(np.full(len(cells.x), _cell_weight(cells)), 1.0)
        share = chances(table, weights, weight)[:-1]
        wide, high = cells.cell_m
        centre, mass = gathered(cells.row, cells.col, high, wide, share, FOUND_WITHIN_M, at_most)
        return centre, mass, share


def _cell_weight(cells: Cells) -> float:
    """How many cells of `SPACING_M` one stands for."""
    return cells.cell_m[0] * cells.cell_m[1] / SPACING_M**2


def group_of(accuracy95_m: float, *, pumped: bool) -> str:
    """Which units a unit is learned with: one of `GROUPS`."""
    if pumped:
        return "pumped"
    return "well_placed" if accuracy95_m <= WELL_PLACED_M else "poorly_placed"


def stated_weights() -> Weights:
    """Those before anything is learned."""
    return Weights(dict.fromkeys(GROUPS, _STATED))


def as_choices(known: Sequence[KnownOutlet], *, seed: int) -> Choices:
    """Known outlets as sets of cells, a drawn part of each standing for all, and "none of these".

    What was chosen is spread over the cells by the accuracy of the outlet's position, no farther
    than `FOUND_WITHIN_M`; where no cell is so near, it is none of these.
    """
    rng = np.random.default_rng(seed)
    chosen = np.zeros((len(known), len(NAMES)))
    tables, weights, sizes = [], [], []
    for k, one in enumerate(known):
        cells = one.cells
        n = len(cells.x)
        away = np.hypot(cells.x - one.xy[0], cells.y - one.xy[1])
        sd = float(np.hypot(one.accuracy95_m / POINT_95, SPACING_M))
        share = np.where(away <= FOUND_WITHIN_M, np.exp(-(away**2) / (2 * sd**2)), 0.0)
        if share.sum() > 0:
            chosen[k, :-1] = (share / share.sum()) @ cells.features
        else:
            chosen[k, -1] = 1.0
        drawn = np.arange(n) if n <= _DRAWN else np.sort(rng.choice(n, _DRAWN, replace=False))
        table = np.zeros((len(drawn) + 1, len(NAMES)))
        table[:-1, :-1] = cells.features[drawn]
        table[-1, -1] = 1.0
        each = n / max(len(drawn), 1) * _cell_weight(cells)
        tables.append(table)
        weights.append(np.append(np.full(len(drawn), each), 1.0))
        sizes.append(len(drawn) + 1)
    first = np.cumsum(sizes) - np.array(sizes)
    return Choices(chosen, np.vstack(tables), np.concatenate(weights), first.astype(np.int64))


def learned_weights(
    choices: Choices, groups: NDArray[np.object_], *, start: Weights | None = None
) -> Weights:
    """Weights of all known outlets together, drawn to the stated; each group's drawn to those.

    ``start`` is where the search for them begins; it changes no answer.
    """
    begin = {} if start is None else start.by_group
    together = fit(choices, _STATED, ridge=_RIDGE, start=begin.get(_ALL))
    by_group = {_ALL: together}
    for group in GROUPS:
        mine = groups == group
        by_group[group] = together
        if mine.any() and not mine.all():
            by_group[group] = fit(
                choices.without(~mine), together, ridge=_GROUP_RIDGE, start=begin.get(group)
            )
    return Weights(by_group)


@dataclass(frozen=True)
class Trial:
    """How well outlets that were held out were found.

    Attributes
    ----------
    found
        One row per known outlet: ``unit_id, group, kind``, ``place`` (rank of the first place
        within `FOUND_WITHIN_M` of it, 0 for none), ``by_stated`` (the same with the stated
        weights), ``by_naive`` (whether straight down the land to the edge of the parcel finds it),
        ``first_kind`` (what the first place is at), ``told_1, told_3`` (chance told of the first
        place, of the first three together),
        ``off_m, naive_off_m`` (from the first place, from the plain guess; NaN without one),
        ``off_area_m``, ``reached`` (whether any place looked at lies within `FOUND_WITHIN_M`).
    reliability
        Places by the chance told: ``chance_from, chance_to, places, told`` (mean), ``found``,
        ``share, share_low, share_high`` (95 %, Jeffreys).
    first_places
        The same of first places, by the ``kind`` of ground they are at.
    """

    found: pd.DataFrame
    reliability: pd.DataFrame
    first_places: pd.DataFrame

    def rate(self, first: int, column: str = "place") -> float:
        """The share of outlets found within the first so many places."""
        place = self.found[column]
        return float(((place >= 1) & (place <= first)).mean())


def try_held_out(
    known: Sequence[KnownOutlet], settings: OutletSection, *, seed: int, learn: bool
) -> Trial:
    """Look for each known outlet with weights learned from units dealt to other parts.

    Parameters
    ----------
    learn
        Without, the stated weights are tried.
    """
    groups = np.array([one.group for one in known], object)
    fold = np.random.default_rng(seed).permutation(len(known)) % FOLDS
    choices = as_choices(known, seed=seed) if learn else None
    stated = stated_weights()
    start = None if choices is None else learned_weights(choices, groups)
    rows, told = [], []
    for part in range(FOLDS):
        weights = stated
        if choices is not None:
            weights = learned_weights(
                choices.without(fold == part), groups[fold != part], start=start
            )
        for k in np.flatnonzero(fold == part).tolist():
            one = known[k]
            away, mass, kind = _from_places(one, weights, settings)
            place = _first_within(away)
            by_stated = place
            if learn:
                by_stated = _first_within(_from_places(one, stated, settings)[0])
            naive = np.nan if one.naive_xy is None else _apart(one.naive_xy, one.xy)
            nearest = np.hypot(one.cells.x - one.xy[0], one.cells.y - one.xy[1]).min(initial=np.inf)
            rows.append(
                {
                    "unit_id": one.unit_id, "group": one.group, "kind": one.kind, "place": place,
                    "by_stated": by_stated, "by_naive": int(naive <= FOUND_WITHIN_M),
                    "first_kind": kind, "told_1": mass[:1].sum(), "told_3": mass[:3].sum(),
                    "off_m": away[0] if len(away) else np.nan, "naive_off_m": naive,
                    "off_area_m": one.off_area_m, "reached": bool(nearest <= FOUND_WITHIN_M),
                }
            )  # fmt: skip
            told += [(m, place == rank) for rank, m in enumerate(mass, 1)]
    found = pd.DataFrame(rows).sort_values("unit_id", ignore_index=True)
    return Trial(found, _reliability(told), _first_places(found))


def _from_places(
    one: KnownOutlet, weights: Weights, settings: OutletSection
) -> tuple[NDArray[np.float64], NDArray[np.float64], str | None]:
    """How far the outlet lies from each place named, the chances told, what the first is at."""
    cells = one.cells
    centre, mass, share = weights.places(cells, one.group, at_most=settings.at_most)
    x, y = cells.x[centre], cells.y[centre]
    kind = None
    if len(centre):
        near = np.hypot(cells.x - x[0], cells.y - y[0]) <= FOUND_WITHIN_M
        kind = kind_of(cells.kind[near], share[near])
    return np.hypot(x - one.xy[0], y - one.xy[1]), mass, kind


def kind_of(kinds: NDArray[np.object_], share: NDArray[np.float64]) -> str:
    """What a place is at: open ground only where little of its chance lies at anything else."""
    by_kind = pd.Series(share).groupby(kinds).sum()
    marked = by_kind.drop("ground", errors="ignore")
    if marked.sum() < _AT_LEAST * by_kind.sum():
        return "ground"
    return str(marked.idxmax())


def _first_within(away: NDArray[np.float64]) -> int:
    near = np.flatnonzero(away <= FOUND_WITHIN_M)
    return int(near[0]) + 1 if len(near) else 0


def _apart(a: tuple[float, float], b: tuple[float, float]) -> float:
    return float(np.hypot(a[0] - b[0], a[1] - b[1]))


def share_band(found: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a share, by Jeffreys' prior.

    Brown, Cai and DasGupta, "Interval estimation for a binomial proportion", Statistical Science
    16, 2001, section 4.3 (from memory): 0 and 1 are the ends where nothing or all was found.

    >>> [round(end, 3) for end in share_band(0, 10)], [round(end, 2) for end in share_band(5, 10)]
    ([0.0, 0.217], [0.22, 0.78])
    """
    low = float(betaincinv(found + 0.5, of - found + 0.5, 0.025)) if found else 0.0
    high = float(betaincinv(found + 0.5, of - found + 0.5, 0.975)) if found < of else 1.0
    return low, high


def _reliability(told: Sequence[tuple[float, bool]]) -> pd.DataFrame:
    """Chances told against shares found, in bands of chance."""
    chance = np.array([c for c, _ in told], float)
    hit = np.array([h for _, h in told], bool)
    band = np.clip(np.searchsorted(_EDGES, chance, side="left") - 1, 0, len(_EDGES) - 2)
    rows = [
        {"chance_from": _EDGES[b], "chance_to": _EDGES[b + 1]}
        | _told_and_found(chance[band == b], hit[band == b])
        for b in range(len(_EDGES) - 1)
        if (band == b).any()
    ]
    return pd.DataFrame(rows, columns=["chance_from", "chance_to", *_TOLD_AND_FOUND])


def _first_places(found: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {"kind": kind} | _told_and_found(of["told_1"].to_numpy(), of["place"].to_numpy() == 1)
        for kind, of in found.groupby("first_kind")
    ]
    return pd.DataFrame(rows, columns=["kind", *_TOLD_AND_FOUND])


_TOLD_AND_FOUND: Final = ("places", "told", "found", "share", "share_low", "share_high")


def _told_and_found(chance: NDArray[np.float64], hit: NDArray[np.bool_]) -> dict[str, float]:
    """Places, the mean chance told, how many had the outlet, and their share with its band."""
    n, x = len(hit), int(hit.sum())
    values = (n, float(chance.mean()), x, x / n, *share_band(x, n))
    return dict(zip(_TOLD_AND_FOUND, values, strict=True))


def naive_place(
    lid: shapely.Point, parcel: shapely.Geometry | None, cells: Cells, settings: OutletSection
) -> tuple[float, float] | None:
    """Straight down the land from the lid to the edge of its parcel.

    Without parcel, so far as a pipe reaches; None where the land at the lid is level or not known.
    """
    east, north = cells.downhill_xy
    if east == 0 and north == 0:
        return None
    reach = settings.longest_m
    end = (lid.x + east * reach, lid.y + north * reach)
    if parcel is not None and parcel.intersects(lid):
        way = shapely.LineString([lid, end])
        leaves = shapely.get_parts(way.intersection(parcel.boundary))
        leaves = leaves[~shapely.is_empty(leaves)]
        if len(leaves):
            edge = min(leaves, key=lid.distance).centroid
            return float(edge.x), float(edge.y)
    return float(end[0]), float(end[1])
