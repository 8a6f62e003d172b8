"""Every fault of the input, one by one: what is set aside, what is mended, what is said."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

from layers.errors import LayerError, ReferenceSystemError
from layers.problems import CODES
from layers.reading.fault_report import problem_places


def units_csv(rows, **changes):
    """The small county's units as a CSV table, cells of the third row (line 4) changed."""
    table = rows.lonlat(rows.units()).astype(object)
    for column, value in changes.items():
        if column not in table:
            table[column] = None
        table.loc[2, column] = value
    return table


CELL_FAULTS = [
    ({"unit_id": None}, "id_missing", "corrected"),
    ({"unit_id": "  "}, "id_missing", "corrected"),
    ({"unit_id": "001"}, "id_duplicate", "corrected"),
    ({"longitude": 0, "latitude": 0}, "coordinates_zero", "set_aside"),
    ({"longitude": 0}, "coordinates_zero", "set_aside"),
    ({"latitude": None}, "coordinates_missing", "set_aside"),
    ({"latitude": "north"}, "coordinates_missing", "set_aside"),
    ({"longitude": "inf"}, "coordinates_missing", "set_aside"),
    ({"latitude": 12.5}, "outside_county", "set_aside"),
    ({"latitude": 95}, "outside_county", "set_aside"),
    ({"longitude": 85.8}, "outside_county", "set_aside"),
    ({"kind": "cave"}, "code_unknown", "kept"),
    ({"status": "??"}, "code_unknown", "kept"),
    ({"pumped": "perhaps"}, "code_unknown", "kept"),
    ({"bedrooms": "3-4"}, "number_unreadable", "kept"),
    ({"riser_height_m": 6.1}, "number_impossible", "kept"),
    ({"accuracy_m": 0}, "number_impossible", "kept"),
    ({"installed": "31/02/1998"}, "date_unreadable", "kept"),
    ({"installed": "2062-05-01"}, "date_in_future", "kept"),
    ({"address": "1\x07 Lane"}, "text_controls", "corrected"),
]


@pytest.mark.parametrize(("changes", "code", "action"), CELL_FAULTS)
def test_a_spoilt_cell_is_one_problem_of_its_row(folder, rows, changes, code, action):
    folder.add("units", units_csv(rows, **changes), "units.csv", crs='"EPSG:4326"')
    county = folder.read()
    kept = {(c, a) for c, r, a in rows.found(county, "units") if r == 4}
    assert kept - {("discharge_point_missing", "kept")} == {(code, action)}
    assert (4 in set(county.layers["units"]["source_row"])) == (action != "set_aside")
    count = county.counts.set_index("layer").loc["units"]
    assert count["rows_read"] == 6
    assert count["used"] == len(county.layers["units"])
    assert count["set_aside"] == (action == "set_aside")
    assert count["corrected"] == (action == "corrected")


def test_a_missing_minus_sign_is_hinted_at(folder, rows):
    table = units_csv(rows)
    table.loc[2, "longitude"] = -table.loc[2, "longitude"]
    county = folder.add("units", table, "units.csv", crs='"EPSG:4326"').read()
    (problem,) = county.problems.query("code == 'outside_county'").itertuples()
    assert "With a minus sign, its longitude would fit" in problem.message


def test_exchanged_coordinates_are_put_right(folder, rows):
    table = units_csv(rows)
    lon, lat = table.loc[2, ["longitude", "latitude"]]
    table.loc[2, ["longitude", "latitude"]] = [lat, lon]
    county = folder.add("units", table, "units.csv", crs='"EPSG:4326"').read()
    assert ("coordinates_swapped", 4, "corrected") in rows.found(county)
    assert county.layers["units"].geometry.x.tolist() == pytest.approx(
        [rows.origin[0] + 100 * k for k in range(6)], abs=1e-3
    )


