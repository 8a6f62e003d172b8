"""Where a unit's outlet may be: told in its panel and drawn on the map as the tables have it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from playwright.sync_api import expect

from geo.publish import map_page
from geo.publish.map.contents import contents
from geo.publish.map.units.outlet_places import CLOSED_M, LEAST_SHOWN_M2, LEFT_OUT_M, drawn_outline
from geo.publish.shared.file_names import down_page, file_names
from geo.results import cautions
from layers.store import Assessment

Open = Callable[..., Any]


def test_without_a_search_nothing_is_held(bare: Assessment) -> None:
    assert "outlet_hunts" not in contents(bare).blocks


def test_what_is_drawn_closes_slits_and_keeps_wide_ground() -> None:
    # two lots of cells parted by a 1 m slit, a ditch 6 m wide, and one cell on its own
    lots = [shapely.box(0, 0, 30, 40), shapely.box(31, 0, 60, 40)]
    area = shapely.union_all([*lots, shapely.box(60, 30, 120, 36), shapely.box(200, 0, 202, 2)])
    (drawn,) = drawn_outline(np.array([area], object))
    assert len(shapely.get_parts(area)) == 3
    assert len(shapely.get_parts(drawn)) == 1
    assert drawn.contains(shapely.box(2, 2, 58, 38))
    assert drawn.contains(shapely.LineString([(50, 33), (117, 33)]))
    assert drawn.within(shapely.buffer(area, CLOSED_M))
    # nothing but a piece too small to draw stays as it is
    tiny = shapely.box(0, 0, 3, 3)
    assert tiny.area < LEAST_SHOWN_M2
    assert drawn_outline(np.array([tiny], object))[0] == tiny
    assert LEFT_OUT_M < CLOSED_M


@pytest.mark.browser
def test_every_search_is_told_as_the_tables_have_it(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    page = opened(map_file)
    page.locator("#page[data-ready]").wait_for()
    got = page.evaluate(
        """async () => {
            const model = countyPage.model();
            await model.readDetails(0);
            const [x0, y0] = model.data.plane;
            return Object.fromEntries(model.data.units.id.map((id, row) => [id, model.hunt(row)])
                .filter(([, hunt]) => hunt).map(([id, { said, rest, shape, hunt, places }]) => {
                    const { west, south, east, north } = shape.box(hunt);
                    return [id, { said, rest, box: [x0 + west, y0 + south, x0 + east, y0 + north],
                        places: places.map((p) => ({ ...p, x: x0 + p.x, y: y0 + p.y })) }];
                }));
        }"""
    )
    areas = assessment.search.areas
    assert sorted(got) == sorted(areas["unit_id"])
    drawn = areas.to_crs(3857).set_index("unit_id").geometry
    candidates = assessment.search.candidates.to_crs(3857)  # PROJ on its own
    for unit_id, shown in got.items():
        mine = candidates[candidates["unit_id"] == unit_id].sort_values("rank")
        assert [p["why"] for p in shown["places"]] == [f"A{w[1:]}." for w in mine["why"]]
        for place, point in zip(shown["places"], mine.geometry, strict=True):
            assert np.hypot(place["x"] - point.x, place["y"] - point.y) < 0.5
        assert shown["box"] == pytest.approx(drawn[unit_id].bounds, abs=4)
        assert shown["said"].startswith("No discharge point is on record.")
        assert "within 200 ft of the lid" in shown["said"]  # 60.96 m is 200 ft
        assert shown["rest"] == "about 3 in 10"
    in_vain = areas["unit_id"].iloc[0]
    assert got[in_vain]["places"] == []
    assert "A gravity pipe could not reach the surface" in got[in_vain]["said"]


@pytest.mark.browser
def test_the_panel_lists_the_places_and_the_map_numbers_them(
    opened: Open, map_file: Path, assessment: Assessment
) -> None:
    unit_id = assessment.search.areas["unit_id"].iloc[-1]
    page = opened(map_file, anchor=f"#unit={unit_id}")
    section = page.locator("#unit .places")
    expect(section.locator("li")).to_have_count(3)
    # 30.48 m is 100 ft
    expect(section.locator("li").first).to_contain_text("100 ft, N 90° E. Chance: about 5 in 10.")
    expect(section).to_contain_text("Chance of none of these: about 3 in 10.")
    for caution in (cautions.PLACES_TO_LOOK, cautions.UNMAPPED_PIPES):
        expect(section).to_contain_text(caution)
    page.get_by_text("Legend and layers").click()
    tick = page.get_by_label("Possible discharge points", exact=True)

    def ink() -> int:
        return page.evaluate(
            """async () => {
                await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 60)));
                const canvas = map_county.getPane("units").querySelector("canvas");
                const context = canvas.getContext("2d");
                const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
                let count = 0;
                for (let i = 3; i < data.length; i += 4) count += data[i] > 0 ? 1 : 0;
                return count;
            }"""
        )

    with_places = ink()
    tick.uncheck()
    assert with_places > ink() + 500
    known = assessment.units["unit_id"][assessment.units["discharge_point_id"].notna()].iloc[0]
    page.evaluate("(id) => { location.hash = `#unit=${id}`; }", known)
    expect(page.locator("#unit h2")).to_have_text(known)
    expect(section).to_have_count(0)


@pytest.mark.browser
def test_pages_for_the_field_are_named_by_the_rule_of_their_commands(
    opened: Open, assessment: Assessment, tmp_path: Path
) -> None:
    odd = ["a/b", "a_b", "A b", "con", "..x..", "_ _", "ü 7", "x" * 90, "12/34"]
    ids = odd + assessment.units["unit_id"].tolist()[len(odd) :]
    path = tmp_path / "map_staff.html"
    changed = dataclasses.replace(assessment, units=assessment.units.assign(unit_id=ids))
    path.write_text(map_page(changed), encoding="utf-8")
    page = opened(path)
    got = page.evaluate(
        "(ids) => ids.map((id) => fieldPages.nameOf(countyPage.model().data, id))", ids
    )
    names = file_names(ids)
    assert got == [names[unit_id] for unit_id in ids]
    page.locator("#rows button").nth(8).click()
    link = page.get_by_role("link", name="Downstream contacts for 12/34")
    expect(link).to_have_attribute("href", down_page(names["12/34"]))
    expect(page.locator("#unit .pages")).to_contain_text("rillmark trace down . UNIT --beside")
