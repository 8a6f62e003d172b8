"""Our columns per layer: names, kinds, codes and limits. Only ids are required."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from layers.measures import MILE_M

ColumnKind = Literal["id", "text", "number", "code", "flag", "date"]
Shape = Literal["point", "line", "polygon", "table", "raster"]
# 95 % of places spread evenly over a square of half side a lie within 1.2 a of its middle
HALF_STEP_TO_95: Final = 1.2
ALWAYS: Final = ("always",)


@dataclass(frozen=True)
class Column:
    """One column of ours.

    Attributes
    ----------
    codes
        The allowed words of a ``code`` column; anything else becomes ``unknown`` with a problem.
    low, high
        Limits outside which a number cannot be true (it becomes unknown with a problem).
    also
        Names under which it is recognized when `county.toml` gives no ``columns`` entry; compared
        in lower case with everything but letters and digits left out.
    may_lie_ahead
        Whether a day may come after the day the assessment speaks for.
    wanted
        When a layer that is given must have it, because without it the layer does not answer
        what it is read for: `ALWAYS`, or where the county's programme sets one of these keys.
    decides
        Whether a word nobody has heard of in it asks for an answer.
    """

    name: str
    kind: ColumnKind
    codes: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    also: tuple[str, ...] = ()
    may_lie_ahead: bool = False
    wanted: tuple[str, ...] = ()
    decides: bool = False


@dataclass(frozen=True)
class LayerSchema:
    """One layer of a county: its shape, the id column and the columns it may carry."""

    name: str
    shape: Shape
    id: str
    columns: tuple[Column, ...]
    serves: str
    """What the layer is for, as words that go with "are not calculated"."""

    def column(self, name: str) -> Column:
        """The column of that name.

        Raises
        ------
        KeyError
            When the layer has none.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


LOCATION_BASES: Final = (
    "surveyed",
    "gps",
    "phone",
    "digitised",
    "building",
    "address",
    "parcel",
    "section",
    "quarter_section",
    "quarter_quarter_section",
    "unknown",
)

# Horizontal accuracy at 95 % by how a position came to be, in meters. Common practice, no source,
# but for "phone": a phone states a 68 % radius (5 m under open sky, from memory), and
# 2.4477 / 1.5152 turns it into 95 % (circular normal error, FGDC-STD-007.3-1998 app. 3-A), and for
# the middle of a section or a part of it: a section is a mile wide (Bureau of Land Management,
# Manual of Surveying Instructions, 2009, ch. III).
ACCURACY95_M: Final[dict[str, float]] = {
    "surveyed": 0.1,
    "gps": 3.0,
    "phone": 8.1,
    "digitised": 10.0,
    "building": 20.0,
    "address": 75.0,
    "parcel": 75.0,
    "section": HALF_STEP_TO_95 * MILE_M / 2,
    "quarter_section": HALF_STEP_TO_95 * MILE_M / 4,
    "quarter_quarter_section": HALF_STEP_TO_95 * MILE_M / 8,
    "unknown": 75.0,
}

STATUSES: Final = ("active", "seasonal", "vacant", "abandoned", "sewered", "unknown")
UNIT_KINDS: Final = (
    "surface_discharge",
    "soil_absorption",
    "shared_collector",
    "holding_tank",
    "unknown",
)
OUTLET_KINDS: Final = (
    "ground",
    "ditch",
    "stream",
    "storm_sewer",
    "field_tile",
    "shared_collector",
    "soil",
    "unknown",
)
PIPED_OUTLETS: Final = ("storm_sewer", "field_tile", "shared_collector")
PERMANENCES: Final = ("perennial", "intermittent", "ephemeral", "ditch", "unknown")
STREAM_KINDS: Final = (
    "stream",
    "canal_ditch",
    "drainageway",
    "wash",
    "connector",
    "artificial_path",
    "coastline",
    "sea",
    "estuary",
    "lake_pond",
    "reservoir",
    "swamp_marsh",
    "playa",
    "ice",
    "foreshore",
    "inundation_area",
    "unknown",
)
WELL_USES: Final = ("private", "public", "other", "unknown")
PLACE_KINDS: Final = ("bathing", "intake", "school", "other", "unknown")
DRAIN_KINDS: Final = ("storm_sewer", "field_tile", "unknown")
OUTCOMES: Final = (
    "completed",
    "partly",
    "no_access",
    "refused",
    "nobody_home",
    "vacant",
    "snow_covered",
    "outlet_not_found",
    "unknown",
)
RESULTS: Final = ("good", "minor", "repair", "danger", "unknown")

