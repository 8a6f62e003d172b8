"""The faults of a county as its office reads them: a table for each layer, and places on a map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from layers.crs import Mover
from layers.errors import LayerError
from layers.fields.column_names import LayerColumns
from layers.fields.schemas import SCHEMAS
from layers.files.vector import stored_layers, write_geopackage
from layers.problems import ASKING, CODES
from layers.reading.drafts import Draft

if TYPE_CHECKING:
    from pyproj import CRS

    from layers.county import County

PLACES: Final = "problem_places"
WITHOUT_PLACE: Final = "problems_without_place"
FIRST: Final = 5
_PLACE_COLUMNS: Final = ["layer", "row", "id", "code", "severity", "message", "action", "cost"]


@dataclass(frozen=True)
class LayerReport:
    """One layer's rows and what was met in them.

    Attributes
    ----------
    rows_read, used, corrected, set_aside
        None for a raster, or a layer that was left out.
    completeness
        What the layer cannot know, in words; empty where there is nothing to say.
    faults
        By reason: ``code, severity, action, rows`` (0 for the layer as a whole), ``first`` (ids,
        or row numbers where there is none), ``example, cost``, ``accepted_until`` (a day, or
        None); errors first.
    columns
        What became of its columns; None for a raster, or a layer that could not be read.
    """

    layer: str
    rows_read: int | None
    used: int | None
    corrected: int | None
    set_aside: int | None
    completeness: str
    faults: list[dict[str, Any]]
    columns: LayerColumns | None


def layer_reports(county: County) -> list[LayerReport]:
    """What became of each layer's rows, in the order of the schemas; layers not given left out."""
    counts = county.counts.set_index("layer").to_dict("index")
    problems = dict(iter(county.problems.groupby("layer")))
    names = [*SCHEMAS, *(name for name in problems if name not in SCHEMAS)]
    return [
        LayerReport(
            layer=name,
            **{key: (counts[name][key] if name in counts else None) for key in _COUNTS},
            completeness=county.completeness.get(name, ""),
            faults=_faults(problems[name]) if name in problems else [],
            columns=county.columns.get(name),
        )
        for name in names
        if name in counts or name in problems
    ]


_COUNTS: Final = ("rows_read", "used", "corrected", "set_aside")
_WORST_FIRST: Final = {"error": 0, "warning": 1, "note": 2}


def _faults(problems: pd.DataFrame) -> list[dict[str, Any]]:
    faults = []
    # faults of columns each ask a question of their own: none stands for another
    own = problems["message"].where(problems["code"].isin(ASKING) & problems["row"].isna(), "")
    for (code, severity, action, _), rows in problems.groupby(["code", "severity", "action", own]):
        until = rows["accepted_until"].iloc[0]
        ids = rows["feature_id"].where(
            rows["feature_id"].notna(), "row " + rows["row"].astype("str")
        )
        faults.append(
            {
                "code": code,
                "severity": severity,
                "action": action,
                "rows": int(rows["row"].notna().sum()),
                "first": ids[rows["row"].notna()].head(FIRST).tolist(),
                "example": rows["message"].iloc[0],
                "cost": CODES[code].cost,
                "accepted_until": None if pd.isna(until) else until.date(),
            }
        )
    return sorted(faults, key=lambda fault: (_WORST_FIRST[fault["severity"]], fault["code"]))


# ---------------------------------------------------------------------------------------- places


