"""The map on a visit sheet: the relief with what matters on it, readable in black and white."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import shapely
from PIL import Image

from geo.publish.shared.words import Measures
from geo.results.visit_plan import LikelyPlace, VisitPlan
from layers.crs import bearing_deg
from layers.grid import GridSource, Window
from layers.measures import FT_M
from layers.store import Assessment

WIDTH, HEIGHT = 700, 470
_LEAST_M: Final = 140.0  # across
_MOST_M: Final = 700.0
_ROOM: Final = 1.25
PLACES_DRAWN: Final = 3  # of those where an outlet nobody knows may be
_POND_STORM: Final = 10  # years; the nearest one there is is drawn


def _attributes(style: str) -> dict[str, str]:
    """Presentation attributes: the page's policy lets no style attribute speak."""
    return dict(part.split(":", 1) for part in style.split(";"))


LOOK: Final = {
    "parcel": _attributes("fill:none;stroke:#666;stroke-width:1;stroke-dasharray:9 4"),
    "own": _attributes("fill:none;stroke:#000;stroke-width:1.8;stroke-dasharray:14 4"),
    "building": _attributes("fill:#bbb;stroke:#555;stroke-width:0.8"),
    "road": _attributes("fill:none;stroke:#fff;stroke-width:5;stroke-opacity:0.85"),
    "road_edge": _attributes("fill:none;stroke:#555;stroke-width:6.4"),
    "stream": _attributes("fill:none;stroke:#1b3f5c;stroke-width:3"),
    "water": _attributes("fill:url(#waves);stroke:#1b3f5c;stroke-width:1.4"),
    "flood": _attributes("fill:url(#slant);stroke:#444;stroke-width:0.8;stroke-dasharray:2 3"),
    "drain": _attributes("fill:none;stroke:#1b3f5c;stroke-width:2.2;stroke-dasharray:10 3 2 3"),
    "path": _attributes("fill:none;stroke:#000;stroke-width:2.2;stroke-dasharray:2 4"),
    "pipe": _attributes("fill:none;stroke:#000;stroke-width:2.2"),
    "search": _attributes("fill:none;stroke:#000;stroke-width:1.4;stroke-dasharray:6 4"),
    "hunt": _attributes("fill:none;stroke:#000;stroke-width:1.2;stroke-dasharray:1 5"),
    "well": _attributes("fill:#fff;stroke:#000;stroke-width:1.8"),
    "mark": _attributes("fill:#000;stroke:#fff;stroke-width:1.6"),
    "candidate": _attributes("fill:#fff;stroke:#000;stroke-width:1.8"),
    "halo": _attributes(
        "font-weight:600;font-size:13px;font-family:sans-serif;fill:#fff;stroke:#fff;stroke-width:3.4px"
    ),
    "text": _attributes("font-weight:600;font-size:13px;font-family:sans-serif;fill:#000"),
    "thin": _attributes("fill:none;stroke:#000;stroke-width:2"),
    "frame": _attributes("fill:none;stroke:#000;stroke-width:1.5"),
}
_KEY: Final = {
    "own": "lot line of this parcel",
    "parcel": "other lot lines",
    "building": "building",
    "road": "road",
    "stream": "stream or ditch",
    "water": "lake or pond",
    "flood": "Special Flood Hazard Area",
    "drain": "storm sewer or field tile",
    "path": "path of discharge",
    "pipe": "straight line from lids to discharge point (not the pipe itself)",
    "search": "search here",
    "hunt": "area searched for the discharge point",
    "candidate": "possible discharge points, most likely first",
    "well": "well on record",
}


@dataclass(frozen=True)
class VisitMap:
    """A map as SVG text, and the marks drawn on it in words, for its key."""

    svg: str
    key: tuple[tuple[str, str], ...]


def visit_map(plan: VisitPlan, assessment: Assessment, *, measures: Measures) -> VisitMap:
    """The surroundings of one unit.

    North of the grid is up; the arrow points to true north. Marks tell things apart by shape and
    line, so that the map reads in black and white.
    """
    frame = MapFrame.around(plan)
    drawn: dict[str, str] = {}
    svg = ET.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {WIDTH} {HEIGHT}",
            "role": "img",
            "class": "visit-map",
        },
    )
    ET.SubElement(svg, "title").text = "Map of the unit's surroundings"
    patterns(svg)
    clip = ET.SubElement(svg, "g", {"clip-path": "url(#frame)"})
    _pictures(clip, frame, assessment, drawn)
    _surroundings(clip, frame, plan, assessment, drawn)
    _marks(clip, frame, plan, assessment, drawn)
    scale_and_north(svg, frame, plan.lid_xy, assessment, measures)
    return VisitMap(ET.tostring(svg, encoding="unicode"), tuple(drawn.items()))


