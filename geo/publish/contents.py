"""Everything a map page shows of an assessment, as lists and words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.publish import encode, ground, relief, words
from layers.store import Assessment


def contents(assessment: Assessment) -> dict[str, Any]:
    """What the scripts of the page show; keys as ``page/county_page.js`` reads them."""
    run = assessment.run
    county = run.get("county", {})
    measures: words.Measures = "si" if county.get("show_units") == "si" else "us"
    units = _in_rank_order(assessment.units)
    row_of = _rows_by_id(units)
    plane = _plane(units, assessment.context)
    at = _places(units, plane)
    return {
        "county": {"name": str(county.get("name", "")), "invented": bool(county.get("invented"))},
        "asOf": words.date(run["as_of"]) if run.get("as_of") else None,
        "measures": measures,
        "plane": [plane.x, plane.y, plane.step],
        "words": _words(),
        "units": {
            "id": encode.text_or_none(units["unit_id"]),
            "x": encode.whole(at[:, 0], factor=1, decimals=0),
            "y": encode.whole(at[:, 1], factor=1, decimals=0),
            "class": _classes(units),
        },
        "sections": _sections(units, measures),
        "score": _score(units, run.get("parts", {})),
        "reasons": encode.sentences(_text(units, "reasons")),
        "gaps": encode.sentences(_text(units, "data_gaps")),
        "faults": encode.sentences(_faults(assessment.problems, row_of)),
        "checks": _checks(assessment.setback_checks, row_of, at, plane, measures),
        "layers": ground.shown_layers(_to_plane(assessment.context), plane),
        "flowPaths": ground.flow_paths(assessment.flow_paths, row_of, plane),
        "dischargePoints": ground.discharge_points(assessment.discharge_points, row_of, plane),
        "pictures": _pictures(assessment, measures),
        "notes": [str(note) for note in run.get("notes", [])],
        "problems": _problems(assessment.problems),
        "madeBy": _made_by(run),
    }


def _words() -> dict[str, Any]:
    return {
        "notKnown": words.NOT_KNOWN,
        "caution": words.CAUTION,
        "safety": words.SAFETY,
        "classes": [*(words.CLASS_WORDS[name] for name in words.CLASSES), words.NO_CLASS],
        "axes": {"likelihood": "Likelihood of trouble", "harm": "Harm it would do"},
    }


def _in_rank_order(units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if "rank" in units:
        order = np.argsort(encode.numbers(units["rank"]), kind="stable")  # not known comes last
        units = units.iloc[order]
    return units.reset_index(drop=True)


def _rows_by_id(units: pd.DataFrame) -> dict[str, int]:
    return {str(unit): row for row, unit in enumerate(units["unit_id"])}


def _to_plane(context: Mapping[str, gpd.GeoDataFrame]) -> dict[str, gpd.GeoDataFrame]:
    """Points go to the plane at once; lines and areas are simplified in metres first."""
    return {
        layer.name: context[layer.name].to_crs(encode.MERCATOR)
        if layer.shape == "point"
        else context[layer.name]
        for layer in ground.SHOWN
        if layer.name in context
    }


def _plane(units: gpd.GeoDataFrame, context: Mapping[str, gpd.GeoDataFrame]) -> encode.Plane:
    """The plane with its origin in the middle of the units, else of any layer that has a place."""
    for frame in (units, *(context[name] for name in sorted(context))):
        frame = ground.placed(frame)
        if len(frame):
            west, south, east, north = frame.to_crs(encode.MERCATOR).total_bounds
            return encode.Plane(float(round((west + east) / 2)), float(round((south + north) / 2)))
    return encode.Plane(0.0, 0.0)


def _places(units: gpd.GeoDataFrame, plane: encode.Plane) -> NDArray[np.float64]:
    """Places in steps, shape (units, 2); NaN where not known."""
    at = np.full((len(units), 2), np.nan)
    known = np.isin(units.index, ground.placed(units).index)
    if known.any():
        at[known] = encode.points(units[known].to_crs(encode.MERCATOR), plane)
    return at


def _classes(units: pd.DataFrame) -> list[int]:
    """Position in `words.CLASSES`; one past its end where there is none."""
    place = {name: i for i, name in enumerate(words.CLASSES)}
    return [place.get(str(name), len(place)) for name in _text(units, "visit_class")]


def _text(frame: pd.DataFrame, column: str) -> list[str | None]:
    return encode.text_or_none(frame[column]) if column in frame else [None] * len(frame)


def _sections(units: pd.DataFrame, measures: words.Measures) -> list[dict[str, Any]]:
    sections = []
    for section in words.SECTIONS:
        fields = [
            _field(units[field.column], field, measures)
            for field in words.fields_present(section, units.columns)
        ]
        if fields:
            sections.append({"title": section.title, "fields": fields})
    return sections


def _field(values: pd.Series, field: words.Field, measures: words.Measures) -> dict[str, Any]:
    entry: dict[str, Any] = {"label": field.label, "column": field.column}
    if field.needs:
        entry["needs"] = field.needs
    if field.kind in {"code", "flag", "text", "date", "bearing"}:
        return entry | encode.texts(words.shown(values, field))
    scale = words.scale(field.kind, measures)
    numbers = encode.whole(encode.numbers(values), factor=scale.factor, decimals=scale.decimals)
    return entry | {"unit": scale.unit, "decimals": scale.decimals, "numbers": numbers}


def _score(units: pd.DataFrame, parts: Mapping[str, Any]) -> dict[str, Any] | None:
    if "score" not in units:
        return None
    names = [name for name in units.columns if name.startswith("part_")]
    names.sort(key=lambda name: (_part(parts, name).get("axis") != "likelihood",))
    total = encode.numbers(units["score"])
    entry: dict[str, Any] = {
        "tenths": encode.whole(total, factor=1, decimals=1),
        "rank": encode.whole(_numbers(units, "rank"), factor=1, decimals=0),
        "parts": [],
    }
    if names:
        values = np.column_stack([encode.numbers(units[name]) for name in names])
        tenths = encode.shares(values, total)
        for i, name in enumerate(names):
            part = _part(parts, name)
            entry["parts"].append(
                {
                    "label": str(
                        part.get("label") or words.in_words(name.removeprefix("part_"), {})
                    ),
                    "axis": part.get("axis"),
                    "weight": part.get("weight"),
                    "source": part.get("source"),
                    "tenths": tenths[:, i].tolist(),
                }
            )
    return entry


def _plain_name(column: str) -> str:
    return words.in_words(column.removeprefix("part_"), {})


def _part(parts: Mapping[str, Any], column: str) -> Mapping[str, Any]:
    return parts.get(column.removeprefix("part_")) or parts.get(column) or {}


def _numbers(frame: pd.DataFrame, column: str) -> Any:
    return encode.numbers(frame[column]) if column in frame else np.full(len(frame), np.nan)


def _checks(
    checks: gpd.GeoDataFrame,
    row_of: Mapping[str, int],
    at: NDArray[np.float64],
    plane: encode.Plane,
    measures: words.Measures,
) -> dict[str, Any] | None:
    """Setback checks in the order of the units: a table of rules, then columns."""
    if not len(checks):
        return None
    unit = np.array([row_of.get(name or "", -1) for name in _text(checks, "unit_id")])
    order = np.argsort(unit, kind="stable")
    order = order[unit[order] >= 0]
    checks, unit = checks.iloc[order], unit[order]
    scale = words.scale("fine_distance", measures)
    rules = [
        f"{words.in_words(part or '', words.RULE_PARTS)} to "
        f"{words.in_words(feature or '', words.RULE_FEATURES)}"
        for part, feature in zip(_text(checks, "part"), _text(checks, "feature"), strict=True)
    ]
    in_force = [None if value is None else _is_true(value) for value in _text(checks, "in_force")]
    required = encode.whole(
        _numbers(checks, "required_m"), factor=scale.factor, decimals=scale.decimals
    )
    keys = list(
        zip(
            rules,
            _text(checks, "rule_id"),
            required,
            _text(checks, "source"),
            in_force,
            strict=True,
        )
    )
    known = sorted(set(keys), key=str)
    place = {key: i for i, key in enumerate(known)}

    verdict = [words.in_words(v or "", words.VERDICTS) for v in _text(checks, "verdict")]
    verdicts = list(dict.fromkeys([*words.VERDICTS.values(), *sorted(set(verdict))]))
    return {
        "unit": scale.unit,
        "decimals": scale.decimals,
        "rules": [list(key) for key in known],
        "count": np.bincount(unit, minlength=len(row_of)).tolist(),
        "rule": [place[key] for key in keys],
        "feature": encode.texts(_text(checks, "feature_id")),
        "distance": _lengths(checks, "distance_m", scale),
        "within": _lengths(checks, "distance_u95_m", scale),
        "verdicts": verdicts,
        "verdict": [verdicts.index(v) for v in verdict],
        "matter": len(words.MATTERS),
        "lines": ground.setback_lines(checks, at[unit], plane),
    }


def _lengths(checks: pd.DataFrame, column: str, scale: words.Scale) -> list[int | None]:
    """Distances in the last decimal shown; decimals end where they say nothing, at 100 units."""
    values = _numbers(checks, column)
    far = np.abs(values) * scale.factor >= 100
    fine = encode.whole(values, factor=scale.factor, decimals=scale.decimals)
    whole = encode.whole(values, factor=scale.factor, decimals=0)
    tens = 10**scale.decimals
    return [
        w * tens if is_far and w is not None else f
        for f, w, is_far in zip(fine, whole, far, strict=True)
    ]


def _is_true(value: str) -> bool:
    return value.lower() in {"true", "1", "1.0", "yes"}


def _pictures(assessment: Assessment, measures: words.Measures) -> list[dict[str, Any]]:
    makers: tuple[tuple[str, str, bool, Any, list[list[str]]], ...] = (
        ("relief", "Shaded relief", True, relief.relief_picture, []),
        (
            "pond_depth_brim",
            "Hollows, full to the brim",
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
            found.append(
                {
                    "name": name,
                    "label": label,
                    "on": on,
                    "steps": steps,
                    "address": picture.address,
                    "bounds": list(picture.bounds),
                }
            )
    return found


def _depth_steps(measures: words.Measures) -> list[list[str]]:
    colours = ["#{:02x}{:02x}{:02x}".format(*colour) for colour in relief.POND_COLOURS]
    labels = words.depth_steps(relief.POND_STEPS_M, measures)
    return [list(pair) for pair in zip(colours, labels, strict=True)]


def _faults(problems: pd.DataFrame, row_of: Mapping[str, int]) -> list[str | None]:
    """Faults of each unit's own row of the input, in words."""
    told: list[str | None] = [None] * len(row_of)
    if not len(problems):
        return told
    own = problems[(problems["layer"] == "units") & problems["feature_id"].isin(list(row_of))]
    for unit, messages in own.groupby("feature_id", sort=True)["message"]:
        told[row_of[str(unit)]] = " | ".join(dict.fromkeys(messages))
    return told


def _problems(problems: pd.DataFrame) -> list[str]:
    """How many rows of the input were set aside or doubtful, in words."""
    if not len(problems) or "action" not in problems:
        return []
    told = []
    for action, text in words.ACTIONS.items():
        count = int((problems["action"] == action).sum())
        if count:
            told.append(text.format(n=f"{count:,}", s="" if count == 1 else "s"))
    return told


def _made_by(run: Mapping[str, Any]) -> str:
    version = (run.get("versions") or {}).get("rillmark")
    return f"Drawn by Rillmark {version}" if version else "Drawn by Rillmark"
