"""``rillmark visit``: visit sheets, waypoints, and the page to record findings on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.shared import folder_argument, json_option, plain_errors, print_json
from geo.results.cautions import SCREENING, STAFF_ONLY
from layers.measures import count_of

if TYPE_CHECKING:
    from layers.records.page_key import PageKey
    from layers.store import Assessment


@click.command()
@folder_argument
@click.argument("unit_ids", nargs=-1)
@click.option("--first", type=click.IntRange(1), default=None, help="The first N units by rank.")
@click.option("--due", is_flag=True, help="Every unit that is due for a visit this season.")
@click.option("--lot", is_flag=True, help="Every unit picked at random for this season.")
@click.option(
    "--contacts",
    type=click.Path(path_type=Path),
    default=None,
    help="Staff-only table: unit_id, contact, phone, permission, gate, dog, appointment ...",
)
@click.option(
    "--visit-list",
    type=click.Path(path_type=Path),
    default=None,
    help="Your visit list. `rillmark new` writes one to start from.",
)
@click.option(
    "--pdf", is_flag=True, help="Also write all sheets as one PDF (needs the extra 'pdf')."
)
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
    """Write visit sheets, waypoints and the record page, into the folder `visits`.

    \b
    Example:  rillmark visit our_county/spring 00109 00355
              rillmark visit our_county/spring --first 10 --pdf
              rillmark visit our_county/spring --due --contacts staff_only.csv

    Sheets print on two Letter pages. They open from the file, without a signal. They name
    households and findings, so they are for staff only.
    """
    if not unit_ids and first is None and not due and not lot:
        raise click.UsageError("name units, or use --first N, --due or --lot")
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
                click.echo("No visit is due. No sheet was written.")
            else:
                click.echo(
                    "No unit is picked at random. No sheet was written. Fix: set random_share in"
                    " [programme] of the county file."
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
    click.echo(f"{count_of(count, 'sheet')} written to {folder / 'visits'}. {STAFF_ONLY}")
    click.echo(f"Record findings on this page:\n{(folder / 'visits/record_staff.html').resolve()}")
    _print_key(secret)
    click.echo(SCREENING)


def _print_key(secret: PageKey) -> None:
    """Where the key is, when it was made just now or will not outlive the assessment."""
    if not secret.is_lasting:
        click.echo(
            "The key of the record pages is inside the assessment, because the folder around it"
            " cannot be written to. Pages of another assessment will not open these drafts."
            f"\n{secret.path}"
        )
    elif secret.is_new:
        click.echo(
            "A new key for this county's record pages was made. Keep it, and share it with staff"
            f" only. With it, later pages can open earlier drafts.\n{secret.path}"
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
            f"cannot make the PDF: {error}",
            where="--pdf",
            hint="print the sheets from a browser; or, in Rillmark's folder, run .venv/bin/python"
            " -m pip install --editable '.[pdf]', and install Debian's libpango-1.0-0,"
            " libpangoft2-1.0-0 and libharfbuzz-subset0",
        ) from error
    return weasyprint.HTML(string=sheets).write_pdf()
