"""``rillmark demo``: the whole job on the invented county."""

from __future__ import annotations

from pathlib import Path

import click

from geo.cli.shared import assess_into, json_option, plain_errors, quiet_option, say_json
from geo.cli.telling import say_result, summary_of


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("larkmoor_demo"),
    show_default=True,
    help="Folder for the result.",
)
@json_option
@quiet_option
def demo(out: Path, as_json: bool, quiet: bool) -> None:
    """The whole job on the invented Larkmoor County.

    \b
    Example:  rillmark demo --out larkmoor_demo
    """
    from importlib.resources import files

    county_toml = Path(str(files("geo.sample_layers") / "county.toml"))
    with plain_errors():
        result = assess_into(
            county_toml, out, as_of=None, seed=0, overwrite=True, keep_terrain=False, quiet=quiet
        )
    page = (out / "map_staff.html").resolve()
    if as_json:
        say_json(summary_of(result) | {"map": str(page)})
        return
    say_result(result, out)
    click.echo(f"\nIts county.toml, for check, due and trace proposal:\n{county_toml}")
    click.echo(f"\nLarkmoor County is invented. Open this file in a browser:\n{page}")
