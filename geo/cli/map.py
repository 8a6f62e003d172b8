"""``rillmark map``: the browser map of a finished assessment, drawn again."""

from __future__ import annotations

from pathlib import Path

import click

from geo.cli.shared import folder_argument, json_option, plain_errors, say_json


@click.command("map")
@folder_argument
@click.option(
    "--audience",
    type=click.Choice(["staff", "public"]),
    default="staff",
    show_default=True,
    help="Who will see it.",
)
@json_option
def map_(folder: Path, audience: str, as_json: bool) -> None:
    """Draw the browser map of a finished assessment again.

    \b
    Example:  rillmark map our_county/spring
    """
    from geo.publish import map_page
    from layers import store

    with plain_errors():
        page = map_page(store.read(folder), audience=audience)
        (path,) = store.add_files(folder, {f"map_{audience}.html": page})
    if as_json:
        say_json({"map": str(path.resolve())})
    else:
        click.echo(f"Open this file in a browser:\n{path.resolve()}")