@dataclass(frozen=True)
class MapFrame:
    """The piece of ground shown: west and north edge, meters a pixel."""

    west: float
    north: float
    m_px: float

    @classmethod
    def around(cls, plan: VisitPlan) -> MapFrame:
        """The ground around lids, outlet and the start of the water's way."""
        xy = [plan.lid_xy, *([plan.outlet_xy] if plan.outlet_xy else [])]
        if plan.path is not None and not plan.path.is_empty:
            start = shapely.line_interpolate_point(plan.path, min(60.0, plan.path.length))
            xy.append((start.x, start.y))
        xy += [place.xy for place in _drawn_places(plan)]
        x, y = np.array(xy).T
        reach = plan.walk.search_radius_m if plan.walk else 0.0
        across = max(np.ptp(x) + 2 * reach, (np.ptp(y) + 2 * reach) * WIDTH / HEIGHT) * _ROOM
        across = float(np.clip(across + 40, _LEAST_M, _MOST_M))
        m_px = across / WIDTH
        west, north = (x.min() + x.max() - across) / 2, (y.min() + y.max() + HEIGHT * m_px) / 2
        return cls(float(west), float(north), m_px)

    @property
    def box(self) -> shapely.Polygon:
        """The same piece in the working system."""
        return shapely.box(
            self.west, self.north - HEIGHT * self.m_px, self.west + WIDTH * self.m_px, self.north
        )

    def px(self, x: float, y: float) -> tuple[float, float]:
        """Pixels right and down of a place in the working system."""
        return round((x - self.west) / self.m_px, 1), round((self.north - y) / self.m_px, 1)


def patterns(svg: ET.Element) -> None:
    """The hatchings and the frame that the drawing refers to."""
    defs = ET.SubElement(svg, "defs")
    clip = ET.SubElement(defs, "clipPath", {"id": "frame"})
    ET.SubElement(clip, "rect", {"width": str(WIDTH), "height": str(HEIGHT)})
    for name, path, size in (
        ("waves", "M0 4 q2 -3 4 0 t4 0", "8"),
        ("slant", "M0 12 L12 0", "12"),
    ):
        pattern = ET.SubElement(
            defs,
            "pattern",
            {"id": name, "width": size, "height": size, "patternUnits": "userSpaceOnUse"},
        )
        ET.SubElement(
            pattern, "path", {"d": path, "fill": "none", "stroke": "#1b3f5c", "stroke-width": "1"}
        )


def _pictures(
    group: ET.Element, frame: MapFrame, assessment: Assessment, drawn: dict[str, str]
) -> None:
    relief = assessment.rasters.get("relief")
    if relief is not None:
        shade = _crop(relief, frame)
        if shade is not None:
            values, bounds = shade
            gray = np.where(values > 0, 150 + values.astype(float) * 105 / 255, 255)
            _image(group, frame, Image.fromarray(gray.astype(np.uint8)).convert("L"), bounds)
    years = _nearest_storm(assessment)
    if years is None:
        return
    ponds = _crop(assessment.rasters[f"pond_depth_{years}yr"], frame)
    if ponds is None or not (np.nan_to_num(ponds[0]) > 0.05).any():
        return
    wet = np.nan_to_num(ponds[0]) > 0.05
    scale = 4  # dots within a cell
    dots = np.kron(wet, np.ones((scale, scale), bool))
    grid = np.indices(dots.shape).sum(axis=0) % 2 == 0
    picture = np.zeros((*dots.shape, 2), np.uint8)
    picture[..., 1] = np.where(dots & grid, 190, np.where(dots, 70, 0))
    _image(group, frame, Image.fromarray(picture, "LA"), ponds[1], crisp=True)
    drawn["pond"] = f"ponding after a {years}-year storm (dotted)"


def _nearest_storm(assessment: Assessment) -> int | None:
    years = [
        int(name.removeprefix("pond_depth_").removesuffix("yr"))
        for name in assessment.rasters
        if name.startswith("pond_depth_") and name.endswith("yr")
    ]
    return min(years, key=lambda y: (abs(y - _POND_STORM), y)) if years else None


