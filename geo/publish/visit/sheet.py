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
from geo.publish.shared.visit_words import OUTCOME_WORDS, quadrant, walk_in_words, with_own
from geo.results import cautions
from geo.results.outlet_kinds import KIND_WORDS
from geo.results.traced import WHAT, TraceDown
from geo.results.visit_plan import NearWell, VisitPlan
from layers.crs.coordinates import Place
from layers.fields.schemas import OUTCOMES
from layers.measures import format_age, format_chance, format_length
from layers.outputs.field import sentences_of
from layers.outputs.units import PROTECTED, UNITS
from layers.settings.visit_list import LookAt, VisitList
from layers.store import Assessment

# So that a sheet stays on two pages.
_WHY_AT_MOST, _CHECKS_AT_MOST, _GAPS_AT_MOST = 6, 3, 4
_BY_LOT: Final = (
    "Picked at random this season, so that results speak for every unit. This says nothing about"
    " this unit."
)
# Of what is downstream, who somebody would notify.
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
            safety=with_own((*cautions.TANK, *cautions.ON_SITE), visit_list.cautions.lines),
            last=f"{cautions.BEFORE_LEAVING} {visit_list.cautions.last}".strip(),
            cautions=cautions,
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
        "due": "" if due is None or pd.isna(due) else _due(due, assessment.run.as_of),
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
        "again": [item.key for item in plan.look_at if _is_open(item, plan)],
        "sources": "; ".join(dict.fromkeys(item.source for item in plan.look_at)) + ".",
    }


def _due(due: Any, as_of: str) -> str:
    late = (pd.Timestamp(as_of) - pd.Timestamp(due)).days
    by = f"by {words.date(due)}"
    return f"Overdue by {format_age(late)} (due {by})" if late > 0 else f"Due {by}"


def _is_open(item: LookAt, plan: VisitPlan) -> bool:
    """Whether a finding on record about it still asks for a follow-up."""
    still = [str(row["why"]) for row in plan.owed if row.get("obligation") == "follow_up"]
    return any(f"({name})" in why for why in still for name in item.names)


def down_in_words(traced: TraceDown, measures: words.Measures) -> str:
    """The first of each kind of what the water passes; empty where it passes nothing."""
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
        return f"{along} downstream"
    beside = f"{off} from the path"
    return f"{along} downstream, {beside}" if float(row["along_m"]) >= 0.5 else beside


def _at_most(wording: Sequence[str], most: int) -> list[str]:
    rest = len(wording) - most
    if rest <= 0:
        return list(wording)
    return [*wording[:most], f"And {rest} more. See the map or the tables."]


def _line(unit: Mapping[str, Any]) -> str:
    """Kind, parcel, rank and last visit in one line."""
    wording = [words.CLASS_WORDS.get(str(unit.get("visit_class")), words.NO_CLASS)]
    low, high = unit.get("rank_low"), unit.get("rank_high")
    one = low is None or pd.isna(low) or low == high
    spread = "" if one else f" (could be {low:.0f} to {high:.0f})"
    wording.append(f"rank {unit['rank']:.0f}{spread}")
    for name, label in (("kind", ""), ("status", ""), ("parcel_id", "parcel ")):
        text = _text(unit.get(name))
        if text and text != "unknown":
            wording.append(f"{label}{text.replace('_', ' ') if not label else text}")
    pumped = unit.get("pumped")
    if pumped is not None and not pd.isna(pumped):
        wording.append("pumped" if pumped else "gravity flow")
    days = unit.get("days_since_inspection")
    last = str(unit.get("last_result", "unknown"))
    if days is not None and not pd.isna(days):
        codes = UNITS.field("last_result").codes
        found = "" if last == "unknown" else f" (found {words.in_words(last, codes)})"
        wording.append(f"last completed visit {format_age(float(days))} ago{found}")
    else:
        wording.append("no completed visit on record")
    return " · ".join(wording)


def hunt_in_words(plan: VisitPlan, measures: words.Measures) -> str:
    """The most likely places of a discharge point not on record; empty where there is no need."""
    hunt = plan.hunt
    if hunt is None or hunt.state == "off_terrain":
        return ""
    radius = format_length(hunt.radius_m, measures)
    if not hunt.places:
        return (
            f"A gravity pipe could not reach the surface within {radius} of the lids. Look for a"
            " pump, or farther away."
        )
    shown = hunt.places[:PLACES_DRAWN]
    wording = [
        f"{place.rank}) {format_length(place.distance_m, measures)}, {quadrant(place.bearing_deg)},"
        f" {KIND_WORDS.get(place.kind, place.kind)} ({format_chance(place.chance)})"
        for place in shown
    ]
    begin = "Possible discharge points" if plan.walk is None else "If it is not there"
    rest = 1 - sum(place.chance for place in shown)
    pumped = "" if hunt.by_gravity else " The unit is pumped, so it may also be uphill."
    return f"{begin}: {'; '.join(wording)}. Elsewhere: {format_chance(rest)}.{pumped}"


