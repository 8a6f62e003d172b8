"""``rillmark findings``: what the records say, and what the office adds to them."""

from __future__ import annotations

import datetime as dt
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.shared import (
    DONE,
    PART_MISSING,
    Day,
    as_of_option,
    county_argument,
    json_option,
    plain_errors,
    print_json,
    records_in_doubt,
)
from layers.measures import count_of

if TYPE_CHECKING:
    import pandas as pd

    from layers.county import County
    from layers.records.stores import RecordStore

by_option = click.option("--by", required=True, help="Your name.")
reason_option = click.option(
    "--reason", required=True, help="The reason. It is saved with the record."
)


@click.group()
def findings() -> None:
    """Work with records: follow-ups, corrections, holds, letters, releases.

    \b
    Example:  rillmark findings list our_county/county.toml
    """


def opened(county_toml: Path, as_of: Any = None) -> tuple[County, RecordStore]:
    """The county as of today, whatever the date in its file, and its records."""
    from layers.reading.reading import read_county
    from layers.records.stores import open_store

    today = dt.datetime.now().astimezone().date()
    county = read_county(county_toml, as_of=as_of or today, only_records=True)
    return county, open_store(county.file.records, county_toml.parent)


@findings.command("list")
@county_argument
@click.option("--all", "everything", is_flag=True, help="Include closed follow-ups.")
@as_of_option
@json_option
def list_(county_toml: Path, everything: bool, as_of: Any, as_json: bool) -> None:
    """List follow-ups by due date, conflicting visits and unreadable files.

    \b
    Example:  rillmark findings list our_county/county.toml
    """
    with plain_errors():
        county, store = opened(county_toml, as_of)
        aside = store.read().set_aside
    stands = county.records
    assert stands is not None
    follow_ups = stands.follow_ups
    if not everything:
        follow_ups = follow_ups[follow_ups["state"] != "closed"]
    follow_ups = follow_ups.sort_values(["due", "unit_id", "follow_up_id"], na_position="last")
    tables = {
        "follow_ups": follow_ups, "conflicts": stands.conflicts, "disputed": stands.disputed,
        "holds": stands.holds,
    }  # fmt: skip
    if as_json:
        rows = {
            name: json.loads(t.to_json(orient="records", date_format="iso"))
            for name, t in tables.items()
        }
        print_json(rows | {"unreadable": [f"{a.file}: {a.reason}" for a in aside]})
    else:
        seen_since = _seen_since(follow_ups, stands.visits)
        for row in follow_ups.to_dict("records"):
            due = "no due date" if _is_null(row["due"]) else f"{row['due'].date()}"
            click.echo(
                f"{due}  {row['state']:8} unit {row['unit_id']}  {row['item']} ({row['severity']})"
                f"  {row['follow_up_id']}"
            )
            if row["state"] != "closed" and row["follow_up_id"] in seen_since:
                click.echo(f"            {seen_since[row['follow_up_id']]}")
        for row in stands.holds.to_dict("records"):
            click.echo(
                f"Hold on {'unit ' + row['unit_id'] if row['unit_id'] else 'the whole county'}:"
                f" {row['reason']}  {row['record_id']}"
            )
        for row in stands.conflicts.to_dict("records"):
            click.echo(
                f"Two visits disagree: unit {row['unit_id']}, {row['day'].date()}: {row['differs']}"
            )
        _print_disputed(stands.disputed)
        for a in aside:
            click.echo(f"Cannot be used: {a.file}: {a.reason}")
        click.echo(
            f"{count_of(len(follow_ups), 'follow-up')}. Visits that disagree:"
            f" {len(stands.conflicts)}. Record ids with more than one content:"
            f" {stands.disputed['record_id'].nunique()}. Files or lines that cannot be used:"
            f" {len(aside)}."
        )
    sys.exit(PART_MISSING if aside or len(stands.disputed) else DONE)


def _print_disputed(disputed: pd.DataFrame) -> None:
    for record_id, some in disputed.groupby("record_id", sort=False):
        click.echo(f"Record {record_id} has {len(some)} different contents:")
        for row in some.to_dict("records"):
            counts = "used now " if row["governs"] else "         "
            unit = f"unit {row['unit_id']}, " if row["unit_id"] else ""
            click.echo(f"    {row['content'][:12]}  {counts}  {unit}{row['says']}")
        click.echo(
            "    Fix: withdraw the wrong one: 'rillmark findings withdraw COUNTY.toml"
            f" {record_id} --content ... --by ... --reason ...'"
        )


