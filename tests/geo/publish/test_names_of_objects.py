"""Ids named as what every object of a page's script has: no page takes them for its own."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from click.testing import CliRunner

from geo.cli import main
from geo.publish.map.page import map_page
from geo.publish.record.page import record_page
from geo.visits import choose_units, visit_plans
from layers import store
from layers.records import parse_day_file
from layers.settings.visit_list import load_visit_list
from support.record_page import until_kept

pytestmark = pytest.mark.browser
# asked of the browser: all that every object answers to, and what lists and functions do besides
OF_OBJECT = "() => Object.getOwnPropertyNames(Object.prototype)"


@pytest.fixture(scope="module")
def names(browser):
    page = browser.new_page()
    found = page.evaluate(OF_OBJECT)
    page.close()
    assert {"constructor", "__proto__", "toString"} <= set(found)
    return [*found, "prototype", "length", "name", "size"]


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def folder(names, tmp_path_factory):
    """A county whose units, wells, streams, parcels and addresses all wear these names."""
    county = tmp_path_factory.mktemp("county")
    lon = -85.8 + np.arange(len(names)) / 500
    rows = [f"{n},{n},{n} Lane,39.7,{x:.4f}" for n, x in zip(names, lon, strict=True)]
    (county / "units.csv").write_text("unit_id,parcel_id,address,lat,lon\n" + "\n".join(rows))
    wells = [f"{n},private,39.7005,{x:.4f}" for n, x in zip(names, lon, strict=True)]
    (county / "wells.csv").write_text("well_id,use,lat,lon\n" + "\n".join(wells))
    from shapely.geometry import LineString

    lines = [LineString([(x, 39.699), (x, 39.701)]) for x in lon]
    gpd.GeoDataFrame({"stream_id": names}, geometry=lines, crs="EPSG:4326").to_file(
        county / "streams.geojson"
    )
    (county / "county.toml").write_text(
        '[county]\nname = "constructor"\nas_of = 2026-04-01\n'
        '[layers.units]\npath = "units.csv"\n[layers.wells]\npath = "wells.csv"\n'
        '[layers.streams]\npath = "streams.geojson"\n'
    )
    run("assess", county / "county.toml", "--out", county / "out", "--quiet")
    return county / "out"


@pytest.fixture
def open_file(browser):
    """Opens a page; no error on its console when all is done."""
    faults, contexts = [], []

    def open_file(path):
        context = browser.new_context(accept_downloads=True)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
        page.goto(path.as_uri())
        return page

    yield open_file
    for context in contexts:
        context.close()
    assert faults == []


def named_list():
    """The list of what to look at, its items named so too."""
    items = load_visit_list(None)
    wanted = ["constructor", "__proto__", "toString", "hasOwnProperty"]
    named = [
        item.model_copy(update={"key": key}) for item, key in zip(items.items, wanted, strict=False)
    ]
    return items.model_copy(update={"items": [*named, *items.items[len(named) :]]})


def test_the_record_page_takes_down_a_visit_to_each(folder, names, open_file, tmp_path):
    result, items = store.read_assessment(folder), named_list()
    plans = visit_plans(result, choose_units(result, names), items)
    path = tmp_path / "record_staff.html"
    path.write_text(record_page(plans, result, items, key=bytes(32)), "utf-8")
    page = open_file(path)
    page.get_by_label("Your name").fill("Kim Unvented")
    asked = {item.key: item.title for item in items.items if item.key in names}
    for name in names:
        page.locator("main button", has_text=f"{name}, {name} Lane (").filter(
            has_text="no answers yet"
        ).first.evaluate("(e) => e.click()")
        assert page.locator("h2").first.inner_text() == f"Unit {name}"
        page.get_by_label("completed", exact=True).check()
        for title in asked.values():
            box = page.get_by_role("group", name=title)
            if box.count():
                box.get_by_label("Good", exact=True).check()
        page.get_by_label("Note").last.fill(f"note of {name}")
        page.get_by_role("button", name="Back to list").first.click()
    until_kept(page)
    page.reload()  # and all of it is read back
    with page.expect_download() as download:
        page.get_by_role("button", name="Export today's visits").click()
    day = parse_day_file(Path(download.value.path()).read_bytes(), where="exported")
    assert {record.unit_id: record.note for record in day.records} == {
        name: f"note of {name}" for name in names
    }
    answered = {answer.item for record in day.records for answer in record.answers}
    assert answered <= set(asked)
    assert "constructor" in answered
    # corrected and taken off, by the same names
    page.locator("main button", has_text="__proto__, __proto__ Lane").first.click()
    page.get_by_role("button", name="Correct this visit with a new record").click()
    assert page.get_by_label("Note").last.input_value() == "note of __proto__"
    page.get_by_role("button", name="Back to list").first.click()
    assert page.locator("main button", has_text="(exported)").count() == len(names) - 1


def test_the_staff_map_opens_each(folder, names, open_file, tmp_path):
    path = tmp_path / "map_staff.html"
    path.write_text(map_page(store.read_assessment(folder)), "utf-8")
    page = open_file(path)
    page.wait_for_selector("#page[data-ready=yes]")
    hrefs = {}
    for name in names:
        page.goto(f"{path.as_uri()}#unit={name}")
        title = page.locator("#unit-title")
        title.filter(has_text=name).wait_for()
        assert title.inner_text() == name
        hrefs[name] = page.locator("section.pages a").first.get_attribute("href")
    from geo.publish.shared.file_names import file_names

    wanted = {name: f"visits/visit_{part}_staff.html" for name, part in file_names(names).items()}
    assert hrefs == wanted
    for asked in ("show", "moved", "area", "with", "on", "off", "hidden", "screen", "storm"):
        page.goto(f"{path.as_uri()}#{asked}=constructor")
        page.reload()
        page.wait_for_selector("#page[data-ready=yes]")
    page.get_by_role("searchbox").fill("constructor")
    assert "constructor" in page.locator("#rows").inner_text()


def test_the_public_map_stands_whatever_its_address_asks(folder, names, open_file, tmp_path):
    path = tmp_path / "map_public.html"
    path.write_text(map_page(store.read_assessment(folder), audience="public"), "utf-8")
    page = open_file(path)
    for name in ("constructor", "__proto__", "toString"):
        page.goto(f"{path.as_uri()}#show={name}")
        page.reload()
        page.wait_for_selector("#page[data-ready=yes]")
        assert page.locator("#kinds input:checked").get_attribute("value") == "first"


def test_sheets_and_traces_of_each_are_written_and_open(folder, names, open_file):
    shown = json.loads(run("visit", folder, *names, "--json"))
    assert len({Path(file).name for file in shown["files"]}) == len(names) + 3
    for name in ("constructor", "__proto__", "toString"):
        run("trace", "down", folder, name)
    page = open_file(folder / "visits" / "record_staff.html")
    page.get_by_label("Your name").fill("Kim")
    assert page.locator("main button", has_text="(no answers yet)").count() == len(names)