def _places(plan: VisitPlan, measures: words.Measures) -> list[dict[str, Any]]:
    unit = plan.unit
    columns = [("Lids", plan.lid, unit.get("accuracy95_m"), unit.get("location_basis"))]
    if plan.outlet is not None:
        known = unit.get("outlet_accuracy95_m"), unit.get("outlet_location_basis")
        columns.append(("Discharge point", plan.outlet, *known))
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
        "Accuracy": f"give or take {known}" if known else "not known",
        "Source": words.in_words(_text(basis), UNITS.field("location_basis").codes) or "the list",
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
    # nothing is said twice: what is with the setbacks, or what another reason begins with
    some = [s for s in dict.fromkeys(wording) if s not in plan.checks]
    whole = [s for s in some if not any(o != s and o.startswith(s) for o in some)]
    return whole[:_WHY_AT_MOST]


def _water(unit: Mapping[str, Any], measures: words.Measures, *, place: bool = True) -> list[str]:
    wording = [_storms(unit, "lid", "lids")]
    if unit.get("outlet_state") in ("known", "unconfirmed"):
        wording.append(_storms(unit, "outlet", "discharge point"))
    if any(wording):
        wording.append(cautions.RAIN_ONLY)
    length = unit.get("path_length_m")
    if length is not None and not pd.isna(length):
        ends = {
            "stream": "a stream on record", "water_body": "a lake or pond on record",
            "drain": "a drain on record", "hollow": "a low spot", "edge": "the edge of the map",
        }  # fmt: skip
        end = _text(unit.get("path_end_id"))
        name = f" ({end})" if end else ""
        wording.append(
            f"Discharge runs {format_length(length, measures)} over land to"
            f" {ends.get(str(unit.get('path_end')), 'a place not on record')}{name}."
        )
    name, far = _text(unit.get("downstream_place")), unit.get("downstream_m")
    if place and name and far is not None and not pd.isna(far):
        kind = PROTECTED.get(str(unit.get("downstream_place_kind")), "protected place")
        wording.append(f"{format_length(far, measures)} downstream is a {kind} ({name}).")
    return [sentence for sentence in wording if sentence]


def _storms(unit: Mapping[str, Any], prefix: str, what: str) -> str:
    state = unit.get(f"{prefix}_wet_state")
    years = unit.get(f"{prefix}_wet_return_yr")
    storm = "" if years is None or pd.isna(years) else f"a {years:.0f}-year storm"
    if state in ("wet", "at_or_below_smallest") and storm:
        chance = unit.get(f"{prefix}_wet_annual_probability")
        odds = "" if chance is None or pd.isna(chance) else f" (at least {chance:.0%} a year)"
        return f"Standing water may reach the {what} in {storm}{odds}."
    none = f"No modeled storm reaches the {what}"
    dry = {
        "dry_in_all": f"{none}.",
        "base_flood": f"{none}, but the mapped base flood does.",
        "dry_so_far": f"{none}. Larger storms, or floods, are not on record.",
    }
    not_known = f"Not known if standing water reaches the {what}"
    lacks = {
        "edge": f"{not_known}: the terrain on record ends, or has a hole, nearby."
        f"{f' In {storm} it does.' if storm else ''} Check how the ground slopes.",
        "uncertain": f"Too close to tell if standing water reaches the {what}: it comes near, and"
        " the position is rough.",
        "unknown": f"{not_known}: the terrain has no data there.",
    }
    return (dry | lacks).get(str(state), "")


def _well(well: NearWell, measures: words.Measures) -> dict[str, str]:
    ground = {True: "downhill", False: "uphill", None: "level or not known"}[well.is_downhill]
    use = "" if well.use == "unknown" else f" ({well.use})"
    return {
        "name": f"{well.well_id}{use}",
        "distance": format_length(well.distance_m, measures),
        "spread": "" if pd.isna(well.u95_m) else format_length(well.u95_m, measures),
        "direction": quadrant(well.bearing_deg),
        "ground": ground,
    }


def _no_wells(assessment: Assessment) -> str:
    if "wells" in assessment.context:
        return "Not on record within about 1,000 ft. Look around and ask."
    return "Not calculated: the county has no wells layer. Look around and ask."


def _no_checks(assessment: Assessment) -> str:
    if len(assessment.setback_checks) and assessment.setback_checks["in_force"].any():
        return "None of the required setbacks is in question."
    return "No setback table is adopted, so no distance has a verdict."


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
