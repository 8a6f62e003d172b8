"""``rillmark report``: the report of a finished assessment, drawn again."""

from __future__ import annotations

from pathlib import Path

import click

from geo.cli.shared import folder_argument, json_option, plain_errors, say_json


@click.command()
@folder_argument
@click.option(
    "--audience",
    type=click.Choice(["staff", "public"]),
    default="staff",
    show_default=True,
    help="Who will read it: the public edition holds counts of many and no household's facts.",
)
@json_option
def report(folder: Path, audience: str, as_json: bool) -> None:
    """Draw the report of a finished assessment again, and with it the spreadsheet of the score.

    \b
    Example:  rillmark report our_county/spring
              rillmark report our_county/spring --audience public

    The staff edition comes with priorities.xlsx, whose formulas reckon every score anew; the
    public edition comes alone.
    """
    from geo.publish import report_page, score_workbook
    from layers import store

    with plain_errors():
        assessment = store.read(folder)
        name = f"report_{audience}.html"
        pages: dict[str, str | bytes] = {name: report_page(assessment, audience)}
        if audience == "staff":
            pages["priorities.xlsx"] = score_workbook(assessment)
        written = store.add_files(folder, pages)
    if as_json:
        say_json({path.name: str(path.resolve()) for path in written})
        return
    click.echo(f"Open this file in a browser, or print it:\n{written[0].resolve()}")
    for path in written[1:]:
        click.echo(f"The score as formulas:\n{path.resolve()}")
