"""Possible discharge points, for the panel of a unit: words, and the area searched."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.publish.map.layers import map_layers
from geo.publish.shared import encode, phrases, words
from geo.publish.shared.visit_words import quadrant
from layers.measures import format_chance, format_length
from layers.outputs import UNITS

_GUESSED: Final = "The discharge point on record is not confirmed."
_NONE: Final = "No discharge point is on record."
_PUMPED: Final = "The unit has a pump, so the point may be uphill."
_OFF_TERRAIN: Final = "Places are not calculated. The terrain around the unit is not on record."


# What is drawn of the ground looked at: gaps narrower than twice the first, the lines between
# parcels, are closed, and strips narrower than twice the second left out; no line is kept closer
# than the third. No source.
CLOSED_M: Final = 4.0
LEFT_OUT_M: Final = 1.0
WITHIN_M: Final = 2.0
# Pieces and holes below this say nothing on a map: about 1,000 square feet. No source.
LEAST_SHOWN_M2: Final = 100.0
_CORNER_SEGMENTS: Final = 2  # of a quarter circle


def drawn_outline(area: NDArray[np.object_]) -> NDArray[np.object_]:
    """Outlines to draw: the ground looked at without the steps of its cells, in whole pieces.

    For the eye alone; a piece that nothing else would be left of stays as it is.
    """
    # a fifth of the corners: what follows is as much faster, and mends what crosses itself
    plain = shapely.simplify(area, WITHIN_M, preserve_topology=False)
    for by in (CLOSED_M, -CLOSED_M - LEFT_OUT_M, LEFT_OUT_M):
        plain = shapely.buffer(plain, by, quad_segs=_CORNER_SEGMENTS)
    pieces, of = shapely.get_parts(plain, return_index=True)
    is_large = shapely.area(pieces) >= LEAST_SHOWN_M2
    pieces, of = pieces[is_large], of[is_large]
    holed = np.flatnonzero(shapely.get_num_interior_rings(pieces))
    pieces[holed] = [_without_small_holes(piece) for piece in pieces[holed]]
    drawn = area.copy()
    drawn[np.unique(of)] = shapely.multipolygons(
        pieces, indices=np.unique(of, return_inverse=True)[1]
    )
    return drawn


def _without_small_holes(piece: shapely.Polygon) -> shapely.Polygon:
    holes = [ring for ring in piece.interiors if shapely.Polygon(ring).area >= LEAST_SHOWN_M2]
    return shapely.Polygon(piece.exterior, holes)


def in_order(candidates: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Candidates that have a place, those of one unit beside each other, the likeliest first."""
    return map_layers.placed(candidates).sort_values(["unit_id", "rank"], kind="stable")


def outlet_hunts(
    areas: pd.DataFrame,
    candidates: pd.DataFrame,
    units: pd.DataFrame,
    row_of: Mapping[str, int],
    plane: encode.Plane,
    measures: words.Measures,
) -> dict[str, Any] | None:
    """Each search for an outlet: whose it is, what is said of it, its places in words, its area.

    ``places`` counts those of each search; they are the rows of the layer ``outlet_candidates`` in
    turn, as `in_order` leaves them. None where nothing was looked for.
    """
    if not isinstance(areas, gpd.GeoDataFrame) or not isinstance(candidates, gpd.GeoDataFrame):
        return None
    areas = map_layers.placed(areas)
    areas = areas[areas["unit_id"].isin(list(row_of))].sort_values("unit_id", kind="stable")
    if not len(areas):
        return None
    found = in_order(candidates)
    unit = np.array([row_of[name] for name in areas["unit_id"]], np.int64)
    is_guessed = UNITS.values(units, "discharge_point_id").notna().to_numpy()[unit]
    first = np.searchsorted(found["unit_id"].to_numpy(str), areas["unit_id"].to_numpy(str))
    last = np.searchsorted(
        found["unit_id"].to_numpy(str), areas["unit_id"].to_numpy(str), side="right"
    )
    text = [
        _text(area, bool(count), bool(guessed), measures)
        for area, count, guessed in zip(
            areas.to_dict("records"), last - first, is_guessed, strict=True
        )
    ]
    outlines = areas.set_geometry(drawn_outline(np.asarray(areas.geometry.array)), crs=areas.crs)
    return {
        **encode.shapes(outlines, plane, within_m=2 * WITHIN_M, step=2.0),
        "unit": unit,
        "first": first,
        "places": last - first,
        "said": phrases.texts(text),
        "rest": phrases.texts([format_chance(chance) for chance in areas["rest_chance"]]),
        "where": phrases.texts(
            [
                f"{format_length(far, measures)}, {quadrant(bearing)}"
                for far, bearing in zip(found["distance_m"], found["bearing_deg"], strict=True)
            ]
        ),
        "chance": phrases.texts([format_chance(chance) for chance in found["chance"]]),
        "why": phrases.texts([f"{why[:1].upper()}{why[1:]}." for why in found["why"]]),
    }


def _text(
    area: Mapping[str, Any], has_places: bool, is_guessed: bool, measures: words.Measures
) -> str:
    begin = _GUESSED if is_guessed else _NONE
    radius = format_length(area["radius_m"], measures)
    if area["state"] == "off_terrain":
        return f"{begin} {_OFF_TERRAIN}"
    if not has_places:
        return (
            f"{begin} A gravity pipe could not reach the surface within {radius} of the lid. Look"
            " for a pump, or farther away."
        )
    shown = "If it is not there, it may be" if is_guessed else "It may be"
    pumped = "" if area["by_gravity"] else f" {_PUMPED}"
    return f"{begin} {shown} at one of these places within {radius} of the lid.{pumped}"
