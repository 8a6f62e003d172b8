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


@click.command()
@county_argument
@as_of_option
@json_option
@click.option(
    "--places",
    type=click.Path(path_type=Path),
    default=None,
    help="Also write a GeoPackage of the places of the problems, for a map program.",
)
def check(county_toml: Path, as_of: Any, as_json: bool, places: Path | None) -> None:
    """Read all layers, list the problems by layer, say what can be assessed.

    \b
    Example:  rillmark check our_county/county.toml
              rillmark check our_county/county.toml --places problems.gpkg

    Exit status 0: nothing worse than warnings, or than errors the county file accepts; 1: an
    error, so that rows or layers are left out or heights are in doubt, or a question about a
    column or a layer; 2: the county cannot be read at all.
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
            click.echo(f"Written to {places}: {placed} problems with a place, {without} without.")
    sys.exit(PART_MISSING if in_error(county.problems) else DONE)
