"""The one door by which files of places are opened: which kinds, by which driver, never a network.

GDAL by itself lets the content of a file choose among some two hundred drivers; several of them
fetch what the file names, from an address or from another file. Here the ending chooses: each has
the drivers it may be read by (`VECTOR_DRIVERS`, `RASTER_DRIVERS`), its content must begin as the
published format says, and GDAL is left without the drivers nobody needs.
"""

from __future__ import annotations

import json
import mmap
import os
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pyogrio
import pyogrio.core
from pyproj import network as proj_network
from rasterio.env import set_gdal_config

from layers.errors import LayerError, TerrainError
from layers.files.kinds import (
    HEAD_BYTES,
    STARTS,
    TIFF,
    check_start,
    head_of,
    plain_name,
    regular_size,
)
from layers.settings.limits import MB, UNASKED, Limits

_JSON: Final = ("GeoJSON", "GeoJSONSeq", "ESRIJSON", "TopoJSON")
VECTOR_DRIVERS: Final[dict[str, tuple[str, ...]]] = {
    ".gpkg": ("GPKG",),
    ".geojson": _JSON,
    ".json": _JSON,
    ".shp": ("ESRI Shapefile",),
    ".zip": ("ESRI Shapefile", "OpenFileGDB", "GPKG"),
    ".fgb": ("FlatGeobuf",),
    ".gdb": ("OpenFileGDB",),
}
RASTER_DRIVERS: Final[dict[str, str]] = {
    ".tif": "GTiff", ".tiff": "GTiff", ".asc": "AAIGrid", ".vrt": "VRT",
}  # fmt: skip
_ZIPPED_RASTERS: Final = (".tif", ".tiff", ".asc")
_ASIDE: Final = (".aux.xml", ".ovr", ".msk", ".vrt")  # could lead elsewhere; not read in archives

# drivers of rasters that fetch, follow what another file says, or read neighbors of a file
_UNWANTED_RASTERS: Final = (
    "HTTP WMS WMTS WCS WFS OAPIF OGCAPI CSW EEDA EEDAI PLMOSAIC PLSCENES DAAS NGW STACIT STACTA"
    " GTI GDALG DERIVED KMLSUPEROVERLAY MVT MBTiles PMTiles Rasterlite MRF Zarr OZI HFA netCDF"
    " HDF5 HDF5Image PDF SAFE SENTINEL2 DIMAP ADBC Elasticsearch Carto AmigoCloud"
)
_KEPT: Final = {"MEM", *(d for drivers in VECTOR_DRIVERS.values() for d in drivers)}
_SHAPEFILE_SIDES: Final = (".shx", ".dbf", ".prj", ".cpg", ".cst", ".qix", ".sbn", ".sbx", ".qpj")
_RASTER_SIDES: Final = (
    ".aux.xml", ".ovr", ".msk", ".tfw", ".tifw", ".tiffw", ".wld", ".prj", ".aux", ".rpb", ".imd",
    ".pvl", ".rpc",
)  # fmt: skip
_MOST_ENTRIES: Final = 20_000
_LARGEST_SIDE: Final = 64 * MB
_CRS_KEY: Final = re.compile(rb"[\"'][cC][rR][sS][\"']|\\u00(?:[46]3|[57][23])")
_CHUNK: Final = 262_144
_CRS_SPAN: Final = 65_536  # bytes; no statement of a reference system is longer


def _close_the_network() -> None:
    """Leave GDAL and PROJ without the drivers nobody needs, and without any network.

    The proxy is one that cannot be: the library that makes requests refuses before it opens a
    socket or asks for a name.
    """
    os.environ["PROJ_NETWORK"] = "OFF"
    proj_network.set_network_enabled(False)  # type: ignore[attr-defined]
    settings = {
        "GDAL_HTTP_PROXY": "none://off",
        "GDAL_HTTPS_PROXY": "none://off",
        "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
        "OGR_SQLITE_ALLOW_EXTERNAL_ACCESS": "NO",
        "OGR_SQLITE_LOAD_EXTENSIONS": None,
        "GDAL_DRIVER_PATH": "disable",
        "GDAL_VRT_ENABLE_PYTHON": "NO",
        "GDAL_VRT_ENABLE_RAWRASTERBAND": "NO",
    }
    unwanted = [name for name in pyogrio.list_drivers() if name not in _KEPT]
    pyogrio.set_gdal_config_options(settings | {"GDAL_SKIP": ",".join(unwanted)})
    pyogrio.core._register_drivers()  # which is when the names to skip are looked at
    for name, value in settings.items():
        if value is not None:
            set_gdal_config(name, value)
    set_gdal_config("GDAL_SKIP", _UNWANTED_RASTERS.replace(" ", ","))


_close_the_network()


def _sides(path: Path, suffixes: tuple[str, ...]) -> Iterator[Path]:
    """Files beside a file that are read with it."""
    for suffix in suffixes:
        for ending in (suffix, suffix.upper()):
            for side in (path.with_suffix(ending), Path(f"{path}{ending}")):
                if os.path.lexists(side):
                    yield side


