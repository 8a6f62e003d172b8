"""A proposed unit against the real one in its place; the allowable area against a grid."""

import numpy as np
import pandas as pd
import pytest
import shapely

from geo.proposal import PROPOSED, _rules_today, allowable_area, assess_proposal
from geo.receptors import nearest_feature
from geo.setbacks import matching
from layers.crs import WGS84, Mover
from layers.errors import TraceError

SAME = ("ground_m", "hand_m", "lid_wet_state", "flood_zone", "path_length_m", "path_end_id",
        "downstream_m", "well_id", "well_distance_m", "pipe_length_m", "parcels_crossed",
        "lid_pond_depth_100yr_m", "stream_distance_m")  # fmt: skip


def degrees(county, point):
    lon, lat = Mover(county.crs, WGS84)(np.array([point.x]), np.array([point.y]))
    return float(lat[0]), float(lon[0])


@pytest.mark.parametrize("row", [3, 40, 111, 200])
def test_the_allowable_area_is_that_of_a_grid_of_points(larkmoor, row):
    """Every point by the distances that verdicts use: ellipsoidal, from nearest place to place."""
    lid = larkmoor.layers["units"].geometry.iloc[row]
    parcels = larkmoor.layers["parcels"]
    parcel = parcels[parcels.intersects(lid)].geometry.iloc[0]
    rules = _rules_today(larkmoor)
    assert len(rules) > 8
    allowed, edges = allowable_area(parcel, rules, larkmoor, (lid.x, lid.y))
    west, south, east, north = parcel.bounds
    x, y = (
        a.ravel() for a in np.meshgrid(np.linspace(west, east, 60), np.linspace(south, north, 60))
    )
    points = shapely.points(x, y)
    points = points[shapely.contains(parcel, points)]
    for part in ("tank", "discharge_point"):
        holds, close = np.ones(len(points), bool), np.zeros(len(points), bool)
        for rule in rules:
            layer = larkmoor.layer(rule.feature)
            if rule.part != part or layer is None:
                continue
            shapes = matching(layer, rule).geometry.to_numpy()
            if rule.feature == "parcels":
                shapes = shapely.boundary(shapes)
            far = nearest_feature(points, shapes, larkmoor.crs).distance_m
            holds &= ~(far < rule.required_m)
            close |= np.abs(far - rule.required_m) < 1e-3 * rule.required_m + 0.02
        inside = shapely.contains(allowed[part], points)
        assert (inside == holds)[~close].all()
        assert close.mean() < 0.1
        rim = shapely.boundary(allowed[part])
        told = shapely.union_all(edges[edges["part"] == part].geometry.to_numpy())
        assert told.length == pytest.approx(rim.length, rel=1e-6, abs=1e-6)


def test_a_proposal_at_a_real_unit_s_place_has_its_figures(larkmoor, larkmoor_result):
    units = larkmoor_result.units
    real = units[(units["path_end"] == "stream") & units["downstream_m"].notna()].iloc[0]
    points = larkmoor_result.discharge_points.set_index("discharge_point_id").geometry
    found = assess_proposal(
        larkmoor,
        lid=degrees(larkmoor, real.geometry),
        outlet=degrees(larkmoor, points[real["discharge_point_id"]]),
    )
    got = found.result.units.iloc[0]
    assert got["unit_id"] == PROPOSED
    for name in SAME:
        one, other = got[name], real[name]
        if isinstance(other, float):
            assert one == pytest.approx(other, abs=1e-3, nan_ok=True), name
        else:
            assert one == other or (pd.isna(one) and pd.isna(other)), name
    assert len(found.result.setback_checks)
    assert set(found.allowed) == {"tank", "discharge_point"}
    assert "Screening only" in found.caution


def test_places_that_cannot_be_are_refused(larkmoor):
    with pytest.raises(TraceError, match="far outside"):
        assess_proposal(larkmoor, lid=(-88.5, 26.5))
    with pytest.raises(TraceError, match="no kind"):
        assess_proposal(larkmoor, lid=(26.5, -88.5), kind="moat")
