"""A proposed unit against the real one in its place; the allowable area against a grid."""

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from geo.measurements import line_accuracy95_m
from geo.proposal import PROPOSED, assess_proposal
from geo.publish.shared import field_texts
from geo.publish.trace.proposal_page import SECTIONS
from geo.receptors import nearest_feature, nearest_on_side
from geo.results import cautions
from geo.setbacks.allowable import allowable_area, rules_today
from geo.setbacks.candidates import NO, meant
from geo.terrain import sample
from geo.uncertainty import short_probability
from layers.crs import WGS84, Mover
from layers.errors import TraceError
from layers.fields.schemas import SCHEMAS
from layers.grid import Grid
from layers.settings.setback_tables import SetbackRule

SAME = ("ground_m", "hand_m", "lid_wet_state", "flood_zone", "path_length_m", "path_end_id",
        "downstream_m", "well_id", "well_distance_m", "pipe_length_m", "parcels_crossed",
        "lid_pond_depth_100yr_m", "stream_distance_m")  # fmt: skip


def degrees(county, point):
    lon, lat = Mover(county.crs, WGS84)(np.array([point.x]), np.array([point.y]))
    return float(lat[0]), float(lon[0])


def setbacks_by_points(points, shapes, rule, sd_m, kind, crs):
    """By the distances and chances that verdicts use: as drawn, surely; and which are too close.

    Every feature is asked, each with its own accuracy.
    """
    holds, surely = np.ones(len(points), bool), np.ones(len(points), bool)
    close = np.zeros(len(points), bool)
    for shape, sd in zip(shapes, sd_m, strict=True):
        far = nearest_feature(points, np.array([shape], object), crs)
        d = np.where(np.isnan(far.distance_m), np.inf, far.distance_m)
        signed = np.where(far.inside_m > 0, -far.inside_m, d) if kind == "area" else d
        near = np.isfinite(d)
        holds &= ~(d < rule.required_m)
        for form in (kind, "area"):
            chance = np.zeros(len(points))
            chance[near] = short_probability(signed[near], rule.required_m, sd, feature=form)
            surely &= chance <= 0.05
            close |= np.abs(chance - 0.05) < 5e-3
        close |= np.abs(d - rule.required_m) < 1e-3 * rule.required_m + 0.02
    return holds, surely, close


KIND = {"point": "point", "line": "line", "polygon": "area"}


