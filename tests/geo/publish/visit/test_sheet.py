"""The visit sheet: two pages, everything that must be on it, nothing that could run."""

from __future__ import annotations

import datetime as dt
import html
import importlib.util
import io
import re
from dataclasses import replace

import pandas as pd
import pytest

from geo.programme.follow_ups import with_follow_ups
from geo.publish.visit.sheet import visit_sheets
from geo.results import cautions
from geo.visits import choose_units, visit_plans
from layers.settings.visit_list import Cautions, load_visit_list

HOSTILE = ['<script>document.title="ran"</script>', '"><img src=x onerror=alert(1)>', "{{7*7}}"]


@pytest.fixture(scope="module")
def items():
    return load_visit_list(None)


@pytest.fixture(scope="module")
def plans(larkmoor_result, items):
    return visit_plans(larkmoor_result, choose_units(larkmoor_result, [], first=120), items)


def fullest(plans, count=8):
    """The units with most to say."""
    return sorted(
        plans,
        key=lambda p: (
            -sum(map(len, (p.checks, p.wells, p.owed, p.look_at, str(p.unit["reasons"]))))
        ),
    )[:count]


def test_a_sheet_says_what_it_must(plans, larkmoor_result, items):
    known = next(p for p in plans if p.walk is not None and p.wells)
    text = visit_sheets([known], larkmoor_result, items)
    assert len(text) < 1_000_000
    for place in (known.lid, known.outlet):
        for form in (place.decimal, place.utm, place.usng, place.minutes.replace("'", "&#39;")):
            assert form in text
    assert f'href="{known.outlet.geo_uri}"' in text
    assert "From the lids, go" in text
    assert "true" in text
    for well in known.wells:
        assert well.well_id in text
    # the last line of every visit
    assert visible(text).endswith(cautions.BEFORE_LEAVING)


def visible(text):
    """The words of a page, without its scripts and styles."""
    bare = re.sub(r"<(script|style)[^>]*>.*?</\1>", "", text, flags=re.S)
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", bare).split()))


def test_each_caution_is_there_once(plans, larkmoor_result, items):
    unknown = next(p for p in plans if p.unit["outlet_state"] == "unknown" and p.hunt.places)
    text = visible(visit_sheets([replace(unknown, checks=("Near.",))], larkmoor_result, items))
    for line in (
        *cautions.TANK, *cautions.ON_SITE, cautions.BEFORE_LEAVING, cautions.LITTLE_FLOW,
        cautions.NONE_ON_RECORD, cautions.MEASURE_FIRST, cautions.PLACES_TO_LOOK,
        cautions.UNMAPPED_PIPES, cautions.RAIN_ONLY, cautions.SCREENING, cautions.STAFF_ONLY,
    ):  # fmt: skip
        assert text.count(line) == 1, line


def test_an_office_adds_cautions_and_takes_none_away(plans, larkmoor_result, items):
    own = items.model_copy(
        update={"cautions": Cautions(lines=["Mind the bull."], last="Sign the gate log.")}
    )
    text = visible(visit_sheets(plans[:1], larkmoor_result, own))
    for line in (*cautions.TANK, *cautions.ON_SITE, "Mind the bull."):
        assert text.count(line) == 1, line
    assert text.endswith(f"{cautions.BEFORE_LEAVING} Sign the gate log.")


@pytest.mark.parametrize("name", ["Discharge", "What runs out", "running_out"])
def test_an_open_finding_is_marked_by_any_name_its_item_had(plans, larkmoor_result, items, name):
    finding = pd.DataFrame(
        {
            "follow_up_id": ["r1/0"], "unit_id": ["U1"], "item": [name], "severity": ["danger"],
            "state": ["open"], "found_on": pd.to_datetime(["2026-01-05"]),
            "due": pd.to_datetime(["2026-01-12"]),
        }
    )  # fmt: skip
    links = pd.DataFrame({"unit_id": ["U1"], "discharge_point_id": [None]})
    nothing = larkmoor_result.visits.owed.iloc[:0]
    owed = with_follow_ups(nothing, finding, links, None, as_of=dt.date(2026, 4, 1))
    plan = next(p for p in plans if p.outlet is not None)
    for rows, count in ((tuple(owed.to_dict("records")), 1), ((), 0)):
        page = visit_sheets([replace(plan, owed=rows)], larkmoor_result, items)
        assert page.count("◄ open finding") == count
    row = page.split('<th scope="row">Discharge<')
    assert len(row) == 2


