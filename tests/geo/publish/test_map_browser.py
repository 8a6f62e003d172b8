"""The map as a person meets it: opened from a file in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser


def test_opens_from_a_file_and_asks_for_nothing(opened: Any, map_file: Path) -> None:
    page = opened(map_file)
    assert page.locator("h1").inner_text() == "Larkmoor County"
    asked = [address for address in page.asked if not address.startswith("data:")]
    assert asked == [map_file.as_uri()]
    assert page.complaints == []


def test_search_finds_a_unit_and_its_reasons_show(opened: Any, map_file: Path) -> None:
    page = opened(map_file)
    page.get_by_label("Unit number, address or parcel").fill("lk-0007")
    page.locator("#rows button").first.click()
    panel = page.locator("#unit")
    assert panel.locator("h2").inner_text() == "LK-0007"
    assert "from the discharge point" in panel.locator(".why").inner_text()
    assert page.complaints == []