def test_a_whole_list_exchanged_is_put_right_too(folder, rows):
    table = rows.lonlat(rows.units())
    table = table.rename(columns={"longitude": "latitude", "latitude": "longitude"})
    county = folder.add("units", table, "units.csv", crs='"EPSG:4326"').read()
    assert county.counts.loc[0, ["used", "corrected"]].tolist() == [6, 6]
    assert county.layers["units"].geometry.y[0] == pytest.approx(rows.origin[1], abs=1e-3)


def test_a_spreadsheets_number_is_matched_where_others_use_the_whole_one(folder, rows):
    units, outlets = rows.units(), rows.outlets()
    units["unit_id"] = ["1", "2", "3.0", "4", "5.0", "6"]
    outlets["unit_id"] = ["1", "2.0", "3", "4", None, "6.0"]
    folder.add("units", rows.lonlat(units), "units.csv", crs='"EPSG:4326"')
    folder.add("discharge_points", outlets, "outlets.gpkg")
    county = folder.read()
    assert county.layers["units"]["unit_id"].tolist() == ["1", "2", "3", "4", "5.0", "6"]
    assert {key for key in rows.found(county) if key[0] == "id_spreadsheet_number"} == {
        ("id_spreadsheet_number", 4, "corrected"),
        ("id_spreadsheet_number", 2, "corrected"),
        ("id_spreadsheet_number", 6, "corrected"),
    }
    assert county.links["discharge_point_id"].isna().sum() == 0
    assert county.links["link_method"].tolist() == [*["by_id"] * 4, "nearest", "by_id"]


def test_a_unit_without_coordinates_is_placed_on_its_parcel(folder, rows):
    table = units_csv(rows, longitude=None, latitude=None)
    table.loc[4, ["longitude", "latitude"]] = [0, 0]
    table.loc[5, ["latitude", "parcel_id"]] = [None, "P99"]
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    county = folder.add("parcels", rows.parcels(), "parcels.gpkg").read()
    keys = rows.found(county, "units")
    assert {("placed_at_parcel", 4, "corrected"), ("placed_at_parcel", 6, "corrected")} <= keys
    assert ("coordinates_zero", 6, "corrected") in keys
    assert ("coordinates_missing", 7, "set_aside") in keys
    unit = county.layers["units"].set_index("unit_id").loc["003"]
    assert unit.geometry.within(rows.parcels().geometry[2])
    assert unit["location_basis"] == "parcel"
    assert unit["accuracy95_m"] == 75  # the table's, for the parcel's farthest corner is nearer


def test_a_large_parcel_says_less_than_the_table(folder, rows):
    parcels = rows.parcels()
    parcels.geometry = parcels.geometry.buffer(300)
    folder.add("units", units_csv(rows, longitude=None), "units.csv", crs='"EPSG:4326"')
    county = folder.add("parcels", parcels, "parcels.gpkg").read()
    farthest = county.layers["units"].set_index("unit_id").loc["003", "accuracy95_m"]
    assert farthest == pytest.approx(np.hypot(340, 340) - 300 * (np.sqrt(2) - 1), rel=0.05)


def test_a_list_of_addresses_and_parcels_only(folder, rows):
    table = pd.DataFrame(rows.units().drop(columns="geometry"))
    folder.add("units", table, "units.xlsx")
    county = folder.add("parcels", rows.parcels(), "parcels.gpkg").read()
    assert county.counts.loc[0, ["used", "corrected"]].tolist() == [6, 6]
    assert (county.layers["units"]["location_basis"] == "parcel").all()


# ------------------------------------------------------------------------------------- shapes


def spoilt_parcels(rows, shape):
    parcels = rows.parcels()
    shapes = parcels.geometry.to_numpy().copy()
    shapes[1] = shape
    return parcels.set_geometry(gpd.GeoSeries(shapes, crs=parcels.crs))