@pytest.mark.parametrize("row", [3, 40, 111, 200])
def test_the_allowable_area_is_that_of_a_grid_of_points(larkmoor, row):
    """Every point by the distances and chances that verdicts use, from every feature."""
    lid = larkmoor.layers["units"].geometry.iloc[row]
    parcels = larkmoor.layers["parcels"]
    parcel = parcels[parcels.intersects(lid)].geometry.iloc[0]
    rules = rules_today(larkmoor)
    assert len(rules) > 8
    features = {name: larkmoor.layer(name) for name in SCHEMAS if SCHEMAS[name].shape != "raster"}
    line_sd = {name: line_accuracy95_m(larkmoor, name) / 1.96 for name in SCHEMAS}
    found = allowable_area(
        parcel, rules, features, larkmoor.crs, place95_m=8.0, line_sd_m=line_sd, ground=None
    )
    west, south, east, north = parcel.bounds
    x, y = (
        a.ravel() for a in np.meshgrid(np.linspace(west, east, 50), np.linspace(south, north, 50))
    )
    points = shapely.points(x, y)
    points = points[shapely.contains(parcel, points)]
    for part in ("tank", "discharge_point"):
        holds, surely, close = (np.full(len(points), v) for v in (True, True, False))
        for rule in rules:
            layer = larkmoor.layer(rule.feature)
            if rule.part != part or layer is None:
                continue
            some = layer[meant(layer, rule) != NO]
            some = some[some.distance(parcel) < 3 * rule.required_m + 100]
            shapes, kind = some.geometry.to_numpy(), KIND[SCHEMAS[rule.feature].shape]
            if rule.feature == "parcels":
                shapes, kind = shapely.boundary(shapes), "line"
            sd = np.full(len(some), line_sd[rule.feature])
            if kind == "point":
                sd = some["accuracy95_m"].to_numpy(float) / 2.4477
            sd = np.hypot(8.0 / 2.4477, sd)
            one = setbacks_by_points(points, shapes, rule, sd, kind, larkmoor.crs)
            holds, surely, close = holds & one[0], surely & one[1], close | one[2]
        for held, expected in ((found.as_drawn[part], holds), (found.surely[part], surely)):
            inside = shapely.contains(held, points)
            assert (inside == expected)[~close].all()
        assert close.mean() < 0.2
        assert shapely.difference(found.surely[part], found.as_drawn[part]).area < 1e-6
        if (holds & ~surely & ~close).any():
            assert found.surely[part].area < found.as_drawn[part].area
        for name, of in (("as_drawn", found.as_drawn), ("surely", found.surely)):
            edges = found.edges[(found.edges["part"] == part) & (found.edges["held"] == name)]
            shown = shapely.union_all(edges.geometry.to_numpy())
            rim = shapely.boundary(of[part])
            assert shown.length == pytest.approx(rim.length, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("direction", ["upslope", "downslope"])
def test_a_rule_for_one_side_keeps_off_that_side_only(direction):
    """Points by `nearest_on_side`, the function that checks use; ground falls to the east, with
    bumps. Of a line's feet only those that one cell sees alike are let off."""
    rng = np.random.default_rng(5)
    z = 100 - 0.1 * np.arange(120)[None, :] + 0.4 * rng.standard_normal((100, 120))
    ground = Grid(z, Affine(2, 0, 500_000, 0, -2, 2_930_000), CRS("EPSG:32616"))
    parcel = shapely.box(500_020, 2_929_820, 500_220, 2_929_980)
    wells = gpd.GeoDataFrame(
        {"well_id": ["a", "b"], "accuracy95_m": [3.0, 3.0]},
        geometry=[shapely.Point(500_081.3, 2_929_900.9), shapely.Point(500_160.1, 2_929_930.2)],
        crs=ground.crs,
    )
    brook = gpd.GeoDataFrame(
        {"stream_id": ["s"]},
        geometry=[shapely.LineString([(500_030, 2_929_850), (500_210, 2_929_870)])],
        crs=ground.crs,
    )
    x, y = (a.ravel() for a in np.meshgrid(np.arange(500_021, 500_220, 2.6),
                                            np.arange(2_929_821, 2_929_980, 2.6)))  # fmt: skip
    points = shapely.points(x, y)
    for layer, name in ((wells, "wells"), (brook, "streams")):
        rule = SetbackRule(id="one-side", part="tank", feature=name, direction=direction,
                           distance=30, unit="m", source="invented for this test")  # fmt: skip
        found = allowable_area(parcel, [rule], {name: layer}, ground.crs, place95_m=5.0,
                               line_sd_m={}, ground=ground)  # fmt: skip
        near = nearest_on_side(
            points,
            layer.geometry.to_numpy(),
            ground.crs,
            lambda x, y: sample(ground, x, y),
            upslope=direction == "upslope",
        )
        holds = ~(near.distance_m < 30)
        clear = ~(np.abs(near.distance_m - 30) < 0.05)
        inside = shapely.contains(found.as_drawn["tank"], points)
        assert not (inside & ~holds & clear).any()
        if name == "wells":
            assert (inside == holds)[clear].all()
        else:
            assert (inside == holds)[clear].mean() > 0.8
        every = allowable_area(parcel, [rule], {name: layer}, ground.crs, place95_m=5.0,
                               line_sd_m={}, ground=None)  # fmt: skip
        assert every.as_drawn["tank"].area < 0.97 * found.as_drawn["tank"].area
        assert every.every_side == ("one-side",)
        assert found.every_side == ()
        assert found.surely["tank"].area <= every.as_drawn["tank"].area


def test_a_feature_of_unknown_accuracy_leaves_no_sure_place_near_it():
    parcel = shapely.box(500_000, 2_930_000, 500_200, 2_930_200)
    well = gpd.GeoDataFrame(
        {"well_id": ["w"], "accuracy95_m": [np.nan]},
        geometry=[shapely.Point(500_500, 2_930_100)],
        crs="EPSG:32616",
    )
    rule = SetbackRule(id="r", part="tank", feature="wells", distance=50, unit="ft",
                       source="invented for this test")  # fmt: skip
    found = allowable_area(parcel, [rule], {"wells": well}, CRS("EPSG:32616"), place95_m=5.0,
                           line_sd_m={})  # fmt: skip
    assert found.as_drawn["tank"].area == pytest.approx(parcel.area)
    assert found.surely["tank"].is_empty


def test_a_proposal_at_a_real_unit_s_place_has_its_figures(larkmoor, larkmoor_result):
    units = larkmoor_result.units
    real = units[units["unit_id"] == "00169"].iloc[0]
    assert real["path_end"] == "stream"
    assert pd.notna(real["downstream_m"])
    points = larkmoor_result.discharge_points.set_index("discharge_point_id").geometry
    found = assess_proposal(
        larkmoor,
        lid=degrees(larkmoor, real.geometry),
        outlet=degrees(larkmoor, points[real["discharge_point_id"]]),
        riser_height_m=0.3,
    )
    got = found.result.units.iloc[0]
    assert got["unit_id"] == PROPOSED
    for name in SAME:
        one, other = got[name], real[name]
        if isinstance(other, float):
            assert one == pytest.approx(other, abs=1e-3, nan_ok=True), name
        else:
            assert one == other or (pd.isna(one) and pd.isna(other)), name
    # chances of water over the lid too: as many draws as the county file asks for
    assert found.result.run.draws["made"] == larkmoor_result.run.draws["asked"]
    chance = "lid_wet_100yr_probability"
    assert got[chance] == pytest.approx(real[chance], abs=0.35)
    lacks = set(larkmoor_result.units.columns) - set(found.result.units.columns)
    shown = {title: there for title, there in field_texts.sections(lacks) if title in SECTIONS}
    assert set(shown) == set(SECTIONS)
    assert not any(shown.values())
    assert any("computer runs that vary the terrain" in note for note in found.notes)
    assert len(found.result.setback_checks)
    assert set(found.allowed) == set(found.surely) == {"tank", "discharge_point"}
    assert cautions.PROPOSAL in found.caution


def test_places_that_cannot_be_are_refused(larkmoor):
    with pytest.raises(TraceError, match="far outside"):
        assess_proposal(larkmoor, lid=(-88.5, 26.5))
    with pytest.raises(TraceError, match="no kind"):
        assess_proposal(larkmoor, lid=(26.5, -88.5), kind="moat")


def test_a_place_without_an_outlet_is_assessed(larkmoor):
    """A county without discharge points has no ways, and no wells beside them."""
    lid = larkmoor.layers["units"].geometry.iloc[10]
    found = assess_proposal(larkmoor, lid=degrees(larkmoor, lid), draws=0)
    assert not len(found.result.water.wells)
    assert found.result.units["outlet_state"].tolist() == ["unknown"]


def test_a_parcel_in_a_flood_area_is_said_to_be_whether_or_not_a_rule_asks(larkmoor):
    lid = larkmoor.layers["units"].geometry.iloc[10]
    around = shapely.box(lid.x - 900, lid.y - 900, lid.x + 900, lid.y + 900)
    half = shapely.box(lid.x, lid.y - 900, lid.x + 900, lid.y + 900)
    floods = (
        larkmoor.layers["floodplain"]
        .iloc[[0, 0]]
        .assign(
            hazard_class=["special", "undetermined"],
            is_sfha=[True, False],
            is_floodway=[True, None],
        )
    )
    floods = floods.set_geometry([around, half], crs=larkmoor.crs)
    county = dataclasses.replace(larkmoor, layers={**larkmoor.layers, "floodplain": floods})
    doubts = assess_proposal(county, lid=degrees(larkmoor, lid), draws=0).doubts
    text = [line for line in doubts if "floodplain administrator" in line]
    assert [line.split(".")[0] for line in text[:2]] == [
        "All of the parcel is in a mapped special flood hazard area",
        "All of the parcel is in a mapped floodway",
    ]
    assert text[2].startswith("About ")
    assert "undetermined flood hazard" in text[2]
