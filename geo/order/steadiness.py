"""How far the order can be trusted: who would stay first, and what missing records did to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.order.bands import HIGH, LOW, WORTH_KNOWING, Bands, draw_bands
from geo.order.priorities import is_scored, known_rating, prioritize
from layers.settings.priority_settings import Priorities

# Nine times in ten a standard normal number lies within this of 0.
WITHIN_90: Final = 1.6449
# Fewer units than this say nothing of a lean.
LEAST_UNITS: Final = 10
_DRAWN: Final = {
    "distance": "distances",
    "storms": "the storm that covers a lid or a discharge point",
    "learned": "the chance of a repair, learned from visits",
    "not_on_record": "what is not on record",
    "weights": "the weights",
}


def first_class_steadiness(units: pd.DataFrame) -> dict[str, Any]:
    """How often those in the first class would stay there, as plain data.

    Parameters
    ----------
    units
        ``visit_class, ranked_by, rank_low, rank_high, first_class_chance``. Rows that are not
        ranked by score have a fixed place: they are told apart and not counted with the others.

    Returns
    -------
    ``first_by_score`` and ``first_owed`` (how many stand in the first class by score, and because
    they are owed), ``stays`` (mean chance of those there by score, None where there are none),
    ``surely_first`` (chance at least 95 %), ``in_doubt`` (more than 5, less than 95 %),
    ``just_outside`` (not in the class, with a chance of at least one half), ``band_places``
    (median number of places a band holds, None without units) and ``sentences``.
    """
    mine = units[units["ranked_by"] == "score"]
    is_first = mine["visit_class"] == "first"
    chance = mine["first_class_chance"]
    width = mine["rank_high"] - mine["rank_low"] + 1
    found: dict[str, Any] = {
        "first_by_score": int(is_first.sum()),
        "first_owed": int((units["visit_class"] == "first").sum() - is_first.sum()),
        "stays": round(float(chance[is_first].mean()), 4) if is_first.any() else None,
        "surely_first": int((chance >= HIGH).sum()),
        "in_doubt": int(((chance > LOW) & (chance < HIGH)).sum()),
        "just_outside": int((~is_first & (chance >= 0.5)).sum()),
        "band_places": float(width.median()) if len(mine) else None,
    }
    text = []
    if found["stays"] is not None:
        count, stays = found["first_by_score"], found["stays"]
        stay, surely, doubt = round(stays * count), found["surely_first"], found["in_doubt"]
        text.append(
            f"Of the {_units(count)} in the visit-first class by score, about {stay:,}"
            f" {'stays' if stay == 1 else 'stay'} there in a typical computer run. {surely:,}"
            f" nearly always {'does' if surely == 1 else 'do'}. {_units(doubt)} could fall on"
            " either side of the line."
        )
    return found | {"sentences": text}


def _units(count: int) -> str:
    return f"{count:,} unit{'' if count == 1 else 's'}"


@dataclass(frozen=True)
class Steadiness:
    """What is known of how steady an order is.

    Attributes
    ----------
    columns
        ``rank_low``, ``rank_high``, ``first_class_chance`` on the index of the table; no columns
        where no draws are asked for.
    worth_knowing
        As `geo.order.bands.Bands` has it.
    section
        The rest as plain data for the run: ``missing_records`` (`what_missing_records_did`) and,
        where the order was drawn, ``draws``, ``weight_spread``, ``band``, ``first_class``
        (`first_class_steadiness`), ``unsettled``, ``inputs``, ``widened``
        (`geo.order.bands.Bands`) and ``note``, what was drawn in words.
    """

    columns: pd.DataFrame
    worth_knowing: pd.DataFrame
    section: dict[str, Any]


def how_steady(
    table: pd.DataFrame,
    order: pd.DataFrame,
    priorities: Priorities,
    sds: pd.DataFrame,
    *,
    seed: int,
) -> Steadiness:
    """Bands of the ranks, what would settle them, and what missing records did.

    The parameters are those of `geo.order.bands.draw_bands`.
    """
    missing = what_missing_records_did(table, order, priorities)
    bands = draw_bands(table, order, priorities, sds, seed=seed)
    if bands is None:
        nothing = pd.DataFrame(columns=WORTH_KNOWING)
        return Steadiness(table[[]], nothing, {"missing_records": missing})
    inputs = bands.inputs.assign(settles=bands.inputs["settles"].round(4)).astype(object)
    section = {
        "draws": priorities.steadiness.draws,
        "weight_spread": priorities.steadiness.weight_spread,
        "band": [LOW, HIGH],
        "first_class": first_class_steadiness(order.join(bands.columns)),
        "unsettled": round(bands.unsettled, 4),
        "inputs": inputs.where(inputs.notna(), None).to_dict("records"),
        "widened": bands.widened,
        "missing_records": missing,
        "note": _what_was_drawn(bands, priorities),
    }
    return Steadiness(bands.columns, bands.worth_knowing, section)


def _what_was_drawn(bands: Bands, priorities: Priorities) -> str:
    kinds = set(bands.inputs["kind"])
    drawn = [words for kind, words in _DRAWN.items() if kind in kinds] or ["nothing"]
    return (
        f"rank_low to rank_high holds 9 of 10 of {priorities.steadiness.draws:,} computer runs."
        f" Each run varies, as far as it is not exactly known: {', '.join(drawn)}. Not varied:"
        " heights, matches made by guess, and what the layers do not show."
    )


def what_missing_records_did(
    table: pd.DataFrame, order: pd.DataFrame, priorities: Priorities
) -> dict[str, Any]:
    """Whether the order by score leans on what is merely not on record.

    Parameters
    ----------
    table
        What `geo.order.priorities.prioritize` was given.
    order
        What it gave, on the same index. Rows it did not rank by score are left out.

    Returns
    -------
    ``units`` (how many were compared); ``rho``: Spearman's rank correlation of the place in the
    order (1 is first) with the number of parts that are known, above 0 where units with less on
    record come earlier, None where it cannot be told; ``rho_by_chance``: nine times in ten an
    order that takes no heed of the records stays within this of 0; ``with_gaps`` and
    ``with_nothing``: of the units that lack a part, and of those that lack every part, their
    number ``units`` and ``places_earlier``, the mean against an order in which every unknown
    counts as the typical known rating of its part (the median of all units with a score), below 0
    where they come later; ``first_by_gaps``: units in the first class by score that would not be
    in it in that other order; ``parts``: of each part with gaps ``label``, ``units`` that lack
    it, the ``unknown`` rating and the ``typical`` one (None where no unit knows it: unknown then
    stays as it is); ``sentences``.

    Notes
    -----
    Of n places against any fixed ranking, ties or none, a random order has a rank correlation of
    mean 0 and variance 1 / (n - 1); the band takes it for normal.
    """
    priorities = priorities.for_columns(table.columns)
    mine = table[(order["ranked_by"] == "score").to_numpy()]
    parts = {name: part for name, part in priorities.parts.items() if part.weight > 0}
    ratings = pd.DataFrame({name: known_rating(mine, part) for name, part in parts.items()})
    known = ratings.notna()
    scored = table[is_scored(table, priorities)]
    typical = pd.Series({name: _typical(known_rating(scored, p)) for name, p in parts.items()})
    now, other = (prioritize(mine, p) for p in (priorities, _rated(priorities, typical)))
    earlier = (other["rank"] - now["rank"]).to_numpy()
    seats = int((order.loc[mine.index, "visit_class"] == "first").sum())
    places, places_then = now["rank"].to_numpy(), other["rank"].to_numpy()
    found: dict[str, Any] = {
        "units": len(mine),
        "rho": _lean(places, known.sum(axis=1).to_numpy()),
        "rho_by_chance": _by_chance(len(mine)),
        "with_gaps": _group(~known.all(axis=1).to_numpy(), earlier),
        "with_nothing": _group(~known.any(axis=1).to_numpy(), earlier),
        "first_by_gaps": int(((places <= seats) & (places_then > seats)).sum()),
        "parts": {
            name: {
                "label": part.label,
                "units": int((~known[name]).sum()),
                "unknown": part.unknown,
                "typical": None if np.isnan(typical[name]) else round(float(typical[name]), 4),
            }
            for name, part in parts.items()
            if not known[name].all()
        },
    }
    return found | {"sentences": _text(found)}


def _typical(rating: NDArray[np.float64]) -> float:
    known = rating[~np.isnan(rating)]
    return float(np.median(known)) if len(known) else np.nan


def _rated(priorities: Priorities, unknown: pd.Series) -> Priorities:
    """The same priorities with other ratings of the unknown, where there is one."""
    parts = {
        name: part.model_copy(update={"unknown": float(unknown[name])})
        if name in unknown and not np.isnan(unknown[name])
        else part
        for name, part in priorities.parts.items()
    }
    return priorities.model_copy(update={"parts": parts})


def _lean(rank: NDArray[np.int64], known: NDArray[np.int64]) -> float | None:
    if len(rank) < LEAST_UNITS or known.min() == known.max():
        return None
    return round(float(np.corrcoef(rank, pd.Series(known).rank())[0, 1]), 4)


def _by_chance(n: int) -> float | None:
    return None if n < LEAST_UNITS else round(WITHIN_90 / float(np.sqrt(n - 1)), 4)


def _group(rows: NDArray[np.bool_], earlier: NDArray[np.int64]) -> dict[str, Any]:
    mean = round(float(earlier[rows].mean()), 2) if rows.any() else None
    return {"units": int(rows.sum()), "places_earlier": mean}


def _text(found: dict[str, Any]) -> list[str]:
    gaps, nothing = found["with_gaps"], found["with_nothing"]
    if not found["units"]:
        return []
    if not gaps["units"]:
        return [
            "Every part of the score is known for every unit. No rank depends on missing records."
        ]
    they = _places(gaps["places_earlier"])
    text = [
        (
            f"{gaps['units']:,} of {found['units']:,} units lack records for at least one part of"
            f" the score. On average they rank {they} than if each unknown counted as a typical"
            " known value."
        ),
    ]
    if nothing["units"]:
        text.append(
            f"Units with nothing on record ({nothing['units']:,}) rank"
            f" {_places(nothing['places_earlier'])} on average."
        )
    if found["first_by_gaps"]:
        text.append(f"{found['first_by_gaps']:,} units would then leave the visit-first class.")
    rho, chance = found["rho"], found["rho_by_chance"]
    if rho is not None:
        if abs(rho) <= chance:
            text.append(
                "Units with fewer records rank neither earlier nor later than others, beyond what"
                " chance explains."
            )
        else:
            side = "earlier" if rho > 0 else "later"
            text.append(
                f"Units with fewer records tend to rank {side}. What is known of them can explain"
                " that, and so can what is not."
            )
    return text


def _places(earlier: float) -> str:
    count = abs(earlier)
    if round(count, 1) == 0:
        return "no earlier and no later"
    places = f"{count:,.0f}" if count >= 10 else f"{count:.1f}"
    return f"{places} place{'' if places == '1.0' else 's'} {'earlier' if earlier > 0 else 'later'}"
