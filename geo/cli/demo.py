"""``rillmark demo``: the whole job on the invented county."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from geo.cli.describe import print_result, summary_of
from geo.cli.shared import assess_into, json_option, plain_errors, print_json, quiet_option
from geo.results.cautions import SCREENING

_COUNTY = "county"  # the folder of the county's files in the folder of the result


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("larkmoor_demo"),
    show_default=True,
    help="Folder for the result. The county's files go into its folder 'county'.",
)
@json_option
@quiet_option
def demo(out: Path, as_json: bool, quiet: bool) -> None:
    """Assess the invented Larkmoor County, to see and try everything.

    \b
    Example:  rillmark demo --out larkmoor_demo

    The county's files are copied for you to work with. A second run keeps the copy and its
    records, and writes the rest again.
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
    click.echo("\nLarkmoor County is invented. Try these commands on its files:")
    ranked = result.units.sort_values("rank")["unit_id"]
    first = ranked[ranked.isin(result.flow_paths["unit_id"])].iloc[0]  # its flow path is known
    for words, why in _next(county_toml, out, first):
        click.echo(f"  rillmark {words}\n      {why}")
    click.echo(f"\nOpen this file in a browser:\n{page}")
    click.echo(SCREENING)


def _next(county_toml: Path, out: Path, first: str) -> list[tuple[str, str]]:
    """Commands to try next, and what each shows."""
    county, folder = _quoted(county_toml), _quoted(out)
    day_file = sorted(county_toml.parent.glob("records/*/*.jsonl"))[-1:]
    return [
        (f"findings list {county}", "lists findings that still need follow-up"),
        (
            f"visit {folder} {first}",
            "writes a sheet for the visit, and the page to record findings on",
        ),
        *(
            (
                f"record {county} {_quoted(path)}",
                "adds a day file to the records (this one is already there)",
            )
            for path in day_file
        ),
        (f"due {county}", "lists the visits that are due, by date"),
        (f"trace down {folder} {first}", "makes a downstream notice list for that unit"),
        (f"check {county}", "lists what was read and the problems in it"),
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
