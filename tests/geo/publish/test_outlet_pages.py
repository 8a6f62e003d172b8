"""Where outlets nobody knows may be, on the sheet, the map and in the report."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from pyproj import Geod

from geo.publish.map.contents import contents
from geo.publish.report.page import appendix_page, report_page
from geo.publish.shared.visit_map import PLACES_DRAWN, visit_map
from geo.publish.visit.sheet import hunt_in_words, visit_sheets
from geo.results.outlet_kinds import KIND_WORDS
from geo.visits import visit_plans
from layers.settings.visit_list import load_visit_list
from support.assessments import with_run

FT_M = 0.3048
WGS84 = Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def plans(larkmoor_result):
    ids = larkmoor_result.search.areas["unit_id"].tolist()
    return visit_plans(larkmoor_result, ids, load_visit_list(None))


def unknown(plans):
    return next(p for p in plans if p.walk is None and len(p.hunt.places) >= 3)


def test_the_sheet_names_the_most_likely_places(plans, larkmoor_result):
    plan = unknown(plans)
    text = visit_sheets([plan], larkmoor_result, load_visit_list(None))
    wording = re.search(r"Possible discharge points: (.*?)</p>", text).group(1)
    assert [int(n) for n in re.findall(r"(\d)\) ", wording)] == [1, 2, 3]
    places = larkmoor_result.search.candidates.to_crs(4326)
    mine = places[places["unit_id"] == plan.unit["unit_id"]].sort_values("rank")
    # against geodesics by PROJ: feet and bearing of the first
    first = mine.iloc[0].geometry
    bearing, _, length = WGS84.inv(plan.lid.lon, plan.lid.lat, first.x, first.y)
    feet, north, degrees, east = re.match(r"1\) (\d+) ft, ([NS]) (\d+)° ([EW])", wording).groups()
    assert float(feet) == pytest.approx(length / FT_M, abs=5)
    turn = {"NE": 0, "SE": 180, "SW": 180, "NW": 360}[north + east]
    shown = turn + (1 if north + east in ("NE", "SW") else -1) * float(degrees)
    assert shown == pytest.approx(bearing % 360, abs=1)
    assert KIND_WORDS[mine.iloc[0]["kind"]] in wording
    assert "in 10" in wording


def test_the_sheets_map_numbers_them(plans, larkmoor_result):
    plan = unknown(plans)
    drawn = visit_map(plan, larkmoor_result, measures="us")
    assert re.findall(r'text-anchor="middle"[^>]*>(\d)<', drawn.svg) == ["3", "2", "1"]
    assert {"hunt", "candidate"} <= {style for style, _ in drawn.key}
    # every number lies inside the picture
    for x, y in re.findall(r'cx="([\d.-]+)" cy="([\d.-]+)" r="10"', drawn.svg):
        assert 0 < float(x) < 700
        assert 0 < float(y) < 470
    without = visit_map(replace(plan, hunt=None), larkmoor_result, measures="us")
    assert "candidate" not in {style for style, _ in without.key}


def test_a_guessed_outlet_comes_first_and_other_places_after_it(plans):
    guessed = next(p for p in plans if p.walk is not None and p.hunt.places)
    assert hunt_in_words(guessed, "us").startswith("If it is not there: 1) ")


def test_pumped_units_and_those_without_a_place_say_so(plans):
    pumped = next(p for p in plans if not p.hunt.by_gravity)
    assert "may also be uphill" in hunt_in_words(pumped, "us")
    none = next(p for p in plans if p.hunt.state == "no_daylight")
    assert hunt_in_words(none, "us").startswith(
        "A gravity pipe could not reach the surface within 300 ft"
    )
    assert hunt_in_words(replace(none, hunt=None), "us") == ""


def test_units_whose_outlet_is_known_have_nothing_to_hunt(larkmoor_result):
    units = larkmoor_result.units
    known = units.loc[units["outlet_state"] == "known", "unit_id"].head(3).tolist()
    for plan in visit_plans(larkmoor_result, known, load_visit_list(None)):
        assert plan.hunt is None


def test_the_map_has_them_as_a_layer_that_is_off(larkmoor_result):
    shown = contents(larkmoor_result).data["layers"]
    layer = next(entry for entry in shown if entry["name"] == "outlet_candidates")
    assert layer["on"] is False
    assert layer["shape"] == "point"


def test_the_report_tells_how_often_held_out_outlets_were_found(larkmoor_result):
    page = appendix_page(larkmoor_result)
    section = page[page.index('id="outlets"') :]
    section = section[: section.index("</section>")]
    shown = larkmoor_result.run.outlet_candidates
    rates = shown["rates"]

    def banded(key):
        share, low, high = (100 * rates[key + end] for end in ("", "_low", "_high"))
        return f"{share:.0f}% ({low:.0f} to {high:.0f})"

    def row_of(name):
        row = re.search(rf'<th scope="row">{name}</th>(.*?)</tr>', section).group(1)
        return re.findall(r'<td class="n">([^<]*)</td>', row)

    percent = {name: f"{100 * share:.0f}%" for name, share in rates.items() if share is not None}
    assert row_of("All") == [
        str(shown["known"]),
        banded("candidates_1"), percent["told_1"], banded("candidates_3"), percent["told_3"],
        percent["stated_1"], percent["stated_3"], banded("naive_1"), percent["not_reached"],
    ]  # fmt: skip
    for kind in ("ditch", "stream", "ground"):
        known = shown["rates_by_kind"][kind]["known"]
        assert row_of(f"[\\w ]*(?:at {kind}(?:e?s)|on the {kind})")[0] == str(known)
    for row in shown["first_places"]:
        cells = row_of(f"Best place, {KIND_WORDS[row['kind']]}")
        assert cells[:3] == [
            str(row["places"]), f"{100 * row['told']:.0f}%", f"{100 * row['share']:.0f}%"
        ]  # fmt: skip
    assert "hidden from the search and then searched for" in section
    assert "are outside the area searched" in section
    bare = appendix_page(with_run(larkmoor_result, outlet_candidates={"used": False}))
    assert "no discharge point has to be searched for" in bare
    assert PLACES_DRAWN == 3


def test_the_public_report_names_no_place(larkmoor_result):
    page = report_page(larkmoor_result, "public")
    assert "Possible discharge points" not in page
    assert 'id="outlets"' not in page
