"""What is told of a run beside its tables: how the result came to be, and what it cannot know."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any, Final

import pandas as pd

from geo.measurements import CountyStorms, Measured
from geo.past.review import Reviewed
from geo.programme.owed import CountyOwed
from geo.ranking import Ranked
from geo.results.cautions import RAIN_ONLY, UNMAPPED_PIPES
from geo.terrain import Terrain
from geo.uncertainty import CHANCE_FORMS
from geo.waters.die_off import load_section
from layers.county import County
from layers.fields.schemas import SCHEMAS
from layers.outputs.run import LayerCounts, Run, RunCounty, RunSeason

LIBRARIES: Final = ("rillmark", "geopandas", "numba", "numpy", "pyproj", "rasterio", "shapely")


def run_record(
    measured: Measured,
    reviewed: Reviewed,
    ranked: Ranked,
    *,
    land: Mapping[str, Any],
    land_notes: list[str],
    context: list[str],
    rasters: list[str],
    seed: int,
    seconds: Mapping[str, float],
) -> Run:
    """What a reader needs to know how the result came to be, and to make it again."""
    county, past = measured.county, reviewed.past
    method = ranked.priorities.model_dump(mode="json")
    notes = [
        *county.notes,
        *reviewed.owed.notes,
        *past.notes,
        *method_notes(county, measured.terrain, measured.storms, ranked.units),
        *measured.lid_chances.notes,
        *measured.way_chances.notes,
        *measured.search.notes,
        *land_notes,
    ]
    return Run(
        county=RunCounty(
            county.file.county.name, county.file.county.invented, county.file.county.show_units
        ),
        as_of=county.as_of.isoformat(),
        seed=seed,
        crs=county.crs.to_string(),
        settings=_settings(county),
        setback_tables=[
            t.model_dump(mode="json", exclude={"rules"}, exclude_none=True)
            for t in county.setbacks.tables
        ],
        chance_of_short=dict(CHANCE_FORMS),
        parts=method["parts"],
        visit_classes=method["classes"],
        not_scored=method["not_scored"],
        line_accuracy95_m={
            name: round(measured.line95_m[name], 2)
            for name in SCHEMAS
            if county.layer(name) is not None and SCHEMAS[name].shape in ("line", "polygon")
        },
        inputs=dict(county.inputs),
        transforms=county.transforms.round(3).to_dict("records"),
        completeness=dict(county.completeness),
        counts=tuple(LayerCounts(**row) for row in county.counts.to_dict("records")),
        notes=notes,
        season=_season(reviewed.owed),
        steadiness=ranked.steady.section,
        learned=past.learned,
        replay=past.replay,
        draws=measured.lid_chances.section,
        way_draws=measured.way_chances.section,
        outlet_candidates=measured.search.section,
        loads=load_section(),
        land=land,
        context=context,
        rasters=rasters,
        versions={"python": sys.version.split()[0]} | {name: version(name) for name in LIBRARIES},
        timings_s=dict(seconds),
    )


def _settings(county: County) -> dict[str, Any]:
    """The county file; the place of the last public edition in full, to be found from anywhere."""
    settings = county.file.model_dump(mode="json", exclude_none=True)
    place = county.file.public_section.last_edition
    if place is not None:
        settings["public"]["last_edition"] = str((county.path.parent / place).resolve())
    return settings


def _season(owed: CountyOwed) -> RunSeason:
    season = owed.season
    return RunSeason(season.first_day.isoformat(), season.last_day.isoformat(), season.visits)


def method_notes(
    county: County, terrain: Terrain | None, storms: CountyStorms | None, table: pd.DataFrame
) -> list[str]:
    """What the method cannot know, in words."""
    notes = []
    placed = table[table["ranked_by"] != "nothing"]
    due = placed["must_visit_by"].where(placed["ranked_by"] == "owed")
    if len(placed) > 1 and len(placed[["score"]].assign(due=due).drop_duplicates()) == 1:
        notes.append(
            "Nothing on record sets the units apart. They are listed by id, and none ranks before"
            " another."
        )
    if terrain is not None and storms is None:
        notes.append(
            "Ponding is for low spots filled to overflow. How much rain that takes is not"
            " calculated: no storms are given."
        )
    if storms is not None:
        notes += [
            RAIN_ONLY,
            (
                "Ponds are what a storm's runoff leaves if nothing drains or soaks away."
                " The score treats mapped culverts, and roads opened at mapped streams, as pipes"
                " without limit. The storm that covers a lid if all are blocked is shown beside it."
            ),
            (
                "Running water over a lid is an estimate, made where an acre or more drains past"
                " within 10 ft. The peak is by the graphical method of TR-55 with no ponding. The"
                " depth is for steady flow (Manning) in a channel of two straight sides."
            ),
            *storms.notes,
        ]
    if terrain is not None:
        notes.append(f"Flow paths follow the surface of the terrain. {UNMAPPED_PIPES}")
    if county.layer("protected_places") is not None:
        notes.append(
            "Downstream, only mapped streams, water bodies and drains are followed. Where no"
            " swimming area or water intake is named, they reach none on record."
        )
    if not any(table.is_adopted for table in county.setbacks.tables):
        notes.append("No setback table is adopted. Distances are measured without a verdict.")
    return notes
