"""What a county's own known outlets look like, learned; tried on outlets that were held out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from geo.kernels.pipes import gathered
from geo.outlets.calibration import AS_THEY_ARE, Looked, learned_calibration, set_right
from geo.outlets.cells import FEATURES, SPACING_M, STATED_WEIGHTS, Cells
from geo.outlets.choice import Choices, chances, fit
from geo.results.outlet_kinds import KIND_WORDS
from geo.uncertainty import POINT_95
from layers.settings.county_file import OutletSection

# A place is found where the true outlet lies so near its center.
FOUND_WITHIN_M: Final = 10.0
# A lid known no better than this is poorly placed: the way its pipe runs says less.
WELL_PLACED_M: Final = 15.0
FOLDS: Final = 5
# A place is said to be at a ditch, stream or drain where so much of its chance lies at one.
_AT_LEAST: Final = 1 / 3
_DIGITS: Final = 9
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
class CandidatePlaces:
    """The most likely places of one unit, shape (n,): cell at the center, chance, what it is at.

    A place's chance is that of the outlet lying within `FOUND_WITHIN_M` of it and of no place
    more likely; they never rise, and with that of none of these they add up to 1.
    """

    center: NDArray[np.int64]
    mass: NDArray[np.float64]
    kind: list[str]


@dataclass(frozen=True)
class Weights:
    """Weights by group of units, shape (len(NAMES),) each, in the order of `NAMES`.

    ``calibration`` is how the chances of places are set right
    (`geo.outlets.calibration`).
    """

    by_group: dict[str, NDArray[np.float64]]
    calibration: NDArray[np.float64] = field(default_factory=AS_THEY_ARE.copy)

    def shares(self, cells: Cells, group: str) -> NDArray[np.float64]:
        """The chance of each cell, shape (n,); they add up to 1 less that of none of these."""
        table = np.zeros((len(cells.x) + 1, len(NAMES)))
        table[:-1, :-1] = cells.features
        table[-1, -1] = 1.0
        weight = np.append(np.full(len(cells.x), _cell_weight(cells)), 1.0)
        return chances(table, self.by_group[group], weight)[:-1]

    def places(self, cells: Cells, group: str, *, at_most: int) -> CandidatePlaces:
        """The most likely places of a unit, their chances set right."""
        # cells that are alike stay so on every processor, and the first of them is taken
        share = np.round(self.shares(cells, group), _DIGITS)
        wide, high = cells.cell_m
        center, mass = gathered(cells.row, cells.col, high, wide, share, FOUND_WITHIN_M, at_most)
        kind = [_kind_at(cells, int(k), share) for k in center]
        return CandidatePlaces(center, set_right(mass, kind, self.calibration), kind)


def _kind_at(cells: Cells, k: int, share: NDArray[np.float64]) -> str:
    """What a place is at: open ground only where little of its chance lies at anything else."""
    near = np.hypot(cells.x - cells.x[k], cells.y - cells.y[k]) <= FOUND_WITHIN_M
    kinds, chance = cells.kind[near], share[near]
    of_kind = {kind: float(chance[kinds == kind].sum()) for kind in KIND_WORDS if kind != "ground"}
    most = max(of_kind, key=lambda kind: of_kind[kind])
    return most if sum(of_kind.values()) >= _AT_LEAST * chance.sum() > 0 else "ground"


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


def learn_weights(known: Sequence[KnownOutlet], settings: OutletSection, *, seed: int) -> Weights:
    """Weights of known outlets, and how chances are set right, learned from outlets held out.

    Each outlet is looked for with weights learned from units dealt to other parts; how often
    places of a chance had it sets the chances right.
    """
    groups = np.array([one.group for one in known], object)
    choices = as_choices(known, seed=seed)
    weights = learned_weights(choices, groups)
    fold = dealt(len(known), seed)
    looked = []
    for part in range(FOLDS):
        out = fold == part
        others = learned_weights(choices.without(out), groups[~out], start=weights)
        for k in np.flatnonzero(out).tolist():
            places = others.places(known[k].cells, known[k].group, at_most=settings.at_most)
            looked.append(Looked(places.mass, places.kind, place_found(known[k], places)))
    return replace(weights, calibration=learned_calibration(looked))


def dealt(count: int, seed: int) -> NDArray[np.int64]:
    """The part each of so many outlets is dealt to, of `FOLDS`."""
    return np.asarray(np.random.default_rng(seed).permutation(count) % FOLDS, np.int64)


def off_m(one: KnownOutlet, places: CandidatePlaces) -> NDArray[np.float64]:
    """How far an outlet lies from each place named."""
    x, y = one.cells.x[places.center], one.cells.y[places.center]
    return np.asarray(np.hypot(x - one.xy[0], y - one.xy[1]), float)


def place_found(one: KnownOutlet, places: CandidatePlaces) -> int:
    """The rank of the first place an outlet lies within `FOUND_WITHIN_M` of; 0 for none."""
    near = np.flatnonzero(off_m(one, places) <= FOUND_WITHIN_M)
    return int(near[0]) + 1 if len(near) else 0
