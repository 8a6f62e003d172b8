"""The map as a person meets it: opened from a file in a real browser."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import expect

from geo.publish import county_map, map_page
from geo.results import cautions
from layers.measures import format_length
from layers.outputs.run import Run
from layers.store import Assessment

pytestmark = pytest.mark.browser
Open = Callable[..., Any]


def search(page: Any, text: str) -> None:
    page.get_by_label("Unit number, address or parcel").fill(text)


def unit_on_screen(page: Any, unit: str) -> tuple[float, float]:
    """Where a unit stands on the screen, by Leaflet's own arithmetic."""
    at = page.evaluate(
        """(unit) => {
            const { data, places } = countyPage.model();
            const row = data.units.id.indexOf(unit);
            const place = L.point(data.plane[0] + places.x[row], data.plane[1] + places.y[row]);
            const at = map_county.latLngToContainerPoint(L.CRS.EPSG3857.unproject(place));
            const box = map_county.getContainer().getBoundingClientRect();
            return [box.x + at.x, box.y + at.y];
        }""",
        unit,
    )
    return at[0], at[1]


def test_opens_from_a_file_and_asks_for_nothing(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    expect(page.locator("h1")).to_have_text("Larkmoor County")
    expect(page.locator("#invented")).to_be_visible()
    expect(page.locator("header")).to_contain_text("April 1, 2026")
    for caution in (cautions.STAFF_ONLY, cautions.SCREENING):
        expect(page.locator("header")).to_contain_text(caution)
    asked = [address for address in page.asked if not address.startswith(("data:", "blob:"))]
    assert asked == [map_file.as_uri()]
    assert page.complaints == []


def test_search_finds_a_unit_and_everything_known_of_it_shows(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    unit = assessment.units.iloc[4]
    page = opened(map_file)
    search(page, unit["unit_id"].lower())
    page.locator("#rows button").first.click()
    panel = page.locator("#unit")
    expect(panel.locator("h2")).to_have_text(unit["unit_id"])
    expect(panel.locator("h2")).to_be_focused()
    expect(panel).to_contain_text("Rank 5 of 60 (could be 2 to 17)")
    expect(panel).to_contain_text("Chance that it belongs in the visit-first class")
    expect(panel).to_contain_text(f"score {math.floor(unit['score'] + 0.5)} of 100")
    for sentence in unit["reasons"].split(" | "):
        expect(panel.locator(".why")).to_contain_text(sentence)
    expect(panel.locator(".gaps")).to_contain_text("not on record")
    expect(panel.locator(".parts tbody tr")).to_have_count(5 + 2)
    expect(panel.locator(".checks")).to_contain_text("Rule for 2004, the year of its permit.")
    expect(panel).to_contain_text(
        format_length(unit["well_distance_m"], "us").replace(" ", "\u00a0")
    )
    points = [float(t) for t in panel.locator(".parts tbody .number").all_inner_texts()]
    assert sum(points) == pytest.approx(float(f"{unit['score']:.1f}"), abs=1e-9)
    assert page.complaints == []


def test_what_is_null_is_said_to_be_not_known(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    unit = assessment.units.loc[assessment.units["days_since_inspection"].isna(), "unit_id"].iloc[0]
    page = opened(map_file, anchor=f"#unit={unit}")
    since = page.locator("#unit .fact").filter(has_text="Last visit")
    expect(since).to_contain_text("not known")


def test_address_and_parcel_can_be_searched(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    search(page, "112 invented")
    expect(page.locator("#rows button")).to_have_count(1)
    search(page, "07-00012")
    expect(page.locator("#count")).to_have_text("1 unit found")
    search(page, "nothing like it")
    expect(page.locator("#count")).to_contain_text("No unit has that")


def test_a_click_on_a_mark_chooses_it_and_one_beside_it_does_not(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = opened(map_file)
    unit = assessment.units["unit_id"].iloc[0]
    x, y = unit_on_screen(page, unit)
    page.mouse.move(x, y)
    expect(page.locator("#map-name")).to_have_text(unit)
    page.mouse.click(x, y)
    expect(page.locator("#unit h2")).to_have_text(unit)
    page.keyboard.press("Escape")
    expect(page.locator("#unit")).to_be_hidden()
    page.get_by_role("button", name="Whole county").click()
    page.mouse.click(*empty_place(page))
    expect(page.locator("#unit")).to_be_hidden()


def empty_place(page: Any) -> tuple[float, float]:
    box = page.locator("#map").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + 6


def test_keyboard_alone_is_enough(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    page.keyboard.press("Tab")
    expect(page.locator("#search")).to_be_focused()
    page.keyboard.type("LK-0030")
    page.keyboard.press("Enter")
    expect(page.locator("#unit h2")).to_have_text("LK-0030")
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Close")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#search")).to_be_focused()
    page.locator("#map").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#unit h2")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator("#map")).to_be_focused()
    button = page.locator("#rows button").nth(0)
    button.focus()
    page.keyboard.press("Enter")
    expect(button).to_have_attribute("aria-current", "true")
    page.keyboard.press("Escape")
    expect(button).to_be_focused()
    assert page.complaints == []


def test_the_list_is_one_stop_and_arrows_move_in_it(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    buttons = page.locator("#rows button")
    page.locator("#save-list").focus()
    page.keyboard.press("Tab")
    expect(buttons.nth(0)).to_be_focused()
    for key, at in (
        ("ArrowDown", 1),
        ("ArrowDown", 2),
        ("ArrowUp", 1),
        ("Home", 0),
        ("ArrowUp", 0),
    ):
        page.keyboard.press(key)
        expect(buttons.nth(at)).to_be_focused()
    page.keyboard.press("End")
    expect(buttons.last).to_be_focused()
    page.keyboard.press("Tab")
    expect(page.locator("#rows button:focus")).to_have_count(0)
    page.keyboard.press("Shift+Tab")
    expect(buttons.last).to_be_focused()
    name = buttons.last.locator(".row-id").evaluate("(node) => node.firstChild.textContent")
    page.keyboard.press("Enter")
    expect(page.locator("#unit h2")).to_have_text(name)
    assert page.complaints == []


def test_class_filter_changes_count_list_and_what_can_be_clicked(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = opened(map_file)
    expect(page.locator("#count")).to_have_text("60 of 60 units shown")
    first = assessment.units["unit_id"].iloc[0]
    place = unit_on_screen(page, first)
    page.get_by_label("Visit first").uncheck()
    expect(page.locator("#count")).to_have_text("52 of 60 units shown")
    expect(page.locator("#rows button")).to_have_count(52)
    page.mouse.click(*place)
    expect(page.locator("#unit").get_by_text(first, exact=True)).to_have_count(0)


def test_list_can_follow_the_map(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    page.get_by_label("Only units in view").check()
    expect(page.locator("#count")).to_contain_text("60 of 60 units shown, 60 on the map")
    page.evaluate("map_county.setZoom(map_county.getZoom() + 2, { animate: false })")
    expect(page.locator("#rows button")).not_to_have_count(60)
    inside = page.locator("#rows button").count()
    assert 0 < inside < 60


def test_layers_come_and_go(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    picture = page.locator(".picture-pond_depth_brim")
    expect(picture).to_have_count(0)
    page.get_by_label("Low spots, filled to overflow").check()
    expect(picture).to_be_visible()
    expect(page.locator("#legend")).to_contain_text("over 39 in deep")
    page.get_by_label("Shaded relief").uncheck()
    expect(page.locator(".picture-relief")).to_have_count(0)
    before = ink(page, "ground")
    page.get_by_label("Streams").uncheck()
    assert ink(page, "ground") < before
    assert page.complaints == []


def ink(page: Any, pane: str) -> int:
    """How many pixels of a canvas are painted."""
    return page.evaluate(
        """async (pane) => {
            await new Promise(requestAnimationFrame);
            const canvas = map_county.getPane(pane).querySelector("canvas");
            const copy = document.createElement("canvas");
            [copy.width, copy.height] = [canvas.width, canvas.height];
            const context = copy.getContext("2d", { willReadFrequently: true });
            context.drawImage(canvas, 0, 0);
            const { data } = context.getImageData(0, 0, copy.width, copy.height);
            let count = 0;
            for (let i = 3; i < data.length; i += 4) if (data[i]) count += 1;
            return count;
        }""",
        pane,
    )


def test_legend_lists_only_what_there_is(opened: Open, bare: Assessment, tmp_path: Path) -> None:
    path = tmp_path / "bare.html"
    path.write_text(map_page(bare), encoding="utf-8")
    page = opened(path)
    expect(page.locator("#legend-rows label")).to_have_count(0)
    expect(page.locator("#invented")).to_be_hidden()
    expect(page.locator("#classes label")).to_have_count(1)
    page.locator("#rows button").first.click()
    expect(page.locator("#unit")).to_contain_text("Not ranked")
    expect(page.locator("#unit")).to_contain_text("latitude, longitude")
    assert page.complaints == []


def test_no_units_open_to_a_page_that_says_so(
    opened: Open, bare: Assessment, tmp_path: Path
) -> None:
    path = tmp_path / "none.html"
    path.write_text(map_page(dataclasses.replace(bare, units=bare.units.iloc[:0])), "utf-8")
    page = opened(path)
    expect(page.locator("#count")).to_have_text("No units on record.")
    page.evaluate("countyPage.model().readAhead()")
    assert page.complaints == []


HOSTILE = (
    "</script><script>window.ran = 1</script>"
    "<img src=x onerror='window.ran = 2'>"
    "${window.ran = 3}`;window.ran=4//\\\"'\\x3cscript>"
    "{{ 7 * 7 }}{% raw %}<!--]]>\u2028\u202e\x00=cmd|' /C calc'!A0"
)


def hostile(assessment: Assessment) -> Assessment:
    """Hostile text in every column of text, in every frame and in the run."""

    def spoiled(frame: gpd.GeoDataFrame, keep: tuple[str, ...] = ("unit_id",)) -> gpd.GeoDataFrame:
        frame = frame.copy()
        for name in frame.columns:
            is_text = frame[name].map(lambda v: isinstance(v, str)).any()
            if is_text and name not in keep:
                frame[name] = HOSTILE
        return frame

    def renamed(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return frame.assign(unit_id=[f"{unit} {HOSTILE}" for unit in frame["unit_id"]])

    run = assessment.run.plain()
    parts = {
        name: part | {"label": HOSTILE, "source": HOSTILE} for name, part in run["parts"].items()
    }
    run |= {
        "county": {"name": HOSTILE, "invented": True, "show_units": "us"},
        "as_of": HOSTILE,
        "notes": [HOSTILE],
        "parts": parts,
        "versions": {"rillmark": HOSTILE},
    }
    sound = ("unit_id", "visit_class")
    return dataclasses.replace(
        assessment,
        units=renamed(spoiled(assessment.units, sound)),
        discharge_points=renamed(spoiled(assessment.discharge_points)),
        flow_paths=renamed(spoiled(assessment.flow_paths)),
        setback_checks=renamed(spoiled(assessment.setback_checks)),
        context={name: spoiled(frame) for name, frame in assessment.context.items()},
        run=Run.of(run),
    )


def test_hostile_text_stays_text(opened: Open, assessment: Assessment, tmp_path: Path) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(map_page(hostile(assessment)), encoding="utf-8")
    page = opened(path)
    expect(page.locator("h1")).to_contain_text("<img src=x onerror='window.ran = 2'>")
    page.locator("#rows button").first.click()
    panel = page.locator("#unit")
    expect(panel.locator("h2")).to_contain_text("</script>")
    expect(panel.locator(".why li").first).to_contain_text("window.ran = 1")
    page.locator("#notes summary").click()
    page.evaluate("map_county.setZoom(17, { animate: false })")
    x, y = unit_on_screen(
        page,
        page.evaluate("countyPage.model().data.units.id[0]"),
    )
    page.mouse.move(x, y)
    expect(page.locator("#map-name")).to_be_visible()
    assert page.evaluate("window.ran") is None
    assert page.locator("img[src='x']").count() == 0
    assert page.locator("script:not([type='text/plain'])").count() == 4
    assert page.complaints == []
    assert [a for a in page.asked if not a.startswith(("data:", "blob:"))] == [path.as_uri()]


RUNS = [
    "<script>{}</script>",
    "</script><script>{}</script>",
    "<img src=x onerror={}>",
    "<svg onload={}>",
    "'\"><body onload={}>",
    "javascript:{}",
    "`${{{}}}`",
    "{{{{{}}}}}",
    "';{};//",
    '";{};//',
    "\\';{};//",
    "<!--<script>{}//-->",
    "]]>{}<![CDATA[",
    '<iframe srcdoc="<script>parent.{}</script>">',
    "&lt;script&gt;{}&lt;/script&gt;",
    "<style>@import '{}';</style>",
    "</style><script>{}</script>",
    "<a href=javascript:{}>x</a>",
    "<math><mi xlink:href=data:x,{}>",
    "<details ontoggle={} open>",
]
AROUND = [
    "{}",
    "\u2028{}\u2029",
    "\x00{}\x1f",
    "\u202e{}",
    "\ud800{}",
    "{}\\",
    "a | {} | b",
    "1,234 {} 007",
    "__proto__ {}",
    "{}" * 3,
]
MANY = [
    around.replace("{}", run.format(f"window.ran={i * len(AROUND) + j}"))
    for i, run in enumerate(RUNS)
    for j, around in enumerate(AROUND)
]


def test_two_hundred_hostile_texts_everywhere_stay_text(
    opened: Open,
    assessment: Assessment,
    many_units: Callable[[int], gpd.GeoDataFrame],
    tmp_path: Path,
) -> None:
    """All of them in every attribute, some as names of columns and layers, in a real browser."""
    assert len(set(MANY)) == 200
    turn = iter(range(10**9))

    def long(frame: Any) -> Any:
        """The same rows again and again, 200 of them."""
        rows = [k % len(frame) for k in range(200)] if len(frame) else []
        return frame.iloc[rows].reset_index(drop=True)

    def spoiled(frame: Any, keep: tuple[str, ...] = ("unit_id", "visit_class")) -> Any:
        frame = long(frame)
        for name in frame.columns:
            if name not in keep and frame[name].map(lambda v: isinstance(v, str)).any():
                # as objects: pandas' own texts refuse half a surrogate pair
                texts = [MANY[next(turn) % 200] for _ in range(len(frame))]
                frame[name] = pd.Series(texts, dtype=object)
                assert len(set(frame[name])) == 200
        return frame.assign(**{MANY[11]: MANY[12], f"part_{MANY[13]}": 0.0})

    units = many_units(200)

    run = assessment.run.plain()
    run |= {
        "county": {"name": MANY[1], "invented": True, "show_units": MANY[2]},
        "notes": MANY,
        "parts": {
            name: part | {"label": MANY[i], "source": MANY[50 + i]}
            for i, (name, part) in enumerate(run["parts"].items())
        },
        "versions": {"rillmark": MANY[3]},
    }
    spoilt = dataclasses.replace(
        assessment,
        units=spoiled(units),
        discharge_points=spoiled(assessment.discharge_points),
        flow_paths=spoiled(assessment.flow_paths),
        setback_checks=spoiled(assessment.setback_checks, ("unit_id", "verdict")),
        problems=spoiled(assessment.problems, ("action", "layer")),
        areas=dataclasses.replace(assessment.areas, small=spoiled(assessment.areas.small)),
        context={name: spoiled(frame) for name, frame in assessment.context.items()}
        | {MANY[14]: spoiled(assessment.context["roads"])},
        run=Run.of(run),
    )
    assert next(turn) > 200 * 3
    for audience in ("staff", "public"):
        path = tmp_path / f"map_{audience}.html"
        path.write_text(map_page(spoilt, audience=audience), encoding="utf-8", errors="replace")
        page = opened(path)
        page.locator("#notes summary").click()
        if audience == "staff":
            expect(page.locator("#notes-body li")).to_have_count(200 + 2)  # what was done with rows
            seen = page.evaluate(
                """async (ids) => {
                    for (const id of ids) {
                        location.hash = `#unit=${id}`;
                        while (!document.querySelector("#unit h2")?.textContent.startsWith(id)) {
                            await new Promise((done) => setTimeout(done, 5));
                        }
                    }
                    return document.querySelector("#unit h2").textContent;
                }""",
                units["unit_id"].tolist(),
            )
            assert seen == units["unit_id"].iloc[-1]
            page.evaluate("map_county.setZoom(17, { animate: false })")
            search(page, "window.ran")
        assert page.evaluate("window.ran") is None
        assert page.locator("iframe, img[src='x'], svg[onload], main script").count() == 0
        assert page.complaints == []
        assert {a.split(":")[0] for a in page.asked} <= {"file", "data", "blob"}


def test_policy_stops_a_script_that_got_in_all_the_same(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    path = tmp_path / "broken.html"
    page_text = map_page(assessment)
    path.write_text(page_text.replace("</main>", "</main><script>window.ran = 1</script>"), "utf-8")
    page = opened(path)
    assert page.evaluate("window.ran") is None
    assert any("Content Security Policy" in text for text in page.complaints)


def test_notebook_frame_works_inside_another_page(
    opened: Open, browser: Any, assessment: Assessment, tmp_path: Path
) -> None:
    path = tmp_path / "notebook.html"
    frame = county_map(assessment)._repr_html_()
    path.write_text(f"<!doctype html><title>n</title><p id=count>a notebook</p>{frame}", "utf-8")
    page = opened(path)
    inside = page.frame_locator("iframe")
    expect(inside.locator("#count")).to_have_text("60 of 60 units shown")
    inside.locator("#rows button").first.click()
    expect(inside.locator("#unit h2")).to_be_visible()
    assert page.complaints == []
    assert {a.split(":")[0] for a in page.asked} <= {"file", "data", "blob", "about"}


@pytest.mark.parametrize(
    ("width", "height"), [(360, 740), (640, 400), (320, 256)], ids=["phone", "200 %", "400 %"]
)
def test_narrow_and_enlarged_pages_lose_nothing_sideways(
    opened: Open, map_file: Path, width: int, height: int
) -> None:
    # 1280 pixels at 200 % and 400 % are 640 and 320 (WCAG 2.2, 1.4.10 Reflow)
    page = opened(map_file, viewport={"width": width, "height": height})
    page.locator("#rows button").first.click()
    page.get_by_text("Sources of the weights").click()
    page.locator("#notes summary").click()
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= width
    for selector in ("#search", "#map", "#unit", "#rows", "#notes-body"):
        box = page.locator(selector).bounding_box()
        assert box["x"] >= 0, selector
        assert box["x"] + box["width"] <= width + 0.5, selector
    below = page.locator("#unit").bounding_box()["y"] - page.locator("#map").bounding_box()["y"]
    assert below > 0


def test_the_address_opens_the_page_at_a_unit(opened: Open, map_file: Path) -> None:
    page = opened(map_file, anchor="#unit=LK-0012")
    expect(page.locator("#unit h2")).to_have_text("LK-0012")
    page.get_by_role("button", name="Close").click()
    assert "unit=" not in page.url
    page.evaluate("location.hash = '#unit=%E0%A4%A'")
    page.evaluate("location.hash = '#unit=LK-0013'")
    expect(page.locator("#unit h2")).to_have_text("LK-0013")
    assert page.complaints == []


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_print_is_one_landscape_page_on_white(opened: Open, map_file: Path, paper: str) -> None:
    page = opened(map_file, color_scheme="dark", viewport={"width": 1100, "height": 800})
    page.locator("#rows button").first.click()
    expect(page.locator("#unit h2")).to_have_text("LK-0053")
    expect(page).to_have_url(re.compile("unit=LK-0053"))  # the map has moved to it
    page.emulate_media(media="print")  # no event says so: the page must notice
    expect(page.locator("html")).to_have_class("printing")
    for hidden in ("#search", "#rows", "#unit", "#copy", "#notes"):
        expect(page.locator(hidden)).to_be_hidden()
    expect(page.locator("#paper-side")).to_contain_text("LK-0053: Visit first, rank 1")
    expect(page.locator("#paper-side .bar-length")).to_have_count(2)
    expect(page.locator("#paper-side .bar-length").first).to_contain_text("ft")
    expect(page.locator("#paper-side .bar-length").last).to_contain_text("m")
    expect(page.get_by_role("img", name="North is up")).to_be_visible()
    legend = page.locator("#legend-rows")
    expect(legend.get_by_text("Visit first")).to_be_visible()
    expect(legend.get_by_text("Parcels")).to_be_visible()
    expect(legend.get_by_text("Streams")).to_be_hidden()  # none is near this unit
    expect(legend.get_by_text("Roads and lots")).to_be_visible()
    expect(page.locator("header")).to_contain_text("April 1, 2026")
    foot = page.locator("#paper-foot")
    expect(foot).to_contain_text("Made from unit records,")
    expect(foot).to_contain_text(f"{cautions.STAFF_ONLY} {cautions.SCREENING}")
    box = page.locator("#map").bounding_box()
    assert box["width"] == pytest.approx(8 * 96, abs=4)  # a screen shaped like A4
    assert ink(page, "units") > 0
    # a browser lays Letter out as the sheet, 11 by 8.5 in, or as the sheet within its margins
    for width, height in ((1056, 816), (979, 739)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.locator("#map").bounding_box()["width"] == pytest.approx(7.3 * 96, abs=4)
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert ink(page, "units") > 0
    pdf = page.pdf(format=paper, prefer_css_page_size=True, landscape=True).decode("latin-1")
    assert len(re.findall(r"/Type\s*/Page\b", pdf)) == 1
    page.emulate_media(media="screen")
    expect(page.locator("#paper-foot")).to_be_hidden()
    expect(page.locator("html")).not_to_have_class("printing")
    page.get_by_role("button", name="Close").click()
    page.get_by_role("button", name="Whole county").click()
    page.emulate_media(media="print")
    expect(legend.get_by_text("Streams")).to_be_visible()
    expect(legend.get_by_text("Parcels")).to_be_hidden()  # not drawn from so far
    expect(foot).to_contain_text("unit records, flood zone, lakes and ponds, roads")
    expect(foot).not_to_contain_text("parcels")
    assert page.complaints == []


def test_scripts_undo_what_python_encoded(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = opened(map_file)
    got = page.evaluate(
        """async () => {
            const model = countyPage.model();
            const { data } = model;
            const shape = decode.shapes(await blocks.read("layer-streams"));
            const last = shape.run[shape.row[1]] - 1;
            const [x0, y0] = data.plane;
            const outlets = async () => {
                const coded = await blocks.read("discharge_points");
                const unit = decode.rising(coded.unit);
                const at = decode.placesFrom(coded, unit, model.places, data.plane[2]);
                return unit.map((row, i) => [row, x0 + at.x[i], y0 + at.y[i]]);
            };
            const paths = async () => {
                const coded = await blocks.read("flow_paths");
                const unit = decode.rising(coded.unit);
                const { x, y, run, row } = decode.shapes(
                    coded, (r) => [model.places.x[unit[r]], model.places.y[unit[r]]]);
                return unit.map((u, r) => [u, x0 + x[run[row[r]]], y0 + y[run[row[r]]]]);
            };
            await model.readDetails(0);
            model.dischargePoints();
            const told = [...data.units.id.keys()].map((row) => model.details(row));
            return {
                reasons: told.map(({ reasons, at }) => reasons(at).join(" | ")),
                gaps: told.map(({ gaps, at }) => gaps(at).join(" | ")),
                units: told.map((_, row) => [x0 + model.places.x[row], y0 + model.places.y[row]]),
                outlets: await outlets(),
                paths: await paths(),
                end: [x0 + shape.x[last], y0 + shape.y[last]],
                box: shape.box(1),
                lines: told.map((_, row) => model.checkLines(row)),
            };
        }"""
    )
    units = assessment.units.to_crs(3857)
    assert got["reasons"] == assessment.units["reasons"].tolist()
    assert got["gaps"] == assessment.units["data_gaps"].fillna("").tolist()
    for (x, y), point in zip(got["units"], units.geometry, strict=True):
        assert max(abs(x - point.x), abs(y - point.y)) < 0.06
    for shown, frame, near in (
        (got["outlets"], assessment.discharge_points, 0.06),
        (got["paths"], assessment.flow_paths, 1.1),
    ):
        firsts = frame.to_crs(3857).set_index("unit_id").geometry
        for row, x, y in shown:
            want = firsts[assessment.units["unit_id"].iloc[row]].coords[0]
            assert max(abs(x - want[0]), abs(y - want[1])) < near
    streams = assessment.context["streams"].to_crs(3857)
    end = streams.geometry[0].coords[-1]
    assert max(abs(got["end"][0] - end[0]), abs(got["end"][1] - end[1])) < 0.6
    west, south, east, north = streams.geometry[1].bounds
    size = got["box"]["east"] - got["box"]["west"], got["box"]["north"] - got["box"]["south"]
    assert size == pytest.approx((east - west, north - south), abs=14)  # simplified within 5 m
    checks = assessment.setback_checks
    drawn = checks[checks["verdict"].isin(["short", "uncertain"])]
    assert sum(len(lines) for lines in got["lines"]) == len(drawn) > 0
    row = next(i for i, lines in enumerate(got["lines"]) if lines)
    unit = assessment.units["unit_id"].iloc[row]
    line = drawn[drawn["unit_id"] == unit].to_crs(3857).geometry.iloc[0]
    x1, y1, x2, y2 = got["lines"][row][0]
    assert (x2 - x1, y2 - y1) == pytest.approx(np.subtract(*line.coords[::-1]), abs=0.4)


def test_numbers_and_choices_without_a_page(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    numbers = page.evaluate(
        """() => [wording.fixed(-1234567, 1), wording.fixed(5, 2), wording.measure(1, 0, "days"),
                  wording.measure(1500, 0, "ft"), wording.measure(null, 0, "ft"),
                  wording.measure(25, 0, "%"), wording.measure(999, 1, "ft"),
                  wording.measure(10500, 1, "ft")]"""
    )
    assert numbers == [
        "−123,456.7", "0.05", "1\u00a0day", "1,500\u00a0ft", None, "25\u00a0%", "99.9\u00a0ft",
        "1,050\u00a0ft",
    ]  # fmt: skip
    found = page.evaluate(
        """() => {
            const places = { x: [0, 3, 3.2, NaN], y: [0, 0, 0, 0] };
            const box = { west: 0, south: 0, east: 9, north: 9 };
            return [choosing.nearest(places, [0, 1, 2, 3], 3.05, 0, 1),
                    choosing.nearest(places, [0, 1, 2, 3], 10, 0, 1),
                    choosing.thinned(places, [1, 2, 0], 1, box)];
        }"""
    )
    assert found == [1, -1, [1, 0]]


def test_marks_say_their_class_by_number_from_afar(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    text = page.evaluate(
        """async () => {
            const said = new Set();
            const write = CanvasRenderingContext2D.prototype.fillText;
            CanvasRenderingContext2D.prototype.fillText = function (text, ...at) {
                if (this.canvas.width < 50) said.add(text); // a mark; names stand on the map itself
                return write.call(this, text, ...at);
            };
            map_county.fire("resize");
            await new Promise((done) => setTimeout(done, 300));
            CanvasRenderingContext2D.prototype.fillText = write;
            return [countyPage.model().zoom < 16, [...said].sort()];
        }"""
    )
    assert text == [True, ["1", "2", "3"]]


def test_a_storm_is_taken_out_of_the_picture_of_all(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    counts = page.evaluate(
        """async () => {
            const { storms } = countyPage.model().data;
            const counts = [];
            for (let k = 1; k <= storms.storms.length; k += 1) {
                const picture = new Image();
                picture.src = await ponding.address(storms, k, "#102030");
                await picture.decode();
                const canvas = document.createElement("canvas");
                [canvas.width, canvas.height] = [picture.naturalWidth, picture.naturalHeight];
                const context = canvas.getContext("2d");
                context.drawImage(picture, 0, 0);
                const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
                let inked = 0;
                for (let i = 0; i < data.length; i += 4) {
                    if (data[i + 3] && data[i] === 16 && data[i + 2] === 48) inked += 1;
                    else if (data[i + 3]) return "another color";
                }
                counts.push(inked);
            }
            return counts;
        }"""
    )
    assert 0 < counts[0] < counts[1] < counts[2]
    assert page.complaints == []
