"""``rillmark visit``: sheets to take along, waypoints, and the page to record findings on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.shared import folder_argument, json_option, plain_errors, print_json

if TYPE_CHECKING:
    from layers.records.page_key import PageKey
    from layers.store import Assessment


@click.command()
@folder_argument
@click.argument("unit_ids", nargs=-1)
@click.option("--first", type=click.IntRange(1), default=None, help="The first N by rank.")
@click.option("--due", is_flag=True, help="Every unit whose visit is owed this season.")
@click.option("--lot", is_flag=True, help="Every unit drawn by lot for this season.")
@click.option(
    "--contacts",
    type=click.Path(path_type=Path),
    default=None,
    help="A staff-only table: unit_id, contact, phone, permission, gate, dog, appointment ...",
)
@click.option(
    "--visit-list",
    type=click.Path(path_type=Path),
    default=None,
    help="The list of what to look at, as `rillmark new` writes it and an office changes it.",
)
@click.option("--pdf", is_flag=True, help="Also one PDF of all sheets (needs the extra pdf).")
@json_option
def visit(
    folder: Path,
    unit_ids: tuple[str, ...],
    first: int | None,
    due: bool,
    lot: bool,
    contacts: Path | None,
    visit_list: Path | None,
    pdf: bool,
    as_json: bool,
) -> None:
    """Write visit sheets, waypoints and the record page into the folder `visits` of an assessment.

    \b
    Example:  rillmark visit our_county/spring 00109 00355
              rillmark visit our_county/spring --first 10 --pdf
              rillmark visit our_county/spring --due --contacts staff_only.csv

    Sheets print on two Letter pages, open from the file and need no signal. They are for staff:
    they name places and findings, and with --contacts people.
    """
    if not unit_ids and first is None and not due and not lot:
        raise click.UsageError("name units, or give --first N, --due or --lot")
    from geo.publish.record.page import record_page
    from geo.publish.shared.file_names import down_page, file_names
    from geo.publish.visit.sheet import visit_sheets
    from geo.publish.visit.waypoints import gpx, kml
    from geo.trace.traces import trace_downs
    from geo.visits import choose_units, visit_plans
    from layers import store
    from layers.reading.contacts import contacts_of, read_contacts
    from layers.records.page_key import page_key
    from layers.settings.visit_list import load_visit_list

    with plain_errors():
        result = store.read_assessment(folder)
        wanted = [
            *unit_ids,
            *(_where(result, "ranked_by", "owed") if due else []),
            *(_where(result, "visit_by_lot", True) if lot else []),
        ]
        chosen = choose_units(result, wanted, first=first)
        items = load_visit_list(visit_list)
        people = contacts_of(read_contacts(contacts), chosen) if contacts else {}
        plans = visit_plans(result, chosen, items)
        name = f"{result.run.county.name} visits"
        pages: dict[str, str | bytes] = {}
        if not plans:
            if as_json:
                print_json({"units": [], "files": []})
            elif due:
                click.echo("No visit is owed: no sheet was written.")
            else:
                click.echo(
                    "No unit is drawn by lot: no sheet was written. random_share in [programme] of"
                    " the county file says which share of the visits is."
                )
            return
        names = file_names(result.units["unit_id"])
        down = trace_downs(result, chosen)
        beside = {
            unit_id: f"../{down_page(names[unit_id])}"
            for unit_id in chosen
            if (folder / down_page(names[unit_id])).is_file()
        }
        shown: dict[str, Any] = {"contacts": people, "down": down}
        for plan in plans:
            sheet = visit_sheets([plan], result, items, down_pages=beside, **shown)
            pages[f"visits/visit_{names[str(plan.unit['unit_id'])]}_staff.html"] = sheet
        secret = page_key(folder, result.run.county.name)
        pages["visits/record_staff.html"] = record_page(plans, result, items, key=secret.key)
        pages["visits/visits_staff.gpx"] = gpx(plans, name=name)
        pages["visits/visits_staff.kml"] = kml(plans, name=name)
        if pdf:
            sheets = visit_sheets(plans, result, items, scripted=False, **shown)
            pages["visits/visits_staff.pdf"] = _as_pdf(sheets)
        written = store.add_files(folder, pages, drawn_from=result.run)
    if as_json:
        print_json({"units": chosen, "files": [str(path.resolve()) for path in written]})
        return
    count = len(plans)
    click.echo(f"{count} sheet{'s' if count != 1 else ''}, for staff only, in {folder / 'visits'}")
    click.echo(
        f"The page to record findings on:\n{(folder / 'visits/record_staff.html').resolve()}"
    )
    _print_key(secret)


def _print_key(secret: PageKey) -> None:
    """Where the key lies, when it was made just now or will not outlive the assessment."""
    if not secret.is_lasting:
        click.echo(
            "The key of the record pages lies in the assessment, as nothing can be written beside"
            f" it: pages of another assessment will not open its drafts.\n{secret.path}"
        )
    elif secret.is_new:
        click.echo(
            "A key for the record pages of this county was made. Keep it, and keep it to staff:"
            f" with it, later pages open the drafts of earlier ones.\n{secret.path}"
        )


def _where(result: Assessment, column: str, value: object) -> list[str]:
    units = result.units
    if column not in units:
        return []
    found: list[str] = units.loc[units[column] == value, "unit_id"].tolist()
    return found


def _as_pdf(sheets: str) -> Any:
    from layers.errors import RillmarkError

    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise RillmarkError(
            f"the PDF cannot be made: {error}",
            where="--pdf",
            hint="install the extra, in Rillmark's own folder: .venv/bin/python -m pip install"
            " --editable '.[pdf]', and Debian's libpango-1.0-0,"
            " libpangoft2-1.0-0 and libharfbuzz-subset0; or print the sheets from a browser",
        ) from error
    return weasyprint.HTML(string=sheets).write_pdf()
