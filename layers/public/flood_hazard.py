"""Flood hazard areas of the National Flood Hazard Layer (S_FLD_HAZ_AR), and older ones.

Sources: FEMA, "FIRM Database Technical Reference" and "Domain Tables Technical Reference"
(November 2024), read in a published analysis of them and of the layers: the data hold the words
of a domain, not its codes; "not applicable" is empty or -9999, and is met as null, a space,
``<Null>``, -9999 as text and -8888. Older layers with ZONE, SFHA (IN, OUT) and FLOODWAY are from
memory.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from layers.fields.column_names import folded
from layers.fields.datums import vertical_datum
from layers.fields.raw import RawLayer
from layers.fields.values import plain_value
from layers.measures import FT_M
from layers.public.flood_zones import (
    is_known_zone,
    is_sfha,
    subtype_of_today,
    zone_of_today,
)
from layers.public.published import Fields, Published, Remark, column

_NOTHING: Final = frozenset({-9999.0, -8888.0})
_UNITS: Final[dict[str, float]] = {
    "ft": FT_M,
    "feet": FT_M,
    "foot": FT_M,
    "m": 1.0,
    "meter": 1.0,
    "meters": 1.0,
    "metre": 1.0,
    "metres": 1.0,
    "cm": 0.01,
    "centimeters": 0.01,
    "in": 0.0254,
    "inches": 0.0254,
}
_TRUE: Final = frozenset({"t", "true", "in", "y", "yes", "1"})
_FALSE: Final = frozenset({"f", "false", "out", "n", "no", "0"})
_OLD_SIGNS: Final = ("SFHA_TF", "SFHA", "ZONE_SUBTY", "FLOODWAY", "STATIC_BFE")


def read_flood_hazard(raw: RawLayer, layer: str) -> Published | None:
    """Flood hazard areas as FEMA publishes them, or None where the fields are not its."""
    fields = Fields(raw)
    zone_field = "FLD_ZONE" if fields.has("FLD_ZONE") else "ZONE"
    is_old = fields.has("ZONE") and any(fields.has(name) for name in _OLD_SIGNS)
    if layer != "floodplain" or not (fields.has("FLD_ZONE") or is_old):
        return None
    rows = [
        _Row(*cells)
        for cells in zip(
            _text(fields, zone_field),
            _text(fields, "ZONE_SUBTY", "ZONE_SUBTYPE"),
            _text(fields, "SFHA_TF", "SFHA"),
            _text(fields, "FLOODWAY"),
            _text(fields, "STATIC_BFE", "BFE"),
            _text(fields, "DEPTH"),
            _text(fields, "LEN_UNIT"),
            strict=True,
        )
    ]
    columns = {
        "zone": column(row.zone for row in rows),
        "zone_subtype": column(row.subtype for row in rows),
        "sfha_stated": column(row.stated for row in rows),
        "is_floodway": column(row.floodway for row in rows),
        "base_flood_elevation_m": column(row.elevation for row in rows),
        "vertical_datum": column(vertical_datum(cell) for cell in _text(fields, "V_DATUM")),
        "flood_depth_ao_m": column(row.depth for row in rows),
    }
    if fields.has("FLD_AR_ID"):
        columns["floodplain_id"] = column(_text(fields, "FLD_AR_ID"))
    remarks = [
        _remark(rows, lambda row: row.unknown_zone, "code_unknown"),
        _remark(rows, lambda row: row.at_odds, "flood_flag_contradicts"),
        _remark(rows, lambda row: row.unit_fault, "flood_unit_unstated"),
    ]
    named = [
        name
        for name in (zone_field, "ZONE_SUBTY", "SFHA_TF", "SFHA", "STATIC_BFE")
        if fields.has(name)
    ]
    schema = "FEMA S_FLD_HAZ_AR" if zone_field == "FLD_ZONE" else "FEMA flood zones, older form"
    return Published(f"{schema} ({', '.join(named)})", columns, remarks, read=fields.read)


def _text(fields: Fields, *names: str) -> list[str | None]:
    """Cells without those that stand for "not applicable" or "not populated"."""
    return [None if cell is None or _is_nothing(cell) else cell for cell in fields.cells(*names)]


def _is_nothing(cell: str) -> bool:
    try:
        return float(cell) in _NOTHING
    except ValueError:
        return False


class _Row:
    """One area's cells, in our terms."""

    def __init__(
        self,
        zone: str | None,
        subtype: str | None,
        flag: str | None,
        floodway: str | None,
        elevation: str | None,
        depth: str | None,
        unit: str | None,
    ) -> None:
        self.zone: str | None = None
        implied: str | None = None
        if zone is not None:
            self.zone, implied = zone_of_today(zone)
        self.subtype = implied if subtype is None else subtype_of_today(subtype)
        is_floodway = "FLOODWAY" in f"{self.subtype} {implied}" or folded(floodway or "") in (
            "fw",
            "floodway",
        )
        self.floodway = "true" if is_floodway else "false"
        self.stated = _flag(flag)
        self.unknown_zone = None
        if self.zone is not None and not is_known_zone(self.zone):
            self.unknown_zone = (
                f"zone {plain_value(self.zone)} is not a zone of a flood insurance rate map"
            )
        self.at_odds = self._contradiction()
        is_shallow = self.zone in ("AO", "AR/AO")
        stated = [elevation, depth if is_shallow else None]
        factor, self.unit_fault = (1.0, None) if stated == [None, None] else _factor(unit)
        self.elevation = _meters(elevation, factor)
        self.depth = _meters(depth, factor) if is_shallow and depth not in ("0", "0.0") else None

    def _contradiction(self) -> str | None:
        if self.zone is None or self.unknown_zone or self.stated is None:
            return None
        by_zone = "true" if is_sfha(self.zone) else "false"
        if by_zone == self.stated:
            return None
        text = "inside" if self.stated == "true" else "outside"
        return (
            f"zone {self.zone} is flagged {text} the Special Flood Hazard Area. The zone was used,"
            " and the hazard does not count as minimal"
        )


def _flag(cell: str | None) -> str | None:
    word = folded(cell or "")
    return "true" if word in _TRUE else "false" if word in _FALSE else None


def _factor(unit: str | None) -> tuple[float | None, str | None]:
    if unit is None:
        return FT_M, "LEN_UNIT is blank for an elevation or depth; feet are assumed"
    factor = _UNITS.get(folded(unit))
    if factor is None:
        return (
            None,
            f"LEN_UNIT {plain_value(unit)} is not a length unit; elevation and depth are not known",
        )
    return factor, None


def _meters(cell: str | None, factor: float | None) -> str | None:
    """A number of the file in meters; text that is no number stays, to be reported."""
    if cell is None or factor is None:
        return None
    try:
        return repr(float(cell.replace(",", "")) * factor)
    except ValueError:
        return cell


def _remark(rows: list[_Row], what: Callable[[_Row], str | None], code: str) -> Remark:
    messages = [what(row) for row in rows]
    where = np.array([message is not None for message in messages], bool).reshape(len(rows))
    return Remark(where, code, lambda position: messages[position] or "", "kept")
