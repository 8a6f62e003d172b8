"""What a planner does on the map: filters, areas, storms, who moved, addresses, lists, pictures."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from playwright.sync_api import expect
from shapely import Point, Polygon

from geo.publish import map_page
from geo.publish.map.units.moves import Earlier
from geo.publish.shared import assets
from layers.files.tables import write_csv
from layers.store import Assessment

pytestmark = pytest.mark.browser
Open = Callable[..., Any]


def ready(page: Any) -> Any:
    page.locator("#page[data-ready]").wait_for()
    return page


def shown(page: Any) -> list[str]:
    """The units that are shown, by the page's own model."""
    return page.evaluate(
        "countyPage.model().visible.map((row) => countyPage.model().data.units.id[row])"
    )


# -------------------------------------------------------------------------------------- filters


def test_ticks_of_a_group_join_and_groups_narrow(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    units = assessment.units
    repair = units["last_result"] == "repair"
    near = units["unit_id"].isin(
        assessment.setback_checks.query("feature == 'wells' and verdict == 'uncertain'")["unit_id"]
    )
    page = ready(opened(map_file))
    page.locator("#filters > summary").click()
    page.get_by_label("Repair needed at last visit").check()
    assert shown(page) == units.loc[repair, "unit_id"].tolist()
    page.get_by_label("Well too close to tell").check()
    assert shown(page) == units.loc[repair | near, "unit_id"].tolist()
    page.locator("#area").select_option(index=1)
    area = page.evaluate("countyPage.model().areas.names(countyPage.model().pick.area)")
    in_area = (
        units["area_id"]
        .map(assessment.areas.small.set_index("area_id")["name"])
        .fillna(units["area_id"])
    )
    wanted = units.loc[(repair | near) & (in_area == area), "unit_id"].tolist()
    assert shown(page) == wanted
    expect(page.locator("#count")).to_contain_text(f"{len(wanted)} of 60 units shown")
    expect(page.locator("#in-force")).to_contain_text("Well too close to tell")
    page.get_by_role("button", name="Show all").click()
    assert len(shown(page)) == 60
    expect(page.locator("#in-force")).to_be_hidden()
    assert page.complaints == []


def test_an_area_is_drawn_by_clicks_by_keys_by_drag_and_as_shown(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = ready(opened(map_file))
    page.locator("#filters > summary").click()
    box = page.locator("#map").bounding_box()
    corners = [(0.3, 0.3), (0.6, 0.35), (0.5, 0.7)]
    page.get_by_role("button", name="Mark corners").click()
    expect(page.get_by_role("button", name="Finish")).to_be_disabled()
    for x, y in corners:
        page.mouse.click(box["x"] + x * box["width"], box["y"] + y * box["height"])
    page.get_by_role("button", name="Finish").click()
    ring = page.evaluate(
        """() => countyPage.model().pick.ring.map(([x, y]) =>
            [x + countyPage.model().data.plane[0], y + countyPage.model().data.plane[1]])"""
    )
    assert len(ring) == 3
    area = Polygon(ring)  # shapely is the reference
    places = assessment.units.to_crs(3857)
    inside = places.loc[places.geometry.within(area), "unit_id"].tolist()
    assert 0 < len(inside) < 60
    assert shown(page) == inside
    expect(page.locator("#unit")).to_be_hidden()  # the clicks chose no unit
    page.get_by_role("button", name="Clear area").click()

    page.get_by_role("button", name="Mark corners").press("Enter")
    expect(page.locator("#map")).to_be_focused()
    page.keyboard.press("Enter")
    for key in ("ArrowRight", "ArrowDown", "ArrowLeft"):
        page.keyboard.press(key)
        page.wait_for_function("() => !map_county._panAnim?._inProgress")  # the map glides
        page.keyboard.press("Enter")
    expect(page.locator("#drawing-count")).to_have_text("4 corners")
    page.keyboard.press("Backspace")
    expect(page.locator("#drawing-count")).to_have_text("3 corners")
    page.keyboard.press("Escape")
    expect(page.locator("#drawing")).to_be_hidden()
    expect(page.get_by_role("button", name="Mark corners")).to_be_focused()
    assert len(shown(page)) == 60

    page.get_by_role("button", name="Drag a rectangle").click()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 0.2 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.7 * box["width"], box["y"] + 0.6 * box["height"], steps=4)
    page.mouse.up()
    assert 0 < len(shown(page)) < 60
    page.get_by_role("button", name="Use current view").click()
    assert len(shown(page)) == page.evaluate(
        """() => {
            const { places, data, box } = countyPage.model();
            const rows = [...data.units.id.keys()];
            return rows.filter((row) => choosing.isInside(places, row, box())).length;
        }"""
    )
    assert page.complaints == []


@pytest.fixture(scope="module")
def alone(browser: Any) -> Any:
    """An empty page with the scripts that know nothing of pages."""
    context = browser.new_context()
    page = context.new_page()
    for name, script in {
        "choosing": "choosing.js",
        "markSizes": "mark_sizes.js",
        "filtering": "filtering.js",
        "commaTable": "comma_table.js",
        "address": "address.js",
        "downWater": "down_water.js",
        "wording": "wording.js",
    }.items():
        text = assets.page_file(script).replace(f"const {name} =", f"window.{name} =", 1)
        page.add_script_tag(content=text)
    yield page
    context.close()


def test_inside_a_ring_as_shapely_has_it(alone: Any) -> None:
    ring = [(0, 0), (10, 0), (10, 8), (5, 3), (0, 8)]
    points = [(x + 0.5, y + 0.25) for x in range(-1, 11) for y in range(-1, 9)]
    got = alone.evaluate(
        "([ring, points]) => points.map(([x, y]) => filtering.isWithin(ring, x, y))",
        [ring, points],
    )
    assert got == [Polygon(ring).contains(Point(p)) for p in points]


def test_a_class_has_its_number_on_its_marks_where_most_of_them_stand_free(alone: Any) -> None:
    """Three far apart, two of the second class with no place, a hundred of the third in a heap."""
    got = alone.evaluate(
        """() => {
            const x = [0, 500, 1000, NaN, NaN, ...Array.from({ length: 100 }, (_, i) => 300 + i)];
            const kinds = x.map((_, i) => (i < 3 ? 0 : i < 5 ? 1 : 2));
            const places = { x, y: x.map((at) => (Number.isNaN(at) ? NaN : 0)) };
            const data = { extent: [0, 0, 1000, 0] };
            const signs = (zoom, perMeter, visible) =>
                markSizes.of({ zoom, perMeter }, { data, places, kinds, visible })
                    .slice(0, 3).map(({ hasSign, radius }) => [hasSign, radius]);
            const all = [...x.keys()];
            return [signs(12, 0.1, all), signs(13, 0.1, all), signs(12.5, 0.1, [0, 1, 5]),
                    signs(12, 0.01, all), signs(12, 0.1, [3, 4]), signs(16, 0.01, all)];
        }"""
    )
    numbered = [[True, 7.5], [True, 7.5], [True, 6.5]]
    heap = pytest.approx(0.72 * 4.5)
    assert got[0] == [*numbered[:2], [False, heap]]
    assert got[1] == [*numbered[:2], [False, pytest.approx(0.72 * 6)]]
    assert got[2] == numbered  # what a filter leaves has room
    assert got[3] == [[False, 4.5], numbered[1], [False, heap]]  # 13 pixels are 1,300 m
    assert got[4] == numbered  # none to be drawn
    assert got[5] == [[True, 9]] * 3


# ----------------------------------------------------------------------------------------- lists

AWKWARD = [
    "=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "plain", 'a "b" c', "a, b", "two\r\nlines",
    "x\ry", "", "'quoted", " =1", "\uff1d1", "\ufeff+1", "\u00a0@x", "\u200b-1", "a=1", "\u22121",
]  # fmt: skip


def test_comma_text_is_as_the_program_writes_its_tables(alone: Any, tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_csv(pd.DataFrame({"id": AWKWARD, "n": [1.5] * len(AWKWARD)}), path)
    got = alone.evaluate(
        "(rows) => commaTable.text(rows)", [["id", "n"], *[[text, 1.5] for text in AWKWARD]]
    )
    assert list(csv.reader(io.StringIO(got))) == list(
        csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline=""))
    )


