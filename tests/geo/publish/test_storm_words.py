"""What stands beside every storm: no snowmelt, no frozen ground, open or blocked, runoff's time."""

from __future__ import annotations

import re

from geo.publish.map.contents import contents
from geo.publish.report.page import appendix_page, report_page
from geo.publish.shared.field_texts import as_words, sections
from geo.publish.visit.sheet import visit_sheets
from geo.results.cautions import RAIN_ONLY
from geo.visits import choose_units, visit_plans
from layers.settings.visit_list import load_visit_list

KETTLE_ROAD = "11793"  # behind the high bank of the invented county


def shown_of(result):
    """By label, what the map's panel says of the unit behind the bank."""
    unit = result.units[result.units["unit_id"] == KETTLE_ROAD]
    fields = [field for _, there in sections(unit.columns) for field in there]
    return {field.label: as_words(unit[field.name], field)[0] for field in fields}


def test_every_page_that_tells_of_storms_says_what_they_are_not(larkmoor_result):
    items = load_visit_list(None)
    plans = visit_plans(larkmoor_result, choose_units(larkmoor_result, [KETTLE_ROAD]), items)
    pages = {
        "visit sheet": visit_sheets(plans, larkmoor_result, items),
        "staff map": " ".join(contents(larkmoor_result).data["notes"]),
    }
    for name, page in pages.items():
        assert RAIN_ONLY in re.sub(r"\s+", " ", page), name
    reports = {
        "staff": report_page(larkmoor_result),
        "public": report_page(larkmoor_result, "public"),
        "appendix": appendix_page(larkmoor_result),
    }
    for name, page in reports.items():
        assert RAIN_ONLY in page, name


def test_the_lid_behind_the_bank_is_told_open_and_blocked(larkmoor_result):
    field_texts = shown_of(larkmoor_result)
    assert field_texts["Top of the lid"] == "dry in every modeled storm"
    assert field_texts["The same, culverts plugged"].startswith("under water")
    plan = visit_plans(
        larkmoor_result,
        choose_units(larkmoor_result, [KETTLE_ROAD]),
        load_visit_list(None),
    )
    sheet = visit_sheets(plan, larkmoor_result, load_visit_list(None))
    assert "The lid stays dry if water can pass under the road. If that is blocked, a" in sheet
    report = appendix_page(larkmoor_result)
    assert "White bars: all of them plugged." in report
    assert "The score uses the open state." in report


def test_the_time_of_runoff_is_said_to_be_that_of_a_storm(larkmoor_result):
    assert shown_of(larkmoor_result)["Travel time of storm runoff"] is not None
