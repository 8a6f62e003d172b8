"""What `rillmark findings` makes of the records: photos, a snapshot, a release, letters."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import Any

import click

from geo.cli.findings import must_be_known, opened
from geo.cli.shared import (
    PART_MISSING,
    Day,
    as_of_option,
    county_argument,
    must_not_be_read_from,
    plain_errors,
    records_in_doubt,
)
from geo.results.cautions import COUNSEL, STAFF_ONLY
from layers.measures import count_of


@click.command()
@county_argument
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--unit", "unit_ids", multiple=True, help="Only this unit. May be repeated.")
def photos(county_toml: Path, folder: Path, unit_ids: tuple[str, ...]) -> None:
    """Save the photos of visits as files, with a list of them. Staff only.

    \b
    Example:  rillmark findings photos our_county/county.toml photos_staff/ --unit 00109

    The list `photos.csv` says which visit each photo is from. Place, time and camera data that a
    phone adds to a photo are removed.
    """
    import pandas as pd

    from layers.errors import RecordError
    from layers.files.tables import write_csv
    from layers.records.photos import photos as kept_photos

    with plain_errors():
        must_be_known(county_toml, unit_ids)
        county, store = opened(county_toml)
        assert county.records is not None
        visits = county.records.visits
        if unit_ids:
            visits = visits[visits["unit_id"].isin(unit_ids)]
        rows, unread = [], 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for p in kept_photos(store, frozenset(visits["inspection_id"])):
                if p.jpeg is None or p.file_name is None:
                    unread += 1
                    continue
                (folder / p.file_name).write_bytes(p.jpeg)
                rows.append([p.file_name, p.unit_id, f"{p.day}", p.note, p.by, p.record_id])
            if rows:
                columns = ["file", "unit_id", "day", "shows", "by", "record_id"]
                write_csv(pd.DataFrame(rows, columns=columns), folder / "photos.csv")
        except OSError as error:
            raise RecordError(
                f"the photos cannot be written: {error.strerror or error}",
                where=str(folder),
                hint="free disk space, or name another folder",
            ) from error
    click.echo(f"{count_of(len(rows), 'photo')} written to {folder}. {STAFF_ONLY}")
    if unread:
        click.echo(f"Photos that cannot be read: {unread:,}. They stay in their day files.")
    if records_in_doubt(store.read()) or unread:
        sys.exit(PART_MISSING)


@click.command()
@county_argument
@click.argument("out", type=click.Path(path_type=Path))
@as_of_option
def snapshot(county_toml: Path, out: Path, as_of: Any) -> None:
    """Write all records as one GeoPackage for a map program. Staff only.

    \b
    Example:  rillmark findings snapshot our_county/county.toml records_staff.gpkg
    """
    from layers.records.release import write_snapshot

    with plain_errors():
        county, store = opened(county_toml, as_of)
        assert county.records is not None
        must_not_be_read_from(county, out)
        write_snapshot(out, county.records, county.layers["units"], as_of=county.as_of)
    click.echo(f"Written to {out}. {STAFF_ONLY}")
    if records_in_doubt(store.read()):
        sys.exit(PART_MISSING)


@click.command()
@county_argument
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--unit", "unit_ids", multiple=True, help="Only this unit. May be repeated.")
@click.option("--since", type=Day(), default="1900-01-01", help="First date of visits.")
@click.option("--until", type=Day(), default="2999-12-31", help="Last date of visits.")
@click.option(
    "--visit-list",
    type=click.Path(path_type=Path),
    default=None,
    help="The visit list. Default: visit.toml beside the county file, if there is one.",
)
def release(
    county_toml: Path,
    out: Path,
    unit_ids: tuple[str, ...],
    since: dt.date,
    until: dt.date,
    visit_list: Path | None,
) -> None:
    """Write a redacted CSV for a public-records request.

    \b
    Example:  rillmark findings release our_county/county.toml release.csv --unit 00109

    It has no typed text, and the output says what was withheld. Names come from the visit list,
    from values and units of measure that Rillmark knows, and from `release_words` in [records] of
    the county file.
    """
    from layers.files.tables import write_csv
    from layers.records.release import redacted
    from layers.records.release_words import release_words
    from layers.settings.visit_list import load_visit_list

    if since > until:
        raise click.UsageError(
            f"--since {since} is after --until {until}: give the earlier date first"
        )
    with plain_errors():
        must_be_known(county_toml, unit_ids)
        county, store = opened(county_toml)
        must_not_be_read_from(county, out)
        beside = county_toml.parent / "visit.toml"
        own = visit_list or (beside if beside.is_file() else None)
        section, found = county.file.records, store.read()
        table, note = redacted(
            found.in_force().records,
            unit_ids=frozenset(unit_ids) if unit_ids else None,
            known=frozenset(county.layers["units"]["unit_id"]),
            words=release_words(load_visit_list(own), section.release_words if section else ()),
            since=since,
            until=until,
        )
        write_csv(table, out)
    click.echo(f"Written to {out}: {count_of(note['visits'], 'visit')}.")
    click.echo(f"Withheld: {'; '.join(note['withheld'])}.")
    if any(note["held_back"].values()):
        counts = "; ".join(f"{what}: {n:,}" for what, n in note["held_back"].items() if n)
        click.echo(f"Withheld because it is typed text: {counts}.")
        click.echo(
            "Fix: add a name that may be released to the visit list, or to release_words in"
            " [records]."
        )
    doubted = records_in_doubt(found)
    click.echo(COUNSEL)
    if doubted:
        sys.exit(PART_MISSING)


@click.command()
@county_argument
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--template",
    type=click.Path(path_type=Path),
    default=None,
    help="The county's own letter. Default: the one that comes with Rillmark.",
)
@as_of_option
def letters(county_toml: Path, folder: Path, template: Path | None, as_of: Any) -> None:
    """Write a letter for each unit with open findings.

    \b
    Example:  rillmark findings letters our_county/county.toml letters/ --template ours.txt
    """
    from geo.publish.tables.letters import letters as made_letters
    from layers.fields.days import format_day

    with plain_errors():
        county, store = opened(county_toml, as_of)
        assert county.records is not None
        day = format_day(county.as_of)
        follow_ups = county.records.follow_ups
        still_open = follow_ups[follow_ups["state"] != "closed"]
        texts = made_letters(
            still_open,
            county.layers["units"],
            county=county.file.county.name,
            day=day,
            as_of=county.as_of,
            template=template,
        )
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, "utf-8")
    click.echo(f"{count_of(len(texts), 'letter')} written to {folder}.")
    wanting = sorted(set(still_open["unit_id"]) - set(county.layers["units"]["unit_id"]))
    if wanting:
        click.echo(f"No letter for units that are not in the list of units: {', '.join(wanting)}.")
    doubted = records_in_doubt(store.read())
    click.echo(COUNSEL)
    if doubted or wanting:
        sys.exit(PART_MISSING)