def test_the_list_as_shown_is_saved(opened: Open, assessment: Assessment, tmp_path: Path) -> None:
    units = assessment.units.copy()
    units.loc[3, "address"] = '=HYPERLINK("http://example.invalid")'
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(dataclasses.replace(assessment, units=units)), "utf-8")
    page = ready(opened(path, anchor="#unit=LK-0012&hidden=routine~next"))
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save list").click()
    assert saved.value.suggested_filename == "larkmoor_county_units_april_1_2026_staff.csv"
    text = Path(saved.value.path()).read_bytes().decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    first = units[units["visit_class"] == "first"]
    assert [row["unit"] for row in rows] == first["unit_id"].tolist()
    assert rows[3]["address"].startswith("'=HYPERLINK")
    places = first.to_crs(4326).geometry
    for row, (_, unit), place in zip(rows, first.iterrows(), places, strict=True):
        assert row["reasons"] == unit["reasons"].replace(" | ", " ")
        assert float(row["score"]) == pytest.approx(round(unit["score"], 1), abs=0.051)
        assert float(row["latitude"]) == pytest.approx(place.y, abs=2e-6)
        assert float(row["longitude"]) == pytest.approx(place.x, abs=2e-6)


# ------------------------------------------------------------------------------------- addresses


@pytest.mark.parametrize(
    "state",
    [
        {},
        {"unit": "LK 0/1 & ~ü", "hidden": ["routine"], "screen": "dark"},
        {"with": ["a-b", "c"], "within": [[43.1, -88.2], [43.2, -88.2], [43.2, -88.1]]},
        {"area": "Sallow Creek, direct; east=1", "storm": "10", "on": ["x"], "off": ["y", "z"]},
        {"show": "wet", "moved": "up", "at": [43.12345, -87.98765, 14.25]},
    ],
)
def test_an_address_says_the_state_and_nothing_else(alone: Any, state: dict[str, Any]) -> None:
    text = alone.evaluate("(state) => address.write(state)", state)
    empty = {"hidden": [], "with": [], "on": [], "off": [], "within": None, "at": None}
    empty |= dict.fromkeys(("unit", "area", "moved", "show", "storm", "screen"))
    assert alone.evaluate("(text) => address.read(text)", text) == empty | state
    assert (text == "") == (not state)


