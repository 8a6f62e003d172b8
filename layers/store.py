"""The assessment and its folder, whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import MISSING, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from layers.errors import AssessmentFolderError
from layers.grid import GridSource
from layers.memory import give_back
from layers.raster import open_source, write_raster
from layers.tables import write_csv
from layers.vector import geopackage_layers, read_geopackage_layer, write_geopackage

GEOPACKAGE: Final = "assessment.gpkg"
RUN_FILE: Final = "run.json"
PRIORITIES: Final = "priorities.csv"
PROBLEMS: Final = "problems.csv"
TABLES: Final = (
    "units",
    "discharge_points",
    "flow_paths",
    "water_legs",
    "water_places",
    "way_wells",
    "drawn_entries",
    "drawn_passes",
    "setback_checks",
    "worth_a_fix",
    "worth_knowing",
    "replay",
    "owed",
    "outlet_candidates",
    "outlet_search_areas",
    "terrain_cuts",
    "ponds",
    "areas",
    "public_cells",
    "first_visits",
    "loads",
    "problems",
)
CONTEXT: Final = (
    "streams",
    "water_bodies",
    "floodplain",
    "wells",
    "parcels",
    "roads",
    "buildings",
    "culverts",
    "drains",
    "protected_places",
)


def _no_rows() -> pd.DataFrame:
    return pd.DataFrame({"unit_id": pd.Series(dtype=object)})


@dataclass(frozen=True)
class Assessment:
    """What `geo.assess` returns and `read` reads back; everything published comes from it.

    Attributes
    ----------
    units
        One row per unit used, points in the working system, in rank order.
    discharge_points, flow_paths, setback_checks
        Points; lines from each discharge point; one row per unit, rule and part with the line
        between the nearest points.
    worth_a_fix
        Positions worth taking with a good receiver, most useful first.
    worth_knowing
        What would settle most of which units belong in the first class, if it were known.
    problems
        One row per fault of the input; no geometry.
    replay
        Troubles the first visits of past years would have met, by order.
    owed
        One row per visit that is owed, in the order in which they are due.
    outlet_candidates, outlet_search_areas
        Where to look for outlets nobody knows, most likely first, points; and the polygon that
        was searched for each such unit.
    terrain_cuts
        Every culvert, and every road over a mapped stream without one: what was cut for it, or
        why not.
    ponds
        The ponds of each storm: what they hold, where they spill, what stands in them.
    areas, public_cells
        The county in small areas: catchments or squares; squares that may be shown to everybody,
        as a first public edition does. A later one is held to it: `geo.public_editions`.
    first_visits
        How much of the county's total score the first visits of the order cover.
    loads
        What may come down the water from each small area, as `geo.waters.die_off` says.
    water_legs, water_places
        The mapped water in pieces that lead on to each other, and where outlets come into it,
        as `geo.waters.waterways` says.
    way_wells
        How high the ground is at wells near a way and at the way, as `geo.waters.well_heights`
        says.
    drawn_entries, drawn_passes
        Where the ways over the ground end and run in draws of the terrain's error and of
        positions, as `geo.waters.way_draws` says; empty where nothing was drawn.
    context
        The county's own layers as read and checked, by layer name, for maps and sheets.
    rasters
        By file name without its ending: ``relief`` (uint8 shading, 0 = void),
        ``pond_depth_brim`` (metres), and what ``--keep-terrain`` adds.
    run
        Versions, inputs with hashes, settings, row counts, notes in words, timings.
    """

    units: gpd.GeoDataFrame
    discharge_points: gpd.GeoDataFrame
    flow_paths: gpd.GeoDataFrame
    setback_checks: gpd.GeoDataFrame
    worth_a_fix: pd.DataFrame
    problems: pd.DataFrame
    worth_knowing: pd.DataFrame = field(default_factory=_no_rows)
    replay: pd.DataFrame = field(default_factory=_no_rows)
    owed: pd.DataFrame = field(default_factory=_no_rows)
    outlet_candidates: pd.DataFrame = field(default_factory=_no_rows)
    outlet_search_areas: pd.DataFrame = field(default_factory=_no_rows)
    terrain_cuts: pd.DataFrame = field(default_factory=_no_rows)
    ponds: pd.DataFrame = field(default_factory=_no_rows)
    areas: pd.DataFrame = field(default_factory=_no_rows)
    public_cells: pd.DataFrame = field(default_factory=_no_rows)
    first_visits: pd.DataFrame = field(default_factory=_no_rows)
    loads: pd.DataFrame = field(default_factory=_no_rows)
    water_legs: pd.DataFrame = field(default_factory=_no_rows)
    water_places: pd.DataFrame = field(default_factory=_no_rows)
    way_wells: pd.DataFrame = field(default_factory=_no_rows)
    drawn_entries: pd.DataFrame = field(default_factory=_no_rows)
    drawn_passes: pd.DataFrame = field(default_factory=_no_rows)
    context: Mapping[str, gpd.GeoDataFrame] = field(default_factory=dict)
    rasters: Mapping[str, GridSource] = field(default_factory=dict)
    run: Mapping[str, Any] = field(default_factory=dict)

    def write(self, out: str | Path, *, overwrite: bool = False) -> Path:
        """Write the data (no pages) into the folder ``out`` and return its path.

        Raises
        ------
        AssessmentFolderError
            If ``out`` holds an assessment and ``overwrite`` is False, or cannot be written.
        """
        with staging(out, overwrite=overwrite) as stage:
            write_into(self, stage)
        return Path(out)


def write_into(assessment: Assessment, stage: Path) -> None:
    """Write an assessment's data files into an open staging folder; `run.json` comes at its end."""
    tables: dict[str, pd.DataFrame] = {name: getattr(assessment, name) for name in TABLES}
    tables["run"] = _run_table(assessment.run)
    tables |= {f"context_{name}": assessment.context[name] for name in sorted(assessment.context)}
    stamp = str(assessment.run.get("as_of", "2000-01-01"))
    write_geopackage(stage / GEOPACKAGE, tables, stamp=stamp)
    write_csv(assessment.units.drop(columns="geometry"), stage / PRIORITIES)
    write_csv(assessment.problems, stage / PROBLEMS)
    for name, source in sorted(assessment.rasters.items()):
        write_raster(source, stage / f"{name}.tif")
    (stage / RUN_FILE).write_text(json.dumps(assessment.run, indent=1, default=str) + "\n", "utf-8")


