"""The command line: the only place that prints. A translation, no formula; imports come late."""

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

from geo.cli.telling import check_report, left_out, say_check, say_result, summary_of

if TYPE_CHECKING:
    from layers.store import Assessment

DONE, PART_MISSING, UNUSABLE = 0, 1, 2
STOPPED = 130  # by Ctrl-C, as shells have it


@contextmanager
def _plain_errors() -> Iterator[None]:
    """One clear message and exit status 2 for input that cannot be used."""
    from layers.errors import RillmarkError

    try:
        yield
    except RillmarkError as error:
        click.echo(f"rillmark: {error}", err=True)
        sys.exit(UNUSABLE)


@contextmanager
def _nothing_written_if_stopped() -> Iterator[None]:
    """Says what became of the folder when the run is stopped by its user."""
    try:
        yield
    except KeyboardInterrupt:
        click.echo("rillmark: stopped; nothing was written", err=True)
        sys.exit(STOPPED)


def _progress(quiet: bool) -> Callable[[str], None]:
    """Says on stderr what is being done: on a terminal only the present step stays."""
    if quiet:
        return lambda _step: None
    live = sys.stderr.isatty()
    start = time.perf_counter()

    def say(step: str) -> None:
        seconds = time.perf_counter() - start
        click.echo(f"{seconds:6.1f} s  {step}" if live else step, err=True)

    return say


def _as_json(what: Any) -> None:
    click.echo(json.dumps(what, indent=1, default=str))


quiet_option = click.option("--quiet", is_flag=True, help="No progress on stderr.")
json_option = click.option("--json", "as_json", is_flag=True, help="Report as JSON on stdout.")


class _Day(click.ParamType):
    """A day as 2026-04-01; other spellings are answered with this one."""

    name = "day"

    def convert(self, value: Any, param: Any, ctx: Any) -> dt.date:
        if isinstance(value, dt.date):
            return value
        for spelling in ("%Y-%m-%d", "%m/%d/%Y", "%Y/%m/%d", "%Y%m%d", "%m-%d-%Y", "%m/%d/%y"):
            try:
                day = dt.datetime.strptime(value, spelling).date()
            except ValueError:
                continue
            if day.isoformat() == value:
                return day
            self.fail(f"{value!r}: write {day.isoformat()}", param, ctx)
        return self.fail(f"{value!r} is no day; write it as 2026-04-01", param, ctx)


as_of_option = click.option(
    "--as-of",
    type=_Day(),
    default=None,
    help="The day the assessment speaks for; overrides county.toml.",
)
overwrite_option = click.option(
    "--overwrite", is_flag=True, help="Replace an assessment that is already in the folder."
)
county_argument = click.argument("county_toml", type=click.Path(path_type=Path))
folder_argument = click.argument("folder", type=click.Path(path_type=Path))


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="rillmark")
def main() -> None:
    """Which household sewage treatment units to visit first, and why.

    \b
    Try it on the invented county:   rillmark demo
    Begin with your own list:        rillmark new our_county
    """


