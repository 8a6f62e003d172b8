"""``rillmark due``: which visits are owed and by when."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.describe import doubted_records, left_out, print_table
from geo.cli.shared import (
    DONE,
    PART_MISSING,
    as_of_option,
    county_argument,
    json_option,
    must_not_be_read_from,
    plain_errors,
    print_json,
)

if TYPE_CHECKING:
    import pandas as pd

    from geo.programme.owed import CountyOwed
    from layers.county import County

RECORDS = ("units", "inspections", "complaints", "permits", "records")
file_type = click.Path(path_type=Path, dir_okay=False)


@click.command()
@county_argument
@as_of_option
@click.option(
    "--within",
    "days",
    type=click.IntRange(min=0, max=36_525),
    default=None,
    help="List what is due within so many days; left out: by the end of the season.",
)
@click.option("--csv", "csv_file", type=file_type, default=None, help="Also write a CSV table.")
@click.option(
    "--calendar",
    "calendar_file",
    type=file_type,
    default=None,
    help="Also write a calendar file (.ics): unit and kind of visit, no address, no reason.",
)
@json_option
def due(
    county_toml: Path,
    as_of: Any,
    days: int | None,
    csv_file: Path | None,
    calendar_file: Path | None,
    as_json: bool,
) -> None:
    """Which visits are owed by the county's programme, earliest first.

    \b
    Example:  rillmark due our_county/county.toml
              rillmark due our_county/county.toml --within 30 --calendar visits.ics

    What is overdue is always listed. Only a completed visit resets a clock.
    """
    from geo.programme.owed import owed_in
    from layers.fields.days import days_after
    from layers.problems import unanswered
    from layers.reading.reading import read_county

    with plain_errors():
        county = read_county(county_toml, as_of=as_of, only_records=True)
        owed = owed_in(county)
        until = owed.season.last_day if days is None else days_after(county.as_of, days)
        listed = owed.visits[owed.visits["due"].dt.date <= until]
        written = _written(listed, county, csv_file, calendar_file)
    later = len(owed.visits) - len(listed)
    if as_json:
        print_json(_report(listed, county, owed, until=until, later=later))
    else:
        _say(listed, county, owed, until=until, later=later)
        for line in written:
            click.echo(line)
    problems = county.problems[county.problems["layer"].isin(RECORDS)]
    for layer, found in unanswered(problems).groupby("layer", sort=False):
        click.echo(
            f"{str(layer).replace('_', ' ')}: {found['message'].iloc[0]}. Visits may be due that"
            " are not listed here: 'rillmark check COUNTY.toml' says what to do.",
            err=True,
        )
    doubted = doubted_records(problems)
    if doubted:
        click.echo(
            f"In doubt: {doubted} day files or records cannot be used, are missing or in"
            " dispute; visits may be owed that stand in them: 'rillmark findings list COUNTY.toml'"
            " names them.",
            err=True,
        )
    sys.exit(PART_MISSING if left_out(problems) else DONE)


def _written(
    listed: pd.DataFrame, county: County, csv_file: Path | None, calendar_file: Path | None
) -> list[str]:
    """Write the files that are wanted; what to say of them."""
    from geo.publish.tables.calendar import calendar_text
    from layers.errors import LayerError
    from layers.files.tables import write_csv

    lines = []
    must_not_be_read_from(county, csv_file, calendar_file)
    try:
        if csv_file:
            write_csv(listed, csv_file)
            lines.append(f"Written to {csv_file}: {len(listed)} rows.")
        if calendar_file and len(listed):
            name = county.file.county.name
            text = calendar_text(listed, county=name, as_of=county.as_of)
            calendar_file.write_bytes(text.encode("utf-8", "replace"))
            lines.append(f"Written to {calendar_file}: {len(listed)} events.")
        elif calendar_file:
            lines.append(f"Nothing is owed by then: {calendar_file} was not written.")
    except OSError as error:
        raise LayerError(
            f"cannot write: {error.strerror or error}",
            where=str(error.filename),
            hint="name another file, or free the disk",
        ) from error
    return lines


def _report(
    listed: pd.DataFrame, county: County, owed: CountyOwed, *, until: dt.date, later: int
) -> dict[str, Any]:
    """What is owed, ready for JSON."""
    return {
        "county": county.file.county.name,
        "as_of": county.as_of,
        "until": until,
        "season": {
            "first_day": owed.season.first_day,
            "last_day": owed.season.last_day,
            "visits_left": owed.season.visits,
        },
        "owed": _plain(listed, "due", "since"),
        "later": later,
        "unclear": _plain(owed.unclear, "earliest"),
        "notes": list(owed.notes),
    }


def _plain(table: pd.DataFrame, *days: str) -> list[dict[str, Any]]:
    """Rows for JSON: days as text, nulls as None."""
    lines = table.assign(**{name: table[name].dt.strftime("%Y-%m-%d") for name in days})
    return lines.astype(object).where(table.notna(), None).to_dict("records")


def _say(
    listed: pd.DataFrame, county: County, owed: CountyOwed, *, until: dt.date, later: int
) -> None:
    from geo.publish.tables.calendar import OBLIGATION_WORDS

    rows = [
        [
            f"{row['due']:%Y-%m-%d}",
            int(row["overdue_days"]),
            row["unit_id"],
            OBLIGATION_WORDS[row["obligation"]],
            row["why"],
        ]
        for row in listed.to_dict("records")
    ]
    units = listed["unit_id"].nunique()
    title = (
        f"{county.file.county.name}, as of {county.as_of}: visits owed by {until}"
        f" ({len(rows)} to {units} units)"
    )
    columns = ["due", "days overdue", "unit", "what", "why"]
    print_table(title, columns if rows else [], rows)
    dangers = dict.fromkeys(listed.loc[listed["danger"], "unit_id"])
    if dangers:
        click.echo(
            f"Dangers found and not followed up yet: unit {', '.join(dangers)}."
            " See to these before all others, whatever their day."
        )
    if later:
        click.echo(f"Owed later: {later}.")
    answers = owed.unclear[owed.unclear["obligation"].isin(["complaint", "reinspection"])]
    if len(answers):
        rows = [
            [row["unit_id"], row["source_id"], row["why"]] for row in answers.to_dict("records")
        ]
        title = f"Find these first: a visit may be due ({len(rows)})"
        print_table(title, ["unit as written", "entry", "why"], rows)
    for note in owed.notes:
        click.echo(f"Note: {note}")
