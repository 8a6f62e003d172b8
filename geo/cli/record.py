"""``rillmark record``: findings of visits, added to the county's records."""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from geo.cli.shared import (
    DONE,
    PART_MISSING,
    UNUSABLE,
    as_of_option,
    county_argument,
    json_option,
    plain_errors,
    print_json,
)
from layers.fields.days import format_day
from layers.measures import count_of


@click.command()
@county_argument
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--by",
    default="history",
    show_default=True,
    help="Who vouches for past visits from a table. A day file names its own person.",
)
@click.option(
    "--prepare", is_flag=True, help="As the owner of a database: set it up for records, once."
)
@click.option("--may-read", multiple=True, help="With --prepare: a role that may read.")
@click.option("--may-add", multiple=True, help="With --prepare: a role that may also add.")
@click.option("--may-dispose", multiple=True, help="With --prepare: a role that may also delete.")
@as_of_option
@json_option
def record(
    county_toml: Path,
    files: tuple[Path, ...],
    by: str,
    prepare: bool,
    may_read: tuple[str, ...],
    may_add: tuple[str, ...],
    may_dispose: tuple[str, ...],
    as_of: Any,
    as_json: bool,
) -> None:
    """Add day files and past visits to the county's records.

    \b
    Example:  rillmark record our_county/county.toml 2026-04-03_kim.jsonl
              rillmark record our_county/county.toml visits_before_2026.xlsx --by "Office"

    Day files come from the record page of `rillmark visit`. Past visits come from a CSV file or a
    spreadsheet; name its columns with `columns` in [records] of the county file. Records are never
    changed: adding the same file again adds nothing. If an id comes again with different content,
    both are kept, and 'rillmark findings list' shows the conflict.

    For records in a PostgreSQL database, its owner runs this once with --prepare and names the
    roles that may read, add or delete.

    Exit status 0: everything was added. 1: something was not used. 2: nothing could be used.
    """
    if (may_read or may_add or may_dispose) and not prepare:
        raise click.UsageError("use --may-read, --may-add and --may-dispose only with --prepare")
    if prepare:
        _prepare(county_toml, may_read, may_add, may_dispose)
        if not files:
            sys.exit(DONE)
    if not files:
        raise click.UsageError("Missing argument 'FILES...'.")
    from layers.reading.bring_in import bring_in
    from layers.reading.reading import read_county
    from layers.records.stores import open_store
    from layers.settings.county_file import RecordsSection

    # a visit made today is no fault, whatever the date in the county file
    today = dt.datetime.now().astimezone().date()
    with plain_errors():
        county = read_county(county_toml, as_of=as_of)
        store = open_store(county.file.records, county_toml.parent)
        results = bring_in(
            files,
            store,
            county.file.records or RecordsSection(),
            county=county.file.county.name,
            by=by,
            unit_ids=frozenset(county.layers["units"]["unit_id"]),
            as_of=as_of or max(county.as_of, today),
        )
    if as_json:
        print_json([asdict(result) for result in results])
    else:
        for result in results:
            _say(result)
        last = max((r.last_day for r in results if r.last_day), default=None)
        if last is not None and county.as_of < min(last, today):
            click.echo(
                f"The county file is set to {format_day(county.as_of)}. Later visits count once its"
                " 'as_of' is later, or with --as-of."
            )
    if all(result.refused for result in results):
        sys.exit(UNUSABLE)
    partly = any(r.refused or r.set_aside or r.disputed for r in results)
    sys.exit(PART_MISSING if partly else DONE)


def _prepare(
    county_toml: Path,
    may_read: tuple[str, ...],
    may_add: tuple[str, ...],
    may_dispose: tuple[str, ...],
) -> None:
    from layers.records.stores import open_store
    from layers.settings.county_file import CountyFile
    from layers.settings.settings_file import load_model

    with plain_errors():
        store = open_store(load_model(county_toml, CountyFile).records, county_toml.parent)
        store.prepare(readers=may_read, adders=may_add, disposers=may_dispose)
    click.echo("The database is ready for records.")


def _say(result: Any) -> None:
    if result.refused:
        click.echo(f"{result.file}: nothing added: {result.refused}")
    else:
        words = [f"{count_of(result.taken, 'record')} added"]
        words += [f"{result.known} already on record"] if result.known else []
        words += (
            [f"{result.disposed} deleted earlier under the schedule"] if result.disposed else []
        )
        words += [f"{count_of(len(result.set_aside), 'row')} not used"] if result.set_aside else []
        click.echo(f"{result.file}: {', '.join(words)}")
    for danger in result.dangers:
        click.echo(f"  DANGEROUS CONDITION found. Follow up at once: {danger}")
    for word in result.words:
        click.echo(f"  {word}")
    for dispute in result.disputed:
        click.echo(f"  CONFLICT: {dispute}")
    for reason in result.set_aside:
        click.echo(f"  Not used: {reason}")
    for doubt in result.doubted:
        click.echo(f"  Added with a warning: {doubt}")
