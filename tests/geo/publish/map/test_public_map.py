"""The public map's file holds no household: searched byte by byte, every block unpacked."""

from __future__ import annotations

import dataclasses
import json
import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import expect

from geo.publish import map_page
from geo.results import cautions
from layers.errors import RillmarkError
from layers.store import Assessment
from support.assessments import with_tables

Open = Callable[..., Any]
BytesOf = Callable[[str], bytes]


@pytest.fixture(scope="module")
def public_page(assessment: Assessment) -> str:
    return map_page(assessment, audience="public")


def blocks_of(page: str) -> dict[str, str]:
    return dict(re.findall(r'id="block-([^"]+)">([^<]*)<', page))


@pytest.fixture(scope="module")
def everything(public_page: str, bytes_of: BytesOf) -> str:
    """The page, with every block of it unpacked, as one text; the relief is the terrain's alone."""
    shown = [re.sub(r'(id="block-[^"]+">)[^<]*', r"\1", public_page)]
    for name, text in blocks_of(public_page).items():
        if not name.startswith("picture-"):
            shown.append(zlib.decompress(bytes_of(text), -15).decode("latin-1"))
    return "\n".join(shown)


def test_no_id_name_address_or_finding_is_in_the_file(
    everything: str, assessment: Assessment
) -> None:
    hidden = set()
    for frame, columns in (
        (assessment.units, ["unit_id", "address", "parcel_id", "discharge_point_id", "reasons"]),
        (assessment.discharge_points, ["discharge_point_id"]),
        (assessment.context["wells"], ["well_id"]),
        (assessment.context["parcels"], ["parcel_id"]),
    ):
        for column in columns:
            hidden |= {str(v) for v in frame[column].dropna() if len(str(v)) > 3}
    hidden |= {part for text in assessment.units["reasons"] for part in text.split(" | ")}
    assert len(hidden) > 300
    assert [text for text in sorted(hidden) if text in everything] == []
    assert "repair" not in public_text(everything)


def public_text(everything: str) -> str:
    found = re.search(r'id="page-data">(.*?)</script>', everything, re.S)
    assert found is not None
    return found.group(1)


def numbers_in(shown: Any) -> list[float]:
    if isinstance(shown, dict):
        return [n for value in shown.values() for n in numbers_in(value)]
    if isinstance(shown, list):
        return [n for value in shown for n in numbers_in(value)]
    return [float(shown)] if isinstance(shown, int | float) and not isinstance(shown, bool) else []


def test_no_place_of_a_unit_outlet_or_well_is_in_the_file(
    public_page: str, everything: str, assessment: Assessment, undo: Callable[[str], Any]
) -> None:
    hidden = [
        frame.to_crs(crs).geometry
        for frame in (
            assessment.units, assessment.discharge_points, assessment.context["wells"],
            assessment.search.candidates,
        )
        for crs in (4326, 3857, frame.crs)
    ]  # fmt: skip
    text = public_text(everything)
    for places in hidden:
        for point in places:
            for decimals in range(2, 7):
                both = [f"{v:.{decimals}f}" for v in (point.x, point.y)]
                assert not all(each in text for each in both)
    data = json.loads(text)
    x0, y0, step = data["plane"]
    vertices = [np.array([[x0, y0]])]
    for name, block in blocks_of(public_page).items():
        if name.startswith("picture-"):
            continue
        shown = undo(block)
        if "parts" in shown:
            at = np.cumsum(np.column_stack([shown["x"], shown["y"]]), axis=0) * shown["step"]
            vertices.append(at + np.array([x0, y0]))
    drawn = np.concatenate(vertices)
    for frame in (
        assessment.units, assessment.discharge_points, assessment.context["wells"],
        assessment.search.candidates,
    ):  # fmt: skip
        for point in frame.to_crs(3857).geometry:
            assert np.hypot(*(drawn - (point.x, point.y)).T).min() > 2 * step


def test_only_public_layers_and_public_numbers_are_there(
    public_page: str, undo: Callable[[str], Any]
) -> None:
    assert sorted(blocks_of(public_page)) == [
        "cells", "layer-floodplain", "layer-roads", "layer-streams", "layer-water_bodies",
        "picture-pond_storms", "picture-relief",
    ]  # fmt: skip
    cells = undo(blocks_of(public_page)["cells"])
    assert all(units % 5 == 0 and units >= 10 for units in cells["units"])
    assert set(cells["first"]) <= set(range(5))


def test_the_units_shape_nothing_but_the_cells(assessment: Assessment) -> None:
    moved = assessment.units.copy()
    moved["geometry"] = moved.geometry.translate(3.0, -2.0)
    moved["address"] = "elsewhere"
    other = dataclasses.replace(
        assessment, units=moved, discharge_points=assessment.discharge_points.iloc[:3]
    )
    assert map_page(other, audience="public") == map_page(assessment, audience="public")


def test_without_public_cells_it_is_refused(bare: Assessment) -> None:
    old = with_tables(bare, public_cells=pd.DataFrame())
    with pytest.raises(RillmarkError, match="no areas that may be shown to everybody"):
        map_page(old, audience="public")


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_public_page_opens_shows_its_areas_and_holds(
    opened: Open, public_page: str, tmp_path: Path, assessment: Assessment, scheme: str
) -> None:
    path = tmp_path / "map_public.html"
    path.write_text(public_page, encoding="utf-8")
    page = opened(path, color_scheme=scheme)
    count = len(assessment.areas.public_cells)
    expect(page.locator("#rows tbody tr")).to_have_count(count)
    expect(page.locator("#count")).to_contain_text("area")
    expect(page.locator("header")).to_contain_text("Public edition")
    page.get_by_label("Percent of lids storm or flood water may cover").check()
    page.locator("#notes summary").click()
    expect(page.locator("#notes-body")).to_contain_text("at least 11 units")
    page.wait_for_function("map_county.getPane('units').querySelector('canvas') !== null")
    assert page.complaints == []
    assert {a.split(":")[0] for a in page.asked} <= {"file", "data", "blob"}


