"""What past visits teach: chances of trouble, the replay, and the lot for the next visits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from geo.order.priorities import is_scored
from geo.past.learned import judged_visits, learn_if_sound
from geo.past.lot import drawn_by_lot
from geo.past.replay import LIMITS, replay, replay_sentences
from geo.programme.season import Season
from layers.county import County
from layers.settings.priority_settings import Priorities

OFFER: Final = (
    "Pick a share of the next visits at random (random_share in [programme]). The next test on past"
    " visits can then speak for every unit."
)


@dataclass(frozen=True)
class PastVisits:
    """What past visits taught.

    Attributes
    ----------
    columns
        On the units' index: ``trouble_chance``, its band and ``trouble_group`` where what was
        learned is used; ``visit_by_lot`` where a share of visits is drawn by lot.
    replayed
        As `geo.past.replay.replay` gives it.
    learned, replay
        Both as plain data, with sentences.
    notes
        What was not done, and what the office is asked to do.
    """

    columns: pd.DataFrame
    replayed: pd.DataFrame
    learned: dict[str, Any]
    replay: dict[str, Any]
    notes: tuple[str, ...]


def past_visits(
    table: pd.DataFrame, county: County, rules: Priorities, *, season: Season, seed: int
) -> PastVisits:
    """Learn from a county's visits, replay its past years, draw the lot for the next visits.

    Parameters
    ----------
    table
        One row per unit with everything measured.
    rules
        What trouble is and how it is learned, and which parts of the score would use it.
    season
        The season the visits are planned for; its first day names the year of the lot.
    """
    inspections = county.layers.get("inspections")
    visits = judged_visits(table, inspections, settings=rules.learned, until=county.as_of)
    learned = learn_if_sound(visits, rules)
    replayed = replay(table, inspections, rules, as_of=county.as_of, seed=seed)
    columns, notes = learned.columns(table, rules.learned), []
    if learned.why_not and any(part.optional for part in rules.parts.values()):
        notes.append(
            f"{learned.sentences[0]} The weight of that part goes to the others in proportion."
        )
    programme = county.file.programme
    if programme.random_share and programme.visits_per_year:
        may = is_scored(table, rules)
        lot = drawn_by_lot(
            table.loc[may, "unit_id"],
            visits=programme.visits_per_year,
            share=programme.random_share,
            year=season.first_day.year,
            seed=seed,
        )
        columns["visit_by_lot"] = lot.reindex(table.index, fill_value=False)
        notes.append(
            f"{int(lot.sum()):,} of the {programme.visits_per_year:,} visits of"
            f" {season.first_day.year} are picked at random (column visit_by_lot). Visit these"
            " units whatever their rank and record them as by_lot. The next test on past visits can"
            " then speak for every unit."
        )
    limits = [*LIMITS] if programme.random_share else [*LIMITS, OFFER]
    sentences = [*replay_sentences(replayed), *replay_sentences(replayed, among="by_lot")]
    return PastVisits(
        columns,
        replayed,
        learned.section(),
        {"sentences": sentences, "limits": limits},
        tuple(notes),
    )
