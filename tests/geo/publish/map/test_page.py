"""The map as Python gives it: a folium map that is one closed file, the same every time."""

from __future__ import annotations

import dataclasses
import gzip
import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from geo.publish import county_map, map_page
from geo.publish.map.contents import contents
from geo.publish.map.page import PUBLIC_SCRIPTS, SCRIPTS
from geo.publish.shared import assets
from layers import store
from layers.store import Assessment
from support.assessments import with_run, with_tables

Undo = Callable[..., Any]


def test_same_assessment_same_bytes(assessment: Assessment) -> None:
    assert map_page(assessment) == map_page(assessment)


def test_notebook_frame_saved_file_and_page_are_one(assessment: Assessment) -> None:
    drawn = county_map(assessment)
    assert isinstance(drawn, folium.Map)
    saved = io.BytesIO()
    drawn.save(saved, close_file=False)
    assert saved.getvalue().decode("utf-8") == map_page(assessment)
    frame = drawn._repr_html_()
    assert "srcdoc=" in frame
    assert "cdn" not in frame
    assert drawn._repr_html_() == frame


def test_no_address_is_asked_for(assessment: Assessment) -> None:
    page = map_page(assessment)
    assert not re.search(r"<(link|script|img|iframe)[^>]+(src|href)=.(?!data:)", page)


def test_an_audience_that_is_not_known_is_refused(assessment: Assessment) -> None:
    with pytest.raises(ValueError, match="'press' is not known; choose one of staff, public"):
        map_page(assessment, audience="press")


def test_drawing_leaves_folium_as_it_was(assessment: Assessment) -> None:
    before = list(folium.Map.default_js), list(folium.Map.default_css)
    county_map(assessment)._repr_html_()
    assert (folium.Map.default_js, folium.Map.default_css) == before


def test_added_element_that_leaflet_can_draw_is_drawn(bare: Assessment) -> None:
    drawn = county_map(bare)
    folium.Circle(location=[43.0, -87.9], radius=50).add_to(drawn)
    page = drawn.get_root().render()
    assert "L.circle(" in page
    assert page == drawn.get_root().render()


def test_added_element_that_needs_the_network_is_refused(bare: Assessment) -> None:
    from folium.plugins import MarkerCluster

    drawn = county_map(bare)
    MarkerCluster().add_to(drawn)
    with pytest.raises(ValueError, match="asks for nothing from any network"):
        drawn.get_root().render()


def test_fixed_part_is_small(bare: Assessment) -> None:
    assert len(map_page(bare).encode()) <= 330_000


def test_no_string_of_a_script_runs_over_lines() -> None:
    # joined scripts lose their indents and lines of comment
    for name in {*SCRIPTS, *PUBLIC_SCRIPTS}:
        for line in assets.page_file(name).split("\n"):
            assert line.count("`") % 2 == 0, (name, line)
            assert not line.rstrip().endswith("\\"), (name, line)


def test_a_thousand_units_add_little(many_units: Callable[[int], gpd.GeoDataFrame]) -> None:
    def zipped(count: int) -> int:
        plain = with_twelve_columns(many_units(count))
        return len(gzip.compress(map_page(plain).encode(), mtime=0))

    assert zipped(3_000) - zipped(1_000) <= 2 * 30_000


def with_twelve_columns(frame: gpd.GeoDataFrame) -> Assessment:
    """Units with their order, one sentence of reasons and the commonest facts."""
    frame = frame.copy()
    frame["reasons"] = frame["reasons"].str.split(" | ", regex=False).str[0]
    columns = [
        "unit_id", "visit_class", "rank", "score", "reasons", "outlet_state", "well_distance_m",
        "stream_distance_m", "flood_zone", "days_since_inspection", "last_result", "status",
        "geometry",
    ]  # fmt: skip
    nothing = gpd.GeoDataFrame({"unit_id": []}, geometry=[], crs=frame.crs)
    return Assessment(frame[columns], nothing, nothing, nothing, pd.DataFrame())