@pytest.fixture
def public_file(public_page: str, tmp_path: Path) -> Path:
    path = tmp_path / "map_public.html"
    path.write_text(public_page, encoding="utf-8")
    return path


PONDS = "[...map_county.getPane('ponds').querySelectorAll('img')].map((image) => image.src)"


def ponds(page: Any) -> list[str]:
    return page.evaluate(PONDS)


@pytest.mark.browser
def test_a_storm_is_chosen_and_the_address_keeps_the_view(opened: Open, public_file: Path) -> None:
    page = opened(public_file)
    page.locator("#page[data-ready]").wait_for()
    assert "#" not in page.url
    page.get_by_label("Ponding after a storm").check()
    expect(page.locator("#legend")).to_contain_text(
        f"10-year storm, water 2 in deep or more. {cautions.RAIN_ONLY}"
    )
    page.wait_for_function(f"{PONDS}.length === 1")
    ten = ponds(page)
    page.get_by_label("Which storm").select_option("100")
    page.wait_for_function(f"(ten) => {PONDS}.length === 1 && {PONDS}[0] !== ten", arg=ten[0])
    page.get_by_label("Percent of lids storm or flood water may cover").check()
    page.get_by_label("Roads", exact=True).uncheck()
    assert page.url.endswith("#show=wet&storm=100&off=roads")
    # over the shades of the areas, under the county's layers
    heights = page.evaluate(
        "['ground', 'ponds', 'units'].map((name) => Number(map_county.getPane(name).style.zIndex))"
    )
    assert heights == sorted(heights)

    other = opened(public_file, anchor="#show=wet&storm=100&off=roads&unit=LK-0001&with=x")
    other.locator("#page[data-ready]").wait_for()
    expect(other.get_by_label("Percent of lids storm or flood water may cover")).to_be_checked()
    expect(other.get_by_label("Ponding after a storm")).to_be_checked()
    expect(other.get_by_label("Which storm")).to_have_value("100")
    expect(other.get_by_label("Roads", exact=True)).not_to_be_checked()
    other.evaluate("location.hash = ''")
    expect(other.get_by_label("Percent to visit first")).to_be_checked()
    expect(other.get_by_label("Roads", exact=True)).to_be_checked()
    assert page.complaints == other.complaints == []


@pytest.mark.browser
def test_ponds_have_the_color_of_the_legend_on_paper_too(opened: Open, public_file: Path) -> None:
    page = opened(public_file, anchor="#storm=100", color_scheme="dark")
    page.locator("#page[data-ready]").wait_for()
    expect(page.locator(".picture-pond_storms")).to_have_count(2)

    def shown() -> list[int]:
        """Red, green and blue of the first pond of the one picture that is shown."""
        return page.evaluate(
            """async () => {
                const seen = [...document.querySelectorAll(".picture-pond_storms")]
                    .filter((image) => getComputedStyle(image).display !== "none");
                if (seen.length !== 1) throw new Error(`${seen.length} pictures`);
                await seen[0].decode();
                const canvas = document.createElement("canvas");
                [canvas.width, canvas.height] = [seen[0].naturalWidth, seen[0].naturalHeight];
                const context = canvas.getContext("2d");
                context.drawImage(seen[0], 0, 0);
                const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
                const first = data.findIndex((value, i) => i % 4 === 3 && value) - 3;
                return [...data.slice(first, first + 3)];
            }"""
        )

    def legend() -> list[int]:
        text = page.evaluate(
            "getComputedStyle(document.documentElement).getPropertyValue('--pond')"
        )
        return [int(text.strip()[i : i + 2], 16) for i in (1, 3, 5)]

    on_screen = shown()
    assert on_screen == legend()
    page.emulate_media(media="print", color_scheme="dark")
    expect(page.locator("html")).to_have_class("printing")
    assert shown() == legend() != on_screen


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_paper_has_all_a_map_needs_on_one_page(opened: Open, public_file: Path, paper: str) -> None:
    page = opened(public_file, anchor="#storm=10", color_scheme="dark")
    page.locator("#page[data-ready]").wait_for()
    page.emulate_media(media="print")
    expect(page.locator("html")).to_have_class("printing")
    for hidden in ("#kinds", "#rows", "#whole", "#copy", "#notes"):
        expect(page.locator(hidden)).to_be_hidden()
    legend = page.locator("#legend-rows")
    for words in ("Percent to visit first", "25 to 50%", "Streams", "10-year storm"):
        expect(legend.get_by_text(words)).to_be_visible()
    expect(page.locator("#paper-side .bar-length").first).to_contain_text("ft")
    expect(page.locator("#paper-side .bar-length").last).to_contain_text("m")
    expect(page.get_by_role("img", name="North is up")).to_be_visible()
    expect(page.locator("header")).to_contain_text("April 1, 2026")
    foot = page.locator("#paper-foot")
    expect(foot).to_contain_text("ponding after a 10-year storm")
    for caution in (cautions.SCREENING, cautions.HIGH_RANK):
        expect(foot).to_contain_text(caution)
    expect(foot).not_to_contain_text(cautions.STAFF_ONLY)
    pdf = page.pdf(format=paper, prefer_css_page_size=True, landscape=True).decode("latin-1")
    assert len(re.findall(r"/Type\s*/Page\b", pdf)) == 1
    page.emulate_media(media="screen")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save image").click()
    assert saved.value.suggested_filename == "larkmoor_county_map_april_1_2026_public.png"
    assert page.complaints == []
