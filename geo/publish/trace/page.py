"""One page to walk a trace by: the list in order, the forks, a small map. Staff only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup

from geo.publish.shared import assets, document, visit_map, words
from geo.publish.trace import map_labels
from geo.results import cautions
from geo.results.traced import WHAT, TraceDown, TraceUp, describe_chance, text_lie
from layers.measures import format_age_short, format_height, format_length
from layers.outputs import UNITS
from layers.store import Assessment

# So that the walk stays on one page: outlets at most, and forks beside so many outlets.
_LISTED: Final = 21
_LISTED_OF_MORE: Final = 18  # a list that is cut has more to say below it
_FORKS: Final = 6
_OTHERS: Final = 8
_WINDS: Final = ("north", "northeast", "east", "southeast", "south", "southwest", "west",
                 "northwest")  # fmt: skip
_ROOM: Final = 1.15
_FOUND: Final = UNITS.field("last_result").codes
_LETTERS_PX: Final = 19  # the map stands at half the page's width
# "Here" is large, so that it shows from under an outlet at the same place
_SHAPES: Final = {
    "here": "M{x:.1f} {y:.1f}m0 -14l12 21h-24z",
    "outlet": "M{x:.1f} {y:.1f}m-4 -4h8v8h-8z",
    "fork": "M{x:.1f} {y:.1f}m-5 0a5 5 0 1 0 10 0a5 5 0 1 0 -10 0z",
}
# dots that show on a stream too, in black and white
_WAY: Final = {
    "fill": "none", "stroke": "#000", "stroke-width": "5.5", "stroke-dasharray": "0.1 10",
    "stroke-linecap": "round",
}  # fmt: skip
_PICTURE: Final = map_labels.Box(0, 0, visit_map.WIDTH, visit_map.HEIGHT)
# the scale bar and the arrow to the north
_KEPT_FREE: Final = (
    map_labels.Box(8, visit_map.HEIGHT - 42, 0.28 * visit_map.WIDTH + 70, 36),
    map_labels.Box(visit_map.WIDTH - 48, 8, 40, 70),
)


def trace_up_page(found: TraceUp, assessment: Assessment) -> str:
    """The walk upstream as one self-contained HTML file, without a script."""
    measures = assessment.run.county.show_units
    forks: list[dict[str, Any]] = [
        {
            "number": int(number),
            "along": _upstream(float(group["along_m"].iloc[0]), measures),
            "halves": bool(group["halves"].iloc[0]),
            "place": f"{group['lat'].iloc[0]:.6f}, {group['lon'].iloc[0]:.6f}",
            "branches": [_branch(row) for row in group.to_dict("records")],
        }
        for number, group in found.forks.groupby("fork", sort=True)
    ]
    half = [fork for fork in forks if fork["halves"] and fork["number"] > _FORKS]
    count = len(found.candidates)
    most = _LISTED if count <= _LISTED else _LISTED_OF_MORE
    some = found.candidates.head(most)
    marks = [(found.xy, "Here")] + [
        ((p.x, p.y), f"{k}") for k, p in enumerate(some.geometry, 1) if p
    ]
    shown = [*forks[:_FORKS], *half]
    places = found.forks.drop_duplicates("fork").set_index("fork").geometry
    parted = [((p.x, p.y), f"F{n}") for n in (f["number"] for f in shown) if (p := places[n])]
    return _page(
        assessment,
        title=f"Upstream from {found.name}",
        lead=f"{cautions.TRACE} {cautions.PLACES_TO_LOOK}",
        map=_map(assessment, marks, found.ways, measures, parted),
        candidates=candidates_shown(found, assessment, most), count=count,
        others=others_shown(found),
        forks=shown,
        fork_count=len(forks), notices=None, notes=found.notes,
    )  # fmt: skip


def trace_down_page(found: TraceDown, assessment: Assessment) -> str:
    """Who and what the water of one unit passes, as one self-contained HTML file."""
    measures = assessment.run.county.show_units
    marks = [] if found.xy is None else [(found.xy, "Discharge point")]
    near = found.notices[found.notices["what"].isin(["well", "bathing", "intake"])].head(_LISTED)
    marks += [((p.x, p.y), str(i)) for p, i in zip(near.geometry, near["id"], strict=True)]
    return _page(
        assessment,
        title=f"Downstream notice list for unit {found.unit_id}",
        lead=f"Who to notify if this unit fails. {cautions.TRACE}",
        map=_map(assessment, marks, found.ways, measures) if marks else "",
        candidates=None, count=0, others="", forks=[], fork_count=0,
        notices=notices_shown(found, assessment),
        notes=found.notes,
    )  # fmt: skip


def candidates_shown(
    found: TraceUp, assessment: Assessment, most: int | None = None
) -> list[dict[str, Any]]:
    """The first candidates as a person reads them.

    Of each ``order, unit, address, along, fork, chance, last, owed, place``.
    """
    measures, as_of = assessment.run.county.show_units, pd.Timestamp(assessment.run.as_of)
    rows = found.candidates.head(len(found.candidates) if most is None else most)
    return [_candidate(row, measures, as_of) for row in rows.to_dict("records")]


def notices_shown(found: TraceDown, assessment: Assessment) -> list[dict[str, str]]:
    """What the water passes as a person reads it: ``what, id, name, along, off, lies``."""
    measures = assessment.run.county.show_units
    return [
        {
            "what": WHAT.get(row["what"], str(row["what"])),
            "id": _text(row["id"]),
            "name": _text(row["name"]),
            "along": format_length(float(row["along_m"]), measures),
            "off": format_length(float(row["off_m"]), measures)
            if float(row["off_m"]) > 0.5
            else "",
            "lies": text_lie(row, lambda rise_m: format_height(rise_m, measures)),
        }
        for row in found.notices.to_dict("records")
    ]


def _page(assessment: Assessment, **shown: Any) -> str:
    style = assets.page_file("trace.css")
    run = assessment.run
    return str(
        assets.page_template("trace.html").render(
            **shown,
            county=run.county.name,
            as_of=words.date(run.as_of) if run.as_of else "",
            style=Markup(style),  # noqa: S704  our own file, named by its hash
            policy=document.policy((), [style]),
            cautions=cautions,
        )
    )


def _upstream(along_m: float, measures: words.Measures) -> str:
    """How far upstream; empty at the place itself."""
    return format_length(along_m, measures) if along_m >= 0.5 else ""


def _branch(row: Mapping[str, Any]) -> dict[str, Any]:
    bearing = row["bearing_deg"]
    known = bearing is not None and np.isfinite(bearing)
    what = (
        WHAT.get(row["layer"], "")
        if isinstance(row["layer"], str)
        else "discharge points straight into it"
    )
    return {
        "letter": row["branch"],
        "water": f"{what} {_text(row['feature_id'])}".strip(),
        "toward": _WINDS[round(bearing / 45) % 8] if known else "",
        "candidates": int(row["candidates"]),
        "share": f"{row['share']:.0%}",
    }


def _candidate(
    row: Mapping[str, Any], measures: words.Measures, as_of: pd.Timestamp
) -> dict[str, Any]:
    by = row.get("must_visit_by")
    day = pd.Timestamp(by)
    due = "" if pd.isna(day) else f"{day:%b} {day.day}, {day.year}"
    if due and not pd.isna(as_of) and day < as_of:
        due = f"overdue {format_age_short((as_of - day).days)}"
    last = _text(row.get("last_result"))
    return {
        "order": int(row["order"]),
        "unit": _name(row),
        "address": _text(row.get("address")),
        "along": format_length(float(row["along_m"]), measures),
        "fork": f"{row['fork']:.0f}{row['branch']}" if not pd.isna(row["fork"]) else "",
        "chance": describe_chance(row, runs_are=""),
        "last": words.in_words(last, _FOUND) if last else "",
        "owed": due,
        "place": f"{row['lat']:.6f}, {row['lon']:.6f}" if np.isfinite(row["lat"]) else "",
    }


def others_shown(found: TraceUp) -> str:
    """Discharge points whose water passes only where the terrain errs, in words."""
    text = [
        f"{_name(row)} {describe_chance(row)}"
        for row in found.others.head(_OTHERS).to_dict("records")
    ]
    left = len(found.others) - len(text)
    return "; ".join(text) + (f"; and {left} more" if left else "")


def _name(row: Mapping[Any, Any]) -> str:
    unit = _text(row["unit_id"])
    return unit or f"discharge point {_text(row['discharge_point_id'])}, unit not known"


def _text(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)


def _map(
    assessment: Assessment,
    marks: list[tuple[tuple[float, float], str]],
    ways: gpd.GeoDataFrame,
    measures: words.Measures,
    forks: Sequence[tuple[tuple[float, float], str]] = (),
) -> Markup:
    """The same map as a visit sheet has, of a larger piece of ground that holds the marks."""
    xy = np.array([where for where, _ in marks])
    frame = _frame(xy)
    drawn: dict[str, str] = {}
    size = f"0 0 {visit_map.WIDTH} {visit_map.HEIGHT}"
    svg = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "viewBox": size, "role": "img"})
    ET.SubElement(svg, "title").text = "Map of the path of water"
    visit_map.patterns(svg)
    group = ET.SubElement(svg, "g", {"clip-path": "url(#frame)"})
    for name, style in (("water_bodies", "water"), ("streams", "stream"), ("drains", "drain")):
        layer = assessment.context.get(name)
        if layer is not None:
            visit_map.draw(group, frame, layer[layer.intersects(frame.box)], style, drawn)
    lines = ways[shapely.get_type_id(ways.geometry.to_numpy()) == 1] if len(ways) else ways
    near = lines[lines.intersects(frame.box)] if len(lines) else lines
    d = visit_map.path_text(frame, near.geometry.intersection(frame.box.buffer(20 * frame.m_px)))
    if d:
        ET.SubElement(group, "path", {"d": d, **_WAY})
    visit_map.scale_and_north(svg, frame, marks[0][0], assessment, measures)
    over = ET.SubElement(svg, "g", {"clip-path": "url(#frame)"})  # no mark lies under the scale
    inside = [fork for fork in forks if frame.box.contains(shapely.Point(fork[0]))]
    _marks(
        over,
        [(frame.px(*where), text) for where, text in (*marks, *inside)],
        ["here", *["outlet"] * (len(marks) - 1), *["fork"] * len(inside)],
    )
    return Markup(ET.tostring(svg, encoding="unicode"))  # noqa: S704  made by an XML writer


def _marks(
    group: ET.Element, marks: Sequence[tuple[tuple[float, float], str]], kinds: Sequence[str]
) -> None:
    """Marks of their kinds with their texts; lines to texts farther off lie under both."""
    at = [where for where, _ in marks]
    stand = map_labels.placed(
        at, [text for _, text in marks], _PICTURE, _KEPT_FREE, size_px=_LETTERS_PX
    )
    for (x, y), (box, has_line) in zip(at, stand, strict=True):
        if has_line:
            to_x = min(max(x, box.left), box.left + box.wide)
            to_y = min(max(y, box.top), box.top + box.high)
            d = f"M{x:.1f} {y:.1f}L{to_x:.1f} {to_y:.1f}"
            ET.SubElement(group, "path", {"d": d, **visit_map.LOOK["thin"], "stroke-width": "0.9"})
    for ((x, y), _), kind in zip(marks, kinds, strict=True):
        look = visit_map.LOOK["mark" if kind == "here" else "candidate"]
        ET.SubElement(group, "path", {"d": _SHAPES[kind].format(x=x, y=y), **look})
    for (box, _), (_, text) in zip(stand, marks, strict=True):
        middle, base = box.left + box.wide / 2, box.top + 0.92 * box.high
        place = {"x": f"{middle:.1f}", "y": f"{base:.1f}", "text-anchor": "middle"}
        for layer in ("halo", "text"):  # not every renderer knows which to paint first
            style = {**visit_map.LOOK[layer], **place, "font-size": f"{_LETTERS_PX}px"}
            ET.SubElement(group, "text", style).text = text


def _frame(xy: np.ndarray) -> Any:
    low, high = xy.min(axis=0), xy.max(axis=0)
    wide, tall = np.maximum(high - low, 60.0)
    across = max(wide, tall * visit_map.WIDTH / visit_map.HEIGHT) * _ROOM + 60
    m_px = across / visit_map.WIDTH
    west, south = (low + high) / 2
    return visit_map.MapFrame(
        float(west - across / 2), float(south + visit_map.HEIGHT * m_px / 2), float(m_px)
    )
