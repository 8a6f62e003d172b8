"""In which order to visit the units, with reasons: from a table of what is known of each."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd

from geo.measurements import Measured, distance_sds
from geo.order.priorities import prioritize
from geo.order.reasons import add_reasons
from geo.order.steadiness import Steadiness, how_steady
from geo.past.review import Reviewed
from geo.programme.owed import must_visit
from geo.programme.unclear import gaps_of_records
from layers.fields.lookups import looked_up
from layers.measures import ShowUnits
from layers.outputs import UNITS
from layers.settings.priority_settings import Priorities
from layers.store import Assessment


@dataclass(frozen=True)
class UnitTable:
    """What is known of each unit, as `rank` takes it.

    Attributes
    ----------
    columns
        One row per unit with all that was measured and all that is on record.
    spreads
        As `geo.measurements.distance_sds` gives them, on the same index.
    checks
        As `geo.setbacks.setback_checks` gives them.
    more_gaps
        By unit, what its records leave open, in sentences.
    """

    columns: pd.DataFrame
    spreads: pd.DataFrame
    checks: gpd.GeoDataFrame
    show_units: ShowUnits = "us"
    more_gaps: Mapping[str, list[str]] = field(default_factory=dict)

    @classmethod
    def of(cls, measured: Measured, reviewed: Reviewed) -> UnitTable:
        """What `measure` and `review_records` found."""
        county = measured.county
        columns = measured.columns.join([reviewed.history, reviewed.past.columns])
        spreads = distance_sds(
            columns,
            measured.outlets.accuracy95_m,
            measured.features.get("protected_places"),
            measured.line95_m,
        )
        gaps = gaps_of_records(reviewed.owed.unclear, county.problems)
        return cls(columns, spreads, measured.checks, county.file.county.show_units, gaps)

    @classmethod
    def from_assessment(cls, result: Assessment) -> UnitTable:
        """What an assessment holds, its order left behind: to be ranked under other priorities.

        The accuracy of lines and outlines is that of the run, kept to a centimeter.
        """
        made = UNITS.arrange(result.units)
        ranked = [n for n in made if UNITS.field(n).made_by.startswith("geo.order.")]
        columns = result.units.drop(columns=[*ranked, "must_visit_by", "why_due", "danger_open"])
        last_day = dt.date.fromisoformat(result.run.season.last_day)
        columns = columns.join(must_visit(columns, result.visits.owed, until=last_day))
        points = result.discharge_points.set_index("discharge_point_id")["accuracy95_m"]
        line95_m = {"streams": np.nan, "floodplain": np.nan} | dict(result.run.line_accuracy95_m)
        spreads = distance_sds(
            columns,
            looked_up(UNITS.values(columns, "discharge_point_id"), points).to_numpy(float),
            result.context.get("protected_places"),
            line95_m,
        )
        gaps = gaps_of_records(result.visits.unclear, result.problems)
        show_units = result.run.county.show_units
        return cls(columns, spreads, result.setback_checks, show_units, gaps)


@dataclass(frozen=True)
class Ranked:
    """The units with their ranks, classes, reasons and gaps, on the index of the table."""

    units: pd.DataFrame
    steady: Steadiness
    priorities: Priorities


def rank(
    table: UnitTable, priorities: Priorities, *, owed_until: dt.date | None = None, seed: int = 0
) -> Ranked:
    """The order of visits under these priorities, how steady it is, and why each stands there.

    Parameters
    ----------
    owed_until
        Visits owed by this day come before all others; None: only the score speaks.
    seed
        Of the orders drawn.
    """
    priorities = priorities.for_columns(table.columns.columns)
    order = prioritize(table.columns, priorities, owed_until=owed_until)
    steady = how_steady(table.columns, order, priorities, table.spreads, seed=seed)
    units = pd.concat([order, steady.columns, table.columns], axis=1)
    reasons = add_reasons(
        units.join(table.spreads.add_suffix("_sd")),
        table.checks,
        priorities,
        show_units=table.show_units,
        more_gaps=table.more_gaps,
    )
    return Ranked(units.join(reasons), steady, priorities)
