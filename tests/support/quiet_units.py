"""A unit of which every column is as good as it can be: no fact on record raises its rank."""

import numpy as np

QUIET = {
    "status": "active", "last_result": "good", "days_since_inspection": 0.0, "age_years": 0.0,
    "outlet_state": "known", "outlet_wet_state": "dry_in_all", "outlet_wet_return_yr": np.nan,
    "lid_wet_state": "dry_in_all", "lid_wet_return_yr": np.nan, "lid_swale_state": "none",
    "lid_wet_annual_probability": 0.0,
    "lid_upslope_area_m2": 0.0, "lid_pond_depth_brim_m": 0.0, "flood_distance_m": 5000.0,
    "flood_hazard": "minimal", "hand_m": 30.0, "well_distance_m": 5000.0,
    "lid_well_distance_m": 5000.0, "path_length_m": 5000.0, "path_end": "stream",
    "stream_distance_m": 5000.0, "place_distance_m": 5000.0, "downstream_m": 50_000.0,
    "downstream_place_kind": "intake", "parcels_crossed": 0.0, "trouble_chance": 0.0,
    "trouble_chance_county": 0.14, "riser_height_m": 0.2, "accuracy95_m": 3.0,
}  # fmt: skip
