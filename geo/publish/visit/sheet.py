"""The visit sheet: two Letter pages a unit, that open from the file, print, and need no signal."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType
from typing import Any, Final

import pandas as pd
import segno
from jinja2 import Environment, StrictUndefined, select_autoescape
from markupsafe import Markup

from geo.publish.shared import assets, document, words
from geo.publish.shared.visit_map import PLACES_DRAWN, visit_map
from geo.publish.shared.visit_words import OUTCOME_WORDS, quadrant, walk_in_words
from geo.results.outlet_kinds import KIND_WORDS
from geo.results.traced import WHAT, TraceDown
from geo.results.visit_plan import NearWell, VisitPlan
from layers.crs.coordinates import Place
from layers.fields.schemas import OUTCOMES
from layers.measures import format_chance, format_length
from layers.outputs.field import sentences_of
from layers.outputs.units import PROTECTED
from layers.settings.visit_list import VisitList
from layers.store import Assessment

# So that a sheet stays on two pages.
_WHY_AT_MOST, _CHECKS_AT_MOST, _GAPS_AT_MOST = 6, 3, 4
_BY_LOT: Final = (
    "Drawn by lot for this season, so that what is found speaks for every unit; the lot says"
    " nothing of this one."
)
# Of what lies down the water, whom somebody would tell.
_SHOWN_DOWN: Final = ("well", "parcel", "bathing", "intake")
CONTACT: Final = (
    ("contact", "Contact"), ("phone", "Phone"), ("permission", "Permission"), ("gate", "Gate"),
    ("dog", "Dog"), ("appointment", "Appointment"), ("attempts", "Attempts"), ("note", "Note"),
)  # fmt: skip


def visit_sheets(
    plans: Sequence[VisitPlan],
    assessment: Assessment,
    visit_list: VisitList,
    *,
    contacts: Mapping[str, Mapping[str, str]] | None = None,
    down: Mapping[str, TraceDown] = MappingProxyType({}),
    down_pages: Mapping[str, str] = MappingProxyType({}),
    scripted: bool = True,
) -> str:
    """Sheets of some units as one HTML file; staff only.

    Parameters
    ----------
    plans
        From `geo.visits.visit_plans`.
    contacts
        By unit: whom to ask and what to mind at the property (`CONTACT`); never stored.
    down
        By unit: what its water comes past, from `geo.trace.trace_down`.
    down_pages
        By unit: the page of whom to tell, as seen from the sheet, where one is made.
    scripted
        With the live distance and direction; without for the PDF.
    """
    run = assessment.run
    measures = run.county.show_units
    styles = [assets.page_file("visit.css")]
    scripts = [assets.page_file("live_direction.js")] if scripted else []
    sheets = []
    for plan in plans:
        unit_id = str(plan.unit["unit_id"])
        sheet = _sheet(plan, assessment, measures, (contacts or {}).get(unit_id, {}))
        traced = down.get(unit_id)
        sheet["down"] = "" if traced is None else down_in_words(traced, measures)
        if sheet["down"]:  # it names the place with the rest
            sheet["water"] = _water(plan.unit, measures, place=False)
        sheet["down_page"] = down_pages.get(unit_id, "")
        sheets.append(sheet)
    first = sheets[0]["unit_id"] if len(sheets) == 1 else f"{len(sheets)} units"
    return str(
        _template().render(
            title=f"Visit sheet {first}",
            county=run.county.name,
            as_of=words.date(run.as_of),
            made_by=f"Rillmark {run.versions.get('rillmark', '')}".strip(),
            policy=document.policy(scripts, styles),
            styles=[Markup(text) for text in styles],  # noqa: S704  our own file, named by hash
            scripts=[Markup(text) for text in scripts],  # noqa: S704  our own file, named by hash
            sheets=sheets,
            outcomes=[OUTCOME_WORDS[code] for code in OUTCOMES if code in OUTCOME_WORDS],
            bring="; ".join(visit_list.bring.things),
            cautions=visit_list.cautions.lines,
            last=visit_list.cautions.last,
            caution=words.CAUTION,
        )
    )


def _sheet(
    plan: VisitPlan,
    assessment: Assessment,
    measures: words.Measures,
    contact: Mapping[str, str],
) -> dict[str, Any]:
    unit = plan.unit
    drawn = visit_map(plan, assessment, measures=measures)
    target = plan.outlet or plan.lid
    due = unit.get("must_visit_by")
    owed = [str(row["why"]) for row in plan.owed if _text(row.get("why"))]
    hunt = hunt_in_words(plan, measures)
    return {
        "unit_id": str(unit["unit_id"]),
        "address": _text(unit.get("address")),
        "line": _line(unit),
        "owed_by": "" if due is None or pd.isna(due) else words.date(due),
        "map": Markup(drawn.svg),  # noqa: S704  built by an XML writer, which escapes
        "key": [(style, wording) for style, wording in drawn.key if wording],
        "outlet_known": plan.outlet is not None,
        "walk": walk_in_words(plan, measures),
        "hunt": hunt,
        "places": _places(plan, measures),
        "target": {"lat": target.lat, "lon": target.lon, "geo_uri": target.geo_uri},
        "qr": Markup(_qr(target.geo_uri)),  # noqa: S704  drawn by a library from digits
        "contact": [(label, contact[key]) for key, label in CONTACT if contact.get(key)],
        "why": _why(plan, owed)[: _WHY_AT_MOST - bool(hunt)],
        "gaps": "; ".join(sentences_of(unit.get("data_gaps"))[: _GAPS_AT_MOST - 2 * bool(hunt)]),
        "water": _water(unit, measures),
        "wells": [_well(well, measures) for well in plan.wells],
        "no_wells": _no_wells(assessment),
        "checks": _at_most(plan.checks, _CHECKS_AT_MOST),
        "no_checks": _no_checks(assessment),
        "look_at": plan.look_at,
        "again": [
            i.key for i in plan.look_at if any(f"({i.title})" in wording for wording in owed)
        ],
        "sources": "; ".join(dict.fromkeys(item.source for item in plan.look_at)) + ".",
    }


def down_in_words(traced: TraceDown, measures: words.Measures) -> str:
    """The first of each kind of what the water comes past; empty where it comes past nothing."""
    rows = traced.notices[traced.notices["what"].isin(_SHOWN_DOWN)]
    first = rows.drop_duplicates("what").sort_values("along_m", kind="stable")
    wording = [
        f"{WHAT.get(row['what'], row['what'])} {_text(row['id'])} ({_along(row, measures)})"
        for row in first.to_dict("records")
    ]
    more = len(rows) - len(wording)
    return f"{', '.join(wording)}{f'; {more} more' if more else ''}." if wording else ""


def _along(row: Mapping[str, Any], measures: words.Measures) -> str:
    along, off = (format_length(float(row[name]), measures) for name in ("along_m", "off_m"))
    if float(row["off_m"]) < 0.5:
        return f"{along} on"
    return f"{along} on, {off} off" if float(row["along_m"]) >= 0.5 else f"{off} off"


def _at_most(wording: Sequence[str], most: int) -> list[str]:
    rest = len(wording) - most
    if rest <= 0:
        return list(wording)
    return [*wording[:most], f"And {rest} more, on the map and in the tables."]


def _line(unit: Mapping[str, Any]) -> str:
    """Kind, parcel, rank and last visit in one line."""
    wording = [words.CLASS_WORDS.get(str(unit.get("visit_class")), words.NO_CLASS)]
    low, high = unit.get("rank_low"), unit.get("rank_high")
    band = "" if low is None or pd.isna(low) or low == high else f" ({low:.0f} to {high:.0f})"
    wording.append(f"rank {unit['rank']:.0f}{band}")
    for name, label in (("kind", ""), ("status", ""), ("parcel_id", "parcel ")):
        text = _text(unit.get(name))
        if text and text != "unknown":
            wording.append(f"{label}{text.replace('_', ' ') if not label else text}")
    pumped = unit.get("pumped")
    if pumped is not None and not pd.isna(pumped):
        wording.append("pumped" if pumped else "by gravity")
    days = unit.get("days_since_inspection")
    last = str(unit.get("last_result", "unknown"))
    if days is not None and not pd.isna(days):
        found = "" if last == "unknown" else f", found {last}"
        ago = "1 day" if round(days) == 1 else f"{days:,.0f} days"
        wording.append(f"last completed visit {ago} ago{found}")
    else:
        wording.append("no completed visit on record")
    return " · ".join(wording)


def hunt_in_words(plan: VisitPlan, measures: words.Measures) -> str:
    """The most likely places of an outlet nobody knows; empty where there is no need."""
    hunt = plan.hunt
    if hunt is None or hunt.state == "off_terrain":
        return ""
    radius = format_length(hunt.radius_m, measures)
    if not hunt.places:
        return (
            f"No pipe by gravity comes to daylight within {radius} of the lids: look for a pump, or"
            " farther on."
        )
    shown = hunt.places[:PLACES_DRAWN]
    wording = [
        f"{place.rank}) {format_length(place.distance_m, measures)}, {quadrant(place.bearing_deg)},"
        f" {KIND_WORDS.get(place.kind, place.kind)} ({format_chance(place.chance)})"
        for place in shown
    ]
    begin = "Most likely places" if plan.walk is None else "If it is not there"
    rest = 1 - sum(place.chance for place in shown)
    pumped = "" if hunt.by_gravity else " The unit is pumped: fall does not limit where it may be."
    return f"{begin}: {'; '.join(wording)}. Elsewhere: {format_chance(rest)}.{pumped}"


def _places(plan: VisitPlan, measures: words.Measures) -> list[dict[str, Any]]:
    unit = plan.unit
    columns = [("Lids", plan.lid, unit.get("accuracy95_m"), unit.get("location_basis"))]
    if plan.outlet is not None:
        known = unit.get("outlet_accuracy95_m"), unit.get("outlet_location_basis")
        columns.append(("Outlet", plan.outlet, *known))
    return [
        {"name": name, "rows": _rows(place, accuracy, basis, measures)}
        for name, place, accuracy, basis in columns
    ]


def _rows(place: Place, accuracy_m: Any, basis: Any, measures: words.Measures) -> dict[str, str]:
    known = "" if accuracy_m is None or pd.isna(accuracy_m) else format_length(accuracy_m, measures)
    return {
        "Degrees": place.decimal,
        "Degrees, minutes": place.minutes,
        "UTM": place.utm,
        "US National Grid": place.usng,
        "Known to": f"±{known} (95 %)" if known else "not known",
        "From": _text(basis) or "the list",
    }


def _qr(text: str) -> str:
    stream = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        stream, kind="svg", xmldecl=False, svgns=False, scale=4, border=2, omitsize=True
    )
    return stream.getvalue().decode("utf-8")


def _why(plan: VisitPlan, owed: Sequence[str]) -> list[str]:
    wording = [*owed, *sentences_of(plan.unit.get("reasons"))]
    if plan.unit.get("visit_by_lot"):
        wording.insert(0, _BY_LOT)
    # what stands with the setbacks is not said twice
    return [s for s in dict.fromkeys(wording) if s not in plan.checks][:_WHY_AT_MOST]


def _water(unit: Mapping[str, Any], measures: words.Measures, *, place: bool = True) -> list[str]:
    wording = [_storms(unit, "lid", "lids")]
    if unit.get("outlet_state") in ("known", "unconfirmed"):
        wording.append(_storms(unit, "outlet", "outlet"))
    if any(wording):
        wording.append("Storms are of rain: not snowmelt, not frozen ground.")
    length = unit.get("path_length_m")
    if length is not None and not pd.isna(length):
        ends = {
            "stream": "a stream on record", "water_body": "a lake or pond on record",
            "drain": "a drain on record", "hollow": "a hollow", "edge": "the edge of the map",
        }  # fmt: skip
        end = _text(unit.get("path_end_id"))
        name = f" ({end})" if end else ""
        wording.append(
            f"What runs out goes {format_length(length, measures)} over land to"
            f" {ends.get(str(unit.get('path_end')), 'an end not known')}{name}."
        )
    name, far = _text(unit.get("downstream_place")), unit.get("downstream_m")
    if place and name and far is not None and not pd.isna(far):
        kind = PROTECTED.get(str(unit.get("downstream_place_kind")), "protected place")
        wording.append(f"Down the water lies a {kind} ({name}), {format_length(far, measures)} on.")
    return [sentence for sentence in wording if sentence]


def _storms(unit: Mapping[str, Any], prefix: str, what: str) -> str:
    state = unit.get(f"{prefix}_wet_state")
    years = unit.get(f"{prefix}_wet_return_yr")
    verb = "lie" if prefix == "lid" else "lies"
    if state in ("wet", "at_or_below_smallest") and years is not None and not pd.isna(years):
        chance = unit.get(f"{prefix}_wet_annual_probability")
        odds = "" if chance is None or pd.isna(chance) else f" (at least {chance:.0%} a year)"
        return f"The {what} may stand in water in a {years:.0f}-year storm{odds}."
    if state == "dry_in_all":
        return f"The {what} {verb} dry in every storm computed."
    if state == "base_flood":
        return f"The {what} {verb} dry in the storms computed, but in the mapped base flood."
    if state == "dry_so_far":
        rest = "Larger storms, or floods, are not on record."
        return f"The {what} {verb} dry in the storms computed. {rest}"
    if state == "edge":
        surely = f", but surely in a {years:.0f}-year storm" if pd.notna(years) else ""
        return (
            f"Whether the {what} may stand in water is not known{surely}: the terrain on record"
            " ends, or has a hole, nearby. Look at how the ground lies."
        )
    if state == "uncertain":
        return f"The place of the {what} is too rough to say if water stands there; it does nearby."
    return f"Whether the {what} may stand in water is not known." if state == "unknown" else ""


def _well(well: NearWell, measures: words.Measures) -> dict[str, str]:
    spread = "" if pd.isna(well.u95_m) else f" ±{format_length(well.u95_m, measures)}"
    lies = {True: "downhill", False: "uphill", None: "level or not known"}[well.is_downhill]
    use = "" if well.use == "unknown" else f" ({well.use})"
    return {
        "name": f"{well.well_id}{use}",
        "distance": f"{format_length(well.distance_m, measures)}{spread}",
        "direction": quadrant(well.bearing_deg),
        "lies": lies,
    }


def _no_wells(assessment: Assessment) -> str:
    if "wells" in assessment.context:
        return "None on record within about 1,000 ft; that is not the same as none. Look around."
    return "The county has no layer of wells: look around and ask."


def _no_checks(assessment: Assessment) -> str:
    if len(assessment.setback_checks) and assessment.setback_checks["in_force"].any():
        return "None on record."
    return "No setback table is in force: distances are told without a verdict."


def _text(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)


@cache
def _template() -> Any:
    environment = Environment(
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.from_string(assets.page_file("visit.html"))