def _run_table(run: Mapping[str, Any]) -> pd.DataFrame:
    """The run as key and value rows, timings aside, so that two runs give the same bytes."""
    rows = [
        {"key": key, "value": value if isinstance(value, str) else json.dumps(value, default=str)}
        for key, value in sorted(run.items())
        if key not in {"timings_s", "files"}
    ]
    return pd.DataFrame(rows, columns=["key", "value"])


def read(folder: str | Path, *, checks_drawn: Collection[str] = ()) -> Assessment:
    """The assessment in a finished folder; rasters stay on disk and are read by window.

    A table that the release which wrote the folder did not have yet is empty.

    Parameters
    ----------
    checks_drawn
        For those that only show setback checks, where a large county's would take most of the
        time and memory: their texts as categories, and lines only with these verdicts.

    Raises
    ------
    AssessmentFolderError
        If the folder holds no assessment.
    """
    folder = Path(folder)
    _recover(folder)
    if not (folder / RUN_FILE).is_file() or not (folder / GEOPACKAGE).is_file():
        raise AssessmentFolderError(
            "no assessment here",
            where=str(folder),
            mend=f"name a folder that 'rillmark assess' wrote (it holds {RUN_FILE})",
        )
    run = _run_of(folder)
    path = folder / GEOPACKAGE
    there = geopackage_layers(path)
    optional = {f.name for f in fields(Assessment) if f.default_factory is not MISSING}
    drawn = f"verdict IN ({', '.join(map(repr, checks_drawn))})" if checks_drawn else None
    tables = {
        name: read_geopackage_layer(
            path, name, shapes_where=drawn if name == "setback_checks" else None
        )
        # the largest one first: what reading it leaves free serves the others
        for name in sorted(TABLES, key=lambda name: name != "setback_checks")
        if name in there or name not in optional
    }
    context = {
        name: read_geopackage_layer(path, f"context_{name}")
        for name in CONTEXT
        if name in run.get("context", [])
    }
    rasters = {name: open_source(folder / f"{name}.tif") for name in run.get("rasters", [])}
    give_back()
    return Assessment(**tables, context=context, rasters=rasters, run=run)


# ------------------------------------------------------------------ the folder, whole or not at all


def _stage_path(out: Path) -> Path:
    return out.parent / f".{out.name}.staging"


def _journal_path(out: Path) -> Path:
    return out.parent / f".{out.name}.replacing.json"


