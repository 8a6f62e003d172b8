"""How the map behaves for a person: honest counts, doubt drawn, search, legend, phone, paper."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import expect
from pyproj import Geod, Transformer
from shapely.geometry import Point

from geo.publish import map_page
from geo.publish.map.units.details import BLOCK_UNITS
from geo.publish.shared import assets
from layers.store import Assessment
from support.made_checks import check, with_checks

pytestmark = pytest.mark.browser
Open = Callable[..., Any]


def page_of(assessment: Assessment, tmp_path: Path) -> Path:
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(assessment), encoding="utf-8")
    return path


def ink(page: Any, pane: str, color: str | None = None) -> int:
    """How many pixels of a canvas are painted, or painted in just this color."""
    return page.evaluate(
        """async ([pane, color]) => {
            await new Promise(requestAnimationFrame);
            const canvas = map_county.getPane(pane).querySelector("canvas");
            const copy = document.createElement("canvas");
            [copy.width, copy.height] = [canvas.width, canvas.height];
            const context = copy.getContext("2d", { willReadFrequently: true });
            context.drawImage(canvas, 0, 0);
            const { data } = context.getImageData(0, 0, copy.width, copy.height);
            const style = getComputedStyle(document.documentElement);
            const value = color && style.getPropertyValue(color).trim();
            const wanted = value && [1, 3, 5].map((i) => parseInt(value.slice(i, i + 2), 16));
            let count = 0;
            for (let i = 0; i < data.length; i += 4) {
                const same = !wanted || wanted.every((v, k) => data[i + k] === v);
                if (data[i + 3] && same) count += 1;
            }
            return count;
        }""",
        [pane, color],
    )


# ------------------------------------------------------------------------------------ setbacks


def test_no_rule_that_applies_is_not_a_clean_bill(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    no_rule = check(verdict="no_rule", in_force=False)
    rows = [no_rule] * 2 + [no_rule | {"distance_m": None}] * 7
    page = opened(page_of(with_checks(assessment, {0: rows}), tmp_path))
    page.locator("#rows button").first.click()
    expect(page.locator(".setbacks .summary")).to_have_text(
        "No setback rule applies to this unit. 2 of 9 distances could be calculated."
    )
    expect(page.locator(".setbacks")).not_to_contain_text("clear")


def test_every_state_is_counted_and_what_is_not_known_stands_apart(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    unknown = check(
        verdict="uncertain", distance_m=None, part="discharge_point", settled_by="locate"
    )
    rows = [
        check(verdict="short", distance_m=9.0),
        *[check(verdict="uncertain", settled_by="fix_part")] * 2,
        *[unknown] * 4,
        *[check()] * 3,
        check(verdict="no_rule", in_force=False),
    ]
    page = opened(page_of(with_checks(assessment, {0: rows}), tmp_path))
    page.locator("#rows button").first.click()
    expect(page.locator(".setbacks .summary")).to_have_text(
        "Of 10 checks, 1 appears inside its setback, 2 are too close to tell, 4 are not known and 3"
        " appear clear. 1 rule does not apply to this unit."
    )
    shown = page.locator(".setbacks > .scroll")
    expect(shown.get_by_text("appears inside its setback")).to_have_count(1)
    expect(shown.get_by_text("too close to tell", exact=True)).to_have_count(2)
    expect(shown.get_by_text("not known")).to_have_count(0)
    expect(shown).to_contain_text("A better position of the lid would answer it.")
    expect(page.locator(".untold")).to_have_text(
        "4 checks are not known. The discharge point is not on record. Find it first."
    )
    expect(page.locator(".setbacks summary", has_text="3 other checks")).to_be_visible()
    page.get_by_text("1 rule that does not apply").click()
    expect(page.locator(".setbacks details[open]")).to_contain_text(
        "Not the rule for 2004, the year of its permit."
    )


# ----------------------------------------------------------------------- position accuracy


@pytest.mark.parametrize("latitude", [25.0, 43.0, 60.0])
def test_a_circle_is_as_large_as_on_the_ground(
    opened: Open, map_file: Path, latitude: float
) -> None:
    # reference: PROJ's geodesic on the ellipsoid, 100 m to the east
    east, _, _ = Geod(ellps="WGS84").fwd(-88.0, latitude, 90, 100)
    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True).transform
    (x0, y0), (x1, _) = to_plane(-88.0, latitude), to_plane(east, latitude)
    page = opened(map_file)
    assert page.evaluate("(y) => chosenLayer.planeMeters(y)", y0) == pytest.approx(
        (x1 - x0) / 100, rel=0.007
    )


def radius_drawn(page: Any) -> float:
    """How far from the middle of the chosen unit, in pixels, its circle reaches to the left."""
    return page.evaluate(
        """async () => {
            await new Promise(requestAnimationFrame);
            const canvas = map_county.getPane("units").querySelector("canvas");
            const context = canvas.getContext("2d");
            const seen = canvas.getBoundingClientRect();
            const box = map_county.getContainer().getBoundingClientRect();
            const size = map_county.getSize();
            const [x, y] = [box.x - seen.x + size.x / 2, box.y - seen.y + size.y / 2];
            const { data } = context.getImageData(0, Math.round(y), Math.round(x), 1);
            for (let i = 3; i < data.length; i += 4) if (data[i]) return x - (i - 3) / 4;
            return 0;
        }"""
    )


def test_the_circle_grows_with_the_accuracy_and_can_be_switched_off(
    opened: Open, bare: Assessment, tmp_path: Path
) -> None:
    units = bare.units.assign(accuracy95_m=[30.0, np.nan])
    page = opened(page_of(dataclasses.replace(bare, units=units), tmp_path), anchor="#unit=1")
    legend = page.locator("#legend")
    legend.locator("summary").click()
    expect(legend).to_contain_text("Position accuracy")
    meters = 2 * np.pi * 6378137 / 256 / 2 ** page.evaluate("map_county.getZoom()")
    latitude = units.to_crs(4326).geometry.iloc[0].y
    assert radius_drawn(page) == pytest.approx(
        30 / (meters * np.cos(np.radians(latitude))), rel=0.02, abs=2
    )
    page.get_by_label("Position accuracy").uncheck()
    assert radius_drawn(page) < 20  # the mark and its corners


def test_no_accuracy_on_record_is_no_row_in_the_legend(
    opened: Open, bare: Assessment, tmp_path: Path
) -> None:
    page = opened(page_of(bare, tmp_path))
    expect(page.locator("#legend")).not_to_contain_text("Position accuracy")


def test_small_lengths_are_never_nought(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    units = assessment.units.copy()
    units["accuracy95_m"] = 0.1
    units["well_distance_m"] = 0.005
    units["flood_distance_m"] = 0.0
    units["lid_pond_depth_brim_m"] = [0.004] * 59 + [0.0]
    path = page_of(dataclasses.replace(assessment, units=units), tmp_path)
    page = opened(path, anchor=f"#unit={units['unit_id'].iloc[0]}")

    def fact(label: str) -> Any:
        return page.locator("#unit .fact").filter(has_text=label).locator("dd")

    expect(fact("Position accuracy")).to_have_text("4\u00a0in")
    expect(fact("Distance to it").first).to_have_text("under 1 in")
    expect(fact("To the Special Flood Hazard Area (1% a year)")).to_have_text("inside it")
    expect(fact("At the lid, low spot filled to overflow")).to_have_text("under 1 in")
    whole = re.compile("Setback checks.*How the score", re.S)
    expect(page.locator("#unit")).to_contain_text(whole)
    text = page.locator("#unit").inner_text()
    shown = text.split("Setback checks")[1].split("How the score")[1]
    assert not re.search(r"95\s?%", shown)
    page.evaluate(f"location.hash = '#unit={units['unit_id'].iloc[59]}'")
    expect(fact("At the lid, low spot filled to overflow")).to_have_text("none")


# ------------------------------------------------------------------------------------- filters


def test_pipes_and_paths_go_with_their_units_and_orphans_stay(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    unit = assessment.units.geometry.iloc[0]
    orphan = gpd.GeoDataFrame(
        {"discharge_point_id": ["D9"], "unit_id": [None], "accuracy95_m": [3.0]},
        geometry=[Point(unit.x + 40, unit.y)],
        crs=assessment.units.crs,
    )
    outlets = pd.concat([assessment.discharge_points, orphan], ignore_index=True)

    def opened_there(points: gpd.GeoDataFrame) -> Any:
        changed = dataclasses.replace(assessment, discharge_points=points)
        page = opened(page_of(changed, tmp_path))
        page.evaluate(
            """([x, y]) => map_county.setView(L.CRS.EPSG3857.unproject(L.point(x, y)), 18,
                                              { animate: false })""",
            list(assessment.units.to_crs(3857).geometry.iloc[0].coords[0]),
        )
        return page

    page, alone = opened_there(outlets), opened_there(orphan)
    assert ink(page, "units") > ink(alone, "units") > 0
    for each in (page, alone):
        for label in ("Visit first", "Visit next", "Routine"):
            each.get_by_label(label).uncheck()
    assert ink(page, "units") == ink(alone, "units") > 0
    page.get_by_label("Discharge points", exact=True).uncheck()
    assert ink(page, "units") == 0  # the orphan was all that was left


# -------------------------------------------------------------------------------------- search

IDS = ["11261", "00112", "LK-0030", "7", "8", "9"]
ADDRESSES = [
    "171 Fennel Road", "12 Orchard Lane", "9 N. Mill St.", "4 Stone Bridge Rd", "262 Larkmoor Pike",
    "77 Mill Lane",
]  # fmt: skip


@pytest.mark.parametrize(
    ("query", "rows"),
    [
        ("fennel rd 171", [0]),
        ("Road, Fennel", [0]),
        ("FENEL road", [0]),
        ("fennle", [0]),
        ("fannel", [0]),
        ("fennnel", [0]),
        ("fnnl", []),
        ("171 fennel lane", []),
        ("172 fennel", []),
        ("orchard ln", [1]),
        ("orchard rd", []),
        ("mill street", [2]),
        ("north mill st", [2]),
        ("st", [2, 3]),
        ("larkmoor turnpike", [4]),
        ("larkmoor pk", [4]),
        ("larkmoor pkie", [4]),
        ("126", [0]),
        ("030", [2]),
        ("1261", [0]),
        ("112", [0, 1]),
        ("mill", [2, 5]),
        ("7", [3, 0, 5]),
        ("", []),
        ("mil", [2, 5]),
        ("mlil", [2, 5]),
    ],
)
def test_search_forgives(opened: Open, query: str, rows: list[int], searching_page: Any) -> None:
    found = searching_page.evaluate(
        """([ids, addresses, query]) =>
            searching.find(searching.build(ids, (row) => addresses[row]), query).rows""",
        [IDS, ADDRESSES, query],
    )
    assert found == rows


def test_a_forgiven_word_is_said(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    page.get_by_label("Unit number, address or parcel").fill("112 invnted lane")
    expect(page.locator("#count")).to_have_text("1 unit found with a similar spelling")


@pytest.fixture(scope="module")
def searching_page(browser: Any) -> Any:
    """An empty page with the search alone."""
    context = browser.new_context()
    page = context.new_page()
    page.add_script_tag(
        content=assets.page_file("searching.js").replace("const searching", "window.searching", 1)
    )
    yield page
    context.close()


# -------------------------------------------------------------------------------------- legend


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1500, 950), (1000, 700)])
def test_legend_leaves_most_of_the_map_free_beside_a_unit(
    opened: Open, map_file: Path, width: int, height: int
) -> None:
    page = opened(map_file, viewport={"width": width, "height": height})
    page.locator("#rows button").first.click()
    assert page.locator("#legend").get_attribute("open") is None
    page.locator("#legend summary").click()
    page.get_by_label("Low spots, filled to overflow").check()
    expect(page.locator("#legend").get_by_text("over 39 in deep")).to_be_in_viewport(ratio=0.9)
    expect(page.locator("#legend summary")).to_be_in_viewport(ratio=0.9)
    legend, shown = page.locator("#legend").bounding_box(), page.locator("#map").bounding_box()
    share = legend["width"] * legend["height"] / (shown["width"] * shown["height"])
    assert share < 0.3


def test_a_layer_that_needs_a_closer_look_offers_it(opened: Open, map_file: Path) -> None:
    page = opened(map_file)
    closer = page.get_by_role("button", name="Zoom in to show Parcels")
    before = ink(page, "ground", "--parcel")
    closer.click()
    assert page.evaluate("map_county.getZoom()") == 16
    for _ in range(40):  # the layer is unpacked now
        if ink(page, "ground", "--parcel") > before:
            break
    assert ink(page, "ground", "--parcel") > before
    expect(page.get_by_label("Parcels", exact=True)).to_be_focused()
    expect(closer).to_be_hidden()


# --------------------------------------------------------------------------------------- phone


def test_on_a_phone_the_map_comes_first(opened: Open, map_file: Path) -> None:
    page = opened(map_file, viewport={"width": 390, "height": 800})
    shown = page.locator("#map").bounding_box()
    assert shown["y"] < 800 / 4
    assert shown["height"] > 800 / 2
    order = ["#map", "#legend", "#search", "#rows", "#notes"]
    tops = [page.locator(name).bounding_box()["y"] for name in order]
    assert tops == sorted(tops)
    page.locator("#rows button").nth(3).scroll_into_view_if_needed()
    page.locator("#rows button").nth(3).click()
    expect(page.locator("#unit h2")).to_be_in_viewport()
    page.evaluate("scrollTo(0, 0)")
    page.locator("#legend summary").click()
    shown, legend = page.locator("#map").bounding_box(), page.locator("#legend").bounding_box()
    assert legend["y"] >= shown["y"] + shown["height"]  # below the map, so that it hides nothing


# ---------------------------------------------------------------------------------- many units


def test_details_are_read_in_blocks_when_asked_for(
    opened: Open,
    assessment: Assessment,
    many_units: Callable[[int], gpd.GeoDataFrame],
    tmp_path: Path,
) -> None:
    units = many_units(9_000)
    short = {"verdict": "short", "distance_m": 9.0}
    rows = (BLOCK_UNITS - 1, BLOCK_UNITS, 8_500)
    changed = with_checks(
        dataclasses.replace(assessment, units=units),
        {row: [check(feature_id=f"W{row}", **short)] for row in rows},
    )
    path = page_of(changed, tmp_path)
    assert path.read_text("utf-8").count('id="block-details-') == -(-9_000 // BLOCK_UNITS)
    for row in rows:
        unit = units.iloc[row]
        page = opened(path, anchor=f"#unit={unit['unit_id']}")
        panel = page.locator("#unit")
        expect(panel.locator(".setbacks table")).to_contain_text(f"W{row}")
        expect(panel.locator(".why")).to_contain_text(unit["reasons"].split(" | ")[0])
        expect(panel).to_contain_text(unit["address"])
        points = [float(t) for t in panel.locator(".parts tbody .number").all_text_contents()]
        assert sum(points) == pytest.approx(float(f"{unit['score']:.1f}"), abs=1e-9)
        assert page.complaints == []


# --------------------------------------------------------------------------------------- words


def test_what_was_never_given_is_no_fault(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    columns = ["layer", "row", "feature_id", "code", "severity", "message", "action"]
    rows = [
        ("taped_distances", None, None, "layer_missing", "warning", "", "layer_left_out"),
        ("terrain", None, None, "terrain_missing", "warning", "", "layer_left_out"),
        ("soils", None, None, "layer_missing", "warning", "", "layer_left_out"),
        ("wells", None, None, "layer_unreadable", "error", "", "layer_left_out"),
    ]
    notes = ["No soils layer: runoff from storms is not computed."]
    changed = dataclasses.replace(
        assessment,
        problems=pd.DataFrame(rows, columns=columns),
        run=dataclasses.replace(assessment.run, notes=notes),
    )
    page = opened(page_of(changed, tmp_path))
    page.locator("#notes summary").click()
    shown = page.locator("#notes-body li").all_inner_texts()
    assert shown == [
        *notes,
        "1 input layer could not be used.",
        "Layers not given: taped distances, terrain.",
    ]


def places_on_the_way(page: Any, key: str) -> tuple[int, int]:
    """How many places the map's middle takes, and how many things glide, after a key."""
    page.evaluate(
        """() => {
            const seen = new Set();
            let most = 0;
            const until = performance.now() + 700;
            window.watched = new Promise((done) => {
                const look = () => {
                    const { lat, lng } = map_county.getCenter();
                    seen.add(`${lat.toFixed(6)} ${lng.toFixed(6)}`);
                    most = Math.max(most, document.getAnimations().length);
                    if (performance.now() < until) requestAnimationFrame(look);
                    else done([seen.size, most]);
                };
                look();
            });
        }"""
    )
    page.locator("#map").focus()
    page.keyboard.press(key)
    return tuple(page.evaluate("window.watched"))