X, Y = 600_060.0, 4_399_960.0  # a corner of the second parcel
BOW = shapely.Polygon([(X, Y), (X + 80, Y + 80), (X + 80, Y), (X, Y + 80)])
SHAPE_FAULTS = [
    (None, "geometry_missing", "set_aside"),
    (shapely.Polygon(), "geometry_empty", "set_aside"),
    (BOW, "geometry_invalid", "corrected"),
    (shapely.Polygon([(X, Y), (X + 9, Y), (X, Y)]), "geometry_unusable", "set_aside"),
    (shapely.Polygon([(X, Y), (X + 9, Y), (np.inf, Y)]), "geometry_unusable", "set_aside"),
    (shapely.Point(X, Y), "geometry_wrong_kind", "set_aside"),
    (shapely.LineString([(X, Y), (X + 9, Y)]), "geometry_wrong_kind", "set_aside"),
    (
        shapely.GeometryCollection([shapely.box(X, Y, X + 9, Y + 9), shapely.Point(X, Y)]),
        "geometry_wrong_kind",
        "corrected",
    ),
    (shapely.force_3d(shapely.box(X, Y, X + 9, Y + 9), 200.0), "geometry_has_z", "kept"),
    (shapely.MultiPolygon([BOW, BOW]), "geometry_invalid", "corrected"),
    (shapely.box(0, 0, 10, 10), "outside_county", "set_aside"),
]


@pytest.mark.filterwarnings("ignore:.*:RuntimeWarning")  # GDAL, writing what is no ring
@pytest.mark.parametrize(("shape", "code", "action"), SHAPE_FAULTS)
def test_a_spoilt_shape_is_one_problem_of_its_row(folder, rows, shape, code, action):
    folder.add("units", rows.units(), "units.gpkg")
    folder.add("parcels", spoilt_parcels(rows, shape), "parcels.gpkg")
    county = folder.read()
    assert rows.found(county, "parcels") == {(code, 2, action)}
    parcels = county.layers["parcels"]
    assert (2 in set(parcels["source_row"])) == (action != "set_aside")
    assert parcels.geometry.is_valid.all()
    assert not parcels.geometry.has_z.any()
    assert set(parcels.geometry.geom_type) <= {"Polygon", "MultiPolygon"}
    if shape is BOW:
        assert parcels.geometry.area[1] == pytest.approx(3200, rel=1e-9)  # two triangles


def test_a_collection_of_areas_that_cannot_be_joined_is_mended(folder, rows):
    flat = shapely.Polygon([(X, Y)] * 4)
    shape = shapely.GeometryCollection([flat, BOW, shapely.Point(X, Y)])
    folder.add("units", rows.units(), "units.gpkg")
    folder.add("parcels", spoilt_parcels(rows, shape), "parcels.gpkg")
    county = folder.read()
    assert rows.found(county, "parcels") == {
        ("geometry_wrong_kind", 2, "corrected"),
        ("geometry_invalid", 2, "corrected"),
    }
    assert county.layers["parcels"].geometry.area[1] == pytest.approx(3200, rel=1e-9)


def test_points_may_come_as_single_multipoints(folder, rows):
    units = rows.units()
    shapes = [shapely.MultiPoint([point]) for point in units.geometry]
    shapes[2] = shapely.MultiPoint([(X, Y), (X + 1, Y)])
    folder.add("units", units.set_geometry(gpd.GeoSeries(shapes, crs=units.crs)), "units.gpkg")
    county = folder.read()
    assert rows.found(county, "units") >= {("geometry_wrong_kind", 3, "set_aside")}
    assert (county.layers["units"].geometry.geom_type == "Point").all()
    assert len(county.layers["units"]) == 5


def test_heights_in_every_shape_are_one_note(folder, rows):
    units = rows.units()
    units.geometry = shapely.force_3d(units.geometry.to_numpy(), 200.0)
    county = folder.add("units", units, "units.gpkg").read()
    notes = county.problems.query("code == 'geometry_has_z'")
    assert notes["row"].isna().tolist() == [True]
    assert notes["message"].tolist() == ["all rows: heights stored with the shape are not used"]


