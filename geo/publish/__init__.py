"""What people see of a finished assessment; draws and words, computes nothing.

``county_map`` gives a folium map for a notebook, ``map_page`` the one self-contained page,
``report_page`` the report to print, ``appendix_page`` its appendix, ``replay_chart`` the chart of
past years, ``score_workbook`` the spreadsheet that calculates the score.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geo.publish.map.page import county_map, map_page
    from geo.publish.report.page import appendix_page, report_page
    from geo.publish.report.trust import replay_chart
    from geo.publish.tables.spreadsheet import score_workbook

__all__ = [
    "appendix_page", "county_map", "map_page", "replay_chart", "report_page", "score_workbook",
]  # fmt: skip

_HOMES = {
    "appendix_page": "report.page",
    "county_map": "map.page",
    "map_page": "map.page",
    "replay_chart": "report.trust",
    "report_page": "report.page",
    "score_workbook": "tables.spreadsheet",
}


def __getattr__(name: str) -> Any:  # imported late: folium alone takes most of a second
    if name in _HOMES:
        return getattr(importlib.import_module(f"geo.publish.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'geo.publish' has no attribute {name!r}")
