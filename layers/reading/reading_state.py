"""What is gathered while a county is read, and the hashes of the files it is read from."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from layers.crs import LonLatBounds
from layers.errors import CountyFileError
from layers.fields.schemas import SCHEMAS
from layers.problems import ProblemLog
from layers.settings.county_file import CountyFile
from layers.store import file_sha256

_SHAPEFILE_PARTS: Final = (".shp", ".shx", ".dbf", ".prj", ".cpg")


@dataclass
class Reading:
    """What is gathered while a county is read."""

    file: CountyFile
    path: Path
    as_of: dt.date
    log: ProblemLog = field(default_factory=ProblemLog)
    notes: list[str] = field(default_factory=list)
    inputs: dict[str, str] = field(default_factory=dict)
    strays: dict[str, pd.DataFrame] = field(default_factory=dict)
    near: LonLatBounds | None = None
    raster_moves: list[tuple[str, CRS, float | None]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.log.accepted = tuple(section.acceptance for section in self.file.accepted)
        self.log.as_of = self.as_of

    @property
    def latest(self) -> dt.date:
        """The latest day a record can be of: the county's own, where an earlier one is asked for.

        What lies between the two came later and is known; what lies after both is a slip.
        """
        own = self.file.county.as_of or dt.datetime.now().astimezone().date()
        return max(self.as_of, own)

    def place(self, path: str) -> Path:
        """Where a path of the county file leads."""
        return self.path.parent / path

    def named(self, section: str, path: str) -> Path:
        """The file a section names, noted among the inputs."""
        place = self.place(path)
        if not place.is_file():
            raise CountyFileError(
                f"the file {path!r}, named as path in [{section}], does not exist",
                where=str(self.path),
                hint="check the path, which starts at the folder of the county file; or remove"
                f" [{section}]; 'rillmark new DIR' writes a new {section} file",
            )
        self.add_input(place)
        return place

    def path_text(self, path: Path) -> str:
        """A path as it is said in messages and kept in records: relative to the county file."""
        return Path(os.path.relpath(path, self.path.parent)).as_posix()

    def add_input(self, path: Path) -> None:
        """Note a file, with its hash, among those the county is read from."""
        if path.exists():
            self.inputs[self.path_text(path)] = input_sha256(path)


def words_of(name: str) -> str:
    """A layer's name in words."""
    return name.replace("_", " ")


def note_missing(reading: Reading, name: str) -> None:
    """Say that a layer is not given, and what that costs."""
    code = "terrain_missing" if name == "terrain" else "layer_missing"
    message = f"No {words_of(name)} layer. Not calculated: {SCHEMAS[name].serves}."
    reading.notes.append(message)
    reading.log.add(name, code, message, action="layer_left_out")


def spatial(
    layers: Mapping[str, gpd.GeoDataFrame | pd.DataFrame], name: str
) -> gpd.GeoDataFrame | None:
    """A layer that has rows with places, or None."""
    frame = layers.get(name)
    return frame if isinstance(frame, gpd.GeoDataFrame) and len(frame) else None


# ----------------------------------------------------------------------------------------- inputs


def input_sha256(path: Path) -> str:
    """The SHA-256 of an input: of a file, of a shapefile's parts, or of all files of a folder."""
    parts = list(_parts(path))
    if parts == [path]:
        return file_sha256(path)
    total = hashlib.sha256()
    for part in parts:
        total.update(part.name.encode() + b"\0" + file_sha256(part).encode() + b"\n")
    return total.hexdigest()


def _parts(path: Path) -> Iterator[Path]:
    if path.is_dir():
        yield from sorted(p for p in path.rglob("*") if p.is_file() and p.suffix != ".lock")
    elif path.suffix.lower() == ".shp":
        for suffix in _SHAPEFILE_PARTS:
            for part in (path.with_suffix(suffix), path.with_suffix(suffix.upper())):
                if part.exists():
                    yield part
                    break
    else:
        yield path