def test_a_geojson_with_broken_features_keeps_the_rest(folder, rows):
    units = json.loads(rows.units().to_crs(4326).to_json(drop_id=True))
    units["features"][1]["geometry"] = None
    units["features"][2]["geometry"] = {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}
    del units["features"][3]["properties"]["unit_id"]
    county = folder.add("units", json.dumps(units), "units.geojson").read()
    keys = {key for key in rows.found(county, "units") if key[2] == "set_aside"}
    assert keys == {
        ("geometry_missing", 2, "set_aside"),
        ("geometry_unusable", 3, "set_aside"),
    }
    assert county.layers["units"]["unit_id"].tolist() == ["001", "row-4", "005", "006"]


# ---------------------------------------------------------------------- ids of lines and areas


def test_a_stream_is_never_lost_for_its_id(folder, rows):
    lines = [shapely.LineString([(X + 9 * k, Y), (X + 9 * k, Y + 50)]) for k in range(3)]
    streams = gpd.GeoDataFrame(
        {"stream_id": ["A", "A", "A", "B", None, None]},
        geometry=[lines[0], lines[1], lines[0], lines[2], *lines[:2]],
        crs=rows.crs,
    )
    folder.add("units", rows.units(), "units.gpkg").add("streams", streams, "streams.gpkg")
    county = folder.read()
    assert county.layers["streams"]["stream_id"].tolist() == ["A", "A#2", "B", "row-5", "row-6"]
    assert {key for key in rows.found(county, "streams") if key[0].startswith("id")} == {
        ("id_duplicate", 2, "corrected"),
        ("id_duplicate", 3, "set_aside"),
        ("id_missing", 5, "corrected"),
        ("id_missing", 6, "corrected"),
    }


def test_areas_of_one_parcel_are_joined(folder, rows):
    parcels = rows.parcels()
    parcels.loc[1, "parcel_id"] = "P1"
    folder.add("units", rows.units(), "units.gpkg").add("parcels", parcels, "parcels.gpkg")
    county = folder.read()
    first = county.layers["parcels"].set_index("parcel_id").geometry["P1"]
    assert first.area == pytest.approx(2 * 80 * 80, rel=2e-3)
    assert ("id_duplicate", 2, "set_aside") in rows.found(county, "parcels")


def test_a_layer_without_ids_is_numbered(folder, rows):
    wells = rows.outlets()[["geometry"]]
    folder.add("units", rows.units(), "units.gpkg").add("wells", wells, "wells.gpkg")
    county = folder.read()
    assert county.layers["wells"]["well_id"].tolist() == [f"row-{k}" for k in range(1, 7)]
    assert ("column_missing", None, "kept") in rows.found(county, "wells")


def test_an_empty_point_beside_parcels_is_set_aside(folder, rows):
    units = rows.units().set_geometry([shapely.Point(), *rows.units().geometry[1:]])
    folder.add("parcels", rows.parcels(), "parcels.gpkg")
    folder.add("units", units.assign(parcel_id=None), "units.gpkg")
    county = folder.read()
    assert ("geometry_empty", 1, "set_aside") in rows.found(county, "units") or (
        "geometry_missing", 1, "set_aside") in rows.found(county, "units")  # fmt: skip
    assert len(county.layers["units"]) == 5


def test_many_faults_of_a_background_layer_are_said_once(folder, rows):
    far = [shapely.LineString([(k, 0), (k, 1)]) for k in range(1, 80)]
    near = shapely.LineString([(X, Y), (X + 9, Y)])
    streams = gpd.GeoDataFrame(
        {"stream_id": [str(k) for k in range(80)]}, geometry=[near, *far], crs=rows.crs
    )
    folder.add("units", rows.units(), "units.gpkg").add("streams", streams, "streams.gpkg")
    county = folder.read()
    (problem,) = county.problems.query("layer == 'streams'").itertuples()
    assert problem.code == "outside_county"
    assert problem.message.startswith("79 rows (first: 2, 3, 4, 5, 6): ")
    count = county.counts.set_index("layer").loc["streams"]
    assert count.tolist() == [80, 1, 0, 79]


