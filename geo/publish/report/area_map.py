"""A map of the whole county for a printed page: units by when they are due, readable in gray."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup

from geo.publish.report.numbers import due_marks
from geo.publish.shared.visit_map import LOOK, MapFrame, label, path_text
from geo.publish.shared.words import Measures
from layers.measures import FT_M, MILE_M
from layers.outputs import UNITS
from layers.store import Assessment

SIDE: Final = 430
_LEAST_M: Final = 1_000.0  # across
_ROOM: Final = 1.06
# A layer with more corners than this on the map is left out: nobody could read it.
_MOST_CORNERS: Final = 20_000
_LAYERS: Final = {
    "water_bodies": {"fill": "#dde6ec", "stroke": "#7b98ab", "stroke-width": "0.8"},
    "streams": {"fill": "none", "stroke": "#7b98ab", "stroke-width": "1"},
    "roads": {"fill": "none", "stroke": "#c9c6bd", "stroke-width": "1.6"},
}
_ROUND: Final = {"fill": "none", "stroke-linecap": "round"}


@dataclass(frozen=True)
class AreaFrame(MapFrame):
    """A square piece of ground."""

    @property
    def box(self) -> shapely.Polygon:
        """The same piece in the working system."""
        side = SIDE * self.m_px
        return shapely.box(self.west, self.north - side, self.west + side, self.north)

    @classmethod
    def holding(cls, bounds: tuple[float, float, float, float]) -> AreaFrame:
        """The square around bounds, with some room."""
        west, south, east, north = bounds
        across = max((east - west) * _ROOM, (north - south) * _ROOM, _LEAST_M)
        x, y = (west + east) / 2, (south + north) / 2
        return cls(x - across / 2, y + across / 2, across / SIDE)


@dataclass(frozen=True)
class AreaMap:
    """A map as markup, and what its marks mean: mark and words."""

    svg: Markup
    key: tuple[tuple[str, str], ...]


def area_map(assessment: Assessment) -> AreaMap | None:
    """All units on one square map; None where no unit has a position."""
    units = assessment.units
    placed = units[~(units.geometry.is_empty | units.geometry.isna())]
    if not len(placed):
        return None
    frame = AreaFrame.holding(tuple(placed.total_bounds))
    title = "Map of all units by when their next visit is due"
    svg = canvas(title)
    ground(svg, frame, {n: assessment.context[n] for n in _LAYERS if n in assessment.context})
    key = _marks(svg, frame, placed, assessment)
    scale_bar(svg, frame, assessment.run.county.show_units)
    return AreaMap(Markup(ET.tostring(svg, encoding="unicode")), key)  # noqa: S704  built as XML


def canvas(title: str) -> ET.Element:
    """An empty square drawing with its title and frame."""
    svg = ET.Element(
        "svg", {"viewBox": f"0 0 {SIDE} {SIDE}", "role": "img", "class": "area-map"}
    )  # fmt: skip
    ET.SubElement(svg, "title").text = title
    ET.SubElement(
        svg, "rect", {"width": f"{SIDE}", "height": f"{SIDE}", "fill": "#fff", "stroke": "#1c2a31"}
    )
    return svg


def ground(svg: ET.Element, frame: AreaFrame, layers: dict[str, gpd.GeoDataFrame]) -> None:
    """Water and roads, pale, each no finer than a pixel."""
    for name, look in _LAYERS.items():
        layer = layers.get(name)
        if layer is None or not len(layer):
            continue
        near = layer.geometry[layer.intersects(frame.box)]
        shapes = near.simplify(frame.m_px).intersection(frame.box)
        if shapely.get_num_coordinates(shapes.to_numpy()).sum() > _MOST_CORNERS:
            continue
        d = path_text(frame, shapes)
        if d:
            ET.SubElement(svg, "path", {"d": d, **look, "fill-rule": "evenodd"})


def _marks(
    svg: ET.Element, frame: AreaFrame, units: gpd.GeoDataFrame, assessment: Assessment
) -> tuple[tuple[str, str], ...]:
    is_late, is_soon = due_marks(units, assessment.run)
    danger = UNITS.values(units, "danger_open").fillna(False).astype(bool)
    is_known = bool((is_late | is_soon).any())
    rest = ~(is_late | is_soon)
    groups: list[tuple[str, str, pd.Series]] = [
        ("other", "Other units" if is_known else "Units", rest),
        ("soon", "Due this season", is_soon),
        ("late", "Overdue", is_late & ~danger),
        ("danger", "Dangerous condition, no follow-up", danger),
    ]
    key = []
    for kind, named, which in groups:
        if not which.any():
            continue
        at = _pixels(frame, units[which])
        for element in _drawn(kind, at):
            svg.append(element)
        key.append((kind, named))
    return tuple(reversed(key))


def _pixels(frame: AreaFrame, units: gpd.GeoDataFrame) -> list[tuple[float, float]]:
    """Where units are on the map, each pixel once."""
    x = (units.geometry.x.to_numpy() - frame.west) / frame.m_px
    y = (frame.north - units.geometry.y.to_numpy()) / frame.m_px
    return [(float(a), float(b)) for a, b in np.unique(np.column_stack([x, y]).round(), axis=0)]


def _drawn(kind: str, at: list[tuple[float, float]]) -> list[ET.Element]:
    """Marks told apart by shape: small dot, ring, full dot, triangle."""
    if kind == "danger":
        d = " ".join(f"M{x:g} {y - 7:g}l6.5 11.5h-13z" for x, y in at)
        look = {"fill": "#000", "stroke": "#fff", "stroke-width": "1.4"}
        return [ET.Element("path", {"d": d, **look})]
    d = " ".join(f"M{x:g} {y:g}h0" for x, y in at)
    sizes = {"other": [("#8b979d", "3.4")], "late": [("#fff", "8.4"), ("#1c2a31", "7")],
             "soon": [("#1c2a31", "7"), ("#fff", "4.4")]}[kind]  # fmt: skip
    return [
        ET.Element("path", {"d": d, **_ROUND, "stroke": color, "stroke-width": wide})
        for color, wide in sizes
    ]


def squares_map(
    cells: gpd.GeoDataFrame, layers: dict[str, gpd.GeoDataFrame], measures: Measures
) -> Markup:
    """The areas of the public map, numbered in the order of their rows; no unit is on it."""
    frame = AreaFrame.holding(tuple(cells.total_bounds))
    svg = canvas("Map of the areas of the public map, numbered")
    shown = {name: layers[name].to_crs(cells.crs) for name in _LAYERS if name in layers}
    ground(svg, frame, shown)
    outline = {"fill": "none", "stroke": "#1c2a31", "stroke-width": "1.6"}
    ET.SubElement(svg, "path", {"d": path_text(frame, cells.geometry), **outline})
    for number, cell in enumerate(cells.geometry, 1):
        x, y = frame.px(cell.centroid.x, cell.centroid.y)
        label(svg, x - 4 * len(str(number)), y + 4, str(number))
    scale_bar(svg, frame, measures)
    return Markup(ET.tostring(svg, encoding="unicode"))  # noqa: S704  built as XML


def mark_sample(kind: str) -> Markup:
    """One mark, for the key."""
    svg = ET.Element("svg", {"viewBox": "-9 -9 18 18", "class": "mark", "aria-hidden": "true"})
    for element in _drawn(kind, [(0.0, 0.0)]):
        svg.append(element)
    return Markup(ET.tostring(svg, encoding="unicode"))  # noqa: S704  built as XML


def scale_bar(svg: ET.Element, frame: AreaFrame, measures: Measures) -> None:
    """How long a mile or less is here."""
    units = [(MILE_M, "mi"), (FT_M, "ft")] if measures == "us" else [(1000.0, "km"), (1.0, "m")]
    most = 0.3 * SIDE * frame.m_px
    far_m, far = units[0]
    unit_m, unit = (far_m, far) if most >= far_m else units[1]
    step = max(n * 10.0**k for k in range(5) for n in (1, 2, 5) if n * 10.0**k * unit_m <= most)
    long = step * unit_m / frame.m_px
    left, base = 12.0, SIDE - 12.0
    back = {"x": "4", "y": f"{base - 20:g}", "width": f"{long + 62:.0f}", "height": "28"}
    ET.SubElement(svg, "rect", {**back, "fill": "#fff", "fill-opacity": "0.85"})
    ET.SubElement(svg, "path", {"d": f"M{left} {base - 6}v6h{long:.1f}v-6", **LOOK["thin"]})
    label(svg, left + long + 5, base + 2, f"{step:,.0f} {unit}")
