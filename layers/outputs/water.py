"""Tables of water: flow paths, where they end, ponding after storms, cuts through roads."""

from __future__ import annotations

from typing import Final

from layers.outputs.field import Field, Table, from_codes, made_by
from layers.outputs.units import PATH_ENDS, PROTECTED

_WATER_LAYERS: Final = from_codes("streams", "water_bodies", "drains", "ground")
_NO_END: Final = "it ends in none of these"

FLOW_PATHS: Final = Table(
    "flow_paths",
    "The flow path over the ground from one discharge point.",
    "line",
    made_by(
        "geo.waters.paths.outlet_paths",
        Field("unit_id", "Unit", "id", null="no unit is linked to the discharge point"),
        Field("discharge_point_id", "Discharge point", "id", null=""),
        Field("path_end", "Ends at", "code", codes=PATH_ENDS),
        Field("path_end_id", "ID of what it ends at", "id", null="none"),
        Field("length_m", "Length over ground", "number", "m"),
        Field("drop_m", "Drop along the path", "number", "m"),
        Field("storm_runoff_minutes", "Travel time of storm runoff", "number", "min"),
        Field(
            "wells_downhill", "Wells near the path and downhill", "count",
            made_by="geo.waters.paths.wells_downhill",
        ),
        Field(
            "wells_downhill_ids", "Those wells", "text", null="none",
            made_by="geo.waters.paths.wells_downhill",
        ),
        Field(
            "downstream_place", "First swimming area or intake downstream", "text",
            null="none found",
        ),
        Field(
            "downstream_place_kind", "Kind of that place", "code", codes=PROTECTED,
            null="none found",
        ),
        Field("downstream_m", "Distance downstream to it", "number", "m", null="none found"),
        Field(
            "parcels_crossed", "Other parcels crossed", "count",
            made_by="geo.waters.paths.parcels_crossed",
        ),
        Field("parcels_crossed_ids", "Those parcels", "text", null="none"),
        Field(
            "flood_areas_crossed", "Flood zones crossed", "count",
            made_by="geo.waters.paths.flood_areas_crossed",
        ),
        Field("flood_areas_crossed_ids", "Those flood zones", "text", null="none"),
    ),
)  # fmt: skip

WATER_LEGS: Final = Table(
    "water_legs",
    "A piece of mapped water, in the direction of flow.",
    "line",
    made_by(
        "geo.waters.waterways.find_waterways",
        Field("layer", "Layer it comes from", "code", codes=_WATER_LAYERS, null=""),
        Field("feature_id", "Stream, lake or drain", "id", null="a path over the ground"),
        Field("from_node", "Upstream node", "count", null=""),
        Field("to_node", "Downstream node", "count", null=""),
        Field("length_m", "Length", "number", "m", null=""),
    ),
)

WATER_PLACES: Final = Table(
    "water_places",
    "A place on or at the mapped water.",
    "point",
    made_by(
        "geo.waters.waterways.find_waterways",
        Field("kind", "What is there", "text", null=""),
        Field("unit_id", "Unit that discharges there", "id", null="none"),
        Field("discharge_point_id", "Discharge point that drains there", "id", null="none"),
        Field("before_m", "Path over the ground before it", "number", "m", null="none"),
        Field("leg", "Leg, by its row; below 0 for none", "count", null=""),
        Field("along_m", "How far along the leg", "number", "m", null="on none"),
        Field("water", "Water body, by its row; below 0 for none", "count", null=""),
        Field("node", "Node; below 0 for none", "count", null=""),
        Field("height_m", "Height of the ground", "number", "m"),
    ),
)

WAY_WELLS: Final = Table(
    "way_wells",
    "A well near a flow path, with the ground elevation at both.",
    "none",
    made_by(
        "geo.waters.well_heights.wells_by_ways",
        Field("well_id", "Well", "id", null=""),
        Field("leg", "Leg, by its row; below 0 for a path over the ground", "count", null=""),
        Field("discharge_point_id", "Discharge point of the path", "id", null="mapped water"),
        Field("way_ground_m", "Ground elevation at the path", "number", "m"),
        Field("well_ground_m", "Ground elevation at the well", "number", "m"),
    ),
)

