"""Everything a map page shows of an assessment, as lists and words.

A page's file holds one small JSON block that is read at once (``page-data``) and packed blocks
(``block-NAME``, see `pack`) that ``blocks.read(NAME)`` of ``page/blocks.js`` promises. In blocks
"texts" are what `phrases.texts` gives (``decode.texts(coded)(row)``), other columns whole numbers
(``decode.numbers(column)(row)``, null where not known); shapes are for ``decode.shapes``.

``page-data`` of the staff map (``model.data``, with ``units`` and ``score`` added by `model.js`):

    county {name, invented}, asOf, madeBy, measures, notes [texts], problems [texts]
    baseMap               null, or {address, host, attribution, closest (zoom)}, for
                          ``baseMap.offer``
    plane [x, y, step]    origin in EPSG:3857 and meters a step; everything else is told from it
    extent                west, south, east, north in meters from the origin, or null
    words                 classes [4 labels], axes, doubt, notKnown; cautions: caution, staffOnly,
                          safety, places
    block                 units in a block of details
    fileNames             [[id, part of a file name]], where it is not the id's by the plain rule
    layers                {name, label, shape, fromZoom, on, note}; shapes in block ``layer-NAME``
    pictures              {name, label, on, steps [[color, words]], kind, bounds in EPSG:3857};
                          address: ``blocks.picture(`picture-NAME`, kind)``
    storms                null, or {name, label, storms [years, rising], least (words), note, kind,
                          bounds}: ``picture-pond_storms`` is one gray picture whose value k says
                          that the k-th storm is the smallest to put at least that much water
                          there (0: none); ``ponding.address(storms, k, color)`` makes a picture
                          of one storm of it
    doubtful, blocks      whether accuracies are known [units, outlets]; names of all blocks

Blocks of the staff map; one that has nothing to hold is not there:

    units                 id, x, y (steps), class, within (tenths of a meter), score {tenths,
                          points, rank, low, high (`_bands`)} or null; in rank order, which is the
                          row of a unit everywhere
    search                texts address, parcel_id
    filters               groups [{title, options [{key, label, storm, count, column, bit}]}],
                          flags [columns]: unit ``row`` is in an option where
                          ``(flags[column][row] >> bit) & 1``
    areas                 shapes; isNamed (catchments, else squares of 1 km), texts names; columns
                          units, first, wet (null where not known); areaOf: by unit its area's row
    first_visits          columns visits, score, first: the first ``visits`` of the order cover
                          ``score`` thousandths of the total score, ``first`` of those to
                          visit first
    moves                 where an earlier assessment is told of: before (words), columns change
                          (0 stayed, 1 moved, 2 not there before), places nearer the front, rank
                          and class before; texts by; gone [ids]
    details, details-N    what is told of single units (`details`); ``await model.readDetails(row)``
                          and then ``model.details(row)``: sections, parts, reasons(at), gaps(at),
                          faults(at), checks, at
    discharge_points, flow_paths    through ``model.dischargePoints()`` and ``model.flowPaths()``,
                          which give null until the block has come and the canvas is drawn again
    outlet_hunts          searches for outlets (``model.hunt(row)``): shapes of what was looked at,
                          columns unit, first and places (rows of the layer outlet_candidates),
                          texts said and rest by search, where, chance and why by place
    layer-NAME            shapes, or x and y of points; texts names; dashed
"""

from __future__ import annotations

import gc
import re
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish.map.choosing import filters
from geo.publish.map.layers import map_layers, relief
from geo.publish.map.layers.base_map import asks, base_map
from geo.publish.map.units import checks, details, outlet_places
from geo.publish.map.units.moves import Earlier, moves_block
from geo.publish.packing import pack
from geo.publish.shared import encode, phrases, words
from geo.publish.shared.file_names import unlike_their_ids
from geo.results import cautions
from layers.files.memory import give_back
from layers.outputs import UNITS
from layers.outputs.field import NOT_KNOWN
from layers.outputs.run import Run
from layers.problems import NOT_GIVEN
from layers.store import Assessment


