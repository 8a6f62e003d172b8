"""What the public map holds: areas of many units, and layers that anyone may have.

No unit, discharge point or well, no name, address, parcel or finding, and nothing told from
where one of these is, goes into the file: everything here comes from the table of public cells
and from public layers alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.map.contents import Contents, about, storms_of
from geo.publish.map.layers import map_layers, relief
from geo.publish.map.layers.base_map import asks
from geo.publish.packing import pack
from geo.publish.shared import encode, privacy
from geo.publish.shared.public_areas import PUBLIC_LAYERS, STEP_WORDS, shown_cells
from geo.results import cautions
from geo.results.areas import STEP_EDGES
from geo.results.public_editions import edition_of
from layers.errors import RillmarkError
from layers.folders.public_ledger import Edition, public_section_on_record
from layers.outputs import PUBLIC_CELLS
from layers.settings.county_file import PublicSection
from layers.store import Assessment

_HIDDEN: Final = (
    "This file holds no unit, discharge point, well, address, parcel, finding or household name."
)
_PONDING: Final = "Ponding is calculated from terrain, soil and rain. It describes no household."


def _notes(section: PublicSection) -> list[str]:
    areas = (
        f"Each area had at least {section.least_units} units when it was first shown. Its outline"
        " follows grid squares, not unit locations."
    )
    return [
        areas,
        "Unit counts are rounded to the nearest 5. Percents are in five steps.",
        f"{privacy.held_words(section.least_change)} Areas keep their outline.",
        _HIDDEN,
    ]


def public_contents(assessment: Assessment, edition: Edition | None = None) -> Contents:
    """What the scripts of the public page show; keys as ``page/public_page.js`` reads them.

    Parameters
    ----------
    edition
        The numbers, held to what was given out before; of a first edition where None.

    Raises
    ------
    RillmarkError
        If the assessment has no table of public cells.
    """
    if not isinstance(assessment.areas.public_cells, gpd.GeoDataFrame):
        raise RillmarkError(
            "this assessment holds no areas that may be shown to everybody",
            where="its table public_cells",
            hint="run 'rillmark assess' again",
        )
    edition = edition or edition_of(assessment)
    cells = shown_cells(edition)
    section = public_section_on_record(assessment.run)
    plane, extent = _plane(cells)
    shown = {name: assessment.context[name] for name in PUBLIC_LAYERS if name in assessment.context}
    layers = map_layers.shown_layers(shown, plane)
    for layer, _ in layers:
        if layer["name"] == "floodplain":
            layer["note"] = cautions.OUTSIDE_FLOOD_ZONE
    blocks = {f"layer-{layer['name']}": pack.pack(shapes) for layer, shapes in layers}
    blocks["cells"] = pack.pack(
        {
            **encode.shapes(cells, plane, within_m=0),
            "units": encode.whole(PUBLIC_CELLS.numbers(cells, "units"), factor=1, decimals=0),
            "first": _cell_steps(cells, "first_from"),
            "wet": _cell_steps(cells, "wet_from"),
        }
    )
    pictures = []
    source = assessment.rasters.get("relief")
    picture = None if source is None else relief.relief_picture(source)
    if picture is not None:
        blocks["picture-relief"] = picture.text
        entry = {"name": "relief", "label": "Shaded relief", "on": True, "steps": []}
        pictures = [entry | {"kind": picture.media_type, "bounds": list(picture.bounds)}]
    measures = assessment.run.county.show_units
    storms = storms_of(assessment, measures)  # of the terrain and rain alone
    if storms is not None:
        blocks["picture-pond_storms"] = storms[1]
    data = {
        **about(replace(assessment.run, as_of=edition.as_of)),
        "measures": measures,
        "caution": f"{cautions.SCREENING} {cautions.HIGH_RANK}",
        "plane": [plane.x, plane.y, plane.step],
        "extent": extent,
        "layers": [layer for layer, _ in layers],
        "pictures": pictures,
        "storms": storms and storms[0],
        "blocks": sorted(blocks),
        "stepWords": list(STEP_WORDS),
        "kinds": {
            "first": "Percent to visit first",
            "wet": "Percent of lids storm or flood water may cover",
        },
        "notes": [*_notes(section), *([_PONDING] if storms else []), *asks(assessment.run)],
    }
    return Contents(data, blocks)


def _plane(cells: gpd.GeoDataFrame) -> tuple[encode.Plane, list[float] | None]:
    """The plane of the page, told from the outline of the cells alone."""
    if not len(cells):
        return encode.Plane(0.0, 0.0), None
    west, south, east, north = cells.to_crs(encode.MERCATOR).total_bounds
    x, y = float(round((west + east) / 2)), float(round((south + north) / 2))
    extent = [float(round(v)) for v in (west - x, south - y, east - x, north - y)]
    return encode.Plane(x, y), extent


def _cell_steps(cells: pd.DataFrame, column: str) -> NDArray[np.float64]:
    """Positions in `STEP_WORDS`, NaN where not known."""
    low = PUBLIC_CELLS.numbers(cells, column)
    at = np.searchsorted(STEP_EDGES, low, side="right") - 1.0
    return np.where(np.isfinite(low), at, np.nan)
