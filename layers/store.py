"""The assessment and its folder, whole or not at all."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Self

import geopandas as gpd
import pandas as pd

from layers.errors import AssessmentFolderError, LayerError
from layers.files.geopackage import ColumnText
from layers.files.memory import give_back
from layers.files.raster import open_source, write_raster
from layers.files.tables import write_csv
from layers.files.vector import read_geopackage_layer, stored_layers, write_geopackage
from layers.folders.lock import one_writer
from layers.folders.run_file import (
    GEOPACKAGE,
    RUN_FILE,
    file_sha256,
    must_be_of,
    must_match,
    run_of,
    run_table,
    run_text,
)
from layers.folders.staging import add_files, finish_cut, lock_path, staging
from layers.grid import GridSource
from layers.outputs import OUTPUTS, Table
from layers.outputs.groups import (
    Areas,
    Search,
    Trust,
    Visits,
    Water,
    fields_from,
    table_field,
    tables_of,
)
from layers.outputs.run import Run
from layers.showing import as_html, in_short

__all__ = [
    "CONTEXT", "GEOPACKAGE", "PRIORITIES", "PROBLEMS", "RUN_FILE", "TABLES", "Assessment",
    "add_files", "file_sha256", "read_assessment", "staging", "write_into",
]  # fmt: skip

PRIORITIES: Final = "priorities.csv"
PROBLEMS: Final = "problems.csv"
TABLES: Final = tuple(OUTPUTS)
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


_ALWAYS: Final = (
    "units",
    "discharge_points",
    "flow_paths",
    "setback_checks",
    "worth_a_fix",
    "problems",
)  # every version wrote these
_TURNS: Final = 3  # a read that a writer overtook begins again


@dataclass(frozen=True, repr=False)
class Assessment:
    """What `geo.assess` returns and `read_assessment` reads back: all that is published is in it.

    Attributes
    ----------
    units
        One row per unit used, points in the working system, in rank order.
    discharge_points, flow_paths, setback_checks
        Points; lines from each discharge point; one row per unit, rule and part with the line
        between the nearest points.
    problems
        One row per fault of the input; no geometry.
    ponds
        The ponds of each storm: what they hold, where they spill, what stands in them.
    visits, water, search, trust, areas
        The other tables, by what they speak of: see `layers.outputs.groups`.
    context
        The county's own layers as read and checked, by layer name, for maps and sheets.
    rasters
        By file name without its ending: ``relief`` (uint8 shading, 0 = void),
        ``pond_depth_brim`` (meters), and what ``--keep-terrain`` adds.
    run
        Versions, inputs with hashes, settings, row counts, notes in words, timings.
    """

    units: gpd.GeoDataFrame = field(metadata={"table": "units"})
    discharge_points: gpd.GeoDataFrame = field(metadata={"table": "discharge_points"})
    flow_paths: gpd.GeoDataFrame = field(metadata={"table": "flow_paths"})
    setback_checks: gpd.GeoDataFrame = field(metadata={"table": "setback_checks"})
    problems: pd.DataFrame = field(metadata={"table": "problems"})
    ponds: pd.DataFrame = table_field("ponds")
    visits: Visits = field(default_factory=Visits)
    water: Water = field(default_factory=Water)
    search: Search = field(default_factory=Search)
    trust: Trust = field(default_factory=Trust)
    areas: Areas = field(default_factory=Areas)
    context: Mapping[str, gpd.GeoDataFrame] = field(default_factory=dict)
    rasters: Mapping[str, GridSource] = field(default_factory=dict)
    run: Run = field(default_factory=Run)

    @classmethod
    def of(cls, tables: Mapping[str, pd.DataFrame], **rest: Any) -> Self:
        """From its tables by their names in the register, its context, its rasters and its run."""
        return cls(**fields_from(cls, tables), **rest)

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table by its name in the register, in the order of files."""
        found = tables_of(self)
        return {name: found[name] for name in TABLES}

    @property
    def _title(self) -> str:
        name = self.run.county.name or "a county"
        return f"Assessment of {name} on {self.run.as_of or 'no day'}"

    def __repr__(self) -> str:
        rows = {name: len(table) for name, table in self.tables.items()}
        return in_short(self._title, {name: n for name, n in rows.items() if n})

    def _repr_html_(self) -> str:
        rows = {name: f"{len(table):,}" for name, table in self.tables.items()}
        return as_html(self._title, ("table", "rows"), list(rows.items()))

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
    tables = assessment.tables
    for name, frame in tables.items():
        OUTPUTS[name].check(frame)
    tables["run"] = run_table(assessment.run.plain())
    tables |= {f"context_{name}": assessment.context[name] for name in sorted(assessment.context)}
    stamp = assessment.run.as_of or "2000-01-01"
    columns = {name: _column_texts(OUTPUTS[name], tables[name]) for name in TABLES}
    write_geopackage(stage / GEOPACKAGE, tables, stamp=stamp, columns=columns)
    write_csv(assessment.units.drop(columns="geometry"), stage / PRIORITIES)
    write_csv(assessment.problems, stage / PROBLEMS)
    for name, source in sorted(assessment.rasters.items()):
        write_raster(source, stage / f"{name}.tif")
    (stage / RUN_FILE).write_text(run_text(assessment.run.plain()), "utf-8")