@dataclass(frozen=True)
class Contents:
    """What a page carries: ``data`` that is read at once, and ``blocks`` by name, packed."""

    data: dict[str, Any]
    blocks: dict[str, str]


def contents(assessment: Assessment, earlier: Earlier | None = None) -> Contents:
    """What the scripts of the staff page show; keys as ``page/county_page.js`` reads them."""
    with _collector_paused():
        return _contents(assessment, earlier)


@contextmanager
def _collector_paused() -> Iterator[None]:
    """Nothing made here holds cycles, and to look for some takes a twentieth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _contents(assessment: Assessment, earlier: Earlier | None) -> Contents:
    run = assessment.run
    measures = run.county.show_units
    units = _in_rank_order(assessment.units)
    row_of = _rows_by_id(units)
    plane, extent = _plane(units, assessment.context)
    at = _places(units, plane)
    outlets = map_layers.outlet_places(assessment.discharge_points, row_of, plane)
    with ThreadPoolExecutor(1) as beside:  # numpy and zlib leave Python free: two equal halves
        drawing = beside.submit(_drawn, assessment, units, row_of, at, plane, measures)
        setbacks = encode.with_categories(assessment.setback_checks)
        asking = beside.submit(_asked, assessment, units, row_of, at, setbacks, earlier)
        packing = beside.submit(lambda: _packed(drawing.result().shapes | asking.result()))
        packed = details.in_blocks(
            assessment, units, setbacks, row_of, checks.PlaceColumns(plane, at, outlets), measures
        )
    drawn = drawing.result()
    packed |= packing.result() | drawn.pictures
    notes = [str(note) for note in run.notes]
    data = {
        **about(run),
        "measures": measures,
        "plane": [plane.x, plane.y, plane.step],
        "extent": extent,
        "words": _words(),
        "block": details.BLOCK_UNITS,
        "fileNames": unlike_their_ids(row_of),
        "layers": drawn.layers,
        "pictures": [entry for entry in drawn.entries if "storms" not in entry],
        "storms": next((entry for entry in drawn.entries if "storms" in entry), None),
        "doubtful": [
            any(np.isfinite(encode.tenths_of_meters(frame)))
            for frame in (units, assessment.discharge_points)
        ],
        "blocks": sorted(packed),
        "notes": [*notes, *asks(run)],
        "problems": _problems(assessment.problems, notes),
    }
    return Contents(data, packed)


def _day(text: str) -> pd.Timestamp | None:
    """The day an assessment is of; None where its folder holds no date."""
    day = pd.to_datetime(text or None, errors="coerce")
    return None if pd.isna(day) else day


def about(run: Run) -> dict[str, Any]:
    """What a page says of itself in its head and foot."""
    county = run.county
    version = run.versions.get("rillmark")
    return {
        "county": {"name": county.name, "invented": county.invented},
        "asOf": words.date(run.as_of) if run.as_of else None,
        "madeBy": f"Made by Rillmark {version}" if version else "Made by Rillmark",
        "baseMap": base_map(run),
    }


def _asked(
    assessment: Assessment,
    units: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    at: NDArray[np.float64],
    setbacks: gpd.GeoDataFrame,
    earlier: Earlier | None,
) -> dict[str, Any]:
    """Blocks of what all units are shown, found and picked by, not packed."""
    run = assessment.run
    return {
        "units": _units(units, at),
        "search": {
            name: phrases.texts(encode.text_or_none(UNITS.values(units, name)))
            for name in details.SEARCHED
        },
        "filters": filters.filters(
            units,
            setbacks,
            checks.unit_rows(setbacks, row_of),
            as_of=_day(run.as_of),
        ),
        "first_visits": _first_visits(assessment.visits.first),
        "moves": earlier and moves_block(earlier, units, run.parts),
    }


def _packed(blocks: Mapping[str, Any]) -> dict[str, str]:
    return pack.pack_each({name: block for name, block in blocks.items() if block is not None})


def _units(units: gpd.GeoDataFrame, at: NDArray[np.float64]) -> dict[str, Any]:
    return {
        "id": phrases.texts(encode.text_or_none(units["unit_id"])),
        "x": at[:, 0],
        "y": at[:, 1],
        "class": _classes(units),
        "within": encode.tenths_of_meters(units),
        "score": _score(units),
    }


def _words() -> dict[str, Any]:
    return {
        "notKnown": NOT_KNOWN,
        "caution": cautions.SCREENING,
        "staffOnly": cautions.STAFF_ONLY,
        "safety": cautions.TANK_SHORT,
        "places": f"{cautions.PLACES_TO_LOOK} {cautions.UNMAPPED_PIPES}",
        "classes": [*(words.CLASS_WORDS[name] for name in words.CLASSES), words.NO_CLASS],
        "doubt": "Position accuracy",
        "axes": dict(words.AXES),
    }


def _in_rank_order(units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    order = np.argsort(UNITS.numbers(units, "rank"), kind="stable")  # not known comes last
    if (np.diff(order) < 0).any():  # mostly they are in order, and a copy is large
        units = units.iloc[order]
    return units.reset_index(drop=True)


def _rows_by_id(units: pd.DataFrame) -> dict[str, int]:
    return {str(unit): row for row, unit in enumerate(units["unit_id"])}


def _ground_layers(assessment: Assessment) -> dict[str, gpd.GeoDataFrame]:
    """The county's own layers, and the ways the terrain was opened under its roads."""
    layers = dict(assessment.context)
    if "streams" in layers:
        layers["streams"] = map_layers.running_down(layers["streams"], assessment.problems)
    if isinstance(assessment.water.cuts, gpd.GeoDataFrame):
        layers["terrain_cuts"] = assessment.water.cuts
    if isinstance(assessment.search.candidates, gpd.GeoDataFrame):
        layers["outlet_candidates"] = outlet_places.in_order(assessment.search.candidates)
    return layers


