"""Past visits from a CSV or a spreadsheet, as records."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Set
from pathlib import Path
from typing import Final

import pandas as pd

from layers.errors import RecordError
from layers.fields.schemas import SCHEMAS
from layers.files.tables import TABLE_SUFFIXES, read_table
from layers.problems import ProblemLog
from layers.reading.check import check_rows
from layers.reading.drafts import draft_layer
from layers.records.day_file import DayFile
from layers.records.model import Visit
from layers.settings.county_file import LayerSection

HISTORY_SUFFIXES: Final = TABLE_SUFFIXES
_NOON: Final = dt.time(12, tzinfo=dt.UTC)


def visits_of_history(
    path: str | Path,
    section: LayerSection,
    *,
    county: str,
    by: str,
    unit_ids: Set[str],
    as_of: dt.date,
) -> tuple[DayFile | None, pd.DataFrame]:
    """A history as one day file, and its problems.

    Parameters
    ----------
    section
        Its ``columns``, ``values`` and ``layer`` as for the inspections layer.
    by
        Who answers for the history; stands in every record.
    unit_ids
        Units of the county; rows of others are set aside.

    Returns
    -------
    The day file of its last day (None where no row can be used), and the rows set aside, mended
    or doubted, each with its reason. A row gives the same record however often it is read, and
    wherever in the table it stands; rows that are alike in every cell stay as many as they are.

    Raises
    ------
    LayerError
        When the file cannot be read as a table, or lacks a column.
    RecordError
        When it has no column of days or none of units.
    """
    path = Path(path)
    schema, log = SCHEMAS["inspections"], ProblemLog()
    draft = draft_layer(
        read_table(path, sheet=section.layer), schema, section, where=path.name, log=log
    )
    lacking = [name for name in ("unit_id", "date") if name not in draft.columns]
    if lacking:
        free = ", ".join(repr(c) for c in draft.raw.columns if c not in draft.columns.values())
        pairs = ", ".join(f'{name} = "..."' for name in lacking)
        raise RecordError(
            f"no column is recognized as {' or '.join(repr(name) for name in lacking)}",
            where=path.name,
            hint=f"add columns = {{ {pairs} }} to [records] of the county file; columns not used:"
            f" {free or 'none'}",
        )
    rows = check_rows(draft, as_of=as_of, units=pd.Series(sorted(unit_ids), dtype=object))
    no_day = rows["date"].isna()
    for row in rows[no_day].to_dict("records"):
        log.add(
            "inspections", "date_unreadable", "the visit has no date, so it cannot be added",
            action="set_aside", row=int(row["source_row"]), feature_id=row["inspection_id"],
        )  # fmt: skip
    draft.ledger.write(log)
    seen: Counter[tuple[object, ...]] = Counter()
    has_ids = "inspection_id" in draft.columns
    visits = [
        _visit(row, county, by, seen, has_ids=has_ids) for row in rows[~no_day].to_dict("records")
    ]
    if not visits:
        return None, log.frame()
    last = max(visit.day for visit in visits)
    return DayFile(county, last, by, tuple(visits)), log.frame()


def _visit(
    row: dict[str, object],
    county: str,
    by: str,
    seen: Counter[tuple[object, ...]],
    *,
    has_ids: bool,
) -> Visit:
    """``seen`` counts the rows alike so far; an id that was made of a row's place is none."""
    day = pd.Timestamp(str(row["date"])).date()
    note = "" if pd.isna(row["note"]) else str(row["note"])
    own = row["inspection_id"] if has_ids else ""
    cells = (county, row["unit_id"], day, row["outcome"], row["result"], note, own)
    alike, seen[cells] = seen[cells], seen[cells] + 1
    digest = hashlib.sha256("\x1f".join(map(str, (*cells, alike))).encode()).hexdigest()
    return Visit(
        kind="visit",
        record_id=f"history-{digest[:20]}",
        county=county,
        at=dt.datetime.combine(day, _NOON),
        by=by,
        unit_id=str(row["unit_id"]),
        day=day,
        outcome=str(row["outcome"]),
        result=row["result"],  # type: ignore[arg-type]
        by_lot=not pd.isna(row["by_lot"]) and bool(row["by_lot"]),
        note=note[:4_000],
    )