DRAWN_ENTRIES: Final = Table(
    "drawn_entries",
    "Where flow paths over the ground end in some computer runs.",
    "point",
    made_by(
        "geo.waters.way_chances.way_chances",
        Field("discharge_point_id", "Discharge point", "id", null=""),
        Field("draws", "Number of computer runs", "count", null=""),
        Field("ends", "Ends at", "code", codes=PATH_ENDS, null=""),
        Field("layer", "Layer of what it ends in", "code", codes=_WATER_LAYERS, null=_NO_END),
        Field("feature_id", "ID of what it ends in", "id", null=_NO_END),
        Field("leg", "Leg, by its row; below 0 for none", "count", null=""),
        Field("along_m", "How far along the leg", "number", "m", null="on none"),
        Field("water", "Water body, by its row; below 0 for none", "count", null=""),
        Field("height_m", "Height of the ground", "number", "m"),
        Field("before_m", "Path over the ground before it", "number", "m"),
        Field("then_ends", "After a drain, ends at", "code", codes=PATH_ENDS, null="no drain"),
        Field("then_leg", "Leg after a drain", "count", null="no drain"),
        Field("then_along_m", "How far along that leg", "number", "m", null="no drain"),
        Field("then_water", "Water body after a drain", "count", null="no drain"),
        Field("then_height_m", "Height of the ground there", "number", "m", null="no drain"),
        Field("then_before_m", "Path over the ground before that", "number", "m", null="no drain"),
        Field("then_x", "East of that place", "number", "m", null="no drain"),
        Field("then_y", "North of that place", "number", "m", null="no drain"),
    ),
)

DRAWN_PASSES: Final = Table(
    "drawn_passes",
    "How far the paths of computer runs are from a point of the mapped path.",
    "none",
    made_by(
        "geo.waters.drawn_passes.passes_of",
        Field("discharge_point_id", "Discharge point", "id", null=""),
        Field("along_m", "Distance along the path", "number", "m", null=""),
        Field("offsets_m", "Distance to the side in each run, meters", "text", null=""),
    ),
)

TERRAIN_CUTS: Final = Table(
    "terrain_cuts",
    "A culvert, or a road over a mapped stream: what was opened in the model, or why not.",
    "any",
    made_by(
        "geo.terrain.crossings.cut_table",
        Field("kind", "What it is", "text", null=""),
        Field("culvert_id", "Culvert", "id", null="none"),
        Field("stream_id", "Stream", "id", null="none"),
        Field("road_id", "Road", "id", null="none"),
        Field("road", "Name of the road", "text", null="none"),
        Field("used", "Whether water can pass", "flag", null=""),
        Field("reason", "Why", "text", null=""),
        Field("length_m", "Length of the cut", "number", "m", null="no cut"),
        Field("depth_m", "Greatest depth of the cut", "number", "m", null="no cut"),
        Field("from_elevation_m", "Elevation at its upper end", "number", "m"),
        Field("to_elevation_m", "Elevation at its lower end", "number", "m"),
    ),
)

PONDS: Final = Table(
    "ponds",
    "One low spot with ponding after one storm, at its lowest cell.",
    "point",
    made_by(
        "geo.ponds.pond_list.pond_table",
        Field("storm_yr", "Storm, return period", "count", "yr", null=""),
        Field("pond_id", "Pond", "count", null=""),
        Field("parent_id", "Larger low spot it is part of", "count", null="none"),
        Field(
            "kind", "One low spot or several joined", "code", null="",
            codes={"hollow": "one low spot", "merged": "several low spots joined"},
        ),
        Field("area_m2", "Area", "number", "m2", null=""),
        Field("volume_m3", "Volume", "number", "m3", null=""),
        Field("level_m", "Water surface elevation", "number", "m", null=""),
        Field("depth_m", "Greatest depth", "number", "m", null=""),
        Field("is_full", "Whether it overflows", "flag", null=""),
        Field(
            "spills", "Where it overflows to", "code", null="",
            codes={
                "not_full": "not full", "into_hollow": "another low spot",
                "off_terrain": "outside the terrain data",
            },
        ),
        Field("spills_to_id", "Low spot it overflows into", "count", null="none"),
        Field("lids", "Lids under water", "count", null=""),
        Field("discharge_points", "Discharge points under water", "count", null=""),
    ),
)  # fmt: skip