def _to_plane(context: Mapping[str, gpd.GeoDataFrame]) -> dict[str, gpd.GeoDataFrame]:
    """Points go to the plane at once; lines and areas are simplified in meters first."""
    return {
        layer.name: context[layer.name].to_crs(encode.MERCATOR)
        if layer.shape == "point"
        else context[layer.name]
        for layer in map_layers.SHOWN
        if layer.name in context
    }


def _plane(
    units: gpd.GeoDataFrame, context: Mapping[str, gpd.GeoDataFrame]
) -> tuple[encode.Plane, list[float] | None]:
    """The plane with its origin in the middle of the units, else of any layer that has a place.

    And the extent of these: west, south, east and north from the origin in meters of the plane.
    """
    for frame in (units, *(context[name] for name in sorted(context))):
        frame = map_layers.placed(frame)
        if len(frame):
            west, south, east, north = frame.to_crs(encode.MERCATOR).total_bounds
            x, y = float(round((west + east) / 2)), float(round((south + north) / 2))
            extent = [float(round(v)) for v in (west - x, south - y, east - x, north - y)]
            return encode.Plane(x, y), extent
    return encode.Plane(0.0, 0.0), None


def _places(units: gpd.GeoDataFrame, plane: encode.Plane) -> NDArray[np.float64]:
    """Places in steps, shape (units, 2); NaN where not known."""
    at = np.full((len(units), 2), np.nan)
    known = np.isin(units.index, map_layers.placed(units).index)
    if known.any():
        at[known] = encode.points(units[known].to_crs(encode.MERCATOR), plane)
    return at


def _classes(units: pd.DataFrame) -> NDArray[np.int64]:
    """Position in `words.CLASSES`; one past its end where there is none."""
    place = {name: i for i, name in enumerate(words.CLASSES)}
    names = encode.text_or_none(UNITS.values(units, "visit_class"))
    return np.array([place.get(str(name), len(place)) for name in names], np.int64)


