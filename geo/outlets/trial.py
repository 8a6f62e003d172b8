"""How well a search finds outlets on record that were held out, beside the plain guess."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.special import betaincinv

from geo.outlets.cells import Cells
from geo.outlets.learning import (
    FOLDS,
    FOUND_WITHIN_M,
    KnownOutlet,
    dealt,
    learn_weights,
    off_m,
    place_found,
    stated_weights,
)
from layers.settings.county_file import OutletSection

_EDGES: Final = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 1.0)


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
        Places by the chance told: ``chance_from, chance_to, places, shown`` (mean), ``found``,
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
    known: Sequence[KnownOutlet], settings: OutletSection, *, seed: int, learned: bool
) -> Trial:
    """Look for each known outlet with what was learned from units dealt to other parts.

    How its chance is set right is learned from those others alone, too.

    Parameters
    ----------
    learned
        Without, the stated weights are tried.
    """
    fold = dealt(len(known), seed)
    stated = stated_weights()
    rows, shown = [], []
    for part in range(FOLDS):
        weights = stated
        if learned:
            weights = learn_weights(
                [one for one, its in zip(known, fold, strict=True) if its != part],
                settings,
                seed=seed,
            )
        for k in np.flatnonzero(fold == part).tolist():
            one = known[k]
            places = weights.places(one.cells, one.group, at_most=settings.at_most)
            away, mass = off_m(one, places), places.mass
            place = by_stated = place_found(one, places)
            if learned:
                by_stated = place_found(
                    one, stated.places(one.cells, one.group, at_most=settings.at_most)
                )
            naive = np.nan if one.naive_xy is None else _apart(one.naive_xy, one.xy)
            nearest = np.hypot(one.cells.x - one.xy[0], one.cells.y - one.xy[1]).min(initial=np.inf)
            rows.append(
                {
                    "unit_id": one.unit_id, "group": one.group, "kind": one.kind, "place": place,
                    "by_stated": by_stated, "by_naive": int(naive <= FOUND_WITHIN_M),
                    "first_kind": places.kind[0] if places.kind else None,
                    "told_1": mass[:1].sum(), "told_3": mass[:3].sum(),
                    "off_m": away[0] if len(away) else np.nan, "naive_off_m": naive,
                    "off_area_m": one.off_area_m, "reached": bool(nearest <= FOUND_WITHIN_M),
                }
            )  # fmt: skip
            shown += [(m, place == rank) for rank, m in enumerate(mass, 1)]
    found = pd.DataFrame(rows).sort_values("unit_id", ignore_index=True)
    return Trial(found, _reliability(shown), _first_places(found))


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


def _reliability(shown: Sequence[tuple[float, bool]]) -> pd.DataFrame:
    """Chances told against shares found, in bands of chance."""
    chance = np.array([c for c, _ in shown], float)
    hit = np.array([h for _, h in shown], bool)
    band = np.clip(np.searchsorted(_EDGES, chance, side="left") - 1, 0, len(_EDGES) - 2)
    rows = [
        {"chance_from": _EDGES[b], "chance_to": _EDGES[b + 1]}
        | _expected_and_found(chance[band == b], hit[band == b])
        for b in range(len(_EDGES) - 1)
        if (band == b).any()
    ]
    return pd.DataFrame(rows, columns=["chance_from", "chance_to", *_EXPECTED_AND_FOUND])


def _first_places(found: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {"kind": kind} | _expected_and_found(of["told_1"].to_numpy(), of["place"].to_numpy() == 1)
        for kind, of in found.groupby("first_kind")
    ]
    return pd.DataFrame(rows, columns=["kind", *_EXPECTED_AND_FOUND])


_EXPECTED_AND_FOUND: Final = ("places", "told", "found", "share", "share_low", "share_high")


def _expected_and_found(chance: NDArray[np.float64], hit: NDArray[np.bool_]) -> dict[str, float]:
    """Places, the mean chance told, how many had the outlet, and their share with its band."""
    n, x = len(hit), int(hit.sum())
    values = (n, float(chance.mean()), x, x / n, *share_band(x, n))
    return dict(zip(_EXPECTED_AND_FOUND, values, strict=True))


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
