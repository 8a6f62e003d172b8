"""``rillmark map``: the browser map of a finished assessment, made again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from geo.cli.shared import folder_argument, json_option, plain_errors, print_json
from geo.results.cautions import COUNSEL, SCREENING

if TYPE_CHECKING:
    from geo.publish.map.units.moves import Earlier
    from layers.store import Assessment


@click.command("map")
@folder_argument
@click.option(
    "--audience",
    type=click.Choice(["staff", "public"]),
    default="staff",
    show_default=True,
    help="Who will see it. The public edition names no household.",
)
@click.option(
    "--before",
    type=click.Path(path_type=Path),
    default=None,
    help="Folder of an earlier assessment. The map shows which units changed rank, and why.",
)
@json_option
def map_(folder: Path, audience: str, before: Path | None, as_json: bool) -> None:
    """Make the browser map of a finished assessment again.

    \b
    Example:  rillmark map our_county/spring
              rillmark map our_county/autumn --before our_county/spring

    A public map is checked against the last public edition, so that comparing the two does not
    reveal a household. Once written, it counts as published.
    """
    if before is not None and audience != "staff":
        raise click.UsageError("--before shows individual units: use it with the staff map only")
    from geo.cli.publishing import publication
    from geo.publish import map_page
    from geo.publish.shared import words
    from layers import store

    with plain_errors():
        result = store.read_assessment(folder, checks_drawn=words.MATTERS)
        earlier = None if before is None else _earlier(store.read_assessment(before), result)
        public = publication(folder, result) if audience == "public" else None
        edition = None if public is None else public.edition
        page = map_page(result, audience=audience, earlier=earlier, edition=edition)
        if public:
            public.write_down()
        (path,) = store.add_files(folder, {f"map_{audience}.html": page}, drawn_from=result.run)
    if as_json:
        print_json({"map": str(path.resolve())})
        if public:
            click.echo(public.text, err=True)
    else:
        click.echo(f"Open this file in a browser:\n{path.resolve()}")
        click.echo(f"{public.text}\n{COUNSEL}" if public else SCREENING)


def _earlier(old: Assessment, new: Assessment) -> Earlier:
    from geo.order.comparison import compare
    from geo.publish.map.units.moves import Earlier

    return Earlier(compare(old, new), old.run)
