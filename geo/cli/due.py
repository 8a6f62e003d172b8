"""``rillmark due``: which visits are due and by when."""

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
from geo.results.cautions import SCREENING
from layers.measures import count_of, format_age_short

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
    help="List what is due within this many days. Default: by the end of the season.",
)
@click.option("--csv", "csv_file", type=file_type, default=None, help="Also write a CSV table.")
@click.option(
    "--calendar",
    "calendar_file",
    type=file_type,
    default=None,
    help="Also write a calendar file (.ics) with unit and kind of visit: no address, no reason.",
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
    """List the visits that are due, earliest first.

    \b
    Example:  rillmark due our_county/county.toml
              rillmark due our_county/county.toml --within 30 --calendar visits.ics

    The visit schedule is [programme] in the county file. Overdue visits are always listed. Only a
    completed visit resets the clock.
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
        click.echo(SCREENING)
    problems = county.problems[county.problems["layer"].isin(RECORDS)]
    for layer, found in unanswered(problems).groupby("layer", sort=False):
        click.echo(
            f"{str(layer).replace('_', ' ')}: {found['message'].iloc[0]}. Visits may be due that"
            " are not listed here. Fix: run 'rillmark check COUNTY.toml' and follow its list.",
            err=True,
        )
    doubted = doubted_records(problems)
    if doubted:
        click.echo(
            f"Day files or records unusable, missing or in dispute: {doubted}. Visits may be due"
            " that are not listed here. Fix: 'rillmark findings list COUNTY.toml' lists them.",
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
            lines.append(f"Written to {csv_file}: {count_of(len(listed), 'row')}.")
        if calendar_file and len(listed):
            name = county.file.county.name
            text = calendar_text(listed, county=name, as_of=county.as_of)
            calendar_file.write_bytes(text.encode("utf-8", "replace"))
            lines.append(f"Written to {calendar_file}: {count_of(len(listed), 'event')}.")
        elif calendar_file:
            lines.append(f"No visit is due by then. {calendar_file} was not written.")
    except OSError as error:
        raise LayerError(
            f"cannot write the file: {error.strerror or error}",
            where=str(error.filename),
            hint="name another file, or free disk space",
        ) from error
    return lines


def _report(
    listed: pd.DataFrame, county: County, owed: CountyOwed, *, until: dt.date, later: int
) -> dict[str, Any]:
    """What is due, ready for JSON."""
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
    from layers.fields.days import format_day

    rows = [
        [
            f"{row['due']:%Y-%m-%d}",
            format_age_short(row["overdue_days"]) if row["overdue_days"] else "",
            row["unit_id"],
            OBLIGATION_WORDS[row["obligation"]],
            row["why"],
        ]
        for row in listed.to_dict("records")
    ]
    units = listed["unit_id"].nunique()
    title = (
        f"{county.file.county.name}, as of {format_day(county.as_of)}:"
        f" {count_of(len(rows), 'item')} due by {format_day(until)}"
        f" for {count_of(units, 'unit')}"
    )
    columns = ["due", "overdue by", "unit", "visit", "reason"]
    print_table(title, columns if rows else [], rows)
    dangers = dict.fromkeys(listed.loc[listed["danger"], "unit_id"])
    if dangers:
        click.echo(
            "Dangerous conditions with no completed follow-up:"
            f" {', '.join(f'unit {unit_id}' for unit_id in dangers)}. Visit these first."
        )
    if later:
        click.echo(f"Due later: {count_of(later, 'item')} (one unit may have several).")
    answers = owed.unclear[owed.unclear["obligation"].isin(["complaint", "reinspection"])]
    if len(answers):
        rows = [
            [row["unit_id"], row["source_id"], row["why"]] for row in answers.to_dict("records")
        ]
        title = f"Identify these first: a visit may be due ({count_of(len(rows), 'record')})"
        print_table(title, ["unit as written", "record", "reason"], rows)
    for note in owed.notes:
        click.echo(f"Note: {note}")
