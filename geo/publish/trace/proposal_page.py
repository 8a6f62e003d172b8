"""One page on a proposed unit: two maps of where setbacks hold, every check, every figure."""

from __future__ import annotations

from typing import Any, Final
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup

from geo.publish.shared import assets, document, field_texts, visit_map, words
from geo.results import cautions
from geo.results.proposed import Proposal
from layers.measures import format_area, format_exactly, format_length
from layers.outputs import SECTIONS as ALL_SECTIONS
from layers.outputs import Field

# Of the page of a unit, what can be known of one that is not there: by a field each section holds.
_KNOWN: Final = frozenset({"pipe_drop_m", "path_end", "flood_distance_m", "lid_wet_state"})
SECTIONS: Final = tuple(title for title, names in ALL_SECTIONS if not _KNOWN.isdisjoint(names))
_FLOOD: Final = "flood_distance_m"
# What is so of every proposed unit says nothing.
_SAME: Final = ("outlet_state", "discharge_point_id", "link_method", "link_confirmed")
_PARTS: Final = {"tank": "Lids and tank", "discharge_point": "Discharge point"}
_VERDICTS: Final = {
    "clear": "appears clear", "short": "appears inside its setback",
    "uncertain": "too close to tell", "not_known": "not known", "none_on_record": "not on record",
}  # fmt: skip
_VERDICT_ORDER: Final = ("short", "uncertain", "not_known", "clear", "none_on_record")
_LEAST_EDGE_M: Final = 5.0  # a shorter piece of an outline is not numbered
_ROOM: Final = 1.2
# that the two areas tell apart in black and white
_AS_DRAWN: Final = {"fill": "#e4e4e4", "stroke": "#000", "stroke-width": "1"}
_SURELY: Final = {"fill": "#ababab", "stroke": "#000", "stroke-width": "2.2"}


def proposal_page(found: Proposal) -> str:
    """What a proposed unit would meet as one self-contained HTML file, without a script."""
    result = found.result
    run = result.run
    measures = run.county.show_units
    style = assets.page_file("trace.css")
    return str(
        assets.page_template("proposal.html").render(
            title="A proposed unit",
            county=run.county.name,
            as_of=words.date(run.as_of) if run.as_of else "",
            style=Markup(style),  # noqa: S704  our own file, named by its hash
            policy=document.policy((), [style]),
            place=place_shown(found),
            parts=[_part(found, part, measures) for part in found.allowed],
            checks=checks_shown(found),
            sections=sections_shown(found),
            doubts=found.doubts,
            notes=found.notes,
            cautions=cautions,
        )
    )


def place_shown(found: Proposal) -> str:
    """Where lid and discharge point would be."""
    unit, points = found.result.units, found.result.discharge_points
    measures = found.result.run.county.show_units
    wording = [f"Lid at {_degrees(unit)}"]
    wording.append(
        f"discharge point at {_degrees(points)}" if len(points) else "no discharge point given"
    )
    accuracy = format_length(float(unit["accuracy95_m"].iloc[0]), measures)
    return f"{', '.join(wording)}. Each position is taken as right, give or take {accuracy}."


def _degrees(layer: gpd.GeoDataFrame) -> str:
    at = layer.geometry.to_crs("EPSG:4326").iloc[0]
    return f"{at.y:.6f}, {at.x:.6f}"


def _part(found: Proposal, part: str, measures: words.Measures) -> dict[str, Any]:
    edges = found.edges[(found.edges["part"] == part) & (found.edges["held"] == "as_drawn")]
    edges = edges[edges.length >= _LEAST_EDGE_M].reset_index(drop=True)
    return {
        **area_shown(found, part),
        "map": _map(found, part, edges, measures),
        "edges": [f"{k} {name.replace('-', ' ')}" for k, name in enumerate(edges["rule_id"], 1)],
    }


def area_shown(found: Proposal, part: str) -> dict[str, str]:
    """The part's ``title`` and where its setbacks hold: ``surely`` and ``as_drawn``."""
    wording = {"title": _PARTS.get(part, part)}
    for held, shapes in (("surely", found.surely), ("as_drawn", found.allowed)):
        area = shapes[part].area
        share = found.share(part, surely=held == "surely") or 0.0
        size = format_area(area, found.result.run.county.show_units)
        wording[held] = f"on {size}, {share:.0%} of the parcel" if area > 0 else "nowhere"
    return wording


def _map(found: Proposal, part: str, edges: gpd.GeoDataFrame, measures: words.Measures) -> Markup:
    result = found.result
    frame = _frame(found)
    size = f"0 0 {visit_map.WIDTH} {visit_map.HEIGHT}"
    svg = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "viewBox": size, "role": "img"})
    ET.SubElement(svg, "title").text = f"Where setbacks are met: {_PARTS.get(part, part).lower()}"
    visit_map.patterns(svg)
    group = ET.SubElement(svg, "g", {"clip-path": "url(#frame)"})
    for shape, look in ((found.allowed[part], _AS_DRAWN), (found.surely[part], _SURELY)):
        d = visit_map.path_text(frame, [shape])
        if d:
            ET.SubElement(group, "path", {"d": d, "fill-rule": "evenodd", **look})
    drawn: dict[str, str] = {}
    for name, style in (
        ("water_bodies", "water"), ("parcels", "parcel"), ("buildings", "building"),
        ("streams", "stream"), ("drains", "drain"),
    ):  # fmt: skip
        layer = result.context.get(name)
        if layer is not None:
            visit_map.draw(group, frame, layer[layer.intersects(frame.box)], style, drawn)
    visit_map.draw(group, frame, gpd.GeoDataFrame(geometry=[found.parcel]), "own", drawn)
    wells = result.context.get("wells")
    if wells is not None:
        for at in wells[wells.intersects(frame.box)].geometry:
            x, y = frame.px(at.x, at.y)
            ET.SubElement(
                group, "circle", {"cx": f"{x}", "cy": f"{y}", "r": "5", **visit_map.LOOK["well"]}
            )
    for k, line in enumerate(edges.geometry, 1):
        longest = max(shapely.get_parts(line), key=shapely.length)
        at = shapely.line_interpolate_point(longest, 0.5, normalized=True)
        _number(group, frame, at, str(k))
    here = result.units.geometry.iloc[0]
    _mark(group, frame, here, "M-5 -5h10v10h-10z")
    if len(result.discharge_points):
        _mark(group, frame, result.discharge_points.geometry.iloc[0], "M0 -9l8 14h-16z")
    visit_map.scale_and_north(svg, frame, (here.x, here.y), result, measures)
    return Markup(ET.tostring(svg, encoding="unicode"))  # noqa: S704  made by an XML writer