# --------------------------------------------------------------------------------- vectors


def vector_name(path: Path, limits: Limits) -> tuple[str, int]:
    """What GDAL is to open for a file of map features, and the bytes it holds when unpacked.

    Raises
    ------
    LayerError
        When it is none of the kinds that are read, begins like another kind, leads elsewhere, or
        is larger than ``limits`` allow.
    """
    name, suffix = plain_name(path, error=LayerError), path.suffix.lower()
    if suffix not in VECTOR_DRIVERS:
        known = ", ".join([*VECTOR_DRIVERS, ".csv", ".xlsx"])
        raise LayerError(
            f"a layer cannot be read from a file that ends in {path.suffix or 'nothing'!r}",
            where=str(path),
            hint=f"save it as one of: {known}",
        )
    if suffix == ".gdb" and path.is_dir():
        return name, _checked_geodatabase(path, limits)
    size = regular_size(path)
    limits.check("file_mb", -(-size // MB), path)
    if suffix == ".gdb":
        raise _no_geodatabase(path)
    try:
        check_start(path, suffix, head_of(path), error=LayerError)
        if suffix == ".zip":
            return f"/vsizip/{{{name}}}", _checked_archive(path, limits)
        if suffix in (".geojson", ".json"):
            _refuse_linked_system(path)
    except OSError as failed:
        raise LayerError(
            f"cannot read the file: {failed.strerror or failed}",
            where=str(path),
            hint="check that you have permission to read it, and that no other program has it open",
        ) from failed
    sides = _SHAPEFILE_SIDES if suffix == ".shp" else ()
    for side in [*_sides(path, sides), *(Path(f"{path}{end}") for end in ("-wal", "-journal"))]:
        if os.path.lexists(side):
            size += regular_size(side)
    return name, size


def _checked_geodatabase(path: Path, limits: Limits) -> int:
    total = 0
    for number, part in enumerate(path.iterdir()):
        if number >= _MOST_ENTRIES:
            raise LayerError(
                f"the folder has more than {_MOST_ENTRIES:,} files", where=str(path),
                hint="name the File Geodatabase itself",
            )  # fmt: skip
        if not part.is_dir():
            total += regular_size(part)
    limits.check("file_mb", -(-total // MB), path)
    table = path / "a00000001.gdbtable"
    if not table.is_file() or table.open("rb").read(1) not in (b"\x03", b"\x04"):
        raise _no_geodatabase(path)
    return total


def _no_geodatabase(path: Path) -> LayerError:
    return LayerError(
        "cannot be read as a vector layer: it is not a File Geodatabase, or is damaged",
        where=str(path),
        hint="open it in a map program and save it again as a GeoPackage",
    )


def archive_size(archive: zipfile.ZipFile, path: Path, limits: Limits) -> int:
    """The bytes an archive says it unpacks to.

    Raises
    ------
    LayerError
        When they are more than ``limits`` allow.
    """
    entries = archive.infolist()
    if len(entries) > _MOST_ENTRIES:
        raise LayerError(
            f"the archive has more than {_MOST_ENTRIES:,} files",
            where=str(path),
            hint="zip only the files of the layer",
        )
    total = sum(entry.file_size for entry in entries)
    limits.check("unpacked_mb", -(-total // MB), path)
    return total


def _checked_archive(path: Path, limits: Limits) -> int:
    try:
        with zipfile.ZipFile(path) as archive:
            size = archive_size(archive, path, limits)
            layers = [
                entry
                for entry in archive.infolist()
                if Path(entry.filename).suffix.lower() in (".shp", ".gpkg", ".gdbtable")
            ]
            for entry in layers[:_MOST_ENTRIES]:
                suffix = Path(entry.filename).suffix.lower()
                if suffix in STARTS:
                    with archive.open(entry) as file:
                        check_start(path, suffix, file.read(HEAD_BYTES), error=LayerError)
    except LayerError:
        raise
    except Exception as error:  # damaged archives fail in ways without number
        raise LayerError(
            "cannot be read as a vector layer: the archive is damaged or locked",
            where=str(path),
            hint="zip the files of the Shapefile again, without a password",
        ) from error
    if not layers:
        raise LayerError(
            "the archive has no Shapefile, File Geodatabase or GeoPackage",
            where=str(path),
            hint="zip the .shp with the files of the same name, or name the layer unzipped",
        )
    return size


def _refuse_linked_system(path: Path) -> None:
    """Refuse a GeoJSON whose reference system is a link, which GDAL would follow.

    Named systems are those of the GeoJSON format of 2008; RFC 7946 knows none. Letters written
    as escapes could hide the word from this search, and no program that writes JSON does that.
    """
    if not path.stat().st_size:
        return
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as text:
        for found in _marks(text):
            after = text[found.end() : found.end() + _CRS_SPAN].decode("utf-8", "replace")
            stated = after.lstrip()
            if found[0].startswith(b"\\"):
                pass
            elif not stated.startswith(":") or _is_harmless(stated[1:].lstrip()):
                continue
            raise LayerError(
                "its coordinate system is a link to an address, which Rillmark never opens",
                where=str(path),
                hint="save it again in a map program; or remove 'crs' from the file and name the"
                ' system in the county file, such as crs = "EPSG:4326"',
            )


def _marks(text: mmap.mmap) -> Iterator[re.Match[bytes]]:
    """Where a reference system may be stated; parts that cannot hold one are passed over fast."""
    for at in range(0, len(text), _CHUNK):
        end = at + _CHUNK + 8  # a mark may lie over the end of a part
        part = text[at:end].lower()
        if b"crs" in part or b"\\u00" in part:
            yield from _CRS_KEY.finditer(text, at, end)


def _is_harmless(stated: str) -> bool:
    if not stated.startswith("{"):
        return True
    try:
        crs, _ = json.JSONDecoder().raw_decode(stated)
    except (ValueError, RecursionError):
        return False
    kinds = [value for key, value in crs.items() if key.casefold() == "type"]
    return all(str(kind).casefold() not in ("link", "url") for kind in kinds)


# --------------------------------------------------------------------------------- rasters


def raster_name(path: Path) -> tuple[str, str]:
    """What GDAL is to open for a raster, and by which driver.

    A VRT is read here and given to GDAL as it was understood: see `layers.files.vrt`.

    Raises
    ------
    TerrainError
        When it is none of the kinds that are read, begins like another kind, or leads elsewhere.
    """
    name, suffix = plain_name(path, error=TerrainError), path.suffix.lower()
    size = regular_size(path, error=TerrainError)
    if suffix == ".zip":
        member = _raster_within(path)
        return f"/vsizip/{{{name}}}/{member}", RASTER_DRIVERS[Path(member).suffix.lower()]
    if suffix not in RASTER_DRIVERS:
        raise TerrainError(
            f"a raster cannot be read from a file that ends in {path.suffix or 'nothing'!r}",
            where=str(path),
            hint="open it in a map program and save it again as a GeoTIFF (.tif, .tiff) or an"
            " ASCII grid (.asc), zipped or not",
        )
    try:
        check_start(path, suffix, head_of(path), error=TerrainError)
        for side in _sides(path, _RASTER_SIDES):
            _checked_side(side)
        if suffix == ".vrt":
            from layers.files.vrt import plain_vrt

            return plain_vrt(path, size), "VRT"
    except OSError as failed:
        raise TerrainError(
            f"cannot be read as a raster: {failed.strerror or failed}",
            where=str(path),
            hint="check that you have permission to read it, and that no other program has it open",
        ) from failed
    return name, RASTER_DRIVERS[suffix]


def _raster_within(path: Path) -> str:
    """The name of the one raster in an archive."""
    try:
        with zipfile.ZipFile(path) as archive:
            archive_size(archive, path, UNASKED)
            names = [entry.filename for entry in archive.infolist()]
            found = [name for name in names if Path(name).suffix.lower() in _ZIPPED_RASTERS]
            if len(found) == 1:
                with archive.open(found[0]) as file:
                    head = file.read(HEAD_BYTES)
                check_start(path, Path(found[0]).suffix.lower(), head, error=TerrainError)
    except (LayerError, TerrainError) as error:
        raise TerrainError(error.what, where=error.where, hint=error.hint) from error
    except Exception as error:  # damaged archives fail in ways without number
        raise TerrainError(
            "cannot be read as a raster: the archive is damaged or locked",
            where=str(path),
            hint="unzip it and name the raster itself",
        ) from error
    aside = [name for name in names if name.lower().endswith(_ASIDE)]
    if len(found) == 1 and not aside and not {"..", ""} & set(found[0].split("/")):
        return found[0]
    what = f"it has {aside[0]!r}, which is not read" if aside else f"it has {len(found)} rasters"
    raise TerrainError(
        f"cannot be read as a raster: {what}",
        where=str(path),
        hint="zip only one GeoTIFF or ASCII grid with its .prj, or unzip it and name the raster",
    )


def _checked_side(side: Path) -> None:
    """Refuse a file beside a raster that would lead GDAL elsewhere."""
    size = regular_size(side, error=TerrainError)
    name = side.name.lower()
    if name.endswith((".ovr", ".msk")):
        if not head_of(side).startswith(TIFF):
            raise _bad_side(side, "is not a TIFF")
    elif name.endswith(".aux.xml"):
        if size > _LARGEST_SIDE:
            raise _bad_side(side, f"is larger than {_LARGEST_SIDE // MB} MB")
        text = side.read_bytes().lower()
        if any(word in text for word in (b"overview_file", b"<!doctype", b"<!entity", b"/vsi")):
            raise _bad_side(side, "names files in other places")


def _bad_side(side: Path, why: str) -> TerrainError:
    return TerrainError(
        f"{side.name}, next to the raster, {why}",
        where=str(side),
        hint="delete it, since the raster can be read without it; or save the raster again",
    )