def test_units_alone_are_enough(bare: Assessment, undo: Undo, undo_details: Undo) -> None:
    held = contents(bare)
    units = undo(held.blocks["units"])
    assert units["id"]["words"] == ["1", "2"]
    assert units["score"] is None
    shown = undo_details(held.blocks)
    assert shown["sections"] == shown["parts"] == []
    assert shown["checks"] is None
    assert held.data["layers"] == held.data["pictures"] == []
    assert "flow_paths" not in held.blocks


def test_no_units_at_all(bare: Assessment, undo: Undo) -> None:
    empty = dataclasses.replace(bare, units=bare.units.iloc[:0])
    assert undo(contents(empty).blocks["units"])["x"] == []
    assert map_page(empty)


def test_units_without_a_place_stay_in_the_list(assessment: Assessment, undo: Undo) -> None:
    units = assessment.units.copy()
    units.loc[3, "geometry"] = None
    held = undo(contents(dataclasses.replace(assessment, units=units)).blocks["units"])
    assert held["x"][3] is None
    assert len(held["x"]) == len(units)


def ids_of(units: dict[str, Any]) -> list[str]:
    """The ids of the test's county: a form with one number of four digits."""
    assert units["id"]["forms"] == [[["LK-", ""], [4]]]
    return [f"LK-{number:04d}" for number in units["id"]["fills"][0]]


def test_units_stand_in_rank_order_whatever_order_they_came_in(
    assessment: Assessment, undo: Undo
) -> None:
    shuffled = assessment.units.sample(frac=1, random_state=1)
    units = undo(contents(dataclasses.replace(assessment, units=shuffled)).blocks["units"])
    assert ids_of(units) == assessment.units["unit_id"].tolist()
    assert units["score"]["rank"] == list(range(1, 61))


def test_parts_add_up_to_the_score_as_shown(
    assessment: Assessment, undo: Undo, undo_details: Undo
) -> None:
    blocks = contents(assessment).blocks
    parts = undo_details(blocks)["parts"]
    total = np.array(undo(blocks["units"])["score"]["tenths"])
    left = total - np.sum([part["tenths"] for part in parts[:-1]], axis=0)  # told of the last one
    last = assessment.units["part_water_near"].to_numpy() * 10
    assert parts[-1]["tenths"] is None
    assert np.abs(left - last).max() < 1
    assert [part["axis"] for part in parts] == ["likelihood"] * 3 + ["harm"] * 2


