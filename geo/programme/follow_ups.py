"""What the findings of visits ask for: each followed up, and a shared outlet at every unit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from geo.programme.obligations import FOUND_WORDS
from geo.results.due_sentences import due_sentence
from layers.fields.days import format_day

FOLLOW_UP: Final = "follow_up"
SHARED_OUTLET: Final = "shared_outlet"
# Findings that speak of the discharge point, as visit lists title them and as people may.
_AT_OUTLET: Final = frozenset(
    {"running_out", "what_runs_out", "discharge", "discharge_pipe", "pipe", "outlet",
     "discharge_point"}
)  # fmt: skip


def with_follow_ups(
    owed: pd.DataFrame,
    follow_ups: pd.DataFrame,
    links: pd.DataFrame,
    inspections: pd.DataFrame | None,
    *,
    as_of: dt.date,
) -> pd.DataFrame:
    """The table of what is owed with what findings ask for, by day.

    Parameters
    ----------
    owed
        From `geo.programme.owed.owed_visits`.
    follow_ups
        As `layers.records.Standing` has them; those that are closed, or have no day, owe nothing.
        A danger for which the programme names no day is owed from the day it was found.
    links
        ``unit_id, discharge_point_id``: units of one discharge point share it.
    inspections
        ``unit_id, date, outcome``.

    Another look at a unit whose findings are followed up one by one is not asked for twice. A
    finding at an outlet that several units share asks for a visit to each of them, until one was
    completed on or after that day: the outlet says nothing of which unit it is.
    """
    visits = follow_ups["follow_up_id"].str.rsplit("/", n=1).str[0]
    known = owed["source_id"].isin(set(visits)) & (owed["obligation"] == "reinspection")
    still = follow_ups[follow_ups["state"] != "closed"]
    still = still[still["due"].notna() | (still["severity"] == "danger")]
    still = still[still["unit_id"].isin(set(links["unit_id"]))]
    still = still.assign(at_once=still["due"].isna(), due=still["due"].fillna(still["found_on"]))
    rows = [_follow_up(row, as_of) for row in still.to_dict("records")]
    rows += _shared(still, links, inspections, as_of)
    if not rows:
        return owed[~known].reset_index(drop=True)
    more = pd.DataFrame(rows).reindex(columns=owed.columns).astype(owed.dtypes.to_dict())
    table = pd.concat([owed[~known], more], ignore_index=True)
    return table.sort_values(
        ["due", "obligation", "unit_id", "source_id"], kind="stable", ignore_index=True
    )


def _row(
    unit_id: str, obligation: str, finding: Mapping[str, Any], as_of: dt.date
) -> dict[str, Any]:
    return {
        "unit_id": unit_id,
        "obligation": obligation,
        "due": finding["due"],
        "since": finding["found_on"],
        "source_layer": "records",
        "source_id": finding["follow_up_id"],
        "source_row": pd.NA,
        "overdue_days": max((as_of - finding["due"].date()).days, 0),
        "danger": obligation == FOLLOW_UP and finding["severity"] == "danger",
    }


def _follow_up(finding: Mapping[str, Any], as_of: dt.date) -> dict[str, Any]:
    due = finding["due"].date()
    found = f"{FOUND_WORDS[finding['severity']]} ({finding['item']})"
    when = due_sentence(FOLLOW_UP, None if finding["at_once"] else due, as_of)
    why = f"The {format_day(finding['found_on'].date())} visit found {found}. {when}"
    return _row(finding["unit_id"], FOLLOW_UP, finding, as_of) | {"why": why}


def _shared(
    still: pd.DataFrame,
    links: pd.DataFrame,
    inspections: pd.DataFrame | None,
    as_of: dt.date,
) -> list[dict[str, Any]]:
    outlet_of = links.set_index("unit_id")["discharge_point_id"]
    sharing = links.dropna(subset="discharge_point_id").groupby("discharge_point_id")["unit_id"]
    units_of = {outlet: list(units) for outlet, units in sharing if len(units) > 1}
    rows = []
    for finding in still.to_dict("records"):
        if str(finding["item"]).casefold().replace(" ", "_") not in _AT_OUTLET:
            continue
        for unit_id in units_of.get(outlet_of[finding["unit_id"]], []):
            if unit_id == finding["unit_id"] or _seen(inspections, unit_id, finding["found_on"]):
                continue
            found_on, due = (format_day(finding[name].date()) for name in ("found_on", "due"))
            why = (
                f"A discharge point that several units share was not in order on {found_on}."
                f" Inspect each of the units by {due}. The discharge point does not show which unit"
                " it came from."
            )
            rows.append(_row(unit_id, SHARED_OUTLET, finding, as_of) | {"why": why})
    return rows


def _seen(inspections: pd.DataFrame | None, unit_id: str, since: pd.Timestamp) -> bool:
    """Whether a visit was completed on or after a day."""
    if inspections is None:
        return False
    mine = inspections[
        (inspections["unit_id"] == unit_id) & (inspections["outcome"] == "completed")
    ]
    return bool((pd.to_datetime(mine["date"]) >= since).any())
