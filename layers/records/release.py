"""What leaves the office: a snapshot for map programs, and a redacted release on request."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping, Sequence, Set
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pandas as pd
import shapely

from layers.crs import WGS84
from layers.fields.lookups import looked_up
from layers.files.vector import write_geopackage
from layers.records.model import Record, Visit
from layers.records.release_words import ReleaseWords, plain_word
from layers.records.standing import Standing

WITHHELD: Final = (
    "who made the visit", "free text, which may name people", "photos", "positions",
    "withdrawn records",
)  # fmt: skip
HELD_BACK: Final = "withheld"
ITEM: Final = "names of checked items that are not in the visit list"
VALUE: Final = "names of measured values that are not known"
UNIT: Final = "units of measure that are not known"


def write_snapshot(
    path: str | Path, stands: Standing, units: gpd.GeoDataFrame, *, as_of: dt.date
) -> None:
    """Everything that stands, as one GeoPackage for a map program; staff only.

    Layers ``units`` (with the last visit and the open follow-ups), ``visits`` (at their units,
    with what was seen in a few words), ``follow_ups``, ``answers``, ``running_out``, ``samples``,
    ``positions``, ``taped``, ``measured``, ``conflicts``.
    """
    last = stands.visits.drop_duplicates("unit_id", keep="last").set_index("unit_id")
    still_open = stands.follow_ups[stands.follow_ups["state"] != "closed"]
    count = still_open.groupby("unit_id").size()
    at = units[["unit_id", "geometry"]].copy()
    for name in ("date", "outcome", "result"):
        at[f"last_{'visit' if name == 'date' else name}"] = looked_up(at["unit_id"], last[name])
    at["open_follow_ups"] = looked_up(at["unit_id"], count).fillna(0).astype(int)
    positions = gpd.GeoDataFrame(
        stands.positions,
        geometry=shapely.points(stands.positions[["lon", "lat"]].to_numpy(float)),
        crs=WGS84,
    )
    tables = {
        "units": at,
        "visits": _visits_on_map(stands, units),
        "follow_ups": stands.follow_ups,
        "answers": stands.answers,
        "running_out": stands.running_out,
        "samples": stands.samples.assign(taken_at=stands.samples["taken_at"].astype(str)),
        "positions": positions,
        "taped": stands.taped,
        "measured": stands.measured,
        "conflicts": stands.conflicts,
    }
    write_geopackage(Path(path), tables, stamp=as_of.isoformat())


def _visits_on_map(stands: Standing, units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Visits at the places of their units; ``seen`` says what was looked at, findings or none."""
    visits = stands.visits
    at = units.drop_duplicates("unit_id").set_index("unit_id").geometry
    return gpd.GeoDataFrame(
        visits.assign(seen=visits["inspection_id"].map(_seen(stands.answers))),
        geometry=at.reindex(visits["unit_id"]).to_numpy(),
        crs=units.crs,
    )


def _seen(answers: pd.DataFrame) -> Mapping[str, str]:
    """What was seen at each visit: "11 good, 1 could not see (alarm)"."""
    text: dict[str, str] = {}
    for record_id, mine in answers.groupby("record_id"):
        pieces = []
        for answer in ("good", "not_good", "could_not_see"):
            items = mine.loc[mine["answer"] == answer, "item"]
            if len(items):
                named = "" if answer == "good" else f" ({', '.join(items)})"
                pieces.append(f"{len(items)} {answer.replace('_', ' ')}{named}")
        text[str(record_id)] = ", ".join(pieces)
    return text


def redacted(
    records: Sequence[Record],
    *,
    unit_ids: frozenset[str] | None,
    known: Set[str],
    words: ReleaseWords,
    since: dt.date,
    until: dt.date,
) -> tuple[pd.DataFrame, Mapping[str, Any]]:
    """What may go out on a public-records request, and what was held back.

    Parameters
    ----------
    records
        Those that count, as `layers.records.in_force` says.
    unit_ids
        Units asked for; None for all that are ``known``.
    known
        Units of the county's list. The id of any other was typed, and may be a name.
    words
        What things looked at, measured values and units of measure may be called.

    Returns
    -------
    One row per visit, finding, answer, measured value and sample that stands: ``unit_id, day,
    outcome, kind, what, value, unit``; and a covering note: how many visits, what is withheld,
    how much of what kind was held back because it was typed. Nothing that was typed is among the
    rows: a name that is not in ``words`` is given as `HELD_BACK`, the number of a sample always.
    Whether more or less must be released is for the office's counsel to say.
    """
    asked = known if unit_ids is None else unit_ids
    held: Counter[str] = Counter()
    rows: list[tuple[Any, ...]] = []
    visits = 0
    some = [r for r in records if isinstance(r, Visit)]
    for visit in sorted(some, key=lambda v: (v.unit_id, v.day, v.at, v.record_id)):
        if not since <= visit.day <= until:
            continue
        if visit.unit_id in asked:
            visits += 1
            rows += _rows(visit, words, held)
        elif unit_ids is None:
            held["visits to a unit that is not in the list of units"] += 1
    table = pd.DataFrame(
        rows, columns=["unit_id", "day", "outcome", "kind", "what", "value", "unit"], dtype=object
    )
    note = {
        "visits": visits,
        "since": since.isoformat(),
        "until": until.isoformat(),
        "withheld": list(WITHHELD),
        "held_back": dict(sorted(held.items())),
    }
    return table, note


def _rows(visit: Visit, words: ReleaseWords, held: Counter[str]) -> list[tuple[Any, ...]]:
    head = (visit.unit_id, visit.day.isoformat(), visit.outcome)

    def text(known: Mapping[str, str], typed: str, kind: str) -> str:
        word = known.get(plain_word(typed))
        held[kind] += word is None
        return HELD_BACK if word is None else word

    rows: list[tuple[Any, ...]] = [(*head, "result", "", visit.judged, "")]
    rows += [
        (*head, "finding", text(words.things, f.item, ITEM), f.severity, "") for f in visit.findings
    ]
    rows += [
        (*head, "answer", text(words.things, a.item, ITEM), a.answer, "") for a in visit.answers
    ]
    for m in visit.measured:
        value = m.qualifier + ("" if m.value is None else f"{m.value:g}")
        what, unit = text(words.values, m.what, VALUE), text(words.units, m.unit, UNIT)
        rows.append((*head, "measured", what, value, unit))
    rows += [(*head, "sample", HELD_BACK, s.taken_at.isoformat(), "") for s in visit.samples]
    held["sample numbers"] += len(visit.samples)
    return rows
