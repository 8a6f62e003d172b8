"""What a visit needs to know, from the invented county's assessment."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from geo.publish.visit.sheet import quadrant
from geo.publish.visit.waypoints import gpx, kml
from geo.visits import choose_units, visit_plans
from layers.errors import AssessmentFolderError
from layers.settings.visit_list import load_visit_list


@pytest.fixture(scope="module")
def plans(larkmoor_result):
    chosen = choose_units(larkmoor_result, [], first=120)
    return visit_plans(larkmoor_result, chosen, load_visit_list(None))


def test_the_walk_is_the_geodesic_between_the_places(plans):
    """Karney's algorithm by geographiclib, a library of its own."""
    seen = 0
    for plan in plans:
        if plan.walk is None or plan.outlet is None:
            continue
        line = Geodesic.WGS84.Inverse(plan.lid.lat, plan.lid.lon, plan.outlet.lat, plan.outlet.lon)
        assert plan.walk.distance_m == pytest.approx(line["s12"], abs=0.02)
        assert abs((plan.walk.bearing_deg - line["azi1"] + 180) % 360 - 180) < 0.2
        seen += 1
    assert seen > 100


def test_the_search_radius_holds_both_errors(plans, larkmoor_result):
    points = larkmoor_result.discharge_points.set_index("discharge_point_id")["accuracy95_m"]
    for plan in plans:
        if plan.walk is not None:
            other = points[plan.unit["discharge_point_id"]]
            assert plan.walk.search_radius_m == pytest.approx(
                np.hypot(plan.unit["accuracy95_m"], other)
            )


def test_every_unit_gets_what_is_for_its_kind(plans):
    by_kind = {}
    for plan in plans:
        by_kind.setdefault(plan.unit["kind"], set()).update(i.key for i in plan.look_at)
    assert "chamber" in by_kind["surface_discharge"]
    assert "chamber" not in by_kind["soil_absorption"]
    assert "tank_level" in by_kind["soil_absorption"]
    pumped = [plan for plan in plans if plan.unit["pumped"] is True]
    assert pumped
    assert all("pump" in {i.key for i in plan.look_at} for plan in pumped)
    gravity = [plan for plan in plans if plan.unit["pumped"] is False]
    assert all("pump" not in {i.key for i in plan.look_at} for plan in gravity)


def test_wells_are_told_nearest_first_within_reach(plans):
    assert any(plan.wells for plan in plans)
    for plan in plans:
        distances = [well.distance_m for well in plan.wells]
        assert distances == sorted(distances)
        assert all(d <= 300 for d in distances)


def test_an_id_that_is_not_there_is_refused_with_the_one_that_is_like_it(larkmoor_result):
    known = next(i for i in larkmoor_result.units["unit_id"] if i.startswith("0"))
    with pytest.raises(AssessmentFolderError, match=known):
        choose_units(larkmoor_result, [known.lstrip("0")])


@pytest.mark.parametrize(
    ("degrees", "words"),
    [(0, "N 0° E"), (45, "N 45° E"), (135, "S 45° E"), (180, "S 0° E"), (200, "S 20° W"),
     (269.6, "S 90° W"), (359.4, "N 1° W"), (359.6, "N 0° E")],
)  # fmt: skip
def test_bearings_as_surveyors_write_them(degrees, words):
    assert quadrant(degrees) == words


def test_waypoints_are_read_by_gdal(plans, tmp_path):
    """GDAL reads both: GPX 1.1 and OGC KML 2.2; in a process where all its drivers are at hand."""
    read = (
        "import json, sys, pyogrio; f = pyogrio.read_dataframe(sys.argv[1],"
        " layer=sys.argv[2] or None);"
        "print(json.dumps([len(f), f.geometry.iloc[0].x, f.geometry.iloc[0].y]))"
    )
    some = plans[:20]
    count = sum(1 + (plan.outlet is not None) for plan in some)
    for name, text in (("a.gpx", gpx(some, name="x & <y>")), ("a.kml", kml(some, name="x"))):
        (tmp_path / name).write_text(text, "utf-8")
        layer = "waypoints" if name.endswith("gpx") else ""
        done = subprocess.run(
            [sys.executable, "-c", read, tmp_path / name, layer],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        found, lon, lat = json.loads(done.stdout)
        assert found == count
        assert lon == pytest.approx(some[0].lid.lon, abs=1e-6)
        assert lat == pytest.approx(some[0].lid.lat, abs=1e-6)


def test_text_xml_cannot_hold_breaks_no_file(plans):
    from dataclasses import replace
    from xml.etree import ElementTree as ET

    plan = replace(plans[0], unit={**plans[0].unit, "unit_id": "\x00<&>\x0b"})
    assert "\ufffd&lt;&amp;&gt;\ufffd" in gpx([plan], name="\x01")
    ET.fromstring(gpx([plan], name="\x01"))
    ET.fromstring(kml([plan], name="\x01"))