def _column_texts(table: Table, frame: pd.DataFrame) -> dict[str, ColumnText]:
    fields = [table.field(name) for name in table.arrange(frame)]
    return {field.name: ColumnText(field.alias, field.description, field.codes) for field in fields}


def read_assessment(folder: str | Path, *, checks_drawn: Collection[str] = ()) -> Assessment:
    """The assessment in a finished folder; rasters stay on disk and are read by window.

    A table that the release which wrote the folder did not have yet is empty. The GeoPackage and
    the rasters must be those `run.json` lists, by their hashes, and `run.json` must say what the
    GeoPackage's own copy of it says. Files written for people (pages, CSV, spreadsheets) are not
    read and not checked.

    Parameters
    ----------
    checks_drawn
        For those that only show setback checks, where a large county's would take most of the
        time and memory: their texts as categories, and lines only with these verdicts.

    Raises
    ------
    AssessmentFolderError
        If the folder holds no assessment, one that was changed or damaged, or one in the format
        of a later version.
    """
    folder = Path(folder)
    for turns_left in range(_TURNS - 1, -1, -1):
        finish_cut(folder)
        before = _stamps(folder)
        try:
            found = _read(folder, checks_drawn)
        except (AssessmentFolderError, LayerError):
            if not turns_left or not _is_being_written(folder, before):
                raise
        else:
            if _stamps(folder) == before:
                return found
    raise AssessmentFolderError(
        "it was replaced several times while it was read",
        where=str(folder),
        hint="wait until no other run is writing there",
    )


def _is_being_written(folder: Path, before: object) -> bool:
    """Whether a writer was at it; it has ended when this returns."""
    lock = lock_path(folder.absolute())
    if lock.exists():
        with one_writer(lock, of=folder):
            pass
        return True
    return _stamps(folder) != before


def _stamps(folder: Path) -> list[tuple[int, int, int]]:
    """What changes when another assessment is put into the folder."""
    stats = [p.stat() for p in (folder / RUN_FILE, folder / GEOPACKAGE) if p.is_file()]
    return [(stat.st_ino, stat.st_mtime_ns, stat.st_size) for stat in stats]


def _read(folder: Path, checks_drawn: Collection[str]) -> Assessment:
    if not (folder / RUN_FILE).is_file() or not (folder / GEOPACKAGE).is_file():
        raise AssessmentFolderError(
            "there is no assessment here",
            where=str(folder),
            hint=f"name a folder that 'rillmark assess' wrote (it has {RUN_FILE})",
        )
    plain = run_of(folder)
    run = Run.of(plain)
    must_match(folder, run)
    path = folder / GEOPACKAGE
    there = stored_layers(path)
    must_be_of(plain, read_geopackage_layer(path, "run", stored=there), folder)
    drawn = f"verdict IN ({', '.join(map(repr, checks_drawn))})" if checks_drawn else None
    tables = {
        name: _kept(
            OUTPUTS[name],
            read_geopackage_layer(
                path,
                name,
                stored=there,
                shapes_where=drawn if name == "setback_checks" else None,
            ),
        )
        # the largest one first: what reading it leaves free serves the others
        for name in sorted(TABLES, key=lambda name: name != "setback_checks")
        if name in there or name in _ALWAYS
    }
    context = {
        name: read_geopackage_layer(path, f"context_{name}", stored=there)
        for name in CONTEXT
        if name in run.context
    }
    rasters = {name: open_source(folder / f"{name}.tif") for name in run.rasters}
    give_back()
    return Assessment.of(tables, context=context, rasters=rasters, run=run)


def _kept(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """The frame; without rows its columns are of the kinds they have, which no file tells."""
    if len(frame):
        return frame
    return table.empty_layer(frame.crs) if isinstance(frame, gpd.GeoDataFrame) else table.empty()
