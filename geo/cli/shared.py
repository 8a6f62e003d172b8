"""What the commands share: options, exit states, errors, progress, and the run itself."""

from __future__ import annotations

import datetime as dt
import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from layers.county import County
    from layers.records.index import Indexed
    from layers.store import Assessment

DONE, PART_MISSING, UNUSABLE = 0, 1, 2
STOPPED = 130  # by Ctrl-C, as shells have it


@contextmanager
def plain_errors() -> Iterator[None]:
    """One clear message and exit status 2 for input that cannot be used."""
    from layers.errors import RillmarkError

    try:
        yield
    except RillmarkError as error:
        click.echo(f"rillmark: {error}", err=True)
        sys.exit(UNUSABLE)
    except BrokenPipeError:  # who reads our lines has had enough: click ends quietly
        raise
    except OSError as error:  # the system's refusal of a file, wherever it was met
        text = RillmarkError(
            f"cannot read or write a file: {error.strerror or error}",
            where=str(error.filename or "the system did not name the file"),
            hint="check that the file exists, that you have permission, that the disk is not full,"
            " and that no other program has the file open",
        )
        click.echo(f"rillmark: {text}", err=True)
        sys.exit(UNUSABLE)


def must_not_be_read_from(county: County, *files: Path | None) -> None:
    """Refuse to write over a file the county is read from: its data would be gone."""
    from layers.errors import LayerError

    inputs = {(county.path.parent / name).resolve() for name in county.inputs}
    for file in files:
        if file and file.resolve() in inputs:
            raise LayerError(
                "the county is read from this file, so it cannot be overwritten",
                where=str(file),
                hint="name another file",
            )


@contextmanager
def nothing_written_if_stopped() -> Iterator[None]:
    """Says what became of the folder when the run is stopped by its user."""
    try:
        yield
    except KeyboardInterrupt:
        click.echo("rillmark: stopped. Nothing was written.", err=True)
        sys.exit(STOPPED)


def progress(quiet: bool) -> Callable[[str], None]:
    """Says on stderr what is being done: on a terminal only the present step stays."""
    if quiet:
        return lambda _step: None
    live = sys.stderr.isatty()
    start = time.perf_counter()

    def print_step(step: str) -> None:
        seconds = time.perf_counter() - start
        click.echo(f"{seconds:6.1f} s  {step}" if live else step, err=True)

    return print_step


def print_json(what: Any) -> None:
    """One JSON value on stdout."""
    click.echo(json.dumps(what, indent=1, default=str))


def records_in_doubt(found: Indexed) -> bool:
    """Whether something on record cannot be used, is missing or in dispute; says so if it is."""
    disputed = len(found.in_force().disputed)
    if not found.set_aside and not disputed:
        return False
    click.echo(
        f"Day files or lines unusable or missing: {len(found.set_aside)}. Record ids with more than"
        f" one content: {disputed}. This result may be incomplete."
        " Fix: 'rillmark findings list COUNTY.toml' lists them.",
        err=True,
    )
    return True


quiet_option = click.option("--quiet", is_flag=True, help="Do not show progress.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")


class Day(click.ParamType):
    """A day as 2026-04-01; other spellings are answered with this one."""

    name = "day"

    def convert(self, value: Any, param: Any, ctx: Any) -> dt.date:
        """The day, or click's error with the spelling that is read."""
        if isinstance(value, dt.date):
            return value
        for spelling in ("%Y-%m-%d", "%m/%d/%Y", "%Y/%m/%d", "%Y%m%d", "%m-%d-%Y", "%m/%d/%y"):
            try:
                day = dt.datetime.strptime(value, spelling).date()
            except ValueError:
                continue
            if day.isoformat() == value:
                return day
            self.fail(f"{value!r}: write it as {day.isoformat()}", param, ctx)
        return self.fail(f"{value!r} is not a date; use 2026-04-01", param, ctx)


as_of_option = click.option(
    "--as-of",
    type=Day(),
    default=None,
    help="Assessment date, such as 2026-04-01. Default: 'as_of' in county.toml, else today.",
)
overwrite_option = click.option(
    "--overwrite", is_flag=True, help="Replace the assessment that is already in the folder."
)
county_argument = click.argument("county_toml", type=click.Path(path_type=Path))
folder_argument = click.argument("folder", type=click.Path(path_type=Path))


def is_terminal() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin.isatty()


def assess_into(
    county_toml: Path,
    out: Path,
    *,
    as_of: Any,
    seed: int,
    overwrite: bool,
    keep_terrain: bool,
    quiet: bool,
    draws: int | None = None,
) -> Assessment:
    """Read, assess and write data and pages into ``out``, whole or not at all."""
    print_step = progress(quiet)
    print_step("loading")
    from layers import store
    from layers.reading.reading import read_county

    with nothing_written_if_stopped(), store.staging(out, overwrite=overwrite) as stage:
        print_step("reading and checking the layers")
        county = read_county(county_toml, as_of=as_of)
        from geo.assessment import assess as run
        from geo.publish import appendix_page, map_page, report_page, score_workbook
        from geo.publish.report.page import APPENDIX_FILE, REPORT_FILE

        result = run(county, seed=seed, draws=draws, keep_terrain=keep_terrain, progress=print_step)
        print_step("writing the tables")
        store.write_into(result, stage)
        print_step("making the map")
        (stage / "map_staff.html").write_text(map_page(result), "utf-8")
        print_step("writing the report and the spreadsheet of scores")
        (stage / REPORT_FILE).write_bytes(report_page(result).encode("utf-8"))
        (stage / APPENDIX_FILE).write_bytes(appendix_page(result).encode("utf-8"))
        (stage / "priorities.xlsx").write_bytes(score_workbook(result))
    print_step("done")
    return result
