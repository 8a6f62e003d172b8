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
