"""`run.json`: what a finished folder holds, in which format, and whether it is still so.

The files a command reads back (the GeoPackage and the rasters) are checked by their hashes each
time. Those written for people (pages, tables, spreadsheets) are not read back, and an office may
write into them.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, Final

import pandas as pd

from layers.errors import AssessmentFolderError
from layers.files.geopackage import contents_sha256, unfinished
from layers.outputs.run import Run

GEOPACKAGE: Final = "assessment.gpkg"
RUN_FILE: Final = "run.json"
FORMAT: Final = 2  # of the folder; 1, that of version 0.1, does not say so
_OF_THE_FILES: Final = ("files", "contents", "format")  # about the folder, not about the run
AGAIN: Final = "run 'rillmark assess' again with --overwrite"


def file_sha256(path: Path) -> str:
    """The SHA-256 of a file's bytes, in hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def run_of(folder: Path) -> dict[str, Any]:
    """What `run.json` of a finished folder says.

    Raises
    ------
    AssessmentFolderError
        When it is damaged, or was written by a later version in a format this one cannot know.
    """
    path = folder / RUN_FILE
    try:
        run = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise AssessmentFolderError(
            f"cannot be read: {error}", where=str(path), hint=AGAIN
        ) from error
    if not isinstance(run, dict):
        raise _damaged(path)
    form = run.get("format", 1)
    if not isinstance(form, int) or isinstance(form, bool) or form < 1:
        raise _damaged(path)
    if form > FORMAT:
        versions = run.get("versions")
        version = versions.get("rillmark") if isinstance(versions, dict) else None
        raise AssessmentFolderError(
            f"the folder was written by a newer Rillmark ({version or 'version not known'}), in"
            f" format {form}; this Rillmark reads formats up to {FORMAT}",
            where=str(path),
            hint="update Rillmark",
        )
    names = [run.get("context", []), run.get("rasters", [])]
    if not all(isinstance(n, list) and all(isinstance(i, str) for i in n) for n in names):
        raise _damaged(path)
    for key in ("files", "contents"):
        hashes = run.get(key, {})
        if not isinstance(hashes, dict) or not all(isinstance(h, str) for h in hashes.values()):
            raise _damaged(path)
    return run


def _damaged(path: Path) -> AssessmentFolderError:
    return AssessmentFolderError("it is damaged", where=str(path), hint=AGAIN)


def run_text(run: Mapping[str, Any]) -> str:
    """A run as `run.json` holds it."""
    return json.dumps(run, indent=1, default=str) + "\n"


def run_table(run: Mapping[str, Any]) -> pd.DataFrame:
    """The run as key and value rows, timings aside, so that two runs give the same bytes."""
    rows = [
        {"key": key, "value": value if isinstance(value, str) else json.dumps(value, default=str)}
        for key, value in sorted(run.items())
        if key != "timings_s" and key not in _OF_THE_FILES
    ]
    return pd.DataFrame(rows, columns=["key", "value"])


def with_files(run: Mapping[str, Any], folder: Path, names: Sequence[str]) -> dict[str, Any]:
    """A run that lists its files with their hashes, and the format they are in.

    ``contents`` holds the GeoPackage's hash but for what looking at it may change.
    """
    shown = {key: value for key, value in run.items() if key not in _OF_THE_FILES}
    shown["format"] = FORMAT
    if GEOPACKAGE in names:
        shown["contents"] = {GEOPACKAGE: contents_sha256(folder / GEOPACKAGE)}
    shown["files"] = {name: file_sha256(folder / name) for name in names if name != RUN_FILE}
    return shown


def data_files(run: Run) -> list[str]:
    """The files of a folder that are read back."""
    return [GEOPACKAGE, *(f"{name}.tif" for name in run.rasters)]


def same_data(one: Run, other: Run) -> bool:
    """Whether two runs are of one assessment: the same data files, byte for byte."""
    return [(name, one.files.get(name)) for name in data_files(one)] == [
        (name, other.files.get(name)) for name in data_files(other)
    ]


def must_match(folder: Path, run: Run) -> None:
    """Refuse a folder whose data files are not those `run.json` lists.

    A GeoPackage that was only opened in a map program passes, where the folder is of format 2.

    Raises
    ------
    AssessmentFolderError
        Which file, and what to do.
    """
    held = unfinished(folder / GEOPACKAGE)
    if held is not None:
        raise AssessmentFolderError(
            f"another program has {GEOPACKAGE} open, or did not finish its changes",
            where=str(held),
            hint="close that program. If it is closed, open the GeoPackage in it and close it"
            f" again; or {AGAIN}",
        )
    for name in data_files(run):
        path, listed = folder / name, run.files.get(name)
        if not is_plain(name) or listed is None:
            raise AssessmentFolderError(
                f"it does not list {name}", where=str(folder / RUN_FILE), hint=AGAIN
            )
        if not path.is_file():
            raise AssessmentFolderError("the file is missing", where=str(path), hint=AGAIN)
        contents = run.contents.get(name)
        found = file_sha256(path) if contents is None else contents_sha256(path)
        if found != (listed if contents is None else contents):
            raise AssessmentFolderError(
                f"the file was changed or damaged after it was written; {RUN_FILE} lists another",
                where=str(path),
                hint=f"restore the whole folder from a copy, or {AGAIN}. To change data, change a"
                " copy outside the folder",
            )


def must_be_of(run: Mapping[str, Any], shown: pd.DataFrame, folder: Path) -> None:
    """Refuse a `run.json` that does not say what the GeoPackage's own copy of it says.

    Parameters
    ----------
    shown
        The table ``run`` of the GeoPackage.
    """
    own = run_table(run)
    if "key" in shown and "value" in shown:
        one = dict(zip(own["key"], own["value"], strict=True))
        if one == dict(zip(shown["key"], shown["value"].fillna(""), strict=True)):
            return
    raise AssessmentFolderError(
        f"it does not match {GEOPACKAGE}: one of the two was changed or damaged",
        where=str(folder / RUN_FILE),
        hint=f"restore the whole folder from a copy, or {AGAIN}",
    )


def is_plain(name: str) -> bool:
    """Whether a name is that of a file inside the folder, on every system."""
    path = PurePosixPath(name)
    return (
        path.as_posix() == name
        and name not in ("", ".")
        and not path.is_absolute()
        and ".." not in path.parts
        and not PureWindowsPath(name).drive
        and not any(c in name for c in "\\\0")
    )
