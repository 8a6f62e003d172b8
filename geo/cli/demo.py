"""``rillmark demo``: the whole job on the invented county."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from geo.cli.describe import print_result, summary_of
from geo.cli.shared import assess_into, json_option, plain_errors, print_json, quiet_option

_COUNTY = "county"  # the folder of the county's files in the folder of the result


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("larkmoor_demo"),
    show_default=True,
    help="Folder for the result, and in it the county's files in 'county'.",
)
@json_option
@quiet_option
def demo(out: Path, as_json: bool, quiet: bool) -> None:
    """The whole job on the invented Larkmoor County, whose files are copied to work with.

    \b
    Example:  rillmark demo --out larkmoor_demo

    Run again, it keeps the copy and what was recorded in it, and makes the rest anew.
    """
    with plain_errors():
        county_toml = _copied(out / _COUNTY)
        result = assess_into(
            county_toml, out, as_of=None, seed=0, overwrite=True, keep_terrain=False, quiet=quiet
        )
    page = (out / "map_staff.html").resolve()
    if as_json:
        print_json(summary_of(result) | {"map": str(page), "county": str(county_toml.resolve())})
        return
    print_result(result, out)
    click.echo("\nLarkmoor County is invented; its files are yours to try things on. Next:")
    ranked = result.units.sort_values("rank")["unit_id"]
    first = ranked[ranked.isin(result.flow_paths["unit_id"])].iloc[0]  # its water can be followed
    for words, why in _next(county_toml, out, first):
        click.echo(f"  rillmark {words}\n      {why}")
    click.echo(f"\nOpen this file in a browser:\n{page}")


def _next(county_toml: Path, out: Path, first: str) -> list[tuple[str, str]]:
    """Commands to try next, and what each shows."""
    county, folder = _quoted(county_toml), _quoted(out)
    day_file = sorted(county_toml.parent.glob("records/*/*.jsonl"))[-1:]
    return [
        (f"findings list {county}", "what was found on site and is still to be followed up"),
        (f"visit {folder} {first}", "a sheet to take along, and the page to record findings on"),
        *(
            (f"record {county} {_quoted(path)}", "brings a day file in; this one is known already")
            for path in day_file
        ),
        (f"due {county}", "which visits are owed, by date"),
        (f"trace down {folder} {first}", "whom to tell if that unit fails"),
        (f"check {county}", "what was read, and what is wrong with it"),
    ]


def _quoted(path: Path) -> str:
    return f'"{path}"' if " " in str(path) else str(path)


def _copied(folder: Path) -> Path:
    """The county file of a copy of the county; one that is there already is kept as it is."""
    from importlib.resources import files

    county_toml = folder / "county.toml"
    if county_toml.is_file():
        return county_toml
    part = folder.with_name(f".{folder.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    shutil.copytree(
        Path(str(files("layers.sample_layers"))), part,
        ignore=shutil.ignore_patterns("*.py", "__pycache__", ".*"),
    )  # fmt: skip
    part.replace(folder)
    return county_toml
