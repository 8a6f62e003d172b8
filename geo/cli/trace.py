"""``rillmark trace``: upstream from a place, downstream from a unit, a proposed unit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.describe import print_table
from geo.cli.shared import (
    as_of_option,
    county_argument,
    folder_argument,
    json_option,
    must_not_be_read_from,
    plain_errors,
    print_json,
    quiet_option,
)
from geo.cli.trace_options import LatLon, Length, must_be_writable
from geo.results import cautions
from layers.measures import count_of

if TYPE_CHECKING:
    import pandas as pd

    from geo.results.proposed import Proposal

_file = click.Path(path_type=Path, dir_okay=False)
csv_option = click.option(
    "--csv", "csv_file", type=_file, default=None, help="Also write a CSV table."
)
page_option = click.option(
    "--page", type=_file, default=None, help="Also write a page to print (HTML, staff only)."
)
MOST = 20
_UP = f"{cautions.STAFF_ONLY} {cautions.PLACES_TO_LOOK} {cautions.UNMAPPED_PIPES} {cautions.TRACE}"
_DOWN = (
    f"{cautions.STAFF_ONLY} {cautions.UNMAPPED_PIPES} {cautions.NONE_ON_RECORD} {cautions.TRACE}"
)
_PROPOSAL = f"{cautions.STAFF_ONLY} {cautions.PROPOSAL}"


@click.group()
def trace() -> None:
    """Trace water upstream or downstream, or check a proposed unit.

    A trace is screening from maps and records. It does not show fault or contamination.
    """


@trace.command()
@folder_argument
@click.option("--at", type=LatLon(), default=None, help="The place: latitude, then longitude.")
@click.option("--stream", default=None, help="Or the id of a mapped stream.")
@click.option("--drain", default=None, help="Or the id of a mapped drain.")
@click.option("--pond", default=None, help="Or the id of a lake or pond.")
@click.option(
    "--within",
    "within_m",
    type=Length(1000),
    default=None,
    help='How close the water must pass, such as "80 ft" or "25 m". Default: 25 m.',
)
@csv_option
@page_option
@json_option
def up(
    folder: Path,
    at: tuple[float, float] | None,
    stream: str | None,
    drain: str | None,
    pond: str | None,
    within_m: float | None,
    csv_file: Path | None,
    page: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """List discharge points that drain to a place, nearest first.

    \b
    Example:  rillmark trace up our_county/spring --at "26.5001, -88.5002" --page walk_staff.html
              rillmark trace up our_county/spring --stream S-12
    """
    from geo.publish.trace.page import candidates_shown, others_shown, trace_up_page
    from geo.results.traced import plain
    from geo.trace.traces import WITHIN_M, trace_up
    from layers import store
    from layers.measures import format_length

    with plain_errors():
        must_be_writable(csv_file, page)
        result = store.read_assessment(folder)
        found = trace_up(
            result, at=at, stream=stream, drain=drain, pond=pond,
            within_m=WITHIN_M if within_m is None else within_m,
        )  # fmt: skip
        _write(plain(found.candidates), csv_file)
        if page:
            _write_page(trace_up_page(found, result), page)
    if as_json:
        print_json(
            {"place": found.name, "within_m": found.within_m, "caution": _UP,
             "candidates": _records(found.candidates), "others": _records(found.others),
             "forks": _records(found.forks),
             "notes": list(found.notes)}
        )  # fmt: skip
        return
    keys = ["order", "unit", "along", "fork", "chance", "last", "owed"]
    rows = [[row[key] for key in keys] for row in candidates_shown(found, result, MOST)]
    count = len(found.candidates)
    columns = [
        "no.",
        "unit",
        "along the water",
        "fork",
        "reaches here (computer runs)",
        "last result",
        "due by",
    ]
    title = count_of(count, "discharge point") if count else "no discharge point on record"
    print_table(f"Upstream from {found.name}: {title}", columns if rows else [], rows)
    if count > MOST:
        click.echo(f"Showing the first {MOST} of {count}. Use --csv or --json for all of them.")
    others = others_shown(found)
    if others:
        click.echo(f"Not on the mapped path, but not ruled out: {others}.")
    best = found.forks[found.forks["halves"]] if len(found.forks) else found.forks
    if len(best):
        parts = ", ".join(
            f"{b} {n}" for b, n in zip(best["branch"], best["candidates"], strict=True)
        )
        row = best.iloc[0]
        click.echo(
            f"Check fork {row['fork']} first: {row['lat']:.6f}, {row['lon']:.6f},"
            f" {format_length(row['along_m'], result.run.county.show_units)} upstream."
            f" It splits the {count} discharge points: {parts}."
        )
    _end(found.notes, _UP, csv_file, page)


@trace.command()
@folder_argument
@click.argument("unit_id")
@csv_option
@page_option
@click.option(
    "--beside", is_flag=True, help="Also write that page into the folder, for the links of the map."
)
@json_option
def down(
    folder: Path,
    unit_id: str,
    csv_file: Path | None,
    page: Path | None,
    beside: bool,
    as_json: bool,
) -> None:
    """Make the downstream notice list of a unit. Staff only.

    \b
    Example:  rillmark trace down our_county/spring 00109 --csv notice_staff.csv
              rillmark trace down our_county/spring 00109 --beside

    With --beside, the page is written into the folder. The map and the visit sheet link to it.
    """
    from geo.publish.shared.file_names import down_page, file_names
    from geo.publish.trace.page import notices_shown, trace_down_page
    from geo.results.traced import plain
    from geo.trace.traces import trace_down
    from layers import store

    with plain_errors():
        must_be_writable(csv_file, page)
        result = store.read_assessment(folder)
        found = trace_down(result, unit_id)
        _write(plain(found.notices), csv_file)
        text = trace_down_page(found, result) if page or beside else ""
        if page:
            _write_page(text, page)
        if beside:
            name = down_page(file_names(result.units["unit_id"])[unit_id])
            store.add_files(folder, {name: text}, drawn_from=result.run)
    if as_json:
        print_json({"unit_id": unit_id, "caution": _DOWN,
                  "notices": _records(found.notices), "notes": list(found.notes)})  # fmt: skip
        return
    keys = ["what", "id", "name", "along", "off", "lies"]
    rows = [[row[key] for key in keys] for row in notices_shown(found, result)]
    columns = ["what", "id", "name or address", "along the water", "from the water", "well height"]
    title = f"Downstream notice list for unit {unit_id}"
    print_table(title, columns if rows else [], rows)
    _end(found.notes, _DOWN, csv_file, page, folder / name if beside else None)


@trace.command()
@county_argument
@click.option("--lid", type=LatLon(), required=True, help="Where the lid would be.")
@click.option("--outlet", type=LatLon(), default=None, help="Where its discharge point would be.")
@click.option("--kind", default="surface_discharge", show_default=True, help="Kind of unit.")
@click.option(
    "--accuracy",
    "place95_m",
    type=Length(1000),
    default=None,
    help='Accuracy of the two places, 19 times in 20, such as "30 ft". Default: 10 m.',
)
@click.option(
    "--riser",
    "riser_m",
    type=Length(5),
    default=None,
    help='Height of the lid above the ground, such as "8 in". Used for its freeboard.',
)
@click.option(
    "--draws",
    type=click.IntRange(0, 10_000),
    default=None,
    help="Computer runs with map error, for chances of water. Replaces the number in county.toml.",
)
@click.option("--area", type=_file, default=None, help="Also write the allowable area (GeoJSON).")
@page_option
@as_of_option
@json_option
@quiet_option
def proposal(
    county_toml: Path,
    lid: tuple[float, float],
    outlet: tuple[float, float] | None,
    kind: str,
    place95_m: float | None,
    riser_m: float | None,
    draws: int | None,
    area: Path | None,
    page: Path | None,
    as_of: Any,
    as_json: bool,
    quiet: bool,
) -> None:
    """Check a proposed unit, and show where all adopted setbacks are met.

    \b
    Example:  rillmark trace proposal our_county/county.toml \\
                --lid "26.5, -88.5" --outlet "26.5002, -88.5"

    This is not an approval or denial. Local code and a survey decide.
    """
    from geo.cli.shared import progress
    from geo.proposal import TYPED95_M, assess_proposal
    from geo.publish.trace.proposal_page import (
        area_shown,
        checks_shown,
        place_shown,
        proposal_page,
        sections_shown,
    )
    from geo.results.traced import plain
    from layers.reading.reading import read_county

    with plain_errors():
        must_be_writable(area, page)
        county = read_county(county_toml, as_of=as_of)
        must_not_be_read_from(county, area, page)
        found = assess_proposal(
            county, lid=lid, outlet=outlet, kind=kind, draws=draws, riser_height_m=riser_m,
            place95_m=TYPED95_M if place95_m is None else place95_m, progress=progress(quiet),
        )  # fmt: skip
        if area:
            shapes = found.areas().to_crs("EPSG:4326")
            _write_page(shapes.to_json(drop_id=True) + "\n", area)
        if page:
            _write_page(proposal_page(found), page)
    if as_json:
        print_json({"caution": _PROPOSAL, "unit": _records(plain(found.result.units))[0],
                  "setback_checks": _records(found.result.setback_checks),
                  "allowed": _areas(found), "doubts": list(found.doubts),
                  "notes": list(found.notes)})  # fmt: skip
        return
    click.echo(f"A proposed unit. {place_shown(found)}")
    for doubt in found.doubts:
        click.echo(f"Check this: {doubt}")
    keys = ["rule", "to", "asked", "distance", "verdict"]
    rows = [[row[key] for key in keys] for row in checks_shown(found)]
    title = "Required setbacks" if rows else "No adopted setback table applies."
    columns = ["rule", "to", "required", "distance", "verdict"]
    print_table(title, columns if rows else [], rows)
    for section in sections_shown(found):
        print_table(section["title"], ["item", "value"], section["rows"])
    for part in found.allowed:
        shown = area_shown(found, part)
        click.echo(
            f"{shown['title']}: all adopted setbacks are met {shown['as_drawn']} (as mapped) and"
            f" {shown['surely']} (after allowing for map error)."
        )
    _end(found.notes, _PROPOSAL, area, page)


def _areas(found: Proposal) -> list[dict[str, Any]]:
    return [
        {
            "part": part,
            "area_m2": round(shape.area, 1),
            "share_of_parcel": found.share(part),
            "surely_area_m2": round(found.surely[part].area, 1),
            "surely_share_of_parcel": found.share(part, surely=True),
        }
        for part, shape in found.allowed.items()
    ]


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    plain = table.drop(columns="geometry", errors="ignore").astype(object)
    rows: list[dict[str, Any]] = plain.where(plain.notna(), None).to_dict("records")
    return rows


def _write(table: pd.DataFrame, path: Path | None) -> None:
    from layers.files.tables import write_csv

    if path is not None:
        write_csv(table, path)


def _write_page(text: str, path: Path) -> None:
    from layers.records.folder import write_whole

    try:
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        error.filename = str(path)  # not its name on the way
        raise


def _end(notes: tuple[str, ...], caution: str, *files: Path | None) -> None:
    for note in notes:
        click.echo(f"Note: {note}")
    for file in files:
        if file is not None:
            click.echo(f"Written to {file}.")
    click.echo(caution)
    click.echo(cautions.SCREENING)
