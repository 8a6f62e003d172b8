"""axe-core finds nothing, whatever is open, on either page, in light and in dark."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import expect

from geo.publish import map_page
from layers.store import Assessment
from support.assessments import with_run

pytestmark = pytest.mark.browser
Open = Callable[..., Any]
Step = Callable[[Any], object]


@pytest.fixture(scope="module")
def pages(
    later: tuple[Assessment, Any], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    """Both pages with all they can hold: a base map, and who moved."""
    assessment, earlier = later
    section = {
        "base_map": "https://tiles.invalid/{z}/{x}/{y}.png",
        "attribution": "Example tiles, invented",
        "closest_zoom": 18,
    }
    whole = with_run(assessment, settings={"map": section})
    folder = tmp_path_factory.mktemp("axe")
    texts = {"staff": map_page(whole, earlier=earlier), "public": map_page(whole, "public")}
    for audience, text in texts.items():
        (folder / f"{audience}.html").write_text(text, encoding="utf-8")
    return {audience: folder / f"{audience}.html" for audience in texts}


def unit(page: Any) -> None:
    page.locator("#rows button").first.click()
    page.get_by_text("Sources of the weights").click()
    for folded in page.locator("#unit .setbacks summary").all():
        folded.click()


def hunted(page: Any) -> None:
    rows = "countyPage.model().data.units.id.map((id, row) => [id, countyPage.model().hunt(row)])"
    found = f"{rows}.filter(([, hunt]) => hunt && hunt.places.length)[0][0]"
    unit_id = page.evaluate(f"countyPage.model().readDetails(0).then(() => {found})")
    page.evaluate("(id) => { location.hash = `#unit=${id}`; }", unit_id)
    expect(page.locator("#unit .places li")).to_have_count(3)


def filtered(page: Any) -> None:
    page.locator("#filters > summary").click()
    page.get_by_label("Repair needed at last visit").check()
    page.get_by_role("button", name="Use current view").click()
    expect(page.locator("#in-force")).to_be_visible()


def nothing(page: Any) -> None:
    page.get_by_label("Unit number, address or parcel").fill("no such unit")
    expect(page.locator("#count")).to_contain_text("No unit has")


def drawing(page: Any) -> None:
    page.locator("#filters > summary").click()
    page.get_by_role("button", name="Mark corners").click()


def compared(page: Any) -> None:
    page.locator("#compared > summary").click()
    page.get_by_label("All changes").check()


def areas(page: Any) -> None:
    page.get_by_label("What the map shows").select_option("first")


def chart(page: Any) -> None:
    page.locator("#covered > summary").click()
    expect(page.locator(".curve")).to_be_visible()


def notes(page: Any) -> None:
    page.locator("#notes summary").click()


def storm(page: Any) -> None:
    if page.locator("#legend").get_attribute("open") is None:
        page.locator("#legend summary").click()
    page.get_by_label("Ponding after a storm").check()
    page.get_by_label("Which storm").select_option("100")


def based(page: Any) -> None:
    if page.locator("#legend").get_attribute("open") is None:
        page.locator("#legend summary").click()
    page.get_by_label(re.compile("Online base map")).check()
    page.locator("img.leaflet-tile-loaded").first.wait_for(state="attached")


def printed(page: Any) -> None:
    page.emulate_media(media="print")
    expect(page.locator("html")).to_have_class("printing")


def forced(page: Any) -> None:
    page.emulate_media(forced_colors="active")


def wet(page: Any) -> None:
    page.get_by_label("Percent of lids storm or flood water may cover").check()


STAFF: dict[str, tuple[Step, ...]] = {
    "overview": (),
    "unit": (unit,),
    "outlet looked for": (hunted,),
    "filtered": (filtered,),
    "nothing found": (nothing,),
    "drawing": (drawing,),
    "compared": (compared,),
    "areas": (areas,),
    "chart": (chart,),
    "notes": (notes,),
    "storm": (storm,),
    "base map": (based,),
    "printed": (printed,),
    "unit printed": (unit, printed),
    "forced colors": (unit, forced),
}
PUBLIC: dict[str, tuple[Step, ...]] = {
    "overview": (),
    "wet, storm": (wet, storm),
    "notes": (notes,),
    "base map": (based,),
    "printed": (storm, printed),
    "forced colors": (forced,),
}
STATES = [("staff", name) for name in STAFF] + [("public", name) for name in PUBLIC]
NARROW = [("staff", name) for name in ("unit", "filtered", "storm", "notes")]
NARROW += [("public", "wet, storm")]


def tile() -> bytes:
    file = io.BytesIO()
    Image.new("L", (256, 256), 200).save(file, "PNG")
    return file.getvalue()


def find_nothing(page: Any, audience: str, state: str) -> None:
    page.route(
        re.compile("^https:"), lambda route: route.fulfill(body=tile(), content_type="image/png")
    )
    page.locator("#page[data-ready]").wait_for()
    for step in (STAFF if audience == "staff" else PUBLIC)[state]:
        step(page)
    result = Axe().run(page)
    assert result.violations_count == 0, result.generate_report()


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.long)])
@pytest.mark.parametrize(
    ("audience", "state"),
    [pytest.param(*s, marks=pytest.mark.long if k % 2 else ()) for k, s in enumerate(STATES)],
)
def test_axe_finds_nothing(
    opened: Open, pages: dict[str, Path], audience: str, state: str, scheme: str
) -> None:
    find_nothing(opened(pages[audience], color_scheme=scheme), audience, state)


@pytest.mark.parametrize(("audience", "state"), [STATES[0], STATES[-1]])
def test_axe_finds_nothing_in_the_dark(
    opened: Open, pages: dict[str, Path], audience: str, state: str
) -> None:
    find_nothing(opened(pages[audience], color_scheme="dark"), audience, state)


@pytest.mark.parametrize(
    "size",
    [
        pytest.param((390, 844), id="phone"),
        pytest.param((640, 400), id="200 %", marks=pytest.mark.long),
    ],
)
@pytest.mark.parametrize(("audience", "state"), NARROW)
def test_axe_finds_nothing_on_narrow_pages(
    opened: Open, pages: dict[str, Path], audience: str, state: str, size: tuple[int, int]
) -> None:
    page = opened(pages[audience], viewport={"width": size[0], "height": size[1]})
    find_nothing(page, audience, state)