def _score(units: pd.DataFrame) -> dict[str, Any] | None:
    if not UNITS.is_known(units, "score"):
        return None
    rank = UNITS.numbers(units, "rank")
    return {
        "tenths": encode.whole(UNITS.numbers(units, "score"), factor=1, decimals=1),
        "points": encode.whole(UNITS.numbers(units, "score"), factor=1, decimals=0),
        "rank": encode.whole(rank, factor=1, decimals=0),
    } | _bands(units, rank)


def _bands(units: pd.DataFrame, rank: NDArray[np.float64]) -> dict[str, Any]:
    """Between which ranks a unit stands, no finer than three figures of its rank, outward.

    ``low`` and ``high`` are counted away from the rank in steps of the last figure told.
    """
    low, high = (UNITS.numbers(units, name) for name in ("rank_low", "rank_high"))
    if np.isnan(low).all():
        return {}
    figures = np.floor(np.log10(np.fmax(rank, 1)))
    step = 10 ** np.fmax(figures - 2, 0)
    return {
        "low": np.floor(rank / step) - np.floor(low / step),
        "high": np.ceil(high / step) - np.ceil(rank / step),
    }


@dataclass(frozen=True)
class _Drawn:
    """What there is to draw: ``shapes`` by block, not packed, and ``pictures`` by block.

    ``layers`` and ``entries``: what the page is told of each layer and picture.
    """

    shapes: dict[str, Any]
    layers: list[dict[str, Any]]
    pictures: dict[str, str]
    entries: list[dict[str, Any]]


def _drawn(
    assessment: Assessment,
    units: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    at: NDArray[np.float64],
    plane: encode.Plane,
    measures: words.Measures,
) -> _Drawn:
    shapes = {
        "discharge_points": map_layers.discharge_points(
            assessment.discharge_points, row_of, at, plane
        ),
        "flow_paths": map_layers.flow_paths(assessment.flow_paths, row_of, at, plane),
        "outlet_hunts": outlet_places.outlet_hunts(
            assessment.search.areas,
            assessment.search.candidates,
            units,
            row_of,
            plane,
            measures,
        ),
        "areas": map_layers.small_areas(assessment.areas.small, units, plane),
    }
    layers = map_layers.shown_layers(_to_plane(_ground_layers(assessment)), plane)
    give_back()
    pictures = _pictures(assessment, measures)
    give_back()
    return _Drawn(
        shapes | {f"layer-{layer['name']}": shape for layer, shape in layers},
        [layer for layer, _ in layers],
        {f"picture-{entry['name']}": picture for entry, picture in pictures},
        [entry for entry, _ in pictures],
    )


def _pictures(assessment: Assessment, measures: words.Measures) -> list[tuple[dict[str, Any], str]]:
    makers: tuple[tuple[str, str, bool, Any, list[list[str]]], ...] = (
        ("relief", "Shaded relief", True, relief.relief_picture, []),
        (
            "pond_depth_brim",
            "Low spots, filled to overflow",
            False,
            relief.pond_picture,
            _depth_steps(measures),
        ),
    )
    found = []
    for name, label, on, make, steps in makers:
        source = assessment.rasters.get(name)
        picture = None if source is None else make(source)
        if picture:
            entry = {"name": name, "label": label, "on": on, "steps": steps}
            entry |= {"kind": picture.media_type, "bounds": list(picture.bounds)}
            found.append((entry, picture.text))
    found += _sensitivity(assessment)
    storms = storms_of(assessment, measures)
    return [*found, storms] if storms else found


