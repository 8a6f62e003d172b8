"""The table of the land itself, no unit involved."""

from __future__ import annotations

from typing import Final

from layers.outputs.field import Field, Table, made_by

LAND_AREAS: Final = Table(
    "land_areas",
    "A parcel or a catchment, and how sensitive its land is.",
    "area",
    made_by(
        "geo.land.areas.sensitivity_by_area",
        Field(
            "area_kind",
            "Kind of area",
            "code",
            null="",
            codes={"parcel": "parcel", "catchment": "catchment"},
        ),
        Field("area_id", "Parcel or catchment", "id", null=""),
        Field("name", "Name", "text", null="none"),
        Field(
            "sensitivity",
            "Sensitivity",
            "number",
            null="outside the terrain",
            about="0 to 100, the mean of its cells.",
        ),
        Field(
            "sensitivity_high",
            "Sensitivity of its most sensitive cell",
            "number",
            null="outside the terrain",
        ),
        Field(
            "sensitivity_at_most",
            "Sensitivity if all that is not known were as bad as can be",
            "number",
            null="outside the terrain",
            about="The mean of its cells.",
        ),
        Field(
            "unknown_share",
            "Part of it that is not known",
            "number",
            "1",
            null="outside the terrain",
            about="By the weight of the parts.",
        ),
        Field(
            "part_{part}",
            "Sensitivity from {part}",
            "number",
            null="outside the terrain",
            about="The mean of its cells; the parts sum to the sensitivity.",
        ),
        Field("cells", "Cells it is the mean of", "count", null=""),
    ),
)

_FITS: Final = {
    "surely": "fits, allowing for map error",
    "as_drawn": "fits by mapped positions; too close to tell with map error",
    "cannot": "does not fit by mapped positions",
    "not_known": "not known: a layer or fact that decides is missing",
}
LOTS: Final = Table(
    "lots",
    "A parcel, and whether a tank and a discharge point fit on it under today's setbacks.",
    "area",
    made_by(
        "geo.land.lots.lots",
        Field("parcel_id", "Parcel", "id", null="not on record"),
        Field("fits", "Tank and discharge point", "code", null="", codes=_FITS),
        Field(
            "binding",
            "Limit that takes the most land",
            "text",
            null="none takes any",
            about="The id of a setback rule; or flood zone, floodway, ponding, steep ground.",
        ),
        Field("units", "Units on it", "count", null=""),
        Field("area_m2", "Area of the parcel", "number", "m2", null=""),
        Field("tank_as_drawn_m2", "Room for a tank by mapped positions", "number", "m2", null=""),
        Field("tank_surely_m2", "Room for a tank, allowing for map error", "number", "m2", null=""),
        Field(
            "discharge_point_as_drawn_m2",
            "Room for a discharge point by mapped positions",
            "number",
            "m2",
            null="",
        ),
        Field(
            "discharge_point_surely_m2",
            "Room for a discharge point, allowing for map error",
            "number",
            "m2",
            null="",
        ),
        Field("shares_land", "Shares land with another parcel", "flag", null=""),
        Field("not_given", "Missing to decide", "text", null="none"),
    ),
)
