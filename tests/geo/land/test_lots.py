"""What fits on each lot, against one proposal at a time and lots whose answer is known."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geo
from geo.land.lots import lots
from geo.setbacks.allowable import PARTS
from layers.crs import WGS84, Mover
from layers.outputs import LOTS
from layers.settings.county_file import LotSection

ALL_LAND = LotSection(keep_out_floodway=False, least_area_m2=0.0)


@pytest.fixture(scope="module")
def found(measured):
    return lots(measured, ALL_LAND)


def test_each_lot_is_what_a_proposal_on_it_says(county, found):
    back = Mover(county.crs, WGS84)
    asked = 0
    for row in found.iloc[:: max(len(found) // 6, 1)].itertuples():
        inner = shapely.point_on_surface(row.geometry)
        lon, lat = back(np.array([inner.x]), np.array([inner.y]))
        proposal = geo.assess_proposal(county, lid=(float(lat[0]), float(lon[0])), draws=0)
        if not shapely.equals(proposal.parcel, row.geometry):
            continue  # of two lots that share the place, the proposal speaks of the first
        asked += 1
        for part, _ in PARTS:
            for held, areas in (("as_drawn", proposal.allowed), ("surely", proposal.surely)):
                room = getattr(row, f"{part}_{held}_m2")
                assert room == pytest.approx(areas[part].area, abs=1e-6), (row.parcel_id, part)
    assert asked >= 4


def test_the_class_follows_from_the_room(found):
    LOTS.check(found)
    drawn = (found[["tank_as_drawn_m2", "discharge_point_as_drawn_m2"]] > 0).all(axis=1)
    sure = (found[["tank_surely_m2", "discharge_point_surely_m2"]] > 0).all(axis=1)
    lacks = found["not_given"].notna()
    assert (found["fits"].eq("cannot") == ~drawn).all()
    assert (found["fits"].eq("surely") == (drawn & sure & ~lacks)).all()
    for part, _ in PARTS:
        assert (found[f"{part}_surely_m2"] <= found[f"{part}_as_drawn_m2"] + 1e-6).all()
        assert (found[f"{part}_as_drawn_m2"] <= found["area_m2"] + 1e-6).all()


def test_a_lot_is_not_said_to_fit_where_a_layer_of_a_rule_is_missing(county):
    given = {name: layer for name, layer in county.file.layers.items() if name != "wells"}
    kept = {name: layer for name, layer in county.layers.items() if name != "wells"}
    file = county.file.model_copy(update={"layers": given})
    table = lots(geo.measure(replace(county, file=file, layers=kept), draws=0), ALL_LAND)
    assert set(table["fits"]) <= {"not_known", "cannot"}
    assert "not_known" in set(table["fits"])
    assert table["not_given"].str.contains("wells").all()


def test_what_the_office_keeps_out_takes_room_and_is_named(measured, found):
    zones = measured.features["floodplain"]
    special = zones[zones["hazard_class"] == "special"].union_all()
    kept = lots(measured, ALL_LAND.model_copy(update={"keep_out_flood_zone": True}))
    touched = shapely.intersects(found.geometry.to_numpy(), special)
    assert touched.any()
    assert not touched.all()
    for part, _ in PARTS:
        for held in ("as_drawn", "surely"):
            name = f"{part}_{held}_m2"
            assert (kept[name] <= found[name] + 1e-6).all()
            assert kept[name][~touched].equals(found[name][~touched])
    inside = shapely.area(shapely.intersection(found.geometry.to_numpy(), special))
    drowned = inside > 0.999 * found["area_m2"].to_numpy()
    assert (kept["fits"][drowned] == "cannot").all()
    steep = lots(measured, ALL_LAND.model_copy(update={"steepest": 1e-6}))
    assert (steep["fits"] == "cannot").any()
    assert "steep ground" in set(steep["binding"])


def test_small_pieces_hold_nothing(measured, found):
    least = float(found["tank_as_drawn_m2"].max()) + 1
    table = lots(measured, ALL_LAND.model_copy(update={"least_area_m2": least}))
    assert (table["tank_as_drawn_m2"] == 0).all()
    assert set(table["fits"]) == {"cannot"}


def test_lots_that_share_land_are_marked_and_units_counted(measured, county):
    parcels = county.layers["parcels"]
    twice = parcels.iloc[[0]].copy()
    twice["parcel_id"] = "again"
    both = gpd.GeoDataFrame(
        np.concatenate([parcels.to_numpy(object), twice.to_numpy(object)]), columns=parcels.columns
    ).astype(parcels.drop(columns="geometry").dtypes.to_dict())
    both = both.set_geometry("geometry", crs=parcels.crs)
    table = lots(replace(measured, features={**measured.features, "parcels": both}), ALL_LAND)
    shapes, lids = both.geometry.to_numpy(), county.layers["units"].geometry.to_numpy()
    counted = [int(shapely.intersects(lids, shape).sum()) for shape in shapes]
    assert table["units"].tolist() == counted
    assert table["shares_land"].iloc[[0, -1]].all()
    assert len(lots(replace(measured, features={**measured.features, "parcels": None}))) == 0


def test_what_the_office_asks_and_the_county_lacks_is_not_known(county, measured):
    """No adopted table, no flood layer, no storm, a zone whose floodway nobody wrote down."""
    none = county.setbacks.model_copy(update={"tables": []})
    bare = replace(measured, county=replace(county, setbacks=none))
    table = lots(bare, ALL_LAND)
    assert set(table["fits"]) == {"not_known"}
    assert table["not_given"].str.contains("setback rule for the tank").all()

    asks = {
        "floodplain": ALL_LAND.model_copy(update={"keep_out_floodway": True}),
        "17-year storm": ALL_LAND.model_copy(update={"keep_out_pond_yr": 17}),
    }
    dry = replace(measured, features={**measured.features, "floodplain": None})
    for missing, section in asks.items():
        table = lots(dry, section)
        assert not {"surely", "as_drawn"} & set(table["fits"])
        assert table["not_given"].str.contains(missing).all()

    zones = measured.features["floodplain"].copy()
    zones["is_floodway"] = None
    zones["hazard_class"] = "undetermined"
    open_ = replace(measured, features={**measured.features, "floodplain": zones})
    section = ALL_LAND.model_copy(update={"keep_out_floodway": True, "keep_out_flood_zone": True})
    table = lots(open_, section)
    touched = shapely.intersects(table.geometry.to_numpy(), zones.union_all())
    assert touched.any()
    assert not {"surely", "as_drawn"} & set(table["fits"][touched])
    assert table["not_given"][touched].str.contains("floodway").all()


def test_ground_that_ends_on_a_lot_is_missing(measured):
    west, south, east, _ = measured.terrain.frame.bounds
    parcels = measured.features["parcels"].iloc[[0, 1]].copy()
    parcels = parcels.set_geometry(
        [shapely.box(east - 30, south + 50, east + 30, south + 110),
         shapely.box(west - 900, south, west - 800, south + 90)],
        crs=parcels.crs,
    )  # fmt: skip
    far = replace(measured, features={**measured.features, "parcels": parcels})
    table = lots(far, ALL_LAND.model_copy(update={"steepest": 0.9}))
    assert table["not_given"].str.contains("terrain").all()


def test_lots_asked_for_without_parcels_are_said_not_to_be_calculated(county):
    file = county.file.model_copy(update={"lots": LotSection()})
    kept = {name: layer for name, layer in county.layers.items() if name != "parcels"}
    result = geo.assess(replace(county, file=file, layers=kept), draws=0)
    assert len(result.areas.lots) == 0
    assert any("What fits on each lot is not calculated" in note for note in result.run.notes)
    asked = geo.assess(replace(county, file=file), draws=0)
    assert len(asked.areas.lots) == len(county.layers["parcels"])
    assert not any("What fits on each lot" in note for note in asked.run.notes)