@contextmanager
def staging(out: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """An empty folder beside ``out`` to fill; put in place when the block ends without an error.

    A journal written once the staging folder is complete is the point of no return: cut before
    it, ``out`` is as it was; cut after it, the next start moves the rest into place. Files in
    ``out`` that the last assessment did not write are left alone.

    Raises
    ------
    AssessmentFolderError
        If ``out`` is a file, or holds an assessment and ``overwrite`` is False, or cannot be
        written.
    """
    out = Path(out).absolute()
    _recover(out)
    if out.exists() and not out.is_dir():
        raise AssessmentFolderError(
            "the place for the assessment is a file", where=str(out), mend="name a folder"
        )
    if not overwrite and (out / RUN_FILE).exists():
        raise AssessmentFolderError(
            "an assessment is already there",
            where=str(out),
            mend="give --overwrite to replace its files, or name another folder",
        )
    stage = _stage_path(out)
    try:
        shutil.rmtree(stage, ignore_errors=True)
        stage.mkdir(parents=True)
        yield stage
        files = sorted(p.relative_to(stage).as_posix() for p in stage.rglob("*") if p.is_file())
        _list_files(stage, files)
        _put_in_place(stage, out, files)
    except OSError as error:
        raise AssessmentFolderError(
            f"cannot write: {error.strerror or error}",
            where=str(error.filename or out),
            mend="free the disk, close programs that hold the file, or name another folder",
        ) from error
    finally:
        if not _journal_path(out).exists():
            shutil.rmtree(stage, ignore_errors=True)


def _list_files(stage: Path, files: list[str]) -> None:
    """Add the list of files with their hashes to the staged `run.json`."""
    path = stage / RUN_FILE
    run = json.loads(path.read_text("utf-8")) if path.exists() else {}
    run["files"] = {name: file_sha256(stage / name) for name in files if name != RUN_FILE}
    path.write_text(json.dumps(run, indent=1) + "\n", "utf-8")
    if RUN_FILE not in files:
        files.append(RUN_FILE)


def file_sha256(path: Path) -> str:
    """The SHA-256 of a file's bytes, in hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _put_in_place(stage: Path, out: Path, files: list[str]) -> None:
    if not out.exists():
        stage.rename(out)
        return
    old = []
    if (out / RUN_FILE).exists():
        with suppress(AssessmentFolderError):  # a damaged list of files names none to remove
            old = list(_run_of(out).get("files", {}))
    journal = _journal_path(out)
    staged = stage / journal.name
    staged.write_text(json.dumps({"files": files, "old": old}), "utf-8")
    with staged.open("rb") as stream:
        os.fsync(stream.fileno())
    staged.replace(journal)
    _recover(out)


def _recover(out: Path) -> None:
    """Finish a replacement that was cut after its journal was written."""
    out = Path(out).absolute()
    journal = _journal_path(out)
    if not journal.exists():
        return
    stage = _stage_path(out)
    plan = json.loads(journal.read_text("utf-8"))
    for name in plan["files"]:
        if (stage / name).exists():
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (stage / name).replace(out / name)
    for name in plan["old"]:
        if name not in plan["files"] and _is_inside(out, name):
            (out / name).unlink(missing_ok=True)
    shutil.rmtree(stage, ignore_errors=True)
    journal.unlink()


def _run_of(folder: Path) -> dict[str, Any]:
    """What `run.json` of a finished folder says."""
    path = folder / RUN_FILE
    mend = "run 'rillmark assess' again, with --overwrite"
    try:
        run = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise AssessmentFolderError(
            f"cannot be read: {error}", where=str(path), mend=mend
        ) from error
    if not isinstance(run, dict):
        raise AssessmentFolderError("it is damaged", where=str(path), mend=mend)
    return run


def _is_inside(folder: Path, name: str) -> bool:
    return (folder / name).resolve().is_relative_to(folder.resolve())


def add_files(folder: str | Path, pages: Mapping[str, str | bytes]) -> list[Path]:
    """Write pages into a finished folder, each whole or not at all, and list them in `run.json`.

    Raises
    ------
    AssessmentFolderError
        If the folder holds no assessment or cannot be written.
    """
    folder = Path(folder)
    if not (folder / RUN_FILE).exists():
        raise AssessmentFolderError(
            "no assessment here", where=str(folder), mend="run 'rillmark assess' first"
        )
    run = _run_of(folder)
    written = []
    try:
        for name, text in pages.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            _write_whole(folder / name, text)
            run.setdefault("files", {})[name] = file_sha256(folder / name)
            written.append(folder / name)
        _write_whole(folder / RUN_FILE, json.dumps(run, indent=1) + "\n")
    except OSError as error:
        raise AssessmentFolderError(
            f"cannot write: {error.strerror or error}",
            where=str(error.filename or folder),
            mend="free the disk or close programs that hold the file",
        ) from error
    return written


def _write_whole(path: Path, content: str | bytes) -> None:
    temporary = path.with_name(f".{path.name}.part")
    temporary.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    temporary.replace(path)


def with_run(assessment: Assessment, **changes: Any) -> Assessment:
    """The same assessment with entries of its run replaced."""
    return replace(assessment, run={**assessment.run, **changes})
