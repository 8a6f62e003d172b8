"""``rillmark check``: reads all layers, lists the problems, says what can be assessed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from geo.cli.describe import check_report, in_error, print_check
from geo.cli.shared import (
    DONE,
    PART_MISSING,
    as_of_option,
    county_argument,
    json_option,
    plain_errors,
    print_json,
)
from layers.measures import count_of


@click.command()
@county_argument
@as_of_option
@json_option
@click.option(
    "--places",
    type=click.Path(path_type=Path),
    default=None,
    help="Also write a GeoPackage with the place of each problem, for a map program.",
)
def check(county_toml: Path, as_of: Any, as_json: bool, places: Path | None) -> None:
    """Check the input: read all layers and list the problems in each.

    \b
    Example:  rillmark check our_county/county.toml
              rillmark check our_county/county.toml --places problems.gpkg

    Exit status 0: no errors, or only errors that [[accepted]] in the county file covers.
    Exit status 1: an error, or a question about a column or a layer, is open.
    Exit status 2: the county cannot be read.
    """
    from layers.reading.fault_report import layer_reports, write_problem_places
    from layers.reading.reading import read_county

    with plain_errors():
        county = read_county(county_toml, as_of=as_of)
        written = write_problem_places(county, places) if places else None
    reports = layer_reports(county)
    if as_json:
        print_json(check_report(county, reports))
    else:
        print_check(county, reports)
        if written:
            placed, without = written
            click.echo(
                f"Written to {places}: {count_of(placed, 'problem')} with a place,"
                f" {without:,} without."
            )
    sys.exit(PART_MISSING if in_error(county.problems) else DONE)