def _number(group: ET.Element, frame: visit_map.MapFrame, at: shapely.Point, text: str) -> None:
    """The number of an edge, large: the maps stand side by side."""
    x, y = frame.px(at.x, at.y)
    place = {"x": f"{x}", "y": f"{y}", "text-anchor": "middle", "dominant-baseline": "central"}
    for look in ("halo", "text"):
        wording = ET.SubElement(
            group, "text", {**visit_map.LOOK[look], **place, "font-size": "26px"}
        )
        wording.text = text


def _mark(group: ET.Element, frame: visit_map.MapFrame, at: shapely.Point, shape: str) -> None:
    x, y = frame.px(at.x, at.y)
    look = visit_map.LOOK["mark"]
    ET.SubElement(group, "path", {"d": shape, "transform": f"translate({x} {y})", **look})


def _frame(found: Proposal) -> visit_map.MapFrame:
    """The parcel and both places."""
    places = [*found.result.units.geometry, *found.result.discharge_points.geometry]
    west, south, east, north = shapely.total_bounds(np.array([found.parcel, *places], object))
    wide, tall = max(east - west, 60.0), max(north - south, 60.0)
    across = max(wide, tall * visit_map.WIDTH / visit_map.HEIGHT) * _ROOM
    m_px = across / visit_map.WIDTH
    x, y = (west + east) / 2, (south + north) / 2
    return visit_map.MapFrame(x - across / 2, y + visit_map.HEIGHT * m_px / 2, m_px)


def checks_shown(found: Proposal) -> list[dict[str, str]]:
    """The required setbacks, what matters first: ``rule, to, asked, distance, verdict``."""
    checks, measures = found.result.setback_checks, found.result.run.county.show_units
    order = {name: k for k, name in enumerate(_VERDICT_ORDER)}
    some = checks[checks["in_force"].astype(bool)]
    some = some.assign(at=some["verdict"].map(order)).sort_values(["at", "rule_id"], kind="stable")
    return [
        {
            "rule": str(row["rule_id"]).replace("-", " "),
            "to": "" if pd.isna(row["feature_id"]) else str(row["feature_id"]),
            "asked": format_exactly(row["required_m"], measures),
            "distance": _distance(row, measures),
            "verdict": _VERDICTS.get(row["verdict"], str(row["verdict"])),
        }
        for row in some.to_dict("records")
    ]


def _distance(row: dict[Any, Any], measures: words.Measures) -> str:
    if pd.isna(row["distance_m"]):
        return ""
    spread = row["distance_u95_m"]
    about = "" if pd.isna(spread) else f", give or take {words.length(spread, measures)}"
    shown = words.small_length(row["distance_m"], "distance", measures) or format_length(
        row["distance_m"], measures, required_m=float(row["required_m"])
    )
    return f"{shown}{about}"


def sections_shown(found: Proposal) -> list[dict[str, Any]]:
    """Every figure there is: ``title``, ``rows`` of a label and a value, ``caution``."""
    units, measures = found.result.units, found.result.run.county.show_units
    unit, shown = units.iloc[0], []
    for title, there in field_texts.sections(units.columns):
        if title not in SECTIONS:
            continue
        rows = []
        for field in there:
            if field.name in _SAME:
                continue
            value, needs = unit[field.name], field.shown.needs
            lacks = needs and (needs not in unit or pd.isna(unit[needs]))
            if lacks or pd.isna(value) or value == "":
                continue
            wording = _text(units[field.name], field, measures)
            if wording:
                rows.append(_risen(field, wording))
        if rows:
            is_outside = any(field.name == _FLOOD for field in there) and unit[_FLOOD] > 0
            caution = cautions.OUTSIDE_FLOOD_ZONE if is_outside else ""
            shown.append({"title": title, "rows": rows, "caution": caution})
    return shown


def _risen(field: Field, wording: str) -> tuple[str, str]:
    """Label and value; a drop below zero is a rise."""
    if field.name == "pipe_drop_m" and wording[0] in "-\u2212":
        return "Ground rises to it by", wording[1:]
    return field.label, wording


def _text(values: pd.Series, field: Field, measures: words.Measures) -> str:
    if field.reads_as in field_texts.IN_WORDS:
        return field_texts.as_words(values, field)[0] or ""
    value = float(values.iloc[0])
    if field.shown.zero and value == 0:
        return field.shown.zero
    if field.reads_as in words.LENGTHS:
        small = words.small_length(value, field.reads_as, measures)
        if small and value:
            return small
        if field.reads_as == "distance":
            return format_length(value, measures)
    scale = words.scale(field.reads_as, measures)
    return f"{value * scale.factor:,.{scale.decimals}f} {scale.unit}".strip()
