"""``rillmark report``: the report of a finished assessment, written again."""

from __future__ import annotations

from pathlib import Path

import click

from geo.cli.shared import folder_argument, json_option, plain_errors, print_json
from geo.results.cautions import COUNSEL, SCREENING


@click.command()
@folder_argument
@click.option(
    "--audience",
    type=click.Choice(["staff", "public"]),
    default="staff",
    show_default=True,
    help="Who will read it. The public edition has counts only and names no household.",
)
@click.option(
    "--before",
    type=click.Path(path_type=Path),
    default=None,
    help="An earlier assessment of the county: the appendix lists which units moved, and why.",
)
@json_option
def report(folder: Path, audience: str, before: Path | None, as_json: bool) -> None:
    """Write the report of a finished assessment again, with its appendix and spreadsheet.

    \b
    Example:  rillmark report our_county/spring
              rillmark report our_county/spring --audience public
              rillmark report our_county/autumn --before our_county/spring

    The staff report is at most four printed pages. Its appendix and priorities.xlsx, with
    formulas that check each score, come with it. The public report comes alone. Its numbers follow
    the last public edition, so that comparing the two gives no household away. Writing it counts as
    publishing it.
    """
    if before is not None and audience != "staff":
        raise click.UsageError("--before names units: use it with the staff edition only")
    from geo.cli.publishing import publication
    from geo.order.comparison import compare, who_moved
    from geo.publish import appendix_page, report_page, score_workbook
    from geo.publish.report.moves import Comparison
    from geo.publish.report.page import APPENDIX_FILE
    from layers import store

    with plain_errors():
        assessment = store.read_assessment(folder)
        since = None
        if before is not None:
            earlier = store.read_assessment(before)
            moves = compare(earlier, assessment)
            since = Comparison(earlier.run.as_of, moves, who_moved(moves))
        name = f"report_{audience}.html"
        public = publication(folder, assessment) if audience == "public" else None
        edition = None if public is None else public.edition
        page = report_page(assessment, audience, edition=edition)
        pages: dict[str, str | bytes] = {name: page}
        if public:
            public.write_down()
        if audience == "staff":
            pages[APPENDIX_FILE] = appendix_page(assessment, since=since)
            pages["priorities.xlsx"] = score_workbook(assessment)
        written = store.add_files(folder, pages, drawn_from=assessment.run)
    if as_json:
        print_json({path.name: str(path.resolve()) for path in written})
        if public:
            click.echo(public.text, err=True)
        return
    click.echo(f"Open this file in a browser, or print it:\n{written[0].resolve()}")
    what = {APPENDIX_FILE: "Appendix, for whoever asks:", "priorities.xlsx": "Score as formulas:"}
    for path in written[1:]:
        click.echo(f"{what[path.name]}\n{path.resolve()}")
    click.echo(f"{public.text}\n{COUNSEL}" if public else SCREENING)
