"""``rillmark compare``: who moved between two assessments, and by which part."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.shared import json_option, plain_errors, print_json

if TYPE_CHECKING:
    import pandas as pd

    from layers.store import Assessment

MOST = 15  # units told on a terminal; the file and --json hold them all
OTHERS = "others moved"
OWED = "a visit that is owed"


@click.command()
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@json_option
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path),
    default=None,
    help="Also write every unit, with the change of each part, as a table.",
)
def compare(before: Path, after: Path, as_json: bool, csv_file: Path | None) -> None:
    """Who moved between two assessments of one county, and by which part.

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
            hint="close programs that hold the file, or name another place",
        ) from error


def _shown(assessment: Assessment, folder: Path) -> dict[str, Any]:
    return {"folder": str(folder), "as_of": assessment.run.as_of}


def _labels(assessment: Assessment) -> dict[str, str]:
    """The words of each part."""
    return {name: part["label"] for name, part in assessment.run.parts.items()}


def _say(summary: dict[str, Any], moves: pd.DataFrame, labels: dict[str, str]) -> None:
    from geo.cli.describe import print_table
    from geo.publish.shared.words import change

    words = labels | {"owed": OWED, "others": OTHERS}
    click.echo(
        "{folder} (as of {as_of})".format(**summary["before"])
        + " -> {folder} (as of {as_of})".format(**summary["after"])
    )
    half = summary["median_places"]
    places = "1 place" if half == 1 else f"{half:,.0f} places"
    click.echo(
        f"  {summary['units']:,} units in both: {summary['moved']:,} moved,"
        f" by {places} at the median"
    )
    click.echo(f"  first class: {summary['into_first']:,} in, {summary['out_of_first']:,} out")
    for name in ("appeared", "vanished"):
        if summary[name]:
            ids = moves.loc[moves["change"] == name, "unit_id"]
            more = " ..." if len(ids) > MOST else ""
            click.echo(f"  {name}: {summary[name]:,} ({', '.join(ids.head(MOST))}{more})")
    if verdicts := summary["verdicts"]:
        by = ", ".join(f"{v['before']} -> {v['after']} {v['count']:,}" for v in verdicts)
        changed = sum(v["count"] for v in verdicts)
        click.echo(f"  setback verdicts: {changed:,} changed ({by})")
    if not summary["moved"]:
        return
    by = ", ".join(f"{words.get(k, k)} {n:,}" for k, n in summary["moved_by"].items())
    click.echo(f"  moved by: {by}")
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
    print_table("Moved farthest", ["unit", "rank", "class", "score", "moved by"], rows)


def _class(row: dict[str, Any]) -> str:
    if row["class_before"] == row["class_after"]:
        return str(row["class_after"])
    return f"{row['class_before']} -> {row['class_after']}"