# ------------------------------------------------------------------------------------ accuracy


def test_accuracy_by_column_by_basis_or_unknown(folder, rows):
    table = rows.lonlat(rows.units())
    table["location_basis"] = ["gps", "phone", "phone", "address", "surveyed", "unknown"]
    table["accuracy_m"] = [None, 5.0, None, 12.0, None, None]
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    folder.more = "[accuracy_m]\nsurveyed = 0.05\n"
    county = folder.read()
    # 2.4477 / 1.5152: a 68 % radius of 5 m holds 95 % within 8.08 m (FGDC-STD-007.3-1998)
    assert county.layers["units"]["accuracy95_m"].tolist() == pytest.approx(
        [3.0, 8.077, 8.1, 12.0, 0.05, 75.0], abs=1e-3
    )
    assert ("accuracy_unstated", 7, "kept") in rows.found(county)


def test_a_layers_own_accuracy_stands_in_for_an_unknown_one(folder, rows):
    wells = rows.outlets().assign(location_basis=["gps"] * 3 + [None] * 3)
    folder.add("units", rows.units(), "units.gpkg")
    county = folder.add("wells", wells, "wells.gpkg", accuracy_m=12.5).read()
    assert county.layers["wells"]["accuracy95_m"].tolist() == [3.0] * 3 + [12.5] * 3
    assert "accuracy_unstated" not in {key[0] for key in rows.found(county, "wells")}


# -------------------------------------------------------------------------------------- tables


def test_records_of_unknown_units_are_set_aside(folder, rows):
    visits = pd.DataFrame(
        {
            "inspection_id": ["1", "2", "3", "4", "4", "1"],
            "unit_id": ["001", "zzz", None, "003", "001", "001"],
            "date": ["2020-01-01"] * 6,
            "result": ["Good", "good", "good", "good", "danger", "good"],
        }
    )
    folder.add("units", units_csv(rows, longitude=0), "units.csv", crs='"EPSG:4326"')
    county = folder.add("inspections", visits, "visits.csv").read()
    assert county.layers["inspections"]["inspection_id"].tolist() == ["1", "4#2"]
    assert rows.found(county, "inspections") == {
        ("unit_unknown", 3, "set_aside"),
        ("unit_unknown", 4, "set_aside"),
        ("unit_unknown", 5, "set_aside"),
        ("id_duplicate", 6, "corrected"),
        ("id_duplicate", 7, "set_aside"),
        ("column_wanted", None, "kept"),  # there is no outcome
    }
    text = county.problems.query("layer == 'inspections' and row == 5")["message"].item()
    assert text == "the row of unit '003' was not used"


def test_a_permit_that_names_no_unit_gets_the_one_that_names_it(folder, rows):
    units = rows.units().assign(permit_id=[None, "7", None, None, None, None])
    permits = pd.DataFrame({"permit_id": ["7", "8"], "expires": ["2030-01-01", "1/1/2031"]})
    folder.add("units", units, "units.gpkg").add("permits", permits, "permits.csv")
    county = folder.read()
    assert county.layers["permits"]["unit_id"].tolist() == ["002"]
    assert ("unit_unknown", 3, "set_aside") in rows.found(county, "permits")


