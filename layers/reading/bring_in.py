"""Bringing day files and past visits into the records, and what became of each."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from pathlib import Path

from layers.errors import RecordError, RillmarkError
from layers.files.kinds import regular_size
from layers.measures import count_of
from layers.reading.histories import HISTORY_SUFFIXES, visits_of_history
from layers.records.day_file import (
    MOST_BYTES,
    SUFFIX,
    DayFile,
    parse_day_file,
    without_records,
    write_day_file,
)
from layers.records.in_force import InForce, Node, is_word
from layers.records.model import Record, Visit, content_hash
from layers.records.photos import strip_photos
from layers.records.standing import shortly
from layers.records.stores import RecordStore
from layers.settings.county_file import LayerSection, RecordsSection


@dataclass
class Brought:
    """What became of one file.

    Attributes
    ----------
    taken, known, disposed
        Records that are new, those that stood in the records already, and those that were
        disposed of by the schedule, which no copy brings back.
    set_aside
        Rows or lines that cannot be used, each with its reasons.
    doubted
        What is kept although something in it was not understood or fits nothing yet.
    disputed
        Records whose id stands for another content too; both are kept.
    words
        Withdrawals, extensions, closures and lifts among the new records.
    dangers
        Dangers that new visits found, which cannot wait for the next assessment.
    last_day
        Of its visits; None where it has none.
    refused
        Why nothing of the file was taken; empty where it was.
    """

    file: str
    taken: int = 0
    known: int = 0
    disposed: int = 0
    set_aside: list[str] = field(default_factory=list)
    doubted: list[str] = field(default_factory=list)
    disputed: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    dangers: list[str] = field(default_factory=list)
    last_day: dt.date | None = None
    refused: str = ""


def bring_in(
    files: Sequence[str | Path],
    store: RecordStore,
    section: RecordsSection,
    *,
    county: str,
    by: str,
    unit_ids: Set[str],
    as_of: dt.date,
) -> list[Brought]:
    """Add day files and histories to the records, one after another.

    A file that cannot be used stops no other. What is added is on the disk, whole, when this
    returns; the same file again changes nothing.

    Parameters
    ----------
    by
        Who answers for a history; a day file names its own person.
    unit_ids
        Units of the county; a history's rows of others are set aside, a day file's are kept.
    as_of
        Days after this one are doubted.
    """
    found = store.read()
    on_file = {(one.record.record_id, one.content): one.record for one in found.filed}
    gone = found.disposed - on_file.keys()
    results: list[Brought] = []
    brought_in: list[dict[Node, bool]] = []  # and whether it was on file before
    for file in files:
        path, brought = Path(file), Brought(str(file))
        results.append(brought)
        brought_in.append({})
        try:
            content = _content(path, section, brought, county, by, unit_ids, as_of)
            if content is not None and path.suffix.lower() != SUFFIX:
                content = _new_rows(content, on_file, gone, brought)
            content = _without(content, gone, brought, where=path.name)
            content = _stripped(content, on_file, brought, where=path.name)
            content = _without(content, gone, brought, where=path.name)
            added = None
            if content is not None:
                added = store.add(content, where=path.name, county=county)
        except RillmarkError as error:
            brought.refused = f"{error.what}. Fix: {error.hint}"
            continue
        if added is None:
            if brought.disposed:
                brought.refused = "all of it was deleted earlier under the retention schedule"
            elif not brought.known:
                brought.refused = "no row can be used"
            continue
        new = {(r.record_id, content_hash(r)): r for r in added.day.records}
        brought.known += len(new.keys() & on_file.keys())
        brought.taken = len(new.keys() - on_file.keys())
        brought.set_aside += added.day.set_aside
        brought.doubted += (
            _doubts(added.day, unit_ids, as_of) if path.suffix.lower() == SUFFIX else []
        )
        brought.words = [shortly(r) for n, r in new.items() if n not in on_file and is_word(r)]
        brought_in[-1] |= {n: n in on_file for n in new}
        brought.last_day = max(
            (record.day for record in added.day.records if isinstance(record, Visit)), default=None
        )
        on_file |= new
    if any(brought_in):
        force = store.read().in_force()
        for brought, nodes in zip(results, brought_in, strict=True):
            brought.disputed = _disputes(force, {record_id for record_id, _ in nodes})
            fresh = {n for n, was_there in nodes.items() if not was_there} - force.withdrawn_nodes
            brought.dangers = _dangers(on_file[n] for n in sorted(fresh))
    if found.set_aside and results:
        results[-1].doubted.append(
            f"{len(found.set_aside)} day files or lines already on record are unusable or missing."
            " 'rillmark findings list COUNTY.toml' lists them"
        )
    return results


def _disputes(force: InForce, ids: Set[str]) -> list[str]:
    """Of some ids, those that stand for several contents."""
    return [
        f"record {d.record_id} has {len(d.contents)} different contents: "
        + "; ".join(f"{one.content[:12]} {shortly(one.record)}" for one in d.contents)
        + ". All are kept; the most severe counts. Fix: withdraw the wrong ones with 'rillmark"
        f" findings withdraw COUNTY.toml {d.record_id} --content ...'"
        for d in force.disputed
        if d.record_id in ids
    ]


def _dangers(records: Iterable[Record]) -> list[str]:
    """Dangers that visits found."""
    return [
        f"unit {visit.unit_id}, {visit.day}: {item}"
        for visit in records
        if isinstance(visit, Visit) and visit.judged == "danger"
        for item in [f.item for f in visit.findings if f.severity == "danger"] or ["item not named"]
    ]


def _doubts(day: DayFile, unit_ids: Set[str], today: dt.date) -> list[str]:
    """What in a day file is kept although it fits nothing yet: a unit, or a day to come."""
    doubts = []
    for visit in (record for record in day.records if isinstance(record, Visit)):
        if visit.unit_id not in unit_ids:
            doubts.append(f"unit {visit.unit_id!r} is not in the list of units")
        if visit.day > today:
            doubts.append(
                f"unit {visit.unit_id!r}: the visit of {visit.day} is after {today} and does not"
                " count until then. Check the clock of the phone"
            )
    return doubts


def _stripped(
    content: bytes | None, on_file: Mapping[Node, Record], brought: Brought, *, where: str
) -> bytes | None:
    """A day file without the metadata of its photos, unless the records have it as it came."""
    if content is None:
        return None
    bare = strip_photos(content, on_file, where=where)
    if bare.no_picture:
        brought.doubted.append(
            f"{bare.no_picture} of its photos cannot be read. They stay in the day file and are not"
            " shown"
        )
    if not bare.removed:
        return content
    brought.doubted.append(
        f"metadata was removed from {count_of(bare.removed, 'photo')} (place, time, camera)."
        " The pictures are unchanged"
    )
    return bare.content


def _new_rows(
    content: bytes, on_file: Mapping[Node, Record], gone: Set[Node], brought: Brought
) -> bytes | None:
    """A history without the rows that are on file or were disposed of.

    The id of a row is made of what it says, so that it matters not who answered for it then.
    """
    day = parse_day_file(content, where=brought.file)
    known: dict[str, list[Record]] = {}
    for (record_id, _), record in on_file.items():
        known.setdefault(record_id, []).append(record)
    disposed = {record_id for record_id, _ in gone}
    new = []
    for record in day.records:
        same = [k.model_copy(update={"by": record.by}) for k in known.get(record.record_id, ())]
        if record in same:
            brought.known += 1
        elif record.record_id in disposed:
            brought.disposed += 1
        else:
            new.append(record)
    return write_day_file(replace(day, records=tuple(new))) if new else None


def _without(
    content: bytes | None, gone: Set[Node], brought: Brought, *, where: str
) -> bytes | None:
    """A day file without the records that were disposed of; None where nothing is left.

    Where the log of version 0.1 names an id without its content it cannot be told whether it was
    this record: it is not taken, and that is said.
    """
    if content is None or not gone:
        return content
    day = parse_day_file(content, where=where)
    out: set[Node] = set()
    for record in day.records:
        node = (record.record_id, content_hash(record))
        if node in gone:
            brought.disposed += 1
            brought.doubted.append(
                f"{shortly(record)}: deleted earlier under the schedule, not added again"
            )
            out.add(node)
        elif (record.record_id, "") in gone:
            out.add(node)
            brought.set_aside.append(
                f"record {record.record_id} ({shortly(record)}): the disposal log of version 0.1"
                " names its id. If this record was not deleted, remove that line from the log"
            )
    return without_records(content, out) if out else content


def _content(
    path: Path,
    section: RecordsSection,
    brought: Brought,
    county: str,
    by: str,
    unit_ids: Set[str],
    as_of: dt.date,
) -> bytes | None:
    """The day file that a file is or gives; None where no row of a history can be used."""
    where = path.name
    suffix = path.suffix.lower()
    if suffix == SUFFIX:
        size = regular_size(path, error=RecordError)
        if size > MOST_BYTES:
            raise RecordError(
                f"the file has {size:,} bytes; a day file has at most {MOST_BYTES:,}",
                where=str(path),
                hint="check that it is the right file, or export the day in parts",
            )
        try:
            return path.read_bytes()
        except OSError as error:
            raise RecordError(
                f"cannot read the file: {error.strerror or error}",
                where=str(path),
                hint="check the path",
            ) from error
    if suffix not in HISTORY_SUFFIXES:
        raise RecordError(
            f"{where} is not a day file ({SUFFIX}) or a table",
            where=str(path),
            hint=f"name a day file, or past visits as {', '.join(HISTORY_SUFFIXES)}",
        )
    table = LayerSection(path=where, columns=section.columns, values=section.values)
    day, problems = visits_of_history(
        path, table, county=county, by=by, unit_ids=unit_ids, as_of=as_of
    )
    for row, some in problems.dropna(subset="row").groupby("row", sort=True):
        words = f"row {row}: {'; '.join(some['message'])}"
        is_lost = (some["action"] == "set_aside").any()
        (brought.set_aside if is_lost else brought.doubted).append(words)
    return None if day is None else write_day_file(day)