def _seen_since(follow_ups: pd.DataFrame, visits: pd.DataFrame) -> dict[str, str]:
    """What to say of follow-ups whose unit has had a completed visit since: only a word closes."""
    completed = visits[visits["outcome"] == "completed"].groupby("unit_id")["date"].max()
    last = follow_ups["unit_id"].map(completed.to_dict()).astype("datetime64[us]")
    since = follow_ups[last > follow_ups["found_on"]].assign(last=last)
    return {
        row[
            "follow_up_id"
        ]: f"The unit had a completed visit on {row['last'].date()}. If the repair is done, run"
        f" 'rillmark findings close COUNTY.toml {row['follow_up_id']} --evidence ... --by ...'"
        for row in since.to_dict("records")
    }


def must_be_known(county_toml: Path, unit_ids: Sequence[str]) -> None:
    """Refuse a unit that neither the list nor the records have: a slip would protect nothing."""
    from layers.errors import RecordError
    from layers.fields.values import bare_id, hint_at_id
    from layers.records.model import Visit

    if not unit_ids:
        return
    county, store = opened(county_toml)
    known = {r.unit_id for r in store.read().records if isinstance(r, Visit)}
    known |= set(county.layers["units"]["unit_id"])
    for unit_id in unit_ids:
        if unit_id not in known:
            hint = hint_at_id(unit_id, {bare_id(other): other for other in sorted(known)})
            raise RecordError(
                f"unit {unit_id!r} is not in the list of units or the records{hint}",
                where="--unit",
                hint="type the id as it is in the list of units",
            )


def _must_be_later(county_toml: Path, follow_up_id: str, until: dt.date) -> None:
    """Refuse a day that gives no more time."""
    from layers.errors import RecordError

    stands = opened(county_toml)[0].records
    assert stands is not None
    rows = stands.follow_ups[stands.follow_ups["follow_up_id"] == follow_up_id]
    due = rows["due"].dropna().dt.date.max() if rows["due"].notna().any() else None
    if due is not None and until <= due:
        raise RecordError(
            f"{until} is not later than the present due date, {due}",
            where="--until",
            hint="give a later date",
        )


def _is_null(value: Any) -> bool:
    return value is None or value != value


def _word(county_toml: Path, kind: str, by: str, **fields: Any) -> None:
    from layers.records.office import add_word

    with plain_errors():
        county, store = opened(county_toml)
        added = add_word(
            store, kind, county=county.file.county.name, by=by, at=dt.datetime.now(dt.UTC), **fields
        )
    click.echo(f"Saved as record {added.day.records[0].record_id}.")


@findings.command()
@county_argument
@click.argument("record_id")
@click.option(
    "--content", default="", help="Start of the hash, if the id has more than one content."
)
@by_option
@reason_option
def withdraw(county_toml: Path, record_id: str, content: str, by: str, reason: str) -> None:
    """Withdraw a wrong record: it no longer counts, but stays on file.

    \b
    Example:  rillmark findings withdraw our_county/county.toml 4f1c... --by Kim \\
                --reason "wrong unit"
    """
    _word(county_toml, "withdrawal", by, of=record_id, content=content, reason=reason)


@findings.command()
@county_argument
@click.argument("follow_up_id")
@click.option("--until", required=True, type=Day(), help="The new due date.")
@by_option
@reason_option
def extend(county_toml: Path, follow_up_id: str, until: dt.date, by: str, reason: str) -> None:
    """Give a follow-up a later due date.

    \b
    Example:  rillmark findings extend our_county/county.toml 4f1c.../1 --until 2026-07-01 \\
                --by Kim --reason "part on order"
    """
    with plain_errors():
        _must_be_later(county_toml, follow_up_id, until)
    _word(county_toml, "extension", by, of=follow_up_id, until=until, reason=reason)


@findings.command()
@county_argument
@click.argument("follow_up_id")
@click.option("--evidence", required=True, help="What shows that the work is done.")
@by_option
def close(county_toml: Path, follow_up_id: str, evidence: str, by: str) -> None:
    """Close a follow-up: the work is done.

    \b
    Example:  rillmark findings close our_county/county.toml 4f1c.../1 --by Kim \\
                --evidence "photo 12"
    """
    _word(county_toml, "closure", by, of=follow_up_id, evidence=evidence)


