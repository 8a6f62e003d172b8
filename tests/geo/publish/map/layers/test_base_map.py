"""A base map from the network: off until switched on, from one host, its text never markup."""

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
from layers.errors import RillmarkError
from layers.store import Assessment
from support.assessments import with_run

Open = Callable[..., Any]
ADDRESS = "https://tiles.invalid/{z}/{x}/{y}.png"
HOSTILE = "<img src=x onerror=alert(1)> </script><script>alert(2)</script> & invented"
SWITCH = "Online base map (makes requests to tiles.invalid)"


def tile() -> bytes:
    """One picture, all gray."""
    file = io.BytesIO()
    Image.new("L", (256, 256), 128).save(file, "PNG")
    return file.getvalue()


def with_base_map(assessment: Assessment, **given: Any) -> Assessment:
    section = {"base_map": ADDRESS, "attribution": HOSTILE, "closest_zoom": 18} | given
    return with_run(assessment, settings={"map": section})


def image_rule(page: str) -> str:
    found = re.search(r"img-src [^;]*", page)
    assert found
    return found.group()


@pytest.mark.parametrize("audience", ["staff", "public"])
def test_only_its_host_is_let_in_and_only_then(assessment: Assessment, audience: str) -> None:
    assert image_rule(map_page(assessment, audience)) == "img-src data: blob:"
    page = map_page(with_base_map(assessment), audience)
    assert image_rule(page) == "img-src data: blob: https://tiles.invalid"
    assert page.count("https://tiles.invalid") == 2  # in the policy, and the address as data
    assert HOSTILE not in page


def test_settings_changed_by_hand_are_refused(assessment: Assessment) -> None:
    hostile = with_base_map(assessment, base_map="https://a.invalid; script-src */{z}/{x}/{y}")
    with pytest.raises(RillmarkError, match=r"base map cannot be used[\s\S]*run\.json"):
        map_page(hostile)


@pytest.mark.browser
@pytest.mark.parametrize("audience", ["staff", "public"])
def test_no_request_until_it_is_switched_on(
    opened: Open, assessment: Assessment, tmp_path: Path, audience: str
) -> None:
    path = tmp_path / "map.html"
    path.write_text(map_page(with_base_map(assessment), audience), "utf-8")
    page = opened(path)
    page.route(
        re.compile("^https:"), lambda route: route.fulfill(body=tile(), content_type="image/png")
    )
    switch = page.get_by_label(SWITCH)
    expect(switch).not_to_be_checked()
    page.wait_for_load_state("networkidle")
    assert [u for u in page.asked if u.startswith("http")] == []
    expect(page.locator("#notes-body")).to_contain_text("It then makes requests to tiles.invalid")
    expect(page.locator("#notes-body")).to_contain_text(HOSTILE)
    expect(page.locator(".base-told")).to_have_text(HOSTILE)

    switch.check()
    tiles = page.locator("img.leaflet-tile-loaded")
    tiles.first.wait_for(state="attached")
    expect(page.locator(".base-credit")).to_have_text(f"Base map: {HOSTILE}")
    asked = [u for u in page.asked if u.startswith("http")]
    assert asked
    for url in asked:  # the tiles of OpenStreetMap's wiki, "Slippy map tilenames": 0 to 2^z - 1
        found = re.fullmatch(r"https://tiles\.invalid/(\d+)/(\d+)/(\d+)\.png", url)
        assert found
        zoom, x, y = map(int, found.groups())
        assert zoom <= 18
        assert max(x, y) < 2**zoom
    report = Axe().run(page, options={"resultTypes": ["violations"]})
    assert report.response["violations"] == []

    switch.uncheck()
    expect(page.locator(".base-credit")).to_have_count(0)
    expect(page.locator("img.leaflet-tile")).to_have_count(0)
    assert page.evaluate("location.hash").find("base") == -1
    assert page.complaints == []


@pytest.mark.browser
def test_another_host_is_kept_out(opened: Open, assessment: Assessment, tmp_path: Path) -> None:
    path = tmp_path / "map.html"
    path.write_text(map_page(with_base_map(assessment)), "utf-8")
    page = opened(path)
    page.evaluate(
        "new Promise((done) => document.body.append(Object.assign(new Image(),"
        " { src: 'https://o.invalid/a', onerror: done })))"
    )
    assert any("violates" in text for text in page.complaints)