@main.command()
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
    with _plain_errors():
        result = _assess_into(
            county_toml, out, as_of=None, seed=0, overwrite=True, keep_terrain=False, quiet=quiet
        )
    page = (out / "map_staff.html").resolve()
    if as_json:
        _as_json(summary_of(result) | {"map": str(page)})
        return
    say_result(result, out)
    click.echo(f"\nLarkmoor County is invented. Open this file in a browser:\n{page}")


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--from",
    "units_list",
    type=click.Path(path_type=Path),
    default=None,
    help="A list of units (xlsx, csv, gpkg, shp ...): its columns are guessed, nothing is copied.",
)
@click.option("--sheet", default=None, help="The sheet or layer of the list.")
@click.option("--yes", is_flag=True, help="Write the guesses without asking.")
@json_option
def new(folder: Path, units_list: Path | None, sheet: str | None, yes: bool, as_json: bool) -> None:
    """Write a commented county.toml, setbacks.toml and priorities.toml.

    \b
    Example:  rillmark new our_county --from units.xlsx
    """
    from importlib.resources import files

    names = ["county.toml", "setbacks.toml", "priorities.toml"]
    there = [name for name in names if (folder / name).exists()]
    if there:
        click.echo(
            f"rillmark: {', '.join(there)} already stands in {folder}\n"
            f"  where: {folder}\n  mend:  name another folder, or move those files away",
            err=True,
        )
        sys.exit(UNUSABLE)
    texts = {name: (files("layers.templates") / name).read_text("utf-8") for name in names}
    if units_list is not None:
        texts["county.toml"] = _proposed(
            folder, units_list, sheet, texts["county.toml"], ask=not yes, quiet=as_json
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")
    if as_json:
        _as_json({"folder": str(folder), "files": names})
        return
    click.echo(f"Wrote {', '.join(names)} into {folder}.")
    first = "look over county.toml" if units_list else "name your list of units in county.toml"
    click.echo(f"Next: {first}, then\n  rillmark check {folder / 'county.toml'}")


def _is_terminal() -> bool:
    return sys.stdin.isatty()


def _proposed(
    folder: Path, units_list: Path, sheet: str | None, template: str, *, ask: bool, quiet: bool
) -> str:
    """A county file for a list of units; the guesses are shown, and on a terminal asked about."""
    from layers.proposal import county_toml, propose

    with _plain_errors():
        proposal = propose(units_list, sheet=sheet)
    if not quiet:
        click.echo(f"{units_list.name}: {proposal.rows} rows. The columns look like this:")
        for guess in proposal.guesses:
            click.echo(f"  {guess.theirs} -> {guess.ours}: {guess.why}")
        for ours, codes in proposal.unknown.items():
            click.echo(f"  codes of {ours} that are not recognised: {', '.join(codes)}")
        for lack in proposal.missing:
            click.echo(f"  not found: {lack}; fill it in in county.toml")
        if proposal.unused:
            click.echo(f"  not used: {', '.join(proposal.unused)}")
    if ask and not quiet and _is_terminal() and not click.confirm("Write this?", default=True):
        click.echo("Nothing was written.")
        sys.exit(DONE)
    return county_toml(proposal, template, folder)


@main.command()
@county_argument
@as_of_option
@json_option
@click.option(
    "--places",
    type=click.Path(path_type=Path),
    default=None,
    help="Also write a GeoPackage of the places of the problems, for a map program.",
)
def check(county_toml: Path, as_of: Any, as_json: bool, places: Path | None) -> None:
    """Read all layers, list the problems by layer, say what can be assessed.

    \b
    Example:  rillmark check our_county/county.toml
              rillmark check our_county/county.toml --places problems.gpkg

    Exit status 0: nothing worse than warnings; 1: an error, so that rows or layers are left out
    or heights are in doubt; 2: the county cannot be read at all.
    """
    from layers.county import read_county
    from layers.fault_report import layer_reports, write_problem_places

    with _plain_errors():
        county = read_county(county_toml, as_of=as_of)
        written = write_problem_places(county, places) if places else None
    reports = layer_reports(county)
    if as_json:
        _as_json(check_report(county, reports))
    else:
        say_check(county, reports)
        if written:
            placed, without = written
            click.echo(f"Written to {places}: {placed} problems with a place, {without} without.")
    severe = (county.problems["severity"] == "error").any()
    sys.exit(PART_MISSING if severe else DONE)


@main.command()
@county_argument
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder for the result."
)
@as_of_option
@click.option(
    "--seed",
    type=int,
    default=0,
    show_default=True,
    help="Number that fixes every random draw, so that a run can be repeated.",
)
@overwrite_option
@click.option("--keep-terrain", is_flag=True, help="Also write the terrain rasters.")
@json_option
@quiet_option
def assess(
    county_toml: Path,
    out: Path,
    as_of: Any,
    seed: int,
    overwrite: bool,
    keep_terrain: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """The main job: read, measure, rank, and write the folder with the map.

    \b
    Example:  rillmark assess our_county/county.toml --out our_county/spring
    """
    with _plain_errors():
        result = _assess_into(
            county_toml,
            out,
            as_of=as_of,
            seed=seed,
            overwrite=overwrite,
            keep_terrain=keep_terrain,
            quiet=quiet,
        )
    if as_json:
        _as_json(summary_of(result) | {"map": str((out / "map_staff.html").resolve())})
    else:
        say_result(result, out)
        click.echo(f"\nOpen this file in a browser:\n{(out / 'map_staff.html').resolve()}")
    sys.exit(PART_MISSING if left_out(result.problems) else DONE)


@main.command("map")
@folder_argument
@click.option(
    "--audience",
    type=click.Choice(["staff"]),
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

    with _plain_errors():
        page = map_page(store.read(folder), audience=audience)
        (path,) = store.add_files(folder, {f"map_{audience}.html": page})
    if as_json:
        _as_json({"map": str(path.resolve())})
    else:
        click.echo(f"Open this file in a browser:\n{path.resolve()}")


# ------------------------------------------------------------------------------- what they share


def _assess_into(
    county_toml: Path,
    out: Path,
    *,
    as_of: Any,
    seed: int,
    overwrite: bool,
    keep_terrain: bool,
    quiet: bool,
) -> Assessment:
    """Read, assess and write data and map into ``out``, whole or not at all."""
    say = _progress(quiet)
    say("loading")
    from layers import store
    from layers.county import read_county

    with _nothing_written_if_stopped(), store.staging(out, overwrite=overwrite) as stage:
        say("reading and checking the layers")
        county = read_county(county_toml, as_of=as_of)
        from geo.assessment import assess as run
        from geo.publish import map_page

        result = run(county, seed=seed, keep_terrain=keep_terrain, progress=say)
        say("writing the tables")
        store.write_into(result, stage)
        say("drawing the map")
        (stage / "map_staff.html").write_text(map_page(result), "utf-8")
    say("done")
    return result