@findings.command()
@county_argument
@click.option("--unit", "unit_id", default="", help="One unit. Default: the whole county.")
@by_option
@reason_option
def hold(county_toml: Path, unit_id: str, by: str, reason: str) -> None:
    """Put records on hold: none is deleted until the hold is removed.

    \b
    Example:  rillmark findings hold our_county/county.toml --unit 00109 --by Kim --reason appeal
    """
    with plain_errors():
        must_be_known(county_toml, [unit_id] if unit_id else [])
    _word(county_toml, "hold", by, unit_id=unit_id, reason=reason)


@findings.command()
@county_argument
@click.argument("number")
@click.option("--what", required=True, help="What was measured, such as CBOD5.")
@click.option("--value", required=True, type=float, help="The measured value.")
@click.option("--unit", required=True, help="Unit of the value, such as mg/L.")
@click.option(
    "--qualifier",
    type=click.Choice(["", "<", ">"]),
    default="",
    help="Below or above what the laboratory can measure.",
)
@click.option(
    "--limit", type=float, default=None, help="The limit in the unit's own permit, if it has one."
)
@click.option("--limit-from", default="", help="The permit that sets the limit.")
@by_option
def result(county_toml: Path, number: str, by: str, **fields: Any) -> None:
    """Add a laboratory result to a sample, by the sample's number.

    \b
    Example:  rillmark findings result our_county/county.toml S-104 --what CBOD5 --value 12 \\
                --unit mg/L --by Office
    """
    from layers.records.model import Visit

    _word(county_toml, "sample_result", by, number=number, **fields)
    with plain_errors():
        records = opened(county_toml)[1].read().records
    samples = {s.number for r in records if isinstance(r, Visit) for s in r.samples}
    if number not in samples:
        click.echo(
            f"No visit on record took sample {number!r}. The result joins it once that visit is on"
            " record. Fix: if the number is wrong, withdraw this record."
        )


@findings.command()
@county_argument
@click.argument("record_id")
@by_option
@reason_option
def lift(county_toml: Path, record_id: str, by: str, reason: str) -> None:
    """Remove a hold.

    \b
    Example:  rillmark findings lift our_county/county.toml 77aa... --by Kim --reason "case closed"
    """
    _word(county_toml, "hold_lifted", by, of=record_id, reason=reason)


@findings.command()
@county_argument
@click.option("--by", required=True, help="Your name, for the disposal log.")
@click.option("--authority", required=True, help="The retention schedule or order that allows it.")
@click.option("--yes", is_flag=True, help="Delete without asking first.")
def dispose(county_toml: Path, by: str, authority: str, yes: bool) -> None:
    """Permanently delete expired records that no hold protects.

    \b
    Example:  rillmark findings dispose our_county/county.toml --by Kim --authority "schedule 12"

    The retention schedule is `keep_years` in [records] of the county file.
    """
    from layers.records.disposal import due_for_disposal

    now = dt.datetime.now(dt.UTC)
    with plain_errors():
        county, store = opened(county_toml)
        keep: dict[str, float] = {}
        if county.file.records is not None:
            keep.update(county.file.records.keep_years.items())
        found, listed = store.read(), frozenset(county.layers["units"]["unit_id"])
        gone = due_for_disposal(found.filed, keep, today=now.date(), unit_ids=listed)
        count = count_of(len(gone), "record")
        click.echo(f"Past the retention schedule and not on hold: {count}.")
        if gone and not yes and not click.confirm("Delete them permanently?", default=False):
            click.echo("Nothing was deleted.")
            return
        went, replaced = store.dispose(
            gone, keep, by=by, authority=authority, at=now, unit_ids=listed
        )
    click.echo(
        f"{count_of(went, 'record')} deleted and logged. {count_of(replaced, 'day file')} replaced."
    )
    if went < len(gone):
        click.echo(f"Kept, because a record or hold was added meanwhile: {len(gone) - went}.")
    if records_in_doubt(found):
        sys.exit(PART_MISSING)


@findings.command()
@county_argument
@click.argument("file")
@by_option
@reason_option
def lost(county_toml: Path, file: str, by: str, reason: str) -> None:
    """Report a missing day file as lost, so that it is no longer listed.

    \b
    Example:  rillmark findings lost our_county/county.toml 2026-04-03_kim_1a2b3c4d5e6f.jsonl \\
                --by Kim --reason "laptop stolen"

    First look for a copy: 'rillmark record' adds it back. This entry goes into the disposal log.
    """
    with plain_errors():
        store = opened(county_toml)[1]
        store.give_up(file, by=by, reason=reason, at=dt.datetime.now(dt.UTC))
    click.echo(f"Logged as lost: {file}")
