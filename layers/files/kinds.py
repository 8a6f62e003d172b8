"""What a file is by how it begins, and whether it is a file at all; nothing is opened by a driver.

Sources of how files begin: SQLite, "Database File Format", 1.3; ESRI, "Shapefile Technical
Description" (1998), file code 9994; FlatGeobuf, "Specification", magic bytes; RFC 8259 and 8142
(JSON texts); PKWARE, "APPNOTE.TXT", 4.3.7; TIFF 6.0, section 2, and the BigTIFF design; the file
code of a File Geodatabase's first table, and of an Esri ASCII grid the first key, from memory.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Final

from layers.errors import LayerError, RillmarkError

RASTER_SUFFIXES: Final = (".tif", ".tiff", ".asc", ".vrt")
TIFF: Final = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
STARTS: Final[dict[str, tuple[bytes, ...]]] = {
    ".gpkg": (b"SQLite format 3\x00",),
    ".geojson": (b"{", b"\x1e"),
    ".json": (b"{", b"\x1e"),
    ".shp": (b"\x00\x00\x27\x0a",),
    ".zip": (b"PK\x03\x04",),
    ".fgb": (b"fgb\x03fgb",),
    ".tif": TIFF,
    ".tiff": TIFF,
    ".asc": (b"ncols", b"NCOLS", b"Ncols"),
    ".vrt": (b"<VRTDataset", b"<?xml"),
}
# how files of other kinds begin, and what to say of them
_KINDS: Final = (
    (b"\x89PNG\r\n\x1a\n", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"%PDF-", "a PDF document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old XLS or DOC file"),
    (b"SQLite format 3\x00", "a database, maybe a GeoPackage"),
    *((start, "a TIFF raster") for start in TIFF),
    (b"fgb\x03fgb", "a FlatGeobuf"),
    (b"\x00\x00\x27\x0a", "a Shapefile"),
    (b"<!doctype html", "a web page"),
    (b"<html", "a web page"),
    (b"<VRTDataset", "a VRT, a list of rasters"),
    (b"<?xml", "XML text, such as KML, GML or GPX"),
)
_BLANKS: Final = b"\xef\xbb\xbf \r\n\t"
HEAD_BYTES: Final = 512


def regular_size(path: Path, *, error: type[RillmarkError] = LayerError) -> int:
    """The bytes of a file; nothing of it is read.

    Raises
    ------
    RillmarkError
        As ``error``, where there is none, or it is a pipe, a device, a socket or a folder.
    """
    try:
        found = path.stat()
    except (OSError, ValueError) as failed:
        reason = getattr(failed, "strerror", None) or failed
        raise error(
            f"cannot read the file: {reason}",
            where=str(path),
            hint="check the path, and that you have permission to read it",
        ) from failed
    if stat.S_ISREG(found.st_mode):
        return found.st_size
    what = "a folder" if stat.S_ISDIR(found.st_mode) else "a pipe or a device"
    raise error(
        f"{path.name or path} is {what}, not a file",
        where=str(path),
        hint="name a file on the disk",
    )


def head_of(path: Path) -> bytes:
    """The first bytes of a file, without byte order mark and blanks before its content."""
    with path.open("rb") as file:
        return file.read(HEAD_BYTES).lstrip(_BLANKS)


def kind_of(head: bytes) -> str | None:
    """What a file is by how it begins, in words, or None.

    >>> kind_of(b"%PDF-1.7")
    'a PDF document'
    """
    for start, what in _KINDS:
        if head[: len(start)].lower() == start.lower():
            return what
    if head.startswith(b"PK\x03\x04"):
        return "a ZIP or XLSX file under another name"
    return None


def plain_name(path: Path, *, error: type[RillmarkError]) -> str:
    """A path as GDAL is given it: whole, so that no part of it can be taken for an address.

    Raises
    ------
    RillmarkError
        As ``error``, for a path GDAL would not take for one.
    """
    name = str(path.absolute())  # not resolved: what lies beside the path belongs to it
    if "!" in name or name.replace("\\", "/").startswith("/vsi"):
        raise error(
            "a path with '!' or '/vsi' cannot be read",
            where=str(path),
            hint="rename the file or its folder",
        )
    return name


def check_start(path: Path, suffix: str, head: bytes, *, error: type[RillmarkError]) -> None:
    """Refuse content that does not begin as files of its ending do.

    Raises
    ------
    RillmarkError
        As ``error``; the message says what it is, where that is known.
    """
    if head.startswith(STARTS[suffix]):
        return
    what = kind_of(head)
    if what is None and head.startswith(b"<"):
        what = "XML text, such as KML, GML or GPX"
    text = (
        f"it is {what}, which does not match its ending"
        if what
        else "its format is not known; it is damaged or has the wrong ending"
    )
    is_raster = suffix in RASTER_SUFFIXES
    raise error(
        f"cannot be read as a {'raster' if is_raster else 'vector layer'}: {text}",
        where=str(path),
        hint="open it in a map program and save it again as a GeoTIFF"
        if is_raster
        else "open it in a map program and save it again as a GeoPackage",
    )
