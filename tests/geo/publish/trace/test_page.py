"""Pages of traces and of a proposed place: on one sheet of paper, on a phone, and accessible."""

import re

import pytest

from geo.proposal import assess_proposal
from geo.publish.trace.page import trace_down_page, trace_up_page
from geo.publish.trace.proposal_page import proposal_page
from geo.trace import trace_down, trace_up

BIG = (26.495323, -88.488955)  # 272 outlets and 33 forks


@pytest.fixture(scope="module")
def pages(larkmoor, larkmoor_result):
    proposed = assess_proposal(
        larkmoor, lid=(26.49520, -88.48850), outlet=(26.4955, -88.4888), draws=0
    )
    return {
        "up": trace_up_page(trace_up(larkmoor_result, stream="LK-018"), larkmoor_result),
        "up, many": trace_up_page(trace_up(larkmoor_result, at=BIG), larkmoor_result),
        "down": trace_down_page(trace_down(larkmoor_result, "00109"), larkmoor_result),
        "down, unknown": trace_down_page(trace_down(larkmoor_result, "11324"), larkmoor_result),
        "proposal": proposal_page(proposed),
    }


def test_twenty_outlets_are_all_listed_and_more_are_counted(pages, larkmoor_result):
    found = trace_up(larkmoor_result, stream="LK-018").candidates
    assert len(found) == 21
    assert all(unit in pages["up"] for unit in found["unit_id"])
    assert "first 18 of 27" in pages["up, many"]
    assert re.search(r">overdue \d+ (yr|mo|days)", pages["up"])


def test_a_page_with_nothing_to_show_shows_no_empty_map_or_table(pages):
    assert "<svg" not in pages["down, unknown"]
    assert "<table" not in pages["down, unknown"]
    assert "Possible discharge points" in pages["down, unknown"]


def test_what_is_odd_about_a_place_stands_above_its_figures(pages):
    text = pages["proposal"]
    assert text.index("5.3 ft higher than at the lid") < text.index("Required setbacks")
    assert "Ground rises to it by" in text


@pytest.mark.browser
@pytest.mark.parametrize(
    ("name", "most"), [("up", 1), ("up, many", 1), ("down", 1), ("proposal", 2)]
)
def test_the_walk_prints_on_one_page(browser, pages, tmp_path, name, most):
    (tmp_path / "page.html").write_text(pages[name], "utf-8")
    page = browser.new_page()
    page.goto((tmp_path / "page.html").as_uri())
    for size in ("Letter", "A4"):
        pdf = page.pdf(format=size, prefer_css_page_size=size == "Letter").decode("latin-1")
        assert len(re.findall(r"/Type\s*/Page\b", pdf)) <= most
    # paper does not scroll: no column may lie beyond its edge
    page.set_viewport_size({"width": 730, "height": 900})
    assert page.evaluate(
        "[...document.querySelectorAll('.table')].every(t => t.scrollWidth <= t.clientWidth)"
    )
    page.close()


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1100])
@pytest.mark.parametrize("name", ["up", "down", "down, unknown", "proposal"])
def test_pages_are_accessible_and_no_wider_than_the_screen(
    browser, pages, tmp_path, name, width, scheme
):
    from axe_playwright_python.sync_playwright import Axe

    (tmp_path / "page.html").write_text(pages[name], "utf-8")
    page = browser.new_page(
        viewport={"width": width, "height": 844}, bypass_csp=True, color_scheme=scheme
    )
    page.goto((tmp_path / "page.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.close()
