"""``rillmark new``: the settings files of a county, from a list of units if there is one."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from geo.cli import shared
from geo.cli.shared import DONE, UNUSABLE, json_option, plain_errors, print_json
from layers.measures import count_of


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--from",
    "units_list",
    type=click.Path(path_type=Path),
    default=None,
    help="Your list of units (xlsx, csv, gpkg, shp ...). Guesses its columns; copies nothing.",
)
@click.option("--sheet", default=None, help="The sheet or layer in that file.")
@click.option("--yes", is_flag=True, help="Write the guesses without asking.")
@json_option
def new(folder: Path, units_list: Path | None, sheet: str | None, yes: bool, as_json: bool) -> None:
    """Start a county: write its settings files, with comments.

    \b
    Example:  rillmark new our_county --from units.xlsx

    The files are county.toml, setbacks.toml, priorities.toml and visit.toml.
    """
    from importlib.resources import files

    names = ["county.toml", "setbacks.toml", "priorities.toml", "visit.toml"]
    there = [name for name in names if (folder / name).exists()]
    if there:
        click.echo(
            f"rillmark: the folder already has {', '.join(there)}\n"
            f"  Where: {folder}\n  Fix: name another folder, or move those files",
            err=True,
        )
        sys.exit(UNUSABLE)
    texts = {name: (files("layers.settings.templates") / name).read_text("utf-8") for name in names}
    if units_list is not None:
        texts["county.toml"] = _proposed(
            folder, units_list, sheet, texts["county.toml"], ask=not yes, quiet=as_json
        )
    with plain_errors():
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, "utf-8")
    if as_json:
        print_json({"folder": str(folder), "files": names})
        return
    click.echo(f"Wrote {', '.join(names)} into {folder}.")
    first = "review county.toml" if units_list else "name your list of units in county.toml"
    click.echo(f"Next: {first}, then\n  rillmark check {folder / 'county.toml'}")


def _proposed(
    folder: Path, units_list: Path, sheet: str | None, template: str, *, ask: bool, quiet: bool
) -> str:
    """A county file for a list of units; the guesses are shown, and on a terminal asked about."""
    from layers.reading.guess_county import county_toml, propose

    with plain_errors():
        proposal = propose(units_list, sheet=sheet)
    if not quiet:
        click.echo(f"{units_list.name}: {count_of(proposal.rows, 'row')}. Guesses for its columns:")
        for guess in proposal.guesses:
            click.echo(f"  {guess.theirs} -> {guess.ours}: {guess.why}")
        for ours, codes in proposal.unknown.items():
            click.echo(f"  Values of {ours} that are not recognized: {', '.join(codes)}")
        for lack in proposal.missing:
            click.echo(f"  Not found: {lack}. Fill it in in county.toml.")
        if proposal.unused:
            click.echo(f"  Columns not used: {', '.join(proposal.unused)}")
    if (
        ask
        and not quiet
        and shared.is_terminal()
        and not click.confirm("Write these settings?", default=True)
    ):
        click.echo("Nothing was written.")
        sys.exit(DONE)
    return county_toml(proposal, template, folder)