@pytest.mark.parametrize("text", ["#%E0%A4%A", "#unit", "#at=1,2", "#within=a,b;c", "#=&&==", "x"])
def test_nonsense_is_no_state(alone: Any, text: str) -> None:
    got = alone.evaluate("(text) => address.read(text)", text)
    assert not got["at"]
    assert not got["within"]


def test_a_view_is_shared_by_its_address(opened: Open, moved_file: Path) -> None:
    page = ready(opened(moved_file))
    page.locator("#filters > summary").click()
    page.get_by_label("Repair needed at last visit").check()
    page.get_by_label("Routine").uncheck()
    page.get_by_label("Ponding after a storm").check()
    page.get_by_label("Which storm").select_option("100")
    page.get_by_label("Streams").uncheck()
    page.locator("#compared > summary").click()
    page.get_by_label("Moved down").check()
    page.get_by_role("button", name="Dark mode").click()
    page.evaluate("map_county.setView([43.005, -87.83], 15, { animate: false })")
    page.locator("#rows button").nth(1).click()
    expect(page.locator("#rows button[aria-current]")).to_be_visible()  # the map has moved there
    page.evaluate("map_county.setView([43.008, -87.836], 15.5, { animate: false })")
    anchor = "#" + page.url.split("#")[1]
    other = ready(opened(moved_file, anchor=anchor))
    assert shown(other) == shown(page)
    for each in (page, other):
        expect(each.locator(".picture-pond_storms.screen-only")).to_be_visible()
        expect(each.locator("#show-streams")).not_to_be_checked()
        expect(each.locator("html")).to_have_attribute("data-screen", "dark")
        expect(each.locator("#storm-years")).to_have_value("100")
    expect(other.locator("#unit h2")).to_have_text(page.locator("#unit h2").inner_text())
    where = "[map_county.getCenter().lat, map_county.getCenter().lng, map_county.getZoom()]"
    assert other.evaluate(where) == pytest.approx(page.evaluate(where), abs=2e-3)
    assert other.url.split("#")[1] == anchor[1:]
    assert other.complaints == page.complaints == []


# ----------------------------------------------------------------------------------- small areas


