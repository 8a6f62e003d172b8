"""Lists of rasters (VRT): only plain mosaics of GeoTIFFs in the list's own folder or below it.

A VRT may hold formulas, programs, addresses and the paths of any file of the machine. Here it is
read by a parser of our own, every part that is not known is refused, and GDAL is given the text
written anew from what was understood, so that both read the same. What the parts are called is
from GDAL's documentation, "VRT -- GDAL Virtual Format".
"""

from __future__ import annotations

from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

from layers.errors import TerrainError
from layers.settings.limits import MB

_LARGEST: Final = 64 * MB
_SOURCES: Final = ("SimpleSource", "ComplexSource")
_IN_SOURCE: Final = {
    "SourceFilename": {"relativeToVRT", "shared"},
    "SourceBand": set(),
    "SourceProperties": {"RasterXSize", "RasterYSize", "DataType", "BlockXSize", "BlockYSize"},
    "SrcRect": {"xOff", "yOff", "xSize", "ySize"},
    "DstRect": {"xOff", "yOff", "xSize", "ySize"},
    "NODATA": set(),
    "ScaleOffset": set(),
    "ScaleRatio": set(),
    "UseMaskBand": set(),
}
_KNOWN: Final[dict[str, dict[str, set[str]]]] = {
    "VRTDataset": {
        "SRS": {"dataAxisToSRSAxisMapping", "coordinateEpoch"},
        "GeoTransform": set(),
        "Metadata": set(),
        "OverviewList": {"resampling"},
        "VRTRasterBand": {"dataType", "band", "blockXSize", "blockYSize"},
        "MaskBand": set(),
    },
    "VRTRasterBand": {
        "NoDataValue": set(),
        "HideNoDataValue": set(),
        "Description": set(),
        "UnitType": set(),
        "Offset": set(),
        "Scale": set(),
        "ColorInterp": set(),
        "CategoryNames": set(),
        "ColorTable": set(),
        "Metadata": set(),
        **{name: {"resampling"} for name in _SOURCES},
    },
    "MaskBand": {"VRTRasterBand": {"dataType", "band", "blockXSize", "blockYSize"}},
    "Metadata": {"MDI": {"key"}},
    "CategoryNames": {"Category": set()},
    "ColorTable": {"Entry": {"c1", "c2", "c3", "c4"}},
    **dict.fromkeys(_SOURCES, _IN_SOURCE),
}
_ROOT_ATTRIBUTES: Final = {"rasterXSize", "rasterYSize"}


def plain_vrt(path: Path, size: int) -> str:
    """A VRT's text as GDAL may have it, its sources with whole paths.

    Parameters
    ----------
    size
        Its bytes.

    Raises
    ------
    TerrainError
        When it is no VRT, holds anything but a mosaic, or names a source that is no GeoTIFF in
        the VRT's folder or below it, symbolic links followed.
    """
    if size > _LARGEST:
        raise _refused(path, f"it is larger than {_LARGEST // MB} MB")
    text = path.read_bytes()
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise _refused(path, "it declares entities")
    try:
        root = ET.fromstring(text)  # noqa: S314  what it could be abused for is refused above
    except (ET.ParseError, ValueError, LookupError, RecursionError) as error:
        raise _refused(path, f"it is not XML: {error}") from error
    if root.tag != "VRTDataset":
        raise _refused(path, f"it begins with {root.tag!r}")
    _check_attributes(path, root, _ROOT_ATTRIBUTES)
    _check_below(path, root, depth=0)
    folder = path.parent.resolve()
    checked: dict[Path, str] = {}
    for source in root.iter("SourceFilename"):
        place = _place(path, source)
        if place not in checked:
            checked[place] = _checked_source(path, place, folder)
        source.text = checked[place]
        source.set("relativeToVRT", "0")
        source.set("shared", "0")
    if not checked:
        raise _refused(path, "it names no raster")
    return ET.tostring(root, encoding="unicode")


def _check_below(path: Path, element: ET.Element, *, depth: int) -> None:
    known = _KNOWN.get(element.tag, {})
    for part in element:
        if part.tag not in known or depth > 6:
            raise _refused(path, f"{element.tag} has {part.tag!r}")
        _check_attributes(path, part, known[part.tag])
        _check_below(path, part, depth=depth + 1)


def _check_attributes(path: Path, element: ET.Element, known: set[str]) -> None:
    for name in element.keys():  # noqa: SIM118  an element is no mapping
        if name not in known:
            raise _refused(path, f"{element.tag} has {name!r}")


def _place(path: Path, source: ET.Element) -> Path:
    stated = (source.text or "").strip()
    if not stated or "\0" in stated:
        raise _refused(path, "a source has no name")
    return path.parent / stated if source.get("relativeToVRT") == "1" else Path(stated).absolute()


def _checked_source(path: Path, place: Path, folder: Path) -> str:
    from layers.files.opening import raster_name

    try:
        real = place.resolve()
    except (OSError, RuntimeError) as error:
        raise _refused(path, f"its source {place.name!r} cannot be found") from error
    if not real.is_relative_to(folder):
        raise _refused(path, f"its source {place.name!r} is outside the VRT's own folder")
    if real.suffix.lower() not in (".tif", ".tiff"):
        raise _refused(path, f"its source {place.name!r} is not a GeoTIFF")
    name, _ = raster_name(real)
    return name


def _refused(path: Path, why: str) -> TerrainError:
    return TerrainError(
        f"the VRT cannot be used: {why}. Only mosaics of GeoTIFFs in its own folder are read",
        where=str(path),
        hint="make it one GeoTIFF in a map program, or name the folder of the tiles",
    )
