"""The map as Python gives it: a folium map that is one closed file, the same every time."""

from __future__ import annotations

import dataclasses
import gzip
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import folium
import geopandas as gpd
import pandas as pd
import pytest

from geo.publish import county_map, map_page
from geo.publish.contents import contents
from layers import store
from layers.store import Assessment


def data_of(page: str) -> dict:
    found = re.search(r'<script type="application/json" id="page-data">(.*?)</script>', page, re.S)
    assert found is not None
    return json.loads(found.group(1))


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


def test_public_edition_is_refused(assessment: Assessment) -> None:
    with pytest.raises(ValueError, match="'public' cannot be drawn"):
        map_page(assessment, audience="public")


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
    assert len(map_page(bare).encode()) <= 300_000


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
    return Assessment(frame[columns], nothing, nothing, nothing, pd.DataFrame(), pd.DataFrame())


def test_units_alone_are_enough(bare: Assessment) -> None:
    held = contents(bare)
    assert held["units"]["id"] == ["1", "2"]
    (block,) = held["details"]
    assert block["sections"] == []
    assert block["parts"] == []
    assert held["score"] is None
    assert block["checks"] is None
    assert held["layers"] == []
    assert held["pictures"] == []


def test_no_units_at_all(bare: Assessment) -> None:
    empty = dataclasses.replace(bare, units=bare.units.iloc[:0])
    assert contents(empty)["units"]["id"] == []
    assert map_page(empty)


def test_units_without_a_place_stay_in_the_list(assessment: Assessment) -> None:
    units = assessment.units.copy()
    units.loc[3, "geometry"] = None
    held = contents(dataclasses.replace(assessment, units=units))
    assert held["units"]["x"][3] is None
    assert len(held["units"]["id"]) == len(units)


def test_units_stand_in_rank_order_whatever_order_they_came_in(assessment: Assessment) -> None:
    shuffled = assessment.units.sample(frac=1, random_state=1)
    held = contents(dataclasses.replace(assessment, units=shuffled))
    assert held["units"]["id"] == assessment.units["unit_id"].tolist()
    assert held["score"]["rank"] == list(range(1, 61))


def test_parts_add_up_to_the_score_as_shown(assessment: Assessment) -> None:
    held = contents(assessment)
    parts = held["details"][0]["parts"]
    sums = [sum(tenths) for tenths in zip(*(p["tenths"] for p in parts), strict=True)]
    assert sums == held["score"]["tenths"]
    assert [part["axis"] for part in parts] == ["likelihood"] * 3 + ["harm"] * 2


def test_checks_follow_their_units(assessment: Assessment) -> None:
    backwards = assessment.setback_checks.iloc[::-1]
    held = contents(dataclasses.replace(assessment, setback_checks=backwards))
    checks = held["details"][0]["checks"]
    assert checks["count"] == [2] * 60
    assert {rule[0] for rule in checks["rules"]} == {"discharge point to well", "tank to stream"}
    first = assessment.units.iloc[0]
    shown = set(checks["distance"]["numbers"][:2])
    feet = [first[column] / 0.3048 for column in ("well_distance_m", "stream_distance_m")]
    assert shown == {round(ft) * 10 if ft >= 100 else round(ft * 10) for ft in feet}


def test_only_special_flood_hazard_areas_are_drawn(assessment: Assessment) -> None:
    layers = {layer["name"]: layer for layer in contents(assessment)["layers"]}
    assert len(layers["floodplain"]["parts"]) == 1
    zones = assessment.context["floodplain"].drop(columns="is_sfha")
    context = dict(assessment.context) | {"floodplain": zones}
    by_zone = contents(dataclasses.replace(assessment, context=context))["layers"]
    assert [len(layer["parts"]) for layer in by_zone if layer["name"] == "floodplain"] == [1]


def test_metres_where_the_county_wants_them(assessment: Assessment) -> None:
    county = {"name": "Larkmoor", "invented": True, "show_units": "si"}
    held = contents(dataclasses.replace(assessment, run=dict(assessment.run) | {"county": county}))
    units = {f.get("unit") for s in held["details"][0]["sections"] for f in s["fields"]}
    assert {"m", "cm"} <= units
    assert not {"ft", "in"} & units


def test_assessment_read_back_gives_the_same_map(assessment: Assessment, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    run = dict(assessment.run) | {
        "context": sorted(assessment.context),
        "rasters": sorted(assessment.rasters),
    }
    whole = dataclasses.replace(assessment, run=run)
    whole.write(folder)
    again = contents(store.read(folder))
    assert again == contents(whole)
