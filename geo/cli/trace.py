"""``rillmark trace``: whose water is this, where does it go, and would a place do."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geo.cli.shared import (
    as_of_option,
    county_argument,
    folder_argument,
    json_option,
    plain_errors,
    quiet_option,
    say_json,
)
from geo.cli.telling import say_table

if TYPE_CHECKING:
    import pandas as pd

_file = click.Path(path_type=Path, dir_okay=False)
csv_option = click.option("--csv", "csv_file", type=_file, default=None, help="Also write a table.")
page_option = click.option(
    "--page", type=_file, default=None, help="Also write one page to take along (HTML, staff only)."
)
MOST = 20


class LatLon(click.ParamType):
    """A latitude and a longitude with a comma between."""

    name = "LAT, LON"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Two numbers."""
        if isinstance(value, tuple):
            return value
        try:
            lat, lon = (float(part) for part in str(value).replace(",", " ").split())
        except ValueError:
            return self.fail(f'{value!r}: write it as "26.5001, -88.5002"', param, ctx)
        return lat, lon


@click.group()
def trace() -> None:
    """Up the water from a complaint, down it from a unit, and what a proposed place would meet.

    Screening from maps and records: places to look at, in order. It accuses nobody.
    """


@trace.command()
@folder_argument
@click.option("--at", type=LatLon(), default=None, help="The place, latitude first.")
@click.option("--stream", default=None, help="Instead: the id of a mapped stream.")
@click.option("--drain", default=None, help="Instead: the id of a drain.")
@click.option("--pond", default=None, help="Instead: the id of a water body.")
@click.option(
    "--within",
    "within_m",
    type=click.FloatRange(0, 1000),
    default=None,
    help="How near water must pass, in metres; left out: 25.",
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
    """Which discharge points drain to here, nearest along the water first.

    \b
    Example:  rillmark trace up our_county/spring --at "26.5001, -88.5002" --page walk_staff.html
              rillmark trace up our_county/spring --stream S-12
    """
    from geo.publish.trace_page import trace_up_page
    from geo.trace import WITHIN_M, trace_up
    from geo.waters.traced import LOOK_NOT_ACCUSE, plain, said_chance
    from layers import store

    with plain_errors():
        result = store.read(folder)
        found = trace_up(
            result, at=at, stream=stream, drain=drain, pond=pond,
            within_m=WITHIN_M if within_m is None else within_m,
        )  # fmt: skip
        _write(plain(found.candidates), csv_file)
        if page:
            page.write_text(trace_up_page(found, result), "utf-8")
    if as_json:
        say_json(
            {"place": found.name, "within_m": found.within_m, "caution": LOOK_NOT_ACCUSE,
             "candidates": _records(found.candidates), "others": _records(found.others),
             "forks": _records(found.forks),
             "notes": list(found.notes)}
        )  # fmt: skip
        return
    rows = [
        [
            row["order"], row["unit_id"] or row["discharge_point_id"], f"{row['along_m']:,.0f} m",
            f"{row['fork']}{row['branch']}" if row["fork"] else "",
            said_chance(row),
            row.get("last_result") or "", _day(row.get("must_visit_by")),
        ]
        for row in _records(found.candidates)[:MOST]
    ]  # fmt: skip
    count = len(found.candidates)
    columns = ["no.", "unit", "along the water", "fork", "comes past", "last found", "owed by"]
    say_table(f"Up the water from {found.name}: {count} to look at", columns, rows)
    if count > MOST:
        click.echo(f"The first {MOST} of {count}; --csv and --json hold them all.")
    for row in _records(found.others)[:MOST]:
        name = row["unit_id"] or row["discharge_point_id"]
        click.echo(f"Not on the ground's own way, but {said_chance(row)}: {name}")
    best = found.forks[found.forks["halves"]] if len(found.forks) else found.forks
    if len(best):
        parts = ", ".join(
            f"{b} {n}" for b, n in zip(best["branch"], best["candidates"], strict=True)
        )
        row = best.iloc[0]
        click.echo(
            f"A look at fork {row['fork']} says most ({parts} of {count}):"
            f" {row['lat']:.6f}, {row['lon']:.6f}, {row['along_m']:,.0f} m up."
        )
    _end(found.notes, LOOK_NOT_ACCUSE, csv_file, page)


@trace.command()
@folder_argument
@click.argument("unit_id")
@csv_option
@page_option
@click.option("--beside", is_flag=True, help="Also write that page beside the map, for its links.")
@json_option
def down(
    folder: Path,
    unit_id: str,
    csv_file: Path | None,
    page: Path | None,
    beside: bool,
    as_json: bool,
) -> None:
    """Whom to tell if this unit fails: what its water comes past, in order. For staff.

    \b
    Example:  rillmark trace down our_county/spring 00109 --csv notice_staff.csv
              rillmark trace down our_county/spring 00109 --beside

    With --beside the page stands in the folder, where the map and the visit sheet link to it.
    """
    from geo.publish.file_names import down_page, file_names
    from geo.publish.trace_page import trace_down_page
    from geo.trace import trace_down
    from geo.waters.traced import WHAT, WHOM_TO_TELL, plain, said_lie
    from layers import store

    with plain_errors():
        result = store.read(folder)
        found = trace_down(result, unit_id)
        _write(plain(found.notices), csv_file)
        text = trace_down_page(found, result) if page or beside else ""
        if page:
            page.write_text(text, "utf-8")
        if beside:
            name = down_page(file_names(result.units["unit_id"])[unit_id])
            store.add_files(folder, {name: text})
    if as_json:
        say_json({"unit_id": unit_id, "caution": WHOM_TO_TELL,
                  "notices": _records(found.notices), "notes": list(found.notes)})  # fmt: skip
        return
    rows = [
        [WHAT.get(row["what"], row["what"]), row["id"] or "", row["name"] or "",
         f"{row['along_m']:,.0f} m", f"{row['off_m']:,.0f} m" if row["off_m"] else "",
         said_lie(row, "{:.1f} m".format)]
        for row in _records(found.notices)
    ]  # fmt: skip
    columns = ["what", "number", "name", "along the water", "off it", "lies"]
    say_table(f"Down the water from unit {unit_id}, for staff only", columns, rows)
    _end(found.notes, WHOM_TO_TELL, csv_file, page, folder / name if beside else None)


@trace.command()
@county_argument
@click.option("--lid", type=LatLon(), required=True, help="Where the lid would be.")
@click.option("--outlet", type=LatLon(), default=None, help="Where it would let out.")
@click.option("--kind", default="surface_discharge", show_default=True, help="Of unit.")
@click.option(
    "--accuracy",
    "place95_m",
    type=click.FloatRange(0, 1000),
    default=None,
    help="How well the two places are known, in metres at 95 %; left out: 10.",
)
@click.option(
    "--riser",
    "riser_m",
    type=click.FloatRange(0, 5),
    default=None,
    help="How far the lid would stand above the ground, in metres; for its freeboard.",
)
@click.option(
    "--draws",
    type=click.IntRange(0, 10_000),
    default=None,
    help="How often the terrain's error is drawn for the chances of water; overrides county.toml.",
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
    """Every figure of a real unit for a place typed in, and where all adopted setbacks hold.

    \b
    Example:  rillmark trace proposal our_county/county.toml \\
                --lid "26.5, -88.5" --outlet "26.5002, -88.5"

    Screening only: a permit is decided by the local code and a survey.
    """
    from geo.cli.shared import progress
    from geo.proposal import TYPED95_M, assess_proposal
    from geo.publish.proposal_page import proposal_page
    from geo.waters.traced import plain
    from layers.county import read_county

    with plain_errors():
        county = read_county(county_toml, as_of=as_of)
        found = assess_proposal(
            county, lid=lid, outlet=outlet, kind=kind, draws=draws, riser_height_m=riser_m,
            place95_m=TYPED95_M if place95_m is None else place95_m, progress=progress(quiet),
        )  # fmt: skip
        if area:
            shapes = found.areas().to_crs("EPSG:4326")
            area.write_text(shapes.to_json(drop_id=True) + "\n", "utf-8")
        if page:
            page.write_text(proposal_page(found), "utf-8")
    checks = _records(found.result.setback_checks)
    parts = [
        {
            "part": part,
            "area_m2": round(shape.area, 1),
            "share_of_parcel": found.share(part),
            "surely_area_m2": round(found.surely[part].area, 1),
            "surely_share_of_parcel": found.share(part, surely=True),
        }
        for part, shape in found.allowed.items()
    ]
    if as_json:
        say_json({"caution": found.caution, "unit": _records(plain(found.result.units))[0],
                  "setback_checks": checks, "allowed": parts,
                  "notes": list(found.notes)})  # fmt: skip
        return
    rows = [
        [row["rule_id"], row["part"], row["feature_id"] or "", f"{row['required_m']:.1f} m",
         "" if row["distance_m"] is None else f"{row['distance_m']:.1f} m", row["verdict"]]
        for row in checks if row["in_force"]
    ]  # fmt: skip
    say_table("Setbacks in force", ["rule", "part", "to", "asked", "distance", "verdict"], rows)
    say_table("Ground, water and receptors", ["figure", "value"], found.figures())
    for part in parts:
        what = part["part"].replace("_", " ")
        click.echo(
            f"All adopted setbacks of the {what} hold on {part['area_m2']:,.0f} m2"
            f"{_of_parcel(part['share_of_parcel'])} as drawn; surely, with the accuracy of the"
            f" positions, on {part['surely_area_m2']:,.0f} m2"
            f"{_of_parcel(part['surely_share_of_parcel'])}."
        )
    _end(found.notes, found.caution, area, page)


def _of_parcel(share: float | None) -> str:
    return "" if share is None else f" ({share:.0%} of the parcel)"


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    plain = table.drop(columns="geometry", errors="ignore").astype(object)
    rows: list[dict[str, Any]] = plain.where(plain.notna(), None).to_dict("records")
    return rows


def _day(value: Any) -> str:
    return "" if value is None else str(value)[:10]


def _write(table: pd.DataFrame, path: Path | None) -> None:
    from layers.tables import write_csv

    if path is not None:
        write_csv(table, path)


def _end(notes: tuple[str, ...], caution: str, *files: Path | None) -> None:
    for note in notes:
        click.echo(f"Note: {note}")
    click.echo(caution)
    for file in files:
        if file is not None:
            click.echo(f"Written to {file}, for staff only.")