def test_small_areas_shade_list_and_lead_to_their_units(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = ready(opened(map_file))
    view = page.get_by_label("What the map shows")
    assert view.locator("option").all_inner_texts()[0] == "Individual units"
    assert not any("lids" in text for text in view.locator("option").all_inner_texts())  # unknown
    view.select_option("first")
    areas = assessment.areas.small
    expect(page.locator("#rows button")).to_have_count(len(areas))
    share = (areas["first_class"] / areas["units"]).max()
    best = areas[areas["first_class"] / areas["units"] == share]
    stated = page.locator("#rows button").first.inner_text()
    assert any(f"{row.first_class} of {row.units}" in stated for row in best.itertuples())
    expect(page.locator("#legend-rows")).to_contain_text("20 to 40%")
    expect(page.locator("#legend-rows .heading")).to_have_text("By area: % to visit first")
    expect(page.locator("#legend-rows")).not_to_contain_text("Flow paths")
    page.locator("#rows button").first.click()
    expect(view).to_have_value("units")
    chosen = page.evaluate("countyPage.model().areas.names(countyPage.model().pick.area)")
    ids = areas.loc[areas["name"].fillna(areas["area_id"]) == chosen, "area_id"]
    assert (
        shown(page)
        == assessment.units.loc[assessment.units["area_id"].isin(ids), "unit_id"].tolist()
    )
    assert page.complaints == []


def test_the_curve_says_in_words_what_it_draws(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = ready(opened(map_file))
    page.locator("#covered > summary").click()
    rows = page.locator("#covered tbody tr")
    expect(rows.last).to_contain_text("100%")
    ten = assessment.visits.first[assessment.visits.first["visits"] <= 10].iloc[-1]
    cells = rows.filter(has=page.get_by_role("rowheader", name="10", exact=True)).locator("td")
    assert cells.all_inner_texts() == [
        f"{round(ten[name] * 100)}%" for name in ("score_share", "first_share")
    ]
    points = page.locator(".curve-score").get_attribute("points").split()
    assert len(points) == len(assessment.visits.first) + 1
    xs = [float(p.split(",")[0]) for p in points]
    ys = [float(p.split(",")[1]) for p in points]
    assert xs == sorted(xs)
    assert ys == sorted(ys, reverse=True)


# ------------------------------------------------------------------------------------- who moved


def test_movers_are_marked_and_listed_with_the_reason(
    opened: Open, moved_file: Path, later: tuple[Assessment, Earlier]
) -> None:
    moves = later[1].moves.set_index("unit_id")
    up = moves[(moves["change"] == "moved") & (moves["places_up"] > 0)]
    page = ready(opened(moved_file))
    arrows = page.locator("#legend-rows .step", has_text="October 1, 2025")
    expect(arrows).to_have_count(2)
    page.locator("#compared > summary").click()
    expect(page.locator("#compared")).to_contain_text("October 1, 2025")
    expect(page.locator("#compared")).to_contain_text("1 unit no longer on record")
    page.get_by_label("Moved up").check()
    assert sorted(shown(page)) == sorted(up.index)
    expect(arrows).to_have_text(["moved up since October 1, 2025"])
    farthest = page.locator("#rows button").first
    expect(farthest).to_contain_text(f"{up['places_up'].max()} up")
    farthest.click()
    stated = page.locator("#unit .moved")
    expect(stated).to_contain_text(f"Up {up['places_up'].max()} ranks since October 1, 2025")
    unit = page.locator("#unit h2").inner_text()
    expect(stated).to_contain_text(f"rank {up.loc[unit, 'rank_before']}")
    because = up.loc[unit, "moved_by"]
    expect(stated).to_contain_text(
        "Main reason: " if because == "wetness" else "Main reason: other units moved."
    )
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save list").click()
    with saved.value.path().open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["unit"] for row in rows} == set(up.index)
    assert rows[0]["moved"] == stated.locator("p").inner_text()
    page.locator("input[name=moved][value=new]").check()
    assert shown(page) == [later[0].units["unit_id"].iloc[0]]
    assert page.complaints == []


def test_a_map_without_an_earlier_one_does_not_speak_of_it(opened: Open, map_file: Path) -> None:
    expect(ready(opened(map_file)).locator("#compared")).to_be_hidden()


def test_the_public_map_tells_nobody_moved(later: tuple[Assessment, Earlier]) -> None:
    with pytest.raises(ValueError, match="only the staff map"):
        map_page(later[0], "public", earlier=later[1])


# ------------------------------------------------------------------------------- down the water


def test_the_way_goes_on_down_from_line_to_line(alone: Any) -> None:
    got = alone.evaluate(
        """() => {
            const lines = [
                [[0, 100], [50, 100], [100, 100]],   // the branch the path ends at
                [[100, 200], [100, 101], [100, 0]],  // the stream it runs into, half way down
                [[60, 300], [100, 201]],             // another one, above
                [[99, -2], [99, -80]],               // and on, joined within some meters
            ];
            const run = [0];
            const [x, y] = [[], []];
            for (const line of lines) {
                for (const [a, b] of line) { x.push(a); y.push(b); }
                run.push(x.length);
            }
            const box = (r) => {
                const [xs, ys] = [x.slice(run[r], run[r + 1]), y.slice(run[r], run[r + 1])];
                const [west, east] = [Math.min(...xs), Math.max(...xs)];
                return { west, east, south: Math.min(...ys), north: Math.max(...ys) };
            };
            return downWater.follow({ x, y, run, row: [0, 1, 2, 3, 4], box, count: 4 }, 20, 130);
        }"""
    )
    assert got["lines"] == [0, 1, 3]
    assert got["way"][:3] == [[20, 130], [20, 100], [50, 100]]
    assert got["way"][-1] == [99, -80]
    assert [60, 300] not in got["way"]


# ------------------------------------------------------------------------------------- pictures


def test_a_picture_of_the_map_is_saved(opened: Open, map_file: Path) -> None:
    page = ready(opened(map_file, color_scheme="dark"))
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save image").click()
    assert saved.value.suggested_filename == "larkmoor_county_map_april_1_2026_staff.png"
    image = Image.open(saved.value.path()).convert("RGB")
    size = page.locator("#map").bounding_box()
    assert image.width > 2 * (size["width"] + 200)
    assert image.getpixel((4, 4)) == (255, 255, 255)  # paper, though the screen is dark
    first = page.evaluate(
        """() => {
            const root = document.documentElement;
            root.classList.add("printing-colors");
            return getComputedStyle(root).getPropertyValue("--first").trim();
        }"""
    )
    wanted = tuple(int(first[i : i + 2], 16) for i in (1, 3, 5))
    colors = {c: n for n, c in image.getcolors(1 << 24)}
    assert colors.get(wanted, 0) > 200
    assert page.complaints == []


def test_storms_that_say_the_same_stand_in_one_row_and_none_is_not_unknown(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    units = assessment.units.copy()
    kept = [name for name in units if not re.search(r"_\d+yr_|_wet_|why_due|must_visit_by", name)]
    units = units[kept]
    depths = {1: 0.0, 2: 0.0, 5: 0.0, 10: 0.3, 25: 0.4, 50: np.nan, 100: np.nan}
    for years, depth in depths.items():
        units[f"lid_pond_depth_{years}yr_m"] = depth
    units["lid_wet_state"] = "dry_in_all"
    units["lid_wet_return_yr"] = np.nan
    units["why_due"] = units["must_visit_by"] = None
    units["days_since_inspection"] = np.nan
    units["last_result"] = "unknown"
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(dataclasses.replace(assessment, units=units)), encoding="utf-8")
    page = opened(path, anchor=f"#unit={units['unit_id'].iloc[3]}")
    expect(page.locator("#unit .fact").first).to_be_visible()
    stated = dict(
        page.evaluate(
            "[...document.querySelectorAll('#unit .fact')].map((fact) =>"
            " [...fact.children].map((part) => part.textContent))"
        )
    )
    assert stated["At the lid, 1-year to 5-year storm"] == "none"
    assert stated["At the lid, 10-year storm"] == "12\u00a0in"  # 0.3 m, an inch being 25.4 mm
    assert stated["At the lid, 25-year storm"] == "16\u00a0in"
    assert stated["At the lid, 50-year to 100-year storm"] == "not known"
    assert "Smallest storm that reaches it" not in stated
    assert stated["Visit due"] == "none on the visit schedule"
    assert stated["Completed visit"] == "none on record"


def test_doubts_are_told_in_the_measures_of_the_county(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    unit = assessment.units["unit_id"].iloc[2]
    row = dict.fromkeys(assessment.problems.columns) | {
        "layer": "units",
        "feature_id": unit,
        "code": "link_unconfirmed",
        "severity": "note",
        "message": "discharge point 'D 3 m' was taken: it is the nearest, 31.1 m away",
        "action": "kept",
    }
    changed = dataclasses.replace(assessment, problems=pd.DataFrame([row]))
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(changed), encoding="utf-8")
    page = opened(path, anchor=f"#unit={unit}")
    # 31.1 m / 0.3048 = 102.03 ft, said to the nearest ten
    expect(page.locator("#unit .gaps").filter(has_text="Problems in its record")).to_contain_text(
        "Discharge point 'D 3 m' was taken: it is the nearest, 100 ft away"
    )


def test_bars_are_as_long_as_they_say(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    got = page.evaluate("furniture.lengths(1000).concat(furniture.lengths(9000))")
    # 1 ft = 0.3048 m and 1 mi = 5,280 ft exactly (international foot)
    assert [each["said"] for each in got] == ["2,000 ft", "1 km", "5 mi", "5 km"]
    assert [each["meters"] for each in got] == pytest.approx([609.6, 1000, 8046.72, 5000])


# ------------------------------------------------------------------------------------- for all


def test_the_chosen_unit_is_said_aloud(opened: Open, map_file: Path) -> None:
    page = ready(opened(map_file))
    page.locator("#rows button").first.click()
    expect(page.get_by_role("status").first).to_have_text("LK-0053 selected: Visit first, rank 1.")
    link = page.get_by_role("link", name="Visit sheet for LK-0053")
    expect(link).to_have_attribute("href", "visits/visit_LK-0053_staff.html")
    expect(page.locator("#unit .pages")).to_contain_text("rillmark visit . LK-0053")


def test_what_is_owed_is_not_told_twice(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    text, more = "A sample was due. The visit of June 1, 2025 failed.", "Its permit ends."
    units = assessment.units.assign(
        why_due=[text, f"{text} | {more}", *[None] * 58],
        reasons=[f"{text} | A well is near.", f"{text} | A well is near.", *["x"] * 58],
        ranked_by=["owed", "owed", *["score"] * 58],
        must_visit_by=pd.to_datetime(["2026-03-31", "2026-04-01", *[None] * 58]),
    )
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(dataclasses.replace(assessment, units=units)), encoding="utf-8")
    page = ready(opened(path))
    expect(page.locator("#rows button").nth(0).locator(".row-order .small")).to_have_text("overdue")
    expect(page.locator("#rows button").nth(1)).to_contain_text("visit due")
    expect(page.locator("#rows button").nth(2)).to_contain_text("score")
    page.locator("#rows button").nth(0).click()
    expect(page.locator("#unit .why")).to_contain_text(text)
    expect(page.locator("#unit .fact").filter(has_text="Owed")).to_have_count(0)
    page.locator("#rows button").nth(1).click()
    owed = page.locator("#unit .fact").filter(has_text="Also due because")
    expect(owed.locator("dd")).to_have_text(more)


def test_one_question_of_several_storms_is_one_row_with_a_choice(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    units = assessment.units.copy()
    for years in (2, 10, 100):
        units[f"lid_pond_depth_{years}yr_m"] = 0.0
    wet_from = np.where(units["rank"] % 3 == 0, 100.0, np.nan)
    wet_from[1], wet_from[4] = 10.0, 2.0
    units["lid_wet_return_yr"] = wet_from
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(dataclasses.replace(assessment, units=units)), encoding="utf-8")
    page = ready(opened(path))
    page.locator("#filters > summary").click()
    row = page.locator("#filter-rows .layer", has=page.locator("#with-storm"))
    storm = row.get_by_label("Lid under water in a storm, which storm")
    expect(row).to_have_count(1)
    assert storm.locator("option").all_inner_texts() == ["2-year", "10-year", "100-year"]
    expect(storm).to_have_value("10-year")  # as the ponds of the legend

    def wet(years: int) -> list[str]:
        return units.loc[units["lid_wet_return_yr"] <= years, "unit_id"].tolist()

    tick = row.get_by_label("Lid under water in a storm", exact=True)
    tick.check()
    expect(page.locator("#with-storm")).to_be_focused()
    assert shown(page) == wet(10)
    storm.select_option("100-year")
    assert shown(page) == wet(100)
    expect(row.locator(".how-many")).to_have_text(str(len(wet(100))))
    expect(page.locator("#in-force-words")).to_have_text("Lid under water in a 100-year storm")
    tick.uncheck()
    assert len(shown(page)) == len(units)
    expect(storm).to_have_value("100-year")  # kept for the next time
    both = "#with=lid-wet-2~lid-wet-10"
    old = ready(opened(path, anchor=both))  # an address of before there was a choice
    assert shown(old) == wet(10)
    old.locator("#filters > summary").click()
    expect(old.locator("#with-storm-years")).to_have_value("10-year")
    assert page.complaints == old.complaints == []


def test_no_name_of_a_place_covers_a_sign(opened: Open, map_file: Path) -> None:
    drawn = ready(opened(map_file)).evaluate(
        """() => {
            const context = document.createElement("canvas").getContext("2d");
            const said = [];
            const half = (text) => context.measureText(text).width / 2;
            context.fillText = (text, x, y) => said.push([x, y, half(text)]);
            const x = [0, 0, 300, 314, 326, 336, 322, 308];
            const y = [0, 40, 0, 5, -6, 4, -18, 16];
            const layer = { name: "outlet_candidates", kind: "point", on: true, fromZoom: 0,
                shapes: () => ({ at: { x, y }, names: (row) => `${row}) about 1 in 10` }) };
            const view = { zoom: 18, width: 900, height: 900, margin: 0,
                x: (m) => m + 200, y: (m) => 200 - m,
                box: { west: -900, east: 900, south: -900, north: 900 } };
            const colors = { font: "sans-serif", halo: "#fff", name: "#000", protected: "#000" };
            ground.draw(context, view, [layer], colors, []);
            return { said, signs: x.map((m, i) => [view.x(m), view.y(y[i])]) };
        }"""
    )
    names = [(x - half, x + half, y - 6, y + 6) for x, y, half in drawn["said"]]
    assert len(names) >= 4  # the two that stand alone, and those at the rim of the crowd
    for west, east, top, bottom in names:
        for x, y in drawn["signs"]:
            assert x + 5 < west or x - 5 > east or y + 5 < top or y - 5 > bottom
    for i, one in enumerate(names):
        for other in names[:i]:
            apart = one[1] < other[0] or other[1] < one[0] or one[3] < other[2] or other[3] < one[2]
            assert apart


def test_no_name_lies_under_a_mark_or_the_way_of_the_chosen_unit(
    opened: Open, map_file: Path
) -> None:
    """Some units at two zooms: what is written on the ground, and what is drawn over it."""
    page = ready(opened(map_file))
    stated = page.evaluate(
        """async () => {
            const rest = (ms) => new Promise((done) => setTimeout(done, ms));
            const paint = CanvasRenderingContext2D.prototype.fillText;
            let said = [];
            const isGround = (canvas) => canvas.closest(".leaflet-ground-pane") !== null;
            const width = Object.getOwnPropertyDescriptor(HTMLCanvasElement.prototype, "width");
            Object.defineProperty(HTMLCanvasElement.prototype, "width", { ...width, set(wide) {
                if (isGround(this)) said = []; // a new painting begins so
                width.set.call(this, wide);
            } });
            CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
                const half = this.measureText(text).width / 2;
                if (isGround(this.canvas)) said.push([text, x - half, x + half, y - 6, y + 6]);
                return paint.call(this, text, x, y);
            };
            const model = countyPage.model();
            const found = [];
            while (!model.flowPaths()) await rest(20);
            for (const row of [...model.visible.keys()].filter((row) => model.runsTo(row))) {
                location.hash = `#unit=${encodeURIComponent(model.data.units.id[row])}`;
                await rest(400); // until the map has come to rest at it
                for (const zoom of [14, 16]) {
                    map_county.setZoom(zoom, { animate: false });
                    await rest(200);
                    const ground = document.querySelector(".leaflet-ground-pane canvas");
                    const canvas = ground.getBoundingClientRect();
                    const box = map_county.getContainer().getBoundingClientRect();
                    const { plane } = model.data;
                    const at = ([x, y]) => {
                        const p = map_county.latLngToContainerPoint(
                            L.CRS.EPSG3857.unproject(L.point(plane[0] + x, plane[1] + y)));
                        return [p.x + box.x - canvas.x, p.y + box.y - canvas.y];
                    };
                    const { x, y } = model.places;
                    const units = model.visible.filter(model.hasPlace);
                    found.push({ said, way: chosenLayer.wayPlaces(model).map(at),
                        marks: units.map((unit) => at([x[unit], y[unit]])) });
                }
                if (found.length >= 12) break;
            }
            return found;
        }"""
    )
    assert len(stated) == 12
    assert sum(len(each["said"]) for each in stated) > 12
    assert all(each["way"] for each in stated)
    for each in stated:
        for name, west, east, top, bottom in each["said"]:
            for x, y in [*each["way"], *each["marks"]]:
                inside = west + 2 < x < east - 2 and top + 2 < y < bottom - 2
                assert not inside, (name, x, y)