_BASIS = Column("location_basis", "code", LOCATION_BASES, also=("basis", "located_by"))
_ACCURACY = Column("accuracy_m", "number", low=0.001, high=5_000.0, also=("accuracy",))
_PARCEL = Column("parcel_id", "id", also=("parcel", "parcel_no", "pin", "apn"))
_ADDRESS = Column("address", "text", also=("site_address", "situs", "location_address"))
_NAME = Column("name", "text", also=("label",))
_UNIT = Column("unit_id", "id", also=("unit", "unit_no", "unit_number", "system_id", "sys_no"))
_OF_UNIT = replace(_UNIT, wanted=ALWAYS)

_SCHEMAS = (
    LayerSchema(
        "units",
        "point",
        "unit_id",
        (
            _UNIT,
            _BASIS,
            _ACCURACY,
            Column("status", "code", STATUSES, decides=True),
            Column(
                "kind",
                "code",
                UNIT_KINDS,
                also=("unit_kind", "type", "system_type"),
                wanted=("interval_days", "sample_interval_days"),
                decides=True,
            ),
            Column("pumped", "flag"),
            Column("installed", "date", also=("install_date", "year_installed", "installed_on")),
            Column("permit_id", "id", also=("permit", "permit_no")),
            Column("riser_height_m", "number", low=-1.0, high=3.0),
            Column("bedrooms", "number", low=0, high=50),
            _PARCEL,
            _ADDRESS,
        ),
        "the units themselves",
    ),
    LayerSchema(
        "discharge_points",
        "point",
        "discharge_point_id",
        (
            Column("discharge_point_id", "id", also=("outlet_id", "discharge_id", "outfall_id")),
            _UNIT,
            Column("outlet_kind", "code", OUTLET_KINDS, decides=True),
            Column("invert_height_m", "number", low=-500.0, high=9_000.0),
            Column("pipe_material", "text"),
            _BASIS,
            _ACCURACY,
        ),
        "discharge points, flow paths and what they may reach",
    ),
    LayerSchema(
        "wells",
        "point",
        "well_id",
        (
            Column("well_id", "id", also=("well_no", "well_number")),
            Column("use", "code", WELL_USES, also=("well_use",), wanted=ALWAYS, decides=True),
            Column("depth_m", "number", low=0.0, high=3_000.0),
            _BASIS,
            _ACCURACY,
        ),
        "distances to wells",
    ),
    LayerSchema(
        "streams",
        "line",
        "stream_id",
        (
            Column("stream_id", "id", also=("reach_id",)),
            Column("permanence", "code", PERMANENCES, decides=True),
            Column("stream_kind", "code", STREAM_KINDS, decides=True),
            _NAME,
        ),
        "distances to streams, and flow paths that end in them",
    ),
    LayerSchema(
        "water_bodies",
        "polygon",
        "water_body_id",
        (
            Column("water_body_id", "id", also=("lake_id", "pond_id")),
            Column("permanence", "code", PERMANENCES, decides=True),
            Column("water_body_kind", "code", STREAM_KINDS, decides=True),
            _NAME,
        ),
        "distances to lakes and ponds, and flow paths that end in them",
    ),
    LayerSchema(
        "floodplain",
        "polygon",
        "floodplain_id",
        (
            Column("floodplain_id", "id"),
            Column("zone", "text", also=("flood_zone",), wanted=ALWAYS, decides=True),
            Column("zone_subtype", "text"),
            Column("base_flood_elevation_m", "number", low=-100.0, high=5_000.0),
            Column("vertical_datum", "text"),
            Column("flood_depth_ao_m", "number", low=0.0, high=10.0),
            Column("is_floodway", "flag"),
            Column("sfha_stated", "flag"),
        ),
        "flood zones, distances and depths",
    ),
    LayerSchema(
        "soils",
        "polygon",
        "soil_id",
        (
            Column("soil_id", "id"),
            Column("hydrologic_group", "text", wanted=ALWAYS, decides=True),
        ),
        "runoff depths by kind of ground",
    ),
    LayerSchema("land_cover", "raster", "", (), "runoff depths by kind of ground"),
    LayerSchema(
        "parcels",
        "polygon",
        "parcel_id",
        (_PARCEL, _ADDRESS),
        "links on the same parcel, and parcels crossed",
    ),
    LayerSchema("roads", "line", "road_id", (Column("road_id", "id"), _NAME), "roads on the map"),
    LayerSchema(
        "buildings",
        "polygon",
        "building_id",
        (Column("building_id", "id"),),
        "buildings on the map, and distances to them",
    ),
    LayerSchema(
        "culverts",
        "line",
        "culvert_id",
        (Column("culvert_id", "id"), Column("diameter_m", "number", low=0.0, high=20.0)),
        "openings in road fill that would dam the terrain",
    ),
    LayerSchema(
        "drains",
        "line",
        "drain_id",
        (Column("drain_id", "id"), Column("drain_kind", "code", DRAIN_KINDS, decides=True)),
        "places where flow paths go underground",
    ),
    LayerSchema(
        "protected_places",
        "point",
        "place_id",
        (
            Column("place_id", "id"),
            Column("place_kind", "code", PLACE_KINDS, wanted=ALWAYS, decides=True),
            _NAME,
        ),
        "distances to swimming areas, water intakes and schools",
    ),
    LayerSchema(
        "catchments",
        "polygon",
        "catchment_id",
        (Column("catchment_id", "id"), _NAME),
        "summaries by catchment",
    ),
    LayerSchema(
        "inspections",
        "table",
        "inspection_id",
        (
            Column("inspection_id", "id"),
            _OF_UNIT,
            Column("date", "date", also=("inspected", "inspected_on", "visit_date"), wanted=ALWAYS),
            Column("outcome", "code", OUTCOMES, wanted=ALWAYS, decides=True),
            Column("result", "code", RESULTS, wanted=ALWAYS, decides=True),
            Column("by_lot", "flag", also=("drawn_by_lot", "visit_by_lot")),
            Column("note", "text", also=("notes", "remarks")),
        ),
        "time since the last visit, and what it found",
    ),
    LayerSchema(
        "complaints",
        "table",
        "complaint_id",
        (
            Column("complaint_id", "id"),
            _OF_UNIT,
            Column(
                "date", "date", also=("received", "received_on", "complaint_date"), wanted=ALWAYS
            ),
            Column(
                "closed", "date", also=("closed_on", "date_closed", "resolved"), may_lie_ahead=True
            ),
            Column("note", "text"),
        ),
        "visits due after a complaint",
    ),
    LayerSchema(
        "permits",
        "table",
        "permit_id",
        (
            Column("permit_id", "id"),
            _UNIT,
            Column("permit_kind", "text", also=("permit_type",), wanted=("permit_interval_days",)),
            Column("issued", "date"),
            Column("expires", "date", may_lie_ahead=True, wanted=("renewal_days",)),
            Column(
                "service_until",
                "date",
                also=("service_contract_until", "contract_ends", "contract_expires"),
                may_lie_ahead=True,
                wanted=("service_lapse_days",),
            ),
            Column(
                "last_sampled",
                "date",
                also=("last_sample", "sampled_on", "sample_date"),
                wanted=("sample_lapse_days",),
            ),
            Column("sample_interval_days", "number", low=1, high=36_525),
        ),
        "visits due by permit",
    ),
    LayerSchema(
        "variances",
        "table",
        "variance_id",
        (
            Column("variance_id", "id"),
            _OF_UNIT,
            Column("rule_id", "text", wanted=ALWAYS, decides=True),
            Column("distance_m", "number", low=0.0, high=5_000.0, wanted=ALWAYS),
            Column("granted", "date", wanted=ALWAYS),
            Column("note", "text"),
        ),
        "setbacks the board allowed to be shorter",
    ),
    LayerSchema(
        "taped_distances",
        "table",
        "taped_distance_id",
        (
            Column("taped_distance_id", "id"),
            _OF_UNIT,
            Column(
                "part",
                "code",
                ("unit", "tank", "discharge_point", "unknown"),
                decides=True,
                wanted=ALWAYS,
            ),
            Column("feature", "text", wanted=ALWAYS, decides=True),
            Column("feature_id", "id"),
            Column("distance_m", "number", low=0.0, high=5_000.0, wanted=ALWAYS),
            Column("accuracy_m", "number", low=0.0, high=10.0),
            Column("date", "date", wanted=ALWAYS),
        ),
        "distances measured by tape, in place of the map's",
    ),
    LayerSchema("terrain", "raster", "", (), "ponding, flow paths and heights"),
)

SCHEMAS: Final[dict[str, LayerSchema]] = {schema.name: schema for schema in _SCHEMAS}
