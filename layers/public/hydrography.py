"""Flow lines, water bodies and areas of the National Hydrography Dataset (NHD).

Sources: USGS, "National Hydrography Dataset Data Dictionary: Feature Domains" (types and codes of
features: a code is the type times 100 plus a number for its attributes). What the numbers after
460 say was read in a published example; those after 390, 466, 436 and the types of areas that
are no water are from memory.

Decided here:

- A pipeline or an underground conduit is no water at the surface: its row is set aside.
- An artificial path is the middle of a water body, not its bank. Where a water body on record
  holds it, the shore is what is measured to and the path is set aside
  (`set_aside_centerlines`); else it is kept, since it is the only record of that water, with a
  problem that says the bank is nearer than the line.
- A connector is kept as a stream of unknown permanence: some water passes there.
- A coastline is a shore: it is kept as a perennial line.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from layers.fields.ledger import Ledger
from layers.fields.raw import RawLayer
from layers.fields.values import plain_value
from layers.public.published import Fields, Published, Remark, column, numbered

_STREAM: Final = "stream"
_LINE_KINDS: Final[dict[int, str]] = {
    334: "connector",
    336: "canal_ditch",
    420: "underground",
    428: "pipeline",
    460: _STREAM,
    468: "drainageway",
    558: "artificial_path",
    566: "coastline",
}
_AREA_KINDS: Final[dict[int, str]] = {
    312: "sea",  # bay or inlet
    336: "canal_ditch",
    361: "playa",
    362: "canal_ditch",  # flume
    364: "foreshore",
    378: "ice",
    390: "lake_pond",
    398: "canal_ditch",  # lock chamber
    403: "inundation_area",
    431: "stream",  # rapids
    436: "reservoir",
    445: "sea",
    455: "canal_ditch",  # spillway
    460: "stream",
    466: "swamp_marsh",
    484: "wash",
    493: "estuary",
    537: "stream",  # area of complex channels
}
_NO_WATER: Final[dict[int, str]] = {
    307: "an area to be submerged",
    318: "a bridge",
    343: "a dam or weir",
    372: "a hazard zone",
    420: "an underground conduit",
    428: "a pipeline",
    454: "a special use zone",
    461: "a submerged stream",
    568: "a levee",
}
_PERMANENCE: Final[dict[int, str]] = {
    46003: "intermittent",
    46006: "perennial",
    46007: "ephemeral",
    39001: "intermittent",
    39004: "perennial",
    39005: "intermittent",
    39006: "intermittent",
    39009: "perennial",
    39010: "perennial",
    39011: "perennial",
    39012: "perennial",
    46601: "intermittent",
    46602: "perennial",
}
_PERMANENCE_OF_TYPE: Final[dict[int, str]] = {
    336: "ditch",
    362: "ditch",
    484: "ephemeral",
    566: "perennial",
    312: "perennial",
    445: "perennial",
    493: "perennial",
}
_TYPE_NAMES: Final[dict[str, int]] = {
    "streamriver": 460,
    "canalditch": 336,
    "artificialpath": 558,
    "connector": 334,
    "pipeline": 428,
    "undergroundconduit": 420,
    "coastline": 566,
    "drainageway": 468,
    "lakepond": 390,
    "reservoir": 436,
    "swampmarsh": 466,
    "playa": 361,
    "icemass": 378,
    "estuary": 493,
    "bayinlet": 312,
    "seaocean": 445,
    "wash": 484,
    "rapids": 431,
    "foreshore": 364,
    "inundationarea": 403,
    "areaofcomplexchannels": 537,
    "lockchamber": 398,
    "flume": 362,
    "spillway": 455,
    "areatobesubmerged": 307,
    "bridge": 318,
    "damweir": 343,
    "hazardzone": 372,
    "specialusezone": 454,
    "submergedstream": 461,
    "levee": 568,
}
_WITHIN_SHARE: Final = 0.01  # of a path, that may lie outside the water body that holds it
_WITHIN_M: Final = 1.0


def read_hydrography(raw: RawLayer, layer: str) -> Published | None:
    """Streams or water bodies from NHD, or None where the fields are not its.

    Parameters
    ----------
    layer
        ``streams`` or ``water_bodies``.
    """
    fields = Fields(raw)
    if not fields.has("FCode") and not fields.has("FType", "ReachCode"):
        return None
    codes = [_whole(cell) for cell in fields.cells("FCode")]
    types = [_type(cell) for cell in fields.cells("FType")]
    kinds = _AREA_KINDS | _LINE_KINDS if layer == "streams" else _AREA_KINDS
    known = set(kinds) | set(_NO_WATER)
    features = list(zip(codes, types, strict=True))
    if 2 * sum(_type_of(*feature) in known for feature in features) <= len(features):
        return None  # somebody's own codes under the same name
    count = len(raw)
    kind: list[str | None] = [None] * count
    permanence: list[str | None] = [None] * count
    no_water: dict[int, str] = {}
    unknown: dict[int, str] = {}
    at_odds: dict[int, str] = {}
    for position, (code, stated) in enumerate(features):
        kind_code = _type_of(code, stated)
        if code is not None and stated is not None and code // 100 != stated:
            at_odds[position] = f"FType {stated} and FCode {code} disagree; FCode was used"
        if kind_code is None:
            unknown[position] = "FType and FCode do not say what it is"
        elif kind_code in _NO_WATER:
            no_water[position] = f"{_NO_WATER[kind_code]} (FType {kind_code}) is not surface water"
        elif kind_code not in kinds:
            cells = fields.cells("FCode" if fields.has("FCode") else "FType")
            unknown[position] = (
                f"FCode {plain_value(cells[position] or '')} is not a known NHD code"
            )
        else:
            kind[position] = kinds[kind_code]
            permanence[position] = _PERMANENCE.get(code or 0, _PERMANENCE_OF_TYPE.get(kind_code))
    ids, id_field = _ids(fields)
    own = "stream_id" if layer == "streams" else "water_body_id"
    columns = {
        own: column(numbered(ids)),
        "permanence": column(permanence),
        "stream_kind" if layer == "streams" else "water_body_kind": column(kind),
        "name": column(fields.cells("GNIS_Name")),
    }
    remarks = [
        _remark(no_water, count, "not_surface_water", "set_aside"),
        _remark(at_odds, count, "codes_disagree", "kept"),
        _remark(unknown, count, "code_unknown", "kept"),
    ]
    named = [name for name in (id_field, "FType", "FCode") if name and fields.has(name)]
    return Published(f"NHD ({', '.join(named)})", columns, remarks, read=fields.read)


def _type_of(code: int | None, stated: int | None) -> int | None:
    return stated if code is None else code // 100


def _remark(messages: dict[int, str], count: int, code: str, action: str) -> Remark:
    where = np.zeros(count, bool)
    where[list(messages)] = True
    return Remark(where, code, lambda position: messages[position], action)  # type: ignore[arg-type]


def _ids(fields: Fields) -> tuple[list[str | None], str]:
    for name in ("Permanent_Identifier", "NHDPlusID", "ComID", "ReachCode"):
        if fields.has(name):
            return fields.cells(name), name
    return fields.cells("ObjectID"), "ObjectID"


def _whole(cell: str | None) -> int | None:
    """A code as a number: 46006, "46006.0", or the start of "46006: Stream/River"."""
    head = (cell or "").partition(":")[0].strip().removesuffix(".0")
    return int(head) if head.isascii() and head.isdigit() and len(head) <= 6 else None


def _type(cell: str | None) -> int | None:
    number = _whole(cell)
    if number is not None or cell is None:
        return number
    return _TYPE_NAMES.get("".join(c for c in cell.casefold() if c.isalpha()))


# ----------------------------------------------------------------------------- centerlines of water


def set_aside_centerlines(
    ledger: Ledger, streams: gpd.GeoDataFrame, water_bodies: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame:
    """Streams without artificial paths that a water body on record holds.

    Parameters
    ----------
    ledger
        Of the streams; its rows in use are those of ``streams``, in order.
    """
    paths = np.flatnonzero((streams["stream_kind"] == "artificial_path").to_numpy(bool))
    if not len(paths):
        return streams
    lines = streams.geometry.to_numpy()[paths]
    areas = np.array([], object) if water_bodies is None else water_bodies.geometry.to_numpy()
    is_held = np.zeros(len(streams), bool)
    is_held[paths] = _is_held(lines, areas)
    is_loose = np.zeros(len(streams), bool)
    is_loose[paths] = ~is_held[paths]
    positions = np.flatnonzero(ledger.is_used)
    ledger.flag(
        _spread(positions[is_loose], len(ledger)),
        "artificial_path",
        "artificial path: the middle of water whose shore is not on record. The water is closer"
        " than the line",
        "kept",
    )
    ledger.flag(
        _spread(positions[is_held], len(ledger)),
        "artificial_path",
        "artificial path inside a water body. Distances go to the shore on record",
        "set_aside",
    )
    return streams.loc[~is_held].reset_index(drop=True)


def _is_held(lines: NDArray[np.object_], areas: NDArray[np.object_]) -> NDArray[np.bool_]:
    held = np.zeros(len(lines), bool)
    line, area = shapely.STRtree(areas).query(lines, predicate="intersects")
    for position in np.unique(line).tolist():
        around = shapely.union_all(areas[area[line == position]])
        outside = shapely.length(shapely.difference(lines[position], around))
        allowed = max(_WITHIN_M, _WITHIN_SHARE * shapely.length(lines[position]))
        held[position] = outside <= allowed
    return held


def _spread(positions: NDArray[np.int64], count: int) -> NDArray[np.bool_]:
    where = np.zeros(count, bool)
    where[positions] = True
    return where
