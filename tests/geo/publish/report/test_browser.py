"""The report in a browser: nothing asked for, nothing complained of, nothing cut on paper."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from geo.publish import appendix_page, report_page

pytestmark = pytest.mark.browser
MM = 96 / 25.4
# width and height of a sheet, in millimeters, and the margins of report.css
PAPER = {"Letter": (215.9, 279.4), "A4": (210.0, 297.0)}
SIDES, TOP_AND_BOTTOM = 15 + 15, 12 + 12


@pytest.fixture(scope="module")
def files(larkmoor_result, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    for audience in ("staff", "public"):
        page = report_page(larkmoor_result, audience)
        (folder / f"report_{audience}.html").write_text(page, "utf-8")
    (folder / "report_appendix.html").write_text(appendix_page(larkmoor_result), "utf-8")
    return {name: folder / f"report_{name}.html" for name in ("staff", "public", "appendix")}


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


@pytest.mark.parametrize("audience", ["staff", "public", "appendix"])
def test_axe_finds_nothing(read, audience):
    page = read(audience)
    result = Axe().run(page)
    assert result.violations_count == 0, result.generate_report()
    assert page.locator("svg").count() > {"staff": 3, "public": 0, "appendix": 8}[audience]


@pytest.mark.parametrize("audience", ["staff", "public", "appendix"])
@pytest.mark.parametrize("width", [360, 320])
def test_a_phone_shows_it_without_moving_sideways(read, audience, width):
    page = read(audience, width=width, height=740)
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize("audience", ["staff", "appendix"])
def test_no_row_is_cut_and_no_page_is_too_wide(read, paper, audience):
    wide, high = PAPER[paper]
    size = {"width": int((wide - SIDES) * MM), "height": int((high - TOP_AND_BOTTOM) * MM)}
    page = read(audience, **size)
    page.emulate_media(media="print")
    rows = page.evaluate(
        """[...document.querySelectorAll('tr, figure')].map(e =>
            [getComputedStyle(e).breakInside, e.getBoundingClientRect().height])"""
    )
    assert len(rows) > {"staff": 30, "appendix": 100}[audience]
    assert {how for how, _ in rows} == {"avoid"}
    assert max(height for _, height in rows) < size["height"] / 2
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def test_a_vote_and_a_danger_are_whole_on_the_first_page(read):
    page = read("staff")
    page.emulate_media(media="print")
    for clipped in page.locator(".clip").all():
        whole, shown = clipped.evaluate("e => [e.scrollHeight, e.clientHeight]")
        assert whole <= shown + 1, clipped.inner_text()
