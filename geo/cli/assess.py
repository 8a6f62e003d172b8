"""``rillmark assess``: the main job."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from geo.cli.describe import left_out, print_result, summary_of
from geo.cli.shared import (
    DONE,
    PART_MISSING,
    as_of_option,
    assess_into,
    county_argument,
    json_option,
    overwrite_option,
    plain_errors,
    print_json,
    quiet_option,
)
from geo.results.cautions import SCREENING


@click.command()
@county_argument
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the result."
)
@as_of_option
@click.option(
    "--seed",
    type=int,
    default=0,
    show_default=True,
    help="Seed of the random numbers. The same seed gives the same result.",
)
@click.option(
    "--draws",
    type=click.IntRange(0, 10_000),
    default=None,
    help="Computer runs with map error, for chances of ponding and of paths of water."
    " Replaces the numbers in county.toml.",
)
@overwrite_option
@click.option("--keep-terrain", is_flag=True, help="Also write the terrain rasters.")
@json_option
@quiet_option
def assess(
    county_toml: Path,
    out: Path,
    as_of: Any,
    seed: int,
    draws: int | None,
    overwrite: bool,
    keep_terrain: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Read a county, measure, rank its units and write the result.

    \b
    Example:  rillmark assess our_county/county.toml --out our_county/spring
    """
    with plain_errors():
        result = assess_into(
            county_toml,
            out,
            as_of=as_of,
            seed=seed,
            draws=draws,
            overwrite=overwrite,
            keep_terrain=keep_terrain,
            quiet=quiet,
        )
    if as_json:
        print_json(summary_of(result) | {"map": str((out / "map_staff.html").resolve())})
    else:
        print_result(result, out)
        click.echo(f"\nOpen this file in a browser:\n{(out / 'map_staff.html').resolve()}")
        click.echo(SCREENING)
    sys.exit(PART_MISSING if left_out(result.problems) else DONE)
