"""What the command line says of a county or a result, as lines and tables."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.results.cautions import SCREENING
from layers.measures import count_of

if TYPE_CHECKING:
    import pandas as pd

    from layers.county import County
    from layers.fields.column_names import LayerColumns
    from layers.reading.fault_report import LayerReport
    from layers.store import Assessment


def left_out(problems: pd.DataFrame) -> bool:
    """Whether a question to the office is open, or something on record is missing or in doubt."""
    from layers.problems import unanswered

    return len(unanswered(problems)) > 0 or doubted_records(problems) > 0


def in_error(problems: pd.DataFrame) -> bool:
    """Whether there is an error, or a question to the office, that it does not live with."""
    from layers.problems import is_accepted

    errors = (problems["severity"] == "error") & ~is_accepted(problems)
    return bool(errors.any()) or left_out(problems)


def doubted_records(problems: pd.DataFrame) -> int:
    """How many day files or records cannot be used, are missing or in dispute."""
    return int(((problems["layer"] == "records") & (problems["severity"] == "error")).sum())


def summary_of(result: Assessment) -> dict[str, Any]:
    """What is worth knowing of a result at a glance, ready for JSON."""
    units = result.units
    first = units[units["visit_class"] == "first"]
    checks = result.setback_checks[result.setback_checks["in_force"].astype(bool)]
    return {
        "county": asdict(result.run.county),
        "as_of": result.run.as_of,
        "units": len(units),
        "by_class": units["visit_class"].value_counts().to_dict(),
        "owed": _owed_counts(result),
        "steadiness": result.run.steadiness,
        "outlets": units["outlet_state"].value_counts().to_dict(),
        "setbacks": checks["verdict"].value_counts().to_dict(),
        "settled_by": checks["settled_by"].value_counts().to_dict(),
        "problems": result.problems["severity"].value_counts().to_dict(),
        "layers": [asdict(row) for row in result.run.counts],
        "first": first["unit_id"].head(10).tolist(),
        "notes": list(result.run.notes),
    }


def _owed_counts(result: Assessment) -> dict[str, Any]:
    """How many units are due a visit: overdue, by the end of the season, later."""
    by = result.units["must_visit_by"].dropna().dt.date
    as_of = dt.date.fromisoformat(result.run.as_of)
    last_day = dt.date.fromisoformat(result.run.season.last_day)
    overdue, in_season = int((by < as_of).sum()), int((by <= last_day).sum())
    return {
        "units": len(by),
        "overdue": overdue,
        "in_season": in_season - overdue,
        "last_day": last_day.isoformat(),
        "later": len(by) - in_season,
        "visits_left": result.run.season.visits,
    }


def shown_day(day: str) -> str:
    """A day of a result, as people write it."""
    from layers.fields.days import format_day

    return format_day(dt.date.fromisoformat(day))


def print_result(result: Assessment, out: Path) -> None:
    """The result in a dozen lines."""
    summary = summary_of(result)
    county = summary["county"]["name"]
    classes = summary["by_class"]
    click.echo(f"{county}, as of {shown_day(summary['as_of'])}: {summary['units']:,} units ranked")
    click.echo(
        "  Visit first: {:,}. Next: {:,}. Routine: {:,}.".format(
            *(classes.get(name, 0) for name in ("first", "next", "routine"))
        )
    )
    owed = summary["owed"]
    if owed["units"]:
        click.echo(
            f"  Units due for a visit: {owed['overdue']:,} overdue,"
            f" {owed['in_season']:,} more by {shown_day(owed['last_day'])},"
            f" {owed['later']:,} later."
        )
    for sentence in summary["steadiness"].get("first_class", {}).get("sentences", []):
        click.echo(f"  {sentence}")
    unknown = summary["outlets"].get("unknown", 0)
    if unknown:
        click.echo(
            f"  Discharge point not on record: {count_of(unknown, 'unit')}. Locate it first."
        )
    if len(result.problems):
        counted = ", ".join(
            count_of(n, severity) for severity, n in sorted(summary["problems"].items())
        )
        click.echo(f"  Problems in the input: {counted}. See problems.csv for rows and reasons.")
    _print_setbacks(summary)
    from layers.outputs.field import sentences_of

    click.echo("Visit these first:")
    for unit in result.units.head(5).to_dict("records"):
        click.echo(f"  {unit['rank']:>3}. {unit['unit_id']}  {sentences_of(unit['reasons'])[0]}")
    _print_notes(summary["notes"], result.problems)
    click.echo(f"Written to {out}")


def _print_setbacks(summary: dict[str, Any]) -> None:
    """Verdicts of the rules that apply; those too close to tell, by what would decide them."""
    from layers.outputs.setbacks import SETTLED_BY

    verdicts = summary["setbacks"]
    if not verdicts:
        return
    shown = {
        "short": "appear inside",
        "uncertain": "too close to tell",
        "not_known": "not known",
        "clear": "appear clear",
    }
    counts = ", ".join(f"{verdicts[v]:,} {words}" for v, words in shown.items() if v in verdicts)
    click.echo(f"  Required setbacks: {counts}.")
    by = ", ".join(
        f"{SETTLED_BY[how]} ({n:,})"
        for how, n in sorted(summary["settled_by"].items(), key=lambda i: -i[1])
    )
    if by:
        click.echo(f"  What would decide the open ones: {by}.")
        click.echo("  The table worth_a_fix lists positions to measure, most useful first.")


def _print_notes(notes: Iterable[str], problems: pd.DataFrame) -> None:
    """The notes; layers that were not given share one line."""
    from layers.problems import NOT_GIVEN

    missing = problems[problems["code"].isin(NOT_GIVEN)]
    for note in notes:
        if note not in set(missing["message"]):
            click.echo(f"Note: {note}")
    if len(missing):
        names = ", ".join(name.replace("_", " ") for name in missing["layer"])
        click.echo(f"Not calculated, because these layers were not given: {names}.")


def check_report(county: County, reports: list[LayerReport]) -> dict[str, Any]:
    """What a check found, ready for JSON."""
    counts = ("layer", "rows_read", "used", "corrected", "set_aside", "completeness")
    return {
        "county": county.file.county.name,
        "as_of": county.as_of,
        "crs": county.crs.to_string(),
        "layers": [
            {key: getattr(r, key) for key in counts}
            | {"columns": None if r.columns is None else asdict(r.columns)}
            for r in reports
        ],
        "problems": [{"layer": r.layer} | fault for r in reports for fault in r.faults],
        "notes": list(county.notes),
    }


def print_check(county: County, reports: list[LayerReport]) -> None:
    """What a check found, a table for each layer."""
    from layers.fields.days import format_day
    from layers.problems import ACTION_WORDS, NOT_GIVEN

    click.echo(f"{county.file.county.name}, as of {format_day(county.as_of)}")
    for report in reports:
        faults = [fault for fault in report.faults if fault["code"] not in NOT_GIVEN]
        if report.rows_read is None and not faults:
            continue
        rows = [
            [
                f"{fault['severity']}: {fault['code']}",
                ACTION_WORDS[fault["action"]]
                + (f", accepted until {until}" if (until := fault["accepted_until"]) else ""),
                fault["rows"] or "layer",
                ", ".join(fault["first"]),
                fault["example"],
                fault["cost"],
            ]
            for fault in faults
        ]
        columns = ["problem", "result", "rows", "first rows", "example", "effect"]
        click.echo()
        print_table(_layer_title(report), columns if rows else [], rows)
        if report.completeness:
            click.echo(report.completeness)
        if report.columns is not None:
            _print_columns(report.layer, report.columns)
    click.echo()
    _print_notes(county.notes, county.problems)
    click.echo(f"Coordinate system: {county.crs.name}.")
    click.echo(SCREENING)


def _print_columns(layer: str, columns: LayerColumns) -> None:
    """Which columns were recognized, by what; which were ignored; a line for those wanted."""
    from layers.fields.column_names import columns_line

    by: dict[str, list[str]] = {}
    for one in columns.recognized:
        by.setdefault(one.by, []).append(f"{one.ours} <- {one.theirs}")
    for how, pairs in by.items():
        click.echo(f"Columns recognized by {how}: {', '.join(pairs)}")
    if columns.ignored:
        click.echo(f"Columns not used: {', '.join(columns.ignored)}")
    if columns.wanted:
        click.echo(
            f"Columns missing: {', '.join(columns.wanted)}. Fix: in [layers.{layer}], add"
            f" {columns_line(dict.fromkeys(columns.wanted, '...'))}"
        )


def _layer_title(report: LayerReport) -> str:
    name = report.layer.replace("_", " ")
    if report.rows_read is None:
        return name
    return (
        f"{name}: {report.rows_read:,} rows read = {report.used:,} used"
        f" + {report.set_aside:,} not used. {report.corrected:,} of the used rows were corrected."
    )


def print_table(title: str, columns: list[str], rows: list[list[Any]]) -> None:
    """A table on a terminal; plain lines with tabs, for other programs, when piped."""
    if not sys.stdout.isatty():
        click.echo(title)
        for row in [columns, *rows] if columns else []:
            click.echo("\t".join(str(cell) for cell in row))
        return
    if not columns:
        click.echo(title)
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=title, title_justify="left")
    for k, name in enumerate(columns):
        numeric = all(isinstance(row[k], int) for row in rows) and bool(rows)
        table.add_column(name, justify="right" if numeric else "left", overflow="fold")
    for row in rows:
        table.add_row(*(escape(str(cell)) for cell in row))
    Console().print(table)
