"""The page to record findings on: one file for a list of visits, without signal or server."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import shapely

from geo.publish.shared import assets, document, words
from geo.publish.shared.visit_words import OUTCOME_WORDS, walk_in_words, with_own
from geo.results import cautions
from geo.results.visit_plan import VisitPlan
from layers.crs import WGS84, Mover
from layers.fields.schemas import OUTCOMES
from layers.settings.visit_list import VisitList
from layers.store import Assessment

SCRIPTS: Final = (
    "record_day_file.js",
    "record_sealing.js",
    "record_stores.js",
    "record_state.js",
    "record_keeping.js",
    "record_watch.js",
    "record_adopting.js",
    "record_opening.js",
    "record_places.js",
    "record_photos.js",
    "record_fields.js",
    "record_form.js",
    "record_export.js",
    "record_page.js",
)
_SIMPLER_M: Final = 0.5  # of a parcel's outline, against which a position is checked


def record_page(
    plans: Sequence[VisitPlan], assessment: Assessment, visit_list: VisitList, *, key: bytes
) -> str:
    """One HTML file that takes down what is found, saves it, and exports day files; staff only.

    Day files are read by `layers.records.parse_day_file`. What is typed lies on the phone under
    ``key``, the county's 32 bytes from `layers.records.page_key`: pages of one key open each
    other's drafts, other local pages cannot read them.
    """
    county = assessment.run.county
    measures = assessment.run.county.show_units
    data = {
        "county": county.name,
        "key": base64.b64encode(key).decode("ascii"),
        "outcomes": [[code, OUTCOME_WORDS[code]] for code in OUTCOMES if code in OUTCOME_WORDS],
        "items": [
            {
                "key": i.key,
                "title": i.title,
                "good": i.good,
                "departure": i.departure,
                "measure": i.measure,
            }
            for i in visit_list.items
        ],
        "staff_only": cautions.STAFF_ONLY,
        "screening": cautions.SCREENING,
        "cautions": with_own((cautions.TANK_SHORT,), visit_list.cautions.lines),
        "little_flow": cautions.LITTLE_FLOW,
        "last": f"{cautions.BEFORE_LEAVING} {visit_list.cautions.last}".strip(),
        "units": [_unit(plan, assessment, measures) for plan in plans],
    }
    return document.join(
        title="Visit record",
        data=data,
        scripts=[assets.page_file(name) for name in SCRIPTS],
        styles=[assets.page_file("record.css")],
        frame="record.html",
    )


def _unit(plan: VisitPlan, assessment: Assessment, measures: words.Measures) -> dict[str, Any]:
    address = plan.unit.get("address")
    return {
        "unit_id": str(plan.unit["unit_id"]),
        "address": "" if not isinstance(address, str) else address,
        "walk": walk_in_words(plan, measures),
        "geo_uri": (plan.outlet or plan.lid).geo_uri,
        "lid": {"lat": plan.lid.lat, "lon": plan.lid.lon},
        "by_lot": bool(plan.unit.get("visit_by_lot", False)),
        "items": [item.key for item in plan.look_at],
        "parcel": _parcel(plan, assessment),
    }


def _parcel(plan: VisitPlan, assessment: Assessment) -> list[list[list[float]]]:
    """The outer rings of the unit's parcel as longitudes and latitudes; none where not known."""
    parcels = assessment.context.get("parcels")
    if parcels is None:
        return []
    mine = parcels.geometry[parcels["parcel_id"] == plan.unit.get("parcel_id")]
    rings = []
    for part in shapely.get_parts(mine.simplify(_SIMPLER_M).to_numpy()):
        xy = shapely.get_coordinates(shapely.get_exterior_ring(part))
        lon, lat = Mover(assessment.units.crs, WGS84)(xy[:, 0], xy[:, 1])
        rings.append(np.column_stack([lon, lat]).round(7).tolist())
    return rings
