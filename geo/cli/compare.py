"""``rillmark compare``: which units changed rank between two assessments, and why."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.shared import json_option, plain_errors, print_json
from geo.results.cautions import SCREENING
from layers.measures import count_of

if TYPE_CHECKING:
    import pandas as pd

    from layers.store import Assessment

MOST = 15  # units shown on a terminal; the file and --json hold them all
OTHERS = "changes to other units"
OWED = "a visit is due"
_COME_AND_GONE = {"appeared": "New units", "vanished": "Units no longer listed"}


@click.command()
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@json_option
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path),
    default=None,
    help="Also write a CSV table of every unit, with the change in each part of its score.",
)
def compare(before: Path, after: Path, as_json: bool, csv_file: Path | None) -> None:
    """Show which units changed rank between two assessments of a county, and why.

    \b
    Example:  rillmark compare our_county/spring our_county/autumn
              rillmark compare our_county/spring our_county/more_for_wells --csv moves.csv
    """
    from geo.order.comparison import compare as compare_assessments
    from geo.order.comparison import verdicts_changed, who_moved
    from layers import store

    with plain_errors():
        old, new = store.read_assessment(before), store.read_assessment(after)
        moves = compare_assessments(old, new)
        verdicts = verdicts_changed(old, new)
        if csv_file is not None:
            _write(moves, csv_file)
    summary = {"before": _shown(old, before), "after": _shown(new, after)} | who_moved(moves)
    summary["verdicts"] = verdicts.to_dict("records")
    if as_json:
        shown = moves.astype(object).where(moves.notna(), None)
        print_json(summary | {"moves": shown.to_dict("records")})
        return
    _say(summary, moves, _labels(old) | _labels(new))
    if csv_file is not None:
        click.echo(f"Every unit: {csv_file}")


def _write(moves: pd.DataFrame, path: Path) -> None:
    from layers.errors import ComparisonError
    from layers.files.tables import write_csv

    try:
        write_csv(moves, path)
    except OSError as error:
        raise ComparisonError(
            f"cannot write the table: {error.strerror or error}",
            where=str(path),
            hint="close programs that have the file open, or name another file",
        ) from error


def _shown(assessment: Assessment, folder: Path) -> dict[str, Any]:
    return {"folder": str(folder), "as_of": assessment.run.as_of}


def _labels(assessment: Assessment) -> dict[str, str]:
    """The words of each part."""
    return {name: part["label"] for name, part in assessment.run.parts.items()}


def _say(summary: dict[str, Any], moves: pd.DataFrame, labels: dict[str, str]) -> None:
    from geo.cli.describe import print_table, shown_day
    from geo.publish.shared.words import change

    words = labels | {"owed": OWED, "others": OTHERS}
    click.echo(
        f"{summary['before']['folder']} (as of {shown_day(summary['before']['as_of'])})"
        f" -> {summary['after']['folder']} (as of {shown_day(summary['after']['as_of'])})"
    )
    half = summary["median_places"]
    moved = f"  {count_of(summary['units'], 'unit')} in both: {summary['moved']:,} changed rank"
    if summary["moved"]:
        moved += f", half of them by {count_of(round(half), 'rank')} or more"
    click.echo(f"{moved}.")
    click.echo(
        f"  Visit first: {summary['into_first']:,} moved in, {summary['out_of_first']:,} moved out."
    )
    for name, words_for in _COME_AND_GONE.items():
        if summary[name]:
            ids = moves.loc[moves["change"] == name, "unit_id"]
            more = " ..." if len(ids) > MOST else ""
            click.echo(f"  {words_for}: {summary[name]:,} ({', '.join(ids.head(MOST))}{more})")
    if verdicts := summary["verdicts"]:
        by = ", ".join(f"{v['before']} -> {v['after']} {v['count']:,}" for v in verdicts)
        changed = sum(v["count"] for v in verdicts)
        click.echo(f"  Setback verdicts changed: {changed:,} ({by})")
    if not summary["moved"]:
        click.echo(SCREENING)
        return
    by = ", ".join(f"{words.get(k, k)} {n:,}" for k, n in summary["moved_by"].items())
    click.echo(f"  Main reason: {by}")
    rows = [
        [
            row["unit_id"],
            f"{row['rank_before']} -> {row['rank_after']}",
            _class(row),
            change(row["score_change"]),
            words.get(row["moved_by"], OTHERS),
        ]
        for row in moves[moves["change"] == "moved"].head(MOST).to_dict("records")
    ]
    print_table("Largest changes", ["unit", "rank", "class", "score", "main reason"], rows)
    click.echo(SCREENING)


def _class(row: dict[str, Any]) -> str:
    if row["class_before"] == row["class_after"]:
        return str(row["class_after"])
    return f"{row['class_before']} -> {row['class_after']}"