def test_bands_of_ranks_are_told_to_three_figures_outward(
    assessment: Assessment, many_units: Callable[[int], gpd.GeoDataFrame], undo: Undo
) -> None:
    units = many_units(2_500)
    units["rank_low"] = np.maximum(units["rank"] - 7, 1)
    units["rank_high"] = np.minimum(units["rank"] + 7, 2_500)
    score = undo(contents(dataclasses.replace(assessment, units=units)).blocks["units"])["score"]
    for rank, low, high in ((5, 1, 12), (999, 992, 1_006), (2_034, 2_020, 2_050)):
        step = 10 if rank > 999 else 1
        below, above = score["low"][rank - 1], score["high"][rank - 1]
        assert (rank // step - below) * step == low
        assert (-(-rank // step) + above) * step == high


def place_of(feet: float) -> int:
    """Whole feet, from 100 on tens of them, from a mile on tenths of miles past 10,000."""
    if feet >= 5280:
        return 10_000 + round(feet / 528)
    return round(feet) if feet < 100 else round(feet / 10) * 10


def test_checks_follow_their_units(assessment: Assessment, undo_details: Undo) -> None:
    backwards = assessment.setback_checks.iloc[::-1]
    held = contents(dataclasses.replace(assessment, setback_checks=backwards))
    checks = undo_details(held.blocks)["checks"]
    assert len(checks["slots"]) == 2
    assert all(None not in slot["kind"] for slot in checks["slots"])
    assert {rule[0] for rule in checks["rules"]} == {"Discharge point to well", "Tank to stream"}
    shown = [{slot["distance"][row] for slot in checks["slots"]} for row in range(60)]
    for row, unit in assessment.units.iterrows():
        feet = [unit[column] / 0.3048 for column in ("well_distance_m", "stream_distance_m")]
        assert shown[row] == {place_of(ft) for ft in feet}


def test_only_special_flood_hazard_areas_are_drawn(assessment: Assessment, undo: Undo) -> None:
    assert len(undo(contents(assessment).blocks["layer-floodplain"])["parts"]) == 1
    zones = assessment.context["floodplain"].drop(columns="is_sfha")
    context = dict(assessment.context) | {"floodplain": zones}
    by_zone = contents(dataclasses.replace(assessment, context=context)).blocks
    assert len(undo(by_zone["layer-floodplain"])["parts"]) == 1


def test_meters_where_the_county_wants_them(assessment: Assessment, undo_details: Undo) -> None:
    county = {"name": "Larkmoor", "invented": True, "show_units": "si"}
    held = contents(with_run(assessment, county=county))
    shown = undo_details(held.blocks)
    units = {f.get("unit") for s in shown["sections"] for f in s["fields"]}
    assert "m" in units
    assert not {"ft", "in"} & units
    small = {text for s in shown["sections"] for f in s["fields"] for text in f.get("said", [])}
    assert any(text.endswith("\u00a0cm") for text in small)
    assert not any(text.endswith("\u00a0in") for text in small)


def test_assessment_read_back_gives_the_same_map(assessment: Assessment, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    whole = with_run(
        assessment, context=sorted(assessment.context), rasters=sorted(assessment.rasters)
    )
    whole.write(folder)
    again = contents(store.read_assessment(folder))
    assert again == contents(whole)


def test_small_areas_and_the_curve_come_as_they_are(assessment: Assessment, undo: Undo) -> None:
    blocks = contents(assessment).blocks
    held = undo(blocks["areas"])
    assert held["units"] == assessment.areas.small["units"].tolist()
    assert held["first"] == assessment.areas.small["first_class"].tolist()
    assert held["wet"] == [None] * len(
        assessment.areas.small
    )  # no storms on the units of this county
    ids = assessment.areas.small["area_id"].tolist()
    assert [ids[at] for at in held["areaOf"]] == assessment.units["area_id"].tolist()
    assert len(held["parts"]) == len(ids)
    curve = undo(blocks["first_visits"])
    assert curve["visits"] == assessment.visits.first["visits"].tolist()
    assert curve["score"][-1] == curve["first"][-1] == 1000


def test_ways_opened_under_roads_are_drawn(bare: Assessment, undo: Undo) -> None:
    line = [LineString([(500_000, 4_000_000), (500_020, 4_000_000 + k)]) for k in range(3)]
    cuts = gpd.GeoDataFrame(
        {
            "kind": ["culvert", "breach", "breach", "breach"],
            "used": [True, True, False, True],
            "reason": ["cut", "cut", "too deep", "already open"],
        },
        geometry=[*line, line[0]],
        crs="EPSG:32616",
    )
    held = contents(with_tables(bare, terrain_cuts=cuts))
    (layer,) = held.data["layers"]
    assert layer["name"] == "terrain_cuts"
    assert layer["label"] == "Road crossings opened in the model (dashed: no culvert on record)"
    assert undo(held.blocks["layer-terrain_cuts"])["dashed"] == [0, 1]
    # a crossing without a way is a point, and none of a folder written before they were told
    cuts = cuts.iloc[:1].set_geometry([Point(500_000, 4_000_000)], crs=cuts.crs)
    assert contents(with_tables(bare, terrain_cuts=cuts)).data["layers"] == []