def _sensitivity(assessment: Assessment) -> list[tuple[dict[str, Any], str]]:
    """The sensitivity of the land and each of its parts, off until a reader switches it on."""
    parts = assessment.run.land.get("parts", {})
    wholes = [("sensitivity", "Sensitivity of the land", 100.0, _not_given(parts.values()))]
    wholes += [
        (f"sensitivity_{name}", f"Sensitivity: {part['label'].lower()}", part["weight"],
         _not_given([part]))
        for name, part in parts.items()
    ]  # fmt: skip
    found = []
    for name, label, most, note in wholes:
        source = assessment.rasters.get(name)
        unknown = assessment.rasters.get("sensitivity_unknown") if most == 100.0 else None
        picture = None if source is None else relief.sensitivity_picture(source, unknown, most)
        if picture:
            entry = {"name": name, "label": label, "on": False, "note": note}
            entry |= {"steps": _sensitivity_steps(hatched=unknown is not None)}
            entry |= {"kind": picture.media_type, "bounds": list(picture.bounds)}
            found.append((entry, picture.text))
    return found


def _not_given(parts: Iterable[Mapping[str, Any]]) -> str:
    """What the sensitivity rests on without, in a sentence."""
    missing = sorted({layer.replace("_", " ") for part in parts for layer in part["not_given"]})
    rests = "What a discharge or an overflowing unit here could harm. No unit is involved."
    return f"{rests} Not given, so it may be more: {', '.join(missing)}." if missing else rests


def _sensitivity_steps(*, hatched: bool) -> list[list[str]]:
    colors = ["#{:02x}{:02x}{:02x}".format(*color) for color in relief.SENSITIVITY_COLORS]
    edges = [round(100 * step) for step in relief.SENSITIVITY_STEPS]
    labels = [f"{low} to {low + 20}" for low in edges]
    labels = [f"{labels[0]}, low", *labels[1:-1], f"{labels[-1]}, high"]
    steps = [list(pair) for pair in zip(colors, labels, strict=True)]
    dark = "#{:02x}{:02x}{:02x}".format(*relief.UNKNOWN_COLOR)
    return [*steps, [dark, "hatched: partly not known"]] if hatched else steps


def storms_of(
    assessment: Assessment, measures: words.Measures
) -> tuple[dict[str, Any], str] | None:
    """The ponds of the storms computed: what the page says of them, and their one picture."""
    storms = relief.storm_picture(
        {
            int(m.group(1)): source
            for name, source in assessment.rasters.items()
            if (m := re.fullmatch(r"pond_depth_(\d+)yr", name))
        }
    )
    if storms is None:
        return None
    years, picture = storms
    entry = {"name": "pond_storms", "label": "Ponding after a storm", "storms": years}
    entry |= {"kind": picture.media_type, "bounds": list(picture.bounds)}
    entry |= {"least": words.length(relief.POND_STEPS_M[0], measures), "note": cautions.RAIN_ONLY}
    return entry, picture.text


def _depth_steps(measures: words.Measures) -> list[list[str]]:
    colors = ["#{:02x}{:02x}{:02x}".format(*color) for color in relief.POND_COLORS]
    labels = words.depth_steps(relief.POND_STEPS_M, measures)
    return [list(pair) for pair in zip(colors, labels, strict=True)]


def _first_visits(curve: pd.DataFrame) -> dict[str, Any] | None:
    if not len(curve):
        return None
    shares = {"score": "score_share", "first": "first_share"}
    return {
        "visits": curve["visits"].to_numpy(int),
        **{
            name: encode.whole(curve[column], factor=1000, decimals=0)
            for name, column in shares.items()
        },
    }


def _problems(problems: pd.DataFrame, notes: list[str]) -> list[str]:
    """How many rows of the input were not used or doubtful, in words; what was not given apart."""
    if not len(problems) or "action" not in problems:
        return []
    is_absent = problems["code"].isin(NOT_GIVEN)
    shown = []
    for action, text in words.ACTIONS.items():
        count = int(((problems["action"] == action) & ~is_absent).sum())
        if count:
            shown.append(words.counted(text, count))
    absent = sorted({words.in_words(str(name), {}) for name in problems.loc[is_absent, "layer"]})
    absent = [name for name in absent if not any(f"No {name} layer" in note for note in notes)]
    if absent:
        shown.append(f"Layers not given: {', '.join(absent)}.")
    return shown
