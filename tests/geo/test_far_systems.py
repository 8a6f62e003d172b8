"""Counties where no UTM zone will do, or at its edge: all lengths and bearings against geodesics.

The oracle is geographiclib (Karney, "Algorithms for geodesics", J. Geodesy 87, 2013, 43 to 55), a
library of its own; places are made by its direct problem and measured again by its inverse one.
"""

import json
from itertools import pairwise

import numpy as np
import pyproj
import pytest
import shapely
from affine import Affine
from click.testing import CliRunner
from geographiclib.geodesic import Geodesic
from pyproj import CRS

import geo
import layers
from geo.cli import main
from geo.trace import trace_down, trace_up
from geo.visits import visit_plans
from layers import store
from layers.files.raster import write_raster
from layers.grid import Grid
from layers.settings.visit_list import load_visit_list

BALL = Geodesic.WGS84
BETWEEN = 20
LAMBERT = "+proj=lcc +lat_1=39 +lat_2=41 +lat_0=40 +lon_0=-84 +x_0=5e5 +datum=WGS84 +units=m"
# where the ends of the county lie, the zone of the terrain at the last of them, county.crs
PLACES = {
    "over a border of zones, too wide for one": ([(40.0, -85.9), (40.3, -82.4)], 32617, None),
    "Alaska, over a border of zones": ([(65.0, -144.3), (65.1, -143.6)], 32607, None),
    "high latitude": ([(71.2, -156.9), (70.2, -150.2)], 32606, None),
    "a system of its own, without a code": ([(40.0, -84.2), (40.1, -83.8)], 32617, LAMBERT),
}


def direct(at, azimuth, meters):
    line = BALL.Direct(*at, azimuth, meters)
    return line["lat2"], line["lon2"]


def inverse(one, other):
    line = BALL.Inverse(*one, *other)
    return line["s12"], line["azi1"] % 360


def written(folder, ends, zone, system):
    """Four units at each end, each with its outlet and a well, and some between that have none;
    terrain at the last end."""
    rng = np.random.default_rng(3)
    units, outlets, wells = {}, {}, {}
    whole, azimuth = inverse(*ends)
    for k in range(1, BETWEEN):
        units[f"M{k}"] = direct(ends[0], azimuth, whole * k / BETWEEN)
    for end, middle in enumerate(ends):
        for k in range(4):
            name = f"{end}{k}"
            units[name] = direct(middle, 90 * k, 60)
            outlets[name] = direct(units[name], rng.uniform(0, 360), rng.uniform(15, 40))
            wells[name] = direct(outlets[name], rng.uniform(0, 360), rng.uniform(12, 30))
    rows = [f"{n},{at[0]!r},{at[1]!r},surface_discharge,surveyed" for n, at in units.items()]
    (folder / "units.csv").write_text(
        "unit_id,lat,lon,kind,location_basis\n" + "\n".join(rows) + "\n"
    )
    rows = [f"W{n},{at[0]!r},{at[1]!r},private,surveyed" for n, at in wells.items()]
    (folder / "wells.csv").write_text("well_id,lat,lon,use,location_basis\n" + "\n".join(rows))
    features = [
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": [lon, lat]},
         "properties": {"discharge_point_id": f"D{n}", "unit_id": n, "location_basis": "surveyed"}}
        for n, (lat, lon) in outlets.items()
    ]  # fmt: skip
    (folder / "outlets.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": features})
    )
    to_zone = pyproj.Transformer.from_crs(4326, zone, always_xy=True)
    x, y = to_zone.transform(*ends[-1][::-1])
    row, col = np.indices((200, 200))
    heights = (200 - 0.04 * 2 * col - 0.04 * 2 * row).astype(np.float32)
    place = Affine(2, 0, round(x) - 200, 0, -2, round(y) + 200)
    write_raster(Grid(heights, place, CRS.from_epsg(zone)), folder / "terrain.tif")
    (folder / "county.toml").write_text(
        '[county]\nname = "Far County (invented)"\nas_of = 2026-04-01\n'
        + (f'crs = "{system}"\n' if system else "")
        + '[layers.units]\npath = "units.csv"\n[layers.wells]\npath = "wells.csv"\n'
        '[layers.discharge_points]\npath = "outlets.geojson"\n'
        '[layers.terrain]\npath = "terrain.tif"\nvertical_unit = "m"\n'
    )
    return units, outlets, wells


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(name, marks=pytest.mark.long if "latitude" in name or "Alaska" in name else ())
        for name in PLACES
    ],
)
def made(request, tmp_path_factory):
    ends, zone, system = PLACES[request.param]
    folder = tmp_path_factory.mktemp("far")
    true = written(folder, ends, zone, system)
    county = layers.read_county(folder / "county.toml")
    result = geo.assess(county, seed=0)
    result.write(folder / "out")
    return request.param, county, result, store.read_assessment(folder / "out"), *true