def test_flood_zones(folder, rows):
    zones = [
        "AE",
        "A",
        "VE",
        "X",
        "x",
        "D",
        "AREA NOT INCLUDED",
        None,
        "C",
        "Zone A99",
        "OPEN WATER",
    ]
    subtypes = [None, None, None, "AREA OF MINIMAL FLOOD HAZARD", *[None] * 7]
    areas = [shapely.box(X + k, Y, X + k + 1, Y + 1) for k in range(len(zones))]
    plain = gpd.GeoDataFrame(
        {"zone": zones, "zone_subtype": subtypes},
        geometry=areas,
        crs=rows.crs,
    ).assign(floodplain_id=[str(k) for k in range(len(zones))])
    folder.add("units", rows.units(), "units.gpkg").add("floodplain", plain, "flood.gpkg")
    frame = folder.read().layers["floodplain"]
    special = frame.loc[frame["is_sfha"], "zone"].tolist()
    assert special == ["AE", "A", "VE", "Zone A99"]
    assert frame.loc[frame["is_minimal"], "floodplain_id"].tolist() == ["3", "8"]
    assert frame["zone"][3:5].tolist() == ["X", "x"]  # kept as read


# ------------------------------------------------------------------------- reference systems


def test_units_without_a_system_are_refused_with_the_likely_one(folder, rows):
    table = rows.lonlat(rows.units()).rename(columns={"longitude": "x", "latitude": "y"})
    folder.add("units", table, "units.csv")
    with pytest.raises(ReferenceSystemError, match=r"no coordinate system(.|\n)*EPSG:4326"):
        folder.read()


def test_columns_called_longitude_and_latitude_are_taken_as_wgs84_and_said(folder, rows):
    county = folder.add("units", rows.lonlat(rows.units()), "units.csv").read()
    assert ("crs_inferred", None, "kept") in rows.found(county, "units")


def test_another_layer_without_a_system_is_left_out(folder, rows):
    folder.add("units", rows.units(), "units.gpkg").add("parcels", rows.parcels(), "p.shp")
    (folder.folder / "p.prj").unlink()
    county = folder.read()
    assert ("crs_missing", None, "layer_left_out") in rows.found(county, "parcels")
    assert "parcels" not in county.layers


def test_a_system_that_cannot_be_right_is_refused(folder, rows):
    folder.add("units", rows.units().to_crs(4326), "units.gpkg", crs='"EPSG:32616"')
    with pytest.raises(ReferenceSystemError, match="look like degrees"):
        folder.read()
    folder.add("units", rows.units(), "plane.gpkg", crs='"EPSG:4326"')
    with pytest.raises(ReferenceSystemError, match="look like meters or feet"):
        folder.read()


def test_the_county_file_is_believed_over_the_file_and_it_is_said(folder, rows):
    county = folder.add("units", rows.units(), "units.gpkg", crs='"EPSG:26916"').read()
    assert ("crs_inferred", None, "kept") in rows.found(county, "units")
    assert "EPSG:32616" in county.problems.query("code == 'crs_inferred'")["message"].item()


def test_an_old_datum_without_a_grid_is_refused_unless_allowed(folder, rows):
    folder.add("units", rows.units(), "units.gpkg")
    county = folder.add("wells", rows.outlets().to_crs(4267), "wells.gpkg").read()
    (problem,) = county.problems.query(
        "action == 'layer_left_out' and layer == 'wells'"
    ).itertuples()
    assert problem.code == "crs_missing"
    assert problem.message.startswith("the shift grid from NAD27 to WGS 84")
    assert "allow_coarse_shift = true" in problem.message
    folder.name("wells", "wells.gpkg", allow_coarse_shift="true")
    county = folder.read()
    assert ("crs_transform_coarse", None, "kept") in rows.found(county, "wells")
    assert len(county.layers["wells"]) == 6
    # no well's place is better than the shift
    move = county.transforms.set_index("layer").loc["wells"]
    assert move["from_system"] == "EPSG:4267"
    assert (county.layers["wells"]["accuracy95_m"] > move["accuracy_m"]).all()