def test_how_an_outlets_place_came_to_be_and_how_exact_it_is(plans, larkmoor_result, items):
    points = larkmoor_result.discharge_points.set_index("discharge_point_id")
    exact = next(
        p for p in plans
        if p.outlet is not None and p.unit["location_basis"] != "surveyed"
        and points.loc[p.unit["discharge_point_id"], "location_basis"] == "surveyed"
    )  # fmt: skip
    text = visit_sheets([exact], larkmoor_result, items)
    assert "<td>survey</td>" in text
    assert "give or take 0" not in text  # no place is known to nothing
    assert not exact.outlet.geo_uri.endswith(";u=0")


def test_an_unknown_outlet_is_said_and_the_lids_are_the_target(plans, larkmoor_result, items):
    unknown = next(p for p in plans if p.unit["outlet_state"] == "unknown")
    text = visit_sheets([unknown], larkmoor_result, items)
    assert "The discharge point is not on record" in text
    assert unknown.lid.geo_uri in text


def test_hostile_text_stays_text(plans, larkmoor_result, items):
    for text in HOSTILE:
        unit = {**plans[0].unit, "unit_id": text, "address": text, "parcel_id": text}
        unit |= {"reasons": text, "data_gaps": text, "path_end_id": text}
        plan = replace(plans[0], unit=unit, checks=(text,))
        page = visit_sheets([plan], larkmoor_result, items, contacts={text: {"note": text}})
        assert text not in page or text == "{{7*7}}"
        assert "49" not in page.split("<h1>")[1].split("</h1>")[0]


@pytest.mark.browser
def test_sheets_print_on_two_letter_pages_and_make_no_request(
    browser, plans, larkmoor_result, items, tmp_path
):
    from pypdf import PdfReader

    context = browser.new_context()
    for plan in fullest(plans):
        path = tmp_path / "sheet.html"
        path.write_text(visit_sheets([plan], larkmoor_result, items), "utf-8")
        page = context.new_page()
        asked, text = [], []
        page.on("request", lambda r, asked=asked: asked.append(r.url))
        page.on("console", lambda m, text=text: text.append(m.text))
        page.goto(path.as_uri())
        pdf = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
        assert len(pdf.pages) <= 2
        box = pdf.pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx((612, 792), abs=1)
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
        assert text == []
        page.close()
    context.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1100])
def test_a_sheet_is_accessible(browser, plans, larkmoor_result, items, tmp_path, width):
    from axe_playwright_python.sync_playwright import Axe

    path = tmp_path / "sheet.html"
    path.write_text(visit_sheets(fullest(plans, 1), larkmoor_result, items), "utf-8")
    page = browser.new_page(viewport={"width": width, "height": 844}, bypass_csp=True)
    page.goto(path.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()
    page.close()


@pytest.mark.browser
def test_the_way_from_here_is_shown_where_the_phone_gives_its_place(
    browser, plans, larkmoor_result, items, tmp_path
):
    plan = next(p for p in plans if p.walk is not None)
    path = tmp_path / "sheet.html"
    path.write_text(visit_sheets([plan], larkmoor_result, items), "utf-8")
    here = {"latitude": plan.lid.lat, "longitude": plan.lid.lon, "accuracy": 5}
    context = browser.new_context(geolocation=here, permissions=["geolocation"])
    page = context.new_page()
    page.goto(path.as_uri())
    page.get_by_role("button", name="Show distance and direction").click()
    page.wait_for_function("!document.querySelector('.live').hidden")
    text = page.locator(".live").text_content()
    meters = int(re.search(r"\((\d+) m\)", text).group(1))
    assert meters == pytest.approx(plan.walk.distance_m, abs=1.5)
    degrees = int(re.search(r"(\d+)° true", text).group(1))
    assert abs((degrees - plan.walk.bearing_deg + 180) % 360 - 180) < 1.5
    context.close()


def test_the_pdf_holds_the_same_sheets(plans, larkmoor_result, items):
    if importlib.util.find_spec("weasyprint") is None:
        pytest.skip("NOT TESTED: the extra pdf is not installed")
    import weasyprint
    from pypdf import PdfReader

    some = fullest(plans, 3)
    sheets = visit_sheets(some, larkmoor_result, items, scripted=False)
    pdf = PdfReader(io.BytesIO(weasyprint.HTML(string=sheets).write_pdf()))
    assert len(pdf.pages) <= 2 * len(some)
    text = " ".join(page.extract_text() for page in pdf.pages)
    for plan in some:
        assert plan.lid.decimal.split(",")[0] in text