def test_the_system_is_the_one_expected(made):
    where, county, result, again, *_ = made
    centered = "Transverse Mercator centered on the county"
    if "wide" in where:
        assert county.crs.to_authority() is None
        assert county.crs.name == centered
        assert f"Coordinate system chosen for this county: {centered}." in county.notes
    elif "latitude" in where or "Alaska" in where:
        assert county.crs.to_epsg() in (32605, 32606, 32607)
    else:
        assert county.crs.to_authority() is None
    assert again.units.crs == result.units.crs == county.crs
    assert CRS.from_user_input(again.run.crs) == county.crs


def test_pipes_are_geodesics(made):
    *_, result, again, units, outlets, _ = made
    for table in (result.units, again.units):
        for row in table[table["unit_id"].isin(list(outlets))].to_dict("records"):
            length, azimuth = inverse(units[row["unit_id"]], outlets[row["unit_id"]])
            assert row["pipe_length_m"] == pytest.approx(length, abs=0.005)
            assert abs((row["pipe_bearing_deg"] - azimuth + 180) % 360 - 180) < 0.02


def test_distances_of_setbacks_are_geodesics(made):
    *_, result, again, units, outlets, wells = made
    from_ = {"tank": units, "discharge_point": outlets}
    rows = again.setback_checks
    rows = rows[rows["feature_id"].isin([f"W{n}" for n in wells])]
    rows = rows[rows["part"].isin(list(from_)) & rows["unit_id"].isin(list(outlets))]
    assert len(rows) >= len(outlets)
    for row in rows.to_dict("records"):
        here = from_[row["part"]][row["unit_id"]]
        nearest = min(inverse(here, at)[0] for at in wells.values())
        assert row["distance_m"] == pytest.approx(nearest, abs=0.005)
    for row in result.units[result.units["unit_id"].isin(list(outlets))].to_dict("records"):
        nearest = min(inverse(outlets[row["unit_id"]], at)[0] for at in wells.values())
        assert row["well_distance_m"] == pytest.approx(nearest, abs=0.005)


def test_ways_over_the_ground_are_as_long_as_on_the_ellipsoid(made):
    _, county, _, again, *_ = made
    back = pyproj.Transformer.from_crs(county.crs, 4326, always_xy=True)
    paths = again.flow_paths
    assert len(paths) == 4
    for path in paths.to_dict("records"):
        lon, lat = back.transform(*shapely.get_coordinates(path["geometry"]).T)
        at = list(zip(lat, lon, strict=True))
        steps = [inverse(a, b)[0] for a, b in pairwise(at)]
        assert path["length_m"] == pytest.approx(sum(steps), rel=2e-5)
        assert path["length_m"] > 30
        # the plane falls south-east by its zone's grid; a way takes one of eight directions
        grid = pyproj.Proj(CRS.from_epsg(PLACES[made[0]][1])).get_factors(lon[0], lat[0])
        down = (135 + grid.meridian_convergence) % 360
        assert abs((inverse(at[0], at[-1])[1] - down + 180) % 360 - 180) < 22.5


def test_sheets_and_traces_work_there(made):
    *_, again, units, outlets, _ = made
    plans = visit_plans(again, list(outlets), load_visit_list(None))
    for plan in plans:
        name = plan.unit["unit_id"]
        length, azimuth = inverse(units[name], outlets[name])
        assert plan.walk.distance_m == pytest.approx(length, abs=0.005)
        assert abs((plan.walk.bearing_deg - azimuth + 180) % 360 - 180) < 0.02
        assert inverse(units[name], (plan.lid.lat, plan.lid.lon))[0] < 0.2  # as a sheet writes it
        down = trace_down(again, name)
        if len(down.ways):
            assert name in set(trace_up(again, at=outlets[name]).candidates["unit_id"])
    assert again.flow_paths["unit_id"].nunique() == 4


def test_assess_writes_its_pages_there(tmp_path):
    """The whole command, over a border of zones."""
    ends, zone, system = PLACES["over a border of zones, too wide for one"]
    written(tmp_path, ends, zone, system)
    words = ["assess", str(tmp_path / "county.toml"), "--out", str(tmp_path / "out"), "--quiet"]
    run = CliRunner().invoke(main, words)
    assert run.exit_code == 0, run.output
    assert (tmp_path / "out" / "map_staff.html").stat().st_size > 100_000


def test_units_across_the_antimeridian_are_not_used_and_said(tmp_path):
    """Longitudes there jump by 360 degrees: the few on the other side count as outside."""
    rows = "unit_id,lat,lon\nA,52.01,179.91\nB,52.11,-179.93\nC,52.12,179.82\n"
    (tmp_path / "units.csv").write_text(rows)
    (tmp_path / "county.toml").write_text(
        '[county]\nname = "X"\nas_of = 2026-04-01\n[layers.units]\npath = "units.csv"\n'
    )
    county = layers.read_county(tmp_path / "county.toml")
    assert county.layers["units"]["unit_id"].tolist() == ["A", "C"]
    text = county.problems[county.problems["action"] == "set_aside"]
    assert text[["row", "code"]].to_numpy().tolist() == [[3, "outside_county"]]