def places_set_aside(drafts: Mapping[str, Draft], working: CRS) -> gpd.GeoDataFrame:
    """Where the rows that were set aside say they are: ``layer, source_row``, a point or None."""
    layers: list[str] = []
    rows: list[int] = []
    points: list[Any] = []
    for name, draft in drafts.items():
        positions = np.flatnonzero(draft.ledger.is_set_aside)
        if draft.shapes is None or draft.crs is None or not len(positions):
            continue
        bounds = shapely.bounds(draft.shapes[positions])
        x, y = bounds[:, 0] / 2 + bounds[:, 2] / 2, bounds[:, 1] / 2 + bounds[:, 3] / 2
        nowhere = (x == 0) | (y == 0)
        x, y = Mover(draft.crs, working)(np.where(nowhere, np.nan, x), y)
        known = np.isfinite(x) & np.isfinite(y)
        layers += [name] * len(positions)
        rows += draft.ledger.rows[positions].tolist()
        points += [
            shapely.Point(east, north) if is_known else None
            for east, north, is_known in zip(x.tolist(), y.tolist(), known.tolist(), strict=True)
        ]
    return gpd.GeoDataFrame({"layer": layers, "source_row": rows}, geometry=points, crs=working)


def problem_places(county: County) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Problems as points for a map program, and those that have no place.

    A row stands at its point, or at a point of its line or area; a record at its unit; a row set
    aside where it says it is.
    """
    problems = county.problems.rename(columns={"feature_id": "id"})
    problems["cost"] = [CODES[code].cost for code in problems["code"]]
    places = {
        (layer, row): point
        for layer, row, point in zip(
            county.set_aside["layer"],
            county.set_aside["source_row"],
            county.set_aside.geometry,
            strict=True,
        )
        if point is not None
    }
    units = county.layers["units"]
    at_unit = dict(zip(units["unit_id"], units["geometry"], strict=True))
    for name, frame in county.layers.items():
        if isinstance(frame, gpd.GeoDataFrame):
            points = shapely.point_on_surface(frame.geometry.to_numpy())
        else:
            points = frame["unit_id"].map(at_unit)
        places |= {
            (name, row): point
            for row, point in zip(frame["source_row"].tolist(), points, strict=True)
            if isinstance(point, shapely.Point) and not point.is_empty
        }
    keys = zip(problems["layer"], problems["row"].astype(object), strict=True)
    shapes = [None if pd.isna(row) else places.get((layer, int(row))) for layer, row in keys]
    is_placed = np.array([shape is not None for shape in shapes], bool)
    table = problems[_PLACE_COLUMNS]
    placed = gpd.GeoDataFrame(
        table[is_placed].reset_index(drop=True),
        geometry=[shape for shape in shapes if shape is not None],
        crs=county.crs,
    )
    return placed, table[~is_placed].reset_index(drop=True)


def write_problem_places(county: County, path: Path) -> tuple[int, int]:
    """Write a GeoPackage of `problem_places`; how many have a place, and how many have none.

    The file is there whole or not at all. A file of that name is replaced only when it was
    written by this function.

    Raises
    ------
    LayerError
        When the name does not end in .gpkg, or another file stands there.
    AssessmentFolderError
        When it cannot be written.
    """
    if path.suffix.lower() != ".gpkg":
        raise LayerError(
            f"{path.name!r} does not end in .gpkg, as a GeoPackage must",
            where=str(path),
            hint="use a name such as problems.gpkg",
        )
    if path.exists() and not _is_ours(path):
        raise LayerError(
            "the file already exists and is not an earlier list of problem places",
            where=str(path),
            hint="name another file",
        )
    placed, without = problem_places(county)
    part = path.with_name(f".{path.stem}.part.gpkg")
    try:
        tables: dict[str, pd.DataFrame] = {PLACES: placed, WITHOUT_PLACE: without}
        write_geopackage(part, tables, stamp=county.as_of.isoformat())
        part.replace(path)
    except OSError as error:
        raise LayerError(
            f"cannot write the file: {error.strerror or error}",
            where=str(path),
            hint="free disk space, close programs that have the file open, or name another file",
        ) from error
    finally:
        part.unlink(missing_ok=True)
    return len(placed), len(without)


def _is_ours(path: Path) -> bool:
    try:
        return set(stored_layers(path)) == {PLACES, WITHOUT_PLACE}
    except LayerError:
        return False
