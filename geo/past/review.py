"""What the county's records say: findings, visits that are owed, what past visits taught."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd

from geo.measurements import Measured
from geo.past.past_visits import PastVisits, past_visits
from geo.programme.history import history_columns
from geo.programme.owed import CountyOwed, must_visit, owed_in
from geo.steps import Steps
from layers.settings.priority_settings import Priorities


@dataclass(frozen=True)
class Reviewed:
    """What the records say, on the index of the county's units.

    Attributes
    ----------
    owed
        Visits that are owed, and those nobody knows the day of.
    history
        ``age_years``, ``days_since_inspection``, ``last_result`` and when a visit is owed.
    past
        What past visits taught.
    priorities
        The county's, their classes sized to the season.
    """

    owed: CountyOwed
    history: pd.DataFrame
    past: PastVisits
    priorities: Priorities

    @property
    def owed_until(self) -> dt.date:
        """Visits owed by this day come first in the order: the last of the season."""
        return self.owed.season.last_day


def review_records(measured: Measured, *, seed: int = 0, steps: Steps | None = None) -> Reviewed:
    """Go through the county's records, on its day, beside what was measured.

    Parameters
    ----------
    seed
        Of what is drawn: the lot for the next visits, the bands of the replay.
    """
    steps = steps or Steps()
    county, units = measured.county, measured.county.layers["units"]
    with steps("records: age, findings, visits due"):
        history = history_columns(
            units,
            county.layers.get("inspections"),
            as_of=county.as_of,
            strays=county.strays.get("inspections"),
        )
        owed = owed_in(county)
        history = history.join(must_visit(units, owed.visits, until=owed.season.last_day))
        priorities = county.priorities.for_season(*owed.visits_left)
    with steps("what past visits taught"):
        table = measured.columns.join(history)
        past = past_visits(table, county, priorities, season=owed.season, seed=seed)
    return Reviewed(owed, history, past, priorities)
