"""The chance of trouble learned from the county's own visits.

Explained in a minute: write every completed visit with a result into one table, by kind of unit,
then by age within the kind, then by what the visit before had found. Each cell's share of visits
that found trouble is drawn towards the share of the row it belongs to (`geo.past.pooling`): a
cell of two visits says little more than its row, and one of two hundred speaks for itself.

What is known of a unit is what was known on the day before the visit. Wetness counts once in a
score: where a part with weight already rates water over the lid or the flood plain, exposure is
not one of the groups (`groups_in_use`).
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.past.pooling import Calibration, TroubleTable, calibration, learn_troubles
from layers.settings.priority_settings import LearnedSettings, Priorities

# A visit that ended so found trouble; minor findings did not.
TROUBLE: Final = ("repair", "danger")
# Columns that tell of water over the lid; a part that rates one of them counts wetness.
WETNESS: Final = (
    "lid_wet_state", "lid_wet_return_yr", "lid_wet_annual_probability", "lid_pond_depth_brim_m",
    "flood_distance_m", "flood_depth_m", "flood_hazard", "hand_m",
)  # fmt: skip


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
    names = np.array([*_age_words(edges), "age not on record"], object)
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
class Learned:
    """What the visits taught, and whether it is sound enough to be used.

    Attributes
    ----------
    table, calibration
        None where there are too few visits.
    groups
        By which units are told apart.
    visits, troubles
        Completed visits with a result, and those of them that found trouble.
    why_not
        Why it is not used, in a sentence; empty where it is.
    """

    table: TroubleTable | None
    calibration: Calibration | None
    groups: tuple[str, ...]
    visits: int
    troubles: int
    why_not: str

    def columns(self, table: pd.DataFrame, settings: LearnedSettings) -> pd.DataFrame:
        """``trouble_chance``, its 95 % band and ``trouble_group`` of each unit, on the same index.

        ``trouble_chance_county`` is that of all units together; ``trouble_group`` says in words
        which units it is told by. No columns where what was learned is not used.
        """
        if self.table is None or self.why_not:
            return pd.DataFrame(index=table.index)
        words = group_words(table, settings)
        out = self.table.chance(words)
        out["trouble_chance_county"] = self.table.cells["chance"].iloc[0]
        text = [
            words[group].map(_TEXT[group]).astype(object).fillna(words[group])
            for group in self.groups
        ]
        out["trouble_group"] = text[0].str.cat(text[1:], sep=", ")
        return out

    @property
    def sentences(self) -> list[str]:
        """What was learned, how well it foretells, or why it is not used."""
        if self.why_not:
            return [f"The chance of a repair is not learned from past visits: {self.why_not}."]
        *some, last = (_GROUPS[group] for group in self.groups)
        by = f"{', '.join(some)} and {last}" if some else last
        text = [
            (
                f"The chance of a repair is learned from {self.visits:,} completed visits with a"
                f" result, by {by}. {self.troubles:,} of them found a repair needed or a dangerous"
                " condition. Groups with few visits lean on the larger group they belong to."
            )
        ]
        if self.calibration is not None:
            nearer = 1 - self.calibration.brier / self.calibration.brier_base
            text.append(
                "Tested on units left out, these chances came"
                f" {nearer:.1%} closer to what was found than one chance for all units."
            )
        if "exposure" not in self.groups:
            text.append(
                "Water over the lid is not one of the groups: another part of the score counts it."
            )
        return text

    def section(self) -> dict[str, Any]:
        """All of it as plain data, for the record of a run."""
        tried = self.calibration
        return {
            "used": not self.why_not,
            "groups": list(self.groups),
            "visits": self.visits,
            "troubles": self.troubles,
            "sentences": self.sentences,
            "brier": None if tried is None else tried.brier,
            "brier_base": None if tried is None else tried.brier_base,
            "calibration": [] if tried is None else tried.bands.to_dict("records"),
            "strengths": {} if self.table is None else self.table.strengths,
            "cells": [] if self.table is None else _plain(self.table.cells),
        }


def _plain(cells: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows without the words a cell spans."""
    rows = cells.astype(object).where(cells.notna(), None).to_dict("records")
    return [{str(k): v for k, v in row.items() if v is not None} for row in rows]


_GROUPS: Final = {
    "kind": "kind of unit",
    "age": "age",
    "last_result": "last findings",
    "exposure": "water at the lid",
}


_TEXT: Final[dict[str, dict[str, str]]] = {
    "kind": {
        "surface_discharge": "surface discharge",
        "soil_absorption": "soil absorption",
        "shared_collector": "shared collector",
        "holding_tank": "holding tank",
        "unknown": "kind not on record",
    },
    "age": {},
    "exposure": {
        "wet_lid": "lid under water in a storm",
        "flood_plain": "lid in a flood zone",
        "dry": "lid dry in every storm",
        "unknown": "water at the lid not known",
    },
    "last_result": {
        "good": "last found in order",
        "minor": "minor problem at the last visit",
        "repair": "repair needed at the last visit",
        "danger": "dangerous condition at the last visit",
        "unknown": "no result on record",
    },
}


def learn_if_sound(visits: pd.DataFrame, priorities: Priorities) -> Learned:
    """Learn from visits, and say whether there are enough and whether it told units apart.

    Parameters
    ----------
    visits
        As `judged_visits` gives them.

    It is not used below `[learned] least_records` visits, nor where chances foretold from other
    units' visits came no nearer to what was found than the same chance for every unit.
    """
    groups = groups_in_use(priorities)
    least = priorities.learned.least_records
    n, x = len(visits), int(visits["trouble"].sum())
    if n < least:
        why = f"{n:,} completed visits with a result are on record, and {least:,} are needed"
        return Learned(None, None, groups, n, x, why)
    tried = calibration(visits, groups)
    why = ""
    if not tried.better_than_base:
        why = (
            f"tested on {n:,} completed visits, it came no closer to what was found than one"
            " chance for all units"
        )
    return Learned(learn_troubles(visits, groups), tried, groups, n, x, why)