def _crop(
    source: GridSource, frame: MapFrame
) -> tuple[np.ndarray, tuple[float, float, float, float]] | None:
    """The cells under the frame, and their west, north, east and south edges."""
    t = source.transform
    west, south, east, north = frame.box.bounds
    rows, cols = source.shape
    first = max(int((west - t.c) / t.a), 0), max(int((north - t.f) / t.e), 0)
    last = min(math.ceil((east - t.c) / t.a), cols), min(math.ceil((south - t.f) / t.e), rows)
    if last[0] <= first[0] or last[1] <= first[1]:
        return None
    grid = source.read(Window(first[1], first[0], last[1] - first[1], last[0] - first[0]))
    own = grid.transform
    edges = (own.c, own.f, own.c + own.a * grid.shape[1], own.f + own.e * grid.shape[0])
    return grid.values, edges


def _image(
    group: ET.Element,
    frame: MapFrame,
    picture: Image.Image,
    edges: tuple[float, float, float, float],
    *,
    crisp: bool = False,
) -> None:
    stream = io.BytesIO()
    picture.save(stream, "PNG", optimize=True)
    text = base64.b64encode(stream.getvalue()).decode("ascii")
    left, top = frame.px(edges[0], edges[1])
    right, bottom = frame.px(edges[2], edges[3])
    ET.SubElement(
        group,
        "image",
        {
            "href": f"data:image/png;base64,{text}",
            "x": f"{left}", "y": f"{top}",
            "width": f"{right - left:.1f}", "height": f"{bottom - top:.1f}",
            "preserveAspectRatio": "none",
            "image-rendering": "pixelated" if crisp else "auto",
        },
    )  # fmt: skip


def _surroundings(
    group: ET.Element,
    frame: MapFrame,
    plan: VisitPlan,
    assessment: Assessment,
    drawn: dict[str, str],
) -> None:
    own = plan.unit.get("parcel_id")
    for name, style in (
        ("floodplain", "flood"), ("water_bodies", "water"), ("parcels", "parcel"),
        ("roads", "road"), ("buildings", "building"), ("streams", "stream"), ("drains", "drain"),
    ):  # fmt: skip
        layer = assessment.context.get(name)
        if layer is None:
            continue
        near = layer[layer.intersects(frame.box)]
        if name == "floodplain":
            near = near[near["is_sfha"].astype(bool)]
        if name == "parcels":
            mine = near[near["parcel_id"] == own]
            near = near[near["parcel_id"] != own]
            draw(group, frame, near, "parcel", drawn)
            draw(group, frame, mine, "own", drawn)
            continue
        if name == "roads":
            draw(group, frame, near, "road_edge", {})
        draw(group, frame, near, style, drawn)


def draw(
    group: ET.Element,
    frame: MapFrame,
    layer: gpd.GeoDataFrame,
    style: str,
    drawn: dict[str, str],
) -> None:
    """The shapes of a layer in one look, clipped to the frame, and the look's words for the key."""
    shapes = [g.intersection(frame.box.buffer(20 * frame.m_px)) for g in layer.geometry]
    d = path_text(frame, shapes)
    if d:
        ET.SubElement(group, "path", {"d": d, **LOOK[style], "fill-rule": "evenodd"})
        drawn.setdefault(style, _KEY.get(style, ""))


def path_text(frame: MapFrame, shapes: Iterable[Any]) -> str:
    """Shapes as the data of one path; empty where there is nothing."""
    return " ".join(_path_data(frame, shapes))


def _path_data(frame: MapFrame, shapes: Iterable[Any]) -> Iterable[str]:
    for shape in shapes:
        for part in shapely.get_parts(shape):
            if part.is_empty:
                continue
            if part.geom_type == "Polygon":
                for ring in (part.exterior, *part.interiors):
                    yield _line_data(frame, ring.coords) + "Z"
            elif part.geom_type == "LineString":
                yield _line_data(frame, part.coords)


def _line_data(frame: MapFrame, coords: Sequence[Any]) -> str:
    points = [frame.px(c[0], c[1]) for c in coords]
    return "M" + "L".join(f"{x} {y}" for x, y in points)