def test_layers_in_different_systems_meet(folder, rows):
    folder.add("units", rows.units().to_crs(2965), "units.gpkg")  # Indiana East, US survey feet
    folder.add(
        "discharge_points", rows.outlets().to_crs(4269), "outlets.geojson", crs='"EPSG:4269"'
    )
    county = folder.read()
    assert county.crs.to_epsg() == 32616
    gap = county.layers["units"].distance(county.layers["discharge_points"])
    assert gap.tolist() == pytest.approx([20] * 6, abs=0.01)


# --------------------------------------------------------------------------------- what is fatal


def test_units_without_an_id_column_are_refused_with_the_columns_there(folder, rows):
    table = rows.lonlat(rows.units()).rename(columns={"unit_id": "SYSTEMNO"})
    folder.add("units", table, "units.csv")
    with pytest.raises(LayerError, match=r"'SYSTEMNO'") as caught:
        folder.read()
    assert caught.value.where == "[layers.units] units.csv"


def test_a_mapped_column_that_is_not_there(folder, rows):
    folder.add("units", rows.units(), "units.gpkg")
    folder.add("wells", rows.outlets(), "wells.gpkg", columns='{ well_id = "WELLNUM" }')
    county = folder.read()
    assert ("layer_columns_missing", None, "layer_left_out") in rows.found(county, "wells")
    units = rows.units().rename(columns={"unit_id": "number"})
    folder.add("units", units, "u.gpkg", columns='{ unit_id = "UNITID" }')
    with pytest.raises(LayerError, match="column 'UNITID', set for 'unit_id'"):
        folder.read()


def test_no_unit_left_is_refused_with_the_reason(folder, rows):
    units = rows.units()
    lines = units.set_geometry(units.buffer(3.0).boundary)
    folder.add("units", lines, "units.gpkg")
    with pytest.raises(LayerError, match=r"none of the 6 rows .*geometry_wrong_kind"):
        folder.read()


def test_coordinates_of_no_unit_at_all(folder, rows):
    table = rows.lonlat(rows.units()).assign(longitude=None)
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    with pytest.raises(LayerError, match="no unit has a position"):
        folder.read()


def test_every_code_named_here_is_known():
    assert {code for _, code, _ in CELL_FAULTS + SHAPE_FAULTS} <= set(CODES)


def test_a_coordinate_too_large_to_reckon_with_is_only_a_row_set_aside(folder, rows):
    table = units_csv(rows, longitude=1e308, latitude=-1e308)
    county = folder.add("units", table, "units.csv", crs='"EPSG:4326"').read()
    assert (4, "set_aside") in {(row, how) for _, row, how in rows.found(county, "units")}
    areas = rows.parcels()
    spike = shapely.Polygon([(X, Y), (X + 50, 1e300), (X + 50, Y + 40), (X - 20, Y), (1e305, Y)])
    areas.geometry = [spike, *areas.geometry[1:]]
    county = folder.add("parcels", areas, "parcels.gpkg").read()
    assert len(county.layers["parcels"]) >= 5


def test_a_unit_of_heights_that_the_raster_contradicts_is_said(folder, rows, tmp_path):
    folder.add("units", rows.units(), "units.gpkg")
    folder.add("terrain", rows.terrain(), "t.tif", vertical_unit='"m"')
    path = tmp_path / "t.tif"
    with rasterio.open(path, "r+", IGNORE_COG_LAYOUT_BREAK="YES") as raster:
        raster.units = ("ft",)
    (note,) = (n for n in folder.read().notes if n.startswith("Terrain heights"))
    assert "the raster says ft but the county file says m" in note


def test_each_problem_is_placed_where_its_own_row_lies(folder, rows):
    units = rows.units().assign(kind=["spring", None, "mystery", None, None, "riddle"])
    county = folder.add("units", units, "units.gpkg").read()
    placed, _ = problem_places(county)
    mine = placed[(placed["layer"] == "units") & (placed["code"] == "code_unknown")]
    assert mine["row"].tolist() == [1, 3, 6]
    for row, point in zip(mine["row"], mine.geometry, strict=True):
        assert point.equals(units.geometry.iloc[int(row) - 1])