@pytest.mark.parametrize("audience", ["staff", "public"])
def test_nothing_glides_where_less_motion_is_asked_for(
    opened: Open, assessment: Assessment, tmp_path: Path, audience: str
) -> None:
    file = tmp_path / f"map_{audience}.html"
    file.write_text(map_page(assessment, audience=audience), encoding="utf-8")
    usual, still = (opened(file, reduced_motion=motion) for motion in ("no-preference", "reduce"))
    for page in (usual, still):
        page.locator("#page[data-ready]").wait_for()
    assert places_on_the_way(usual, "ArrowRight")[0] > 2
    assert places_on_the_way(usual, "+")[1] > 0
    assert places_on_the_way(still, "ArrowRight") == (2, 0)
    assert places_on_the_way(still, "+") == (1, 0)
    assert still.complaints == []


def test_no_name_stands_under_what_lies_over_the_map(opened: Open, map_file: Path) -> None:
    page = opened(map_file, viewport={"width": 1440, "height": 900})
    page.locator("#page[data-ready]").wait_for()
    kept = """() => {
        const view = { width: 1400, height: 1260, margin: 1 / 7 };
        const [acts, legend, ...edges] = placeNames.kept(view);
        const box = map_county.getContainer().getBoundingClientRect();
        return { acts, legend, edges, at: [box.x, box.y] };
    }"""
    shown = page.evaluate(kept)
    west, north = (shown["at"][i] for i in (0, 1))
    for name, node in (("acts", ".map-acts"), ("legend", "#legend")):
        got, seen = shown[name], page.locator(node).bounding_box()
        assert got["west"] - 200 + west == pytest.approx(seen["x"], abs=1.5)
        assert got["south"] - 180 + north == pytest.approx(seen["y"], abs=1.5)
        assert got["east"] - got["west"] == pytest.approx(seen["width"], abs=1)
        assert got["north"] - got["south"] == pytest.approx(seen["height"], abs=1)
    endless = -float("inf")
    assert [(each["west"], each["south"]) for each in shown["edges"]] == [
        (200, endless), (1200, endless), (endless, 180), (endless, 1080),
    ]  # fmt: skip
    page.locator("#legend > summary").click()
    assert page.evaluate(kept)["legend"]["north"] < got["north"]