def _marks(
    group: ET.Element,
    frame: MapFrame,
    plan: VisitPlan,
    assessment: Assessment,
    drawn: dict[str, str],
) -> None:
    if plan.path is not None:
        path = gpd.GeoDataFrame(geometry=[plan.path])
        draw(group, frame, path, "path", drawn)
    if plan.outlet_xy is not None and plan.walk is not None:
        pipe = gpd.GeoDataFrame(geometry=[shapely.LineString([plan.lid_xy, plan.outlet_xy])])
        draw(group, frame, pipe, "pipe", drawn)
        x, y = frame.px(*plan.outlet_xy)
        radius = plan.walk.search_radius_m / frame.m_px
        ET.SubElement(
            group,
            "circle",
            {"cx": f"{x}", "cy": f"{y}", "r": f"{radius:.1f}", **LOOK["search"]},
        )
        drawn["search"] = _KEY["search"]
    wells = assessment.context.get("wells")
    if wells is not None:
        for row in wells[wells.intersects(frame.box)].itertuples():
            x, y = frame.px(row.geometry.x, row.geometry.y)
            ET.SubElement(group, "circle", {"cx": f"{x}", "cy": f"{y}", "r": "7", **LOOK["well"]})
            ET.SubElement(
                group, "path",
                {"d": f"M{x - 7} {y}h14M{x} {y - 7}v14", **LOOK["pipe"]},
            )  # fmt: skip
            label(group, x + 10, y + 4, str(row.well_id))
            drawn["well"] = _KEY["well"]
    _likely_places(group, frame, plan, drawn)
    if plan.outlet_xy is not None:
        x, y = frame.px(*plan.outlet_xy)
        ET.SubElement(group, "path", {"d": f"M{x} {y - 10}l9 16h-18z", **LOOK["mark"]})
        label(group, x + 12, y + 5, "Discharge point")
    x, y = frame.px(*plan.lid_xy)
    ET.SubElement(
        group,
        "rect",
        {"x": f"{x - 7}", "y": f"{y - 7}", "width": "14", "height": "14", **LOOK["mark"]},
    )
    label(group, x + 12, y + 5, "Lids")


def _drawn_places(plan: VisitPlan) -> tuple[LikelyPlace, ...]:
    return () if plan.hunt is None else plan.hunt.places[:PLACES_DRAWN]


def _likely_places(
    group: ET.Element, frame: MapFrame, plan: VisitPlan, drawn: dict[str, str]
) -> None:
    """Numbers where an outlet nobody knows may be, and the area that was searched for it."""
    if plan.hunt is None:
        return
    if plan.walk is None:
        draw(group, frame, gpd.GeoDataFrame(geometry=[plan.hunt.area]), "hunt", drawn)
    for place in reversed(_drawn_places(plan)):  # the first on top
        x, y = frame.px(*place.xy)
        ET.SubElement(group, "circle", {"cx": f"{x}", "cy": f"{y}", "r": "10", **LOOK["candidate"]})
        number = {"x": f"{x}", "y": f"{y + 4.6:.1f}", "text-anchor": "middle", **LOOK["text"]}
        ET.SubElement(group, "text", number).text = str(place.rank)
        drawn["candidate"] = _KEY["candidate"]


def label(group: ET.Element, x: float, y: float, text: str) -> None:
    """A text with a halo, at pixels."""
    for style in ("halo", "text"):  # not every renderer knows which to paint first
        ET.SubElement(group, "text", {"x": f"{x:.1f}", "y": f"{y:.1f}", **LOOK[style]}).text = text


def scale_and_north(
    svg: ET.Element,
    frame: MapFrame,
    at: tuple[float, float],
    assessment: Assessment,
    measures: Measures,
) -> None:
    """Scale bar, an arrow to true north, and the frame around all."""
    unit_m, unit = (FT_M, "ft") if measures == "us" else (1.0, "m")
    most = 0.28 * WIDTH * frame.m_px / unit_m
    step = max(n * 10.0**k for k in range(4) for n in (1, 2, 5) if n * 10.0**k <= most)
    length = step * unit_m / frame.m_px
    left, base = 16.0, HEIGHT - 16.0
    ET.SubElement(
        svg, "rect",
        {"x": "8", "y": f"{base - 26}", "width": f"{length + 70:.0f}", "height": "36",
         "fill": "#fff", "fill-opacity": "0.85"},
    )  # fmt: skip
    ET.SubElement(
        svg, "path",
        {"d": f"M{left} {base - 6}v6h{length:.1f}v-6", **LOOK["thin"]},
    )  # fmt: skip
    label(svg, left + length + 6, base + 2, f"{step:,.0f} {unit}")
    crs = assessment.units.crs
    assert crs is not None
    x, y = at
    # the grid's own up, seen from true north: the arrow leans the other way
    lean = -float(bearing_deg(x, y, x, y + 100, crs))
    arrow = ET.SubElement(svg, "g", {"transform": f"translate({WIDTH - 30} 40) rotate({lean:.1f})"})
    ET.SubElement(
        arrow, "path",
        {"d": "M0 -26L8 12L0 6L-8 12Z", "fill": "#000", "stroke": "#fff", "stroke-width": "2"},
    )  # fmt: skip
    label(svg, WIDTH - 35, 72, "N")
    ET.SubElement(
        svg, "rect",
        {"width": str(WIDTH), "height": str(HEIGHT), **LOOK["frame"]},
    )  # fmt: skip
