"""The report in a browser: nothing asked for, nothing complained of, nothing cut on paper."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from geo.publish import report_page

pytestmark = pytest.mark.browser
MM = 96 / 25.4
# width and height of a sheet, in millimeters, and the margins of report.css
PAPER = {"Letter": (215.9, 279.4), "A4": (210.0, 297.0)}
SIDES, TOP_AND_BOTTOM = 15 + 15, 14 + 15


@pytest.fixture(scope="module")
def files(larkmoor_result, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    for audience in ("staff", "public"):
        page = report_page(larkmoor_result, audience)
        (folder / f"report_{audience}.html").write_text(page, "utf-8")
    return {audience: folder / f"report_{audience}.html" for audience in ("staff", "public")}


@pytest.fixture
def read(browser, files):
    """Opens an edition; at the end it must have asked for its own file only, without complaint."""
    contexts, warnings, asked = [], [], []

    def open_page(audience, **viewport):
        context = browser.new_context(viewport={"width": 1280, "height": 800} | viewport)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: warnings.append(message.text))
        page.on("pageerror", lambda error: warnings.append(str(error)))
        page.goto(files[audience].as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert warnings == []
    assert set(asked) <= {path.as_uri() for path in files.values()}


@pytest.mark.parametrize("audience", ["staff", "public"])
def test_axe_finds_nothing(read, audience):
    page = read(audience)
    result = Axe().run(page)
    assert result.violations_count == 0, result.generate_report()
    assert page.locator("svg.chart").count() > 8


@pytest.mark.parametrize("audience", ["staff", "public"])
@pytest.mark.parametrize("width", [360, 320])
def test_a_phone_shows_it_without_moving_sideways(read, audience, width):
    page = read(audience, width=width, height=740)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", PAPER)
def test_the_first_page_fits_on_one_sheet_and_no_row_is_cut(read, paper):
    wide, high = PAPER[paper]
    size = {"width": int((wide - SIDES) * MM), "height": int((high - TOP_AND_BOTTOM) * MM)}
    page = read("staff", **size)
    page.emulate_media(media="print")
    bottom = page.locator(".front").evaluate("e => e.getBoundingClientRect().bottom")
    assert bottom <= size["height"]
    assert (
        page.locator("#order").evaluate("e => getComputedStyle(e.closest('section')).breakBefore")
        == "page"
    )
    rows = page.evaluate(
        """[...document.querySelectorAll('tr, figure')].map(e =>
            [getComputedStyle(e).breakInside, e.getBoundingClientRect().height])"""
    )
    assert len(rows) > 100
    assert {how for how, _ in rows} == {"avoid"}
    assert max(height for _, height in rows) < size["height"] / 2
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def test_it_prints(read):
    page = read("staff")
    content = page.pdf(format="Letter")
    pages = content.count(b"/Type /Page\n") or content.count(b"/Type /Page")
    assert content.startswith(b"%PDF-")
    assert 5 < pages < 40
