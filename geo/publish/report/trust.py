"""How far a report can be trusted: steadiness, replay, learned chances, ponds, small areas.

Each section appears when its columns or tables are there; otherwise it says what it would take.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from geo.publish.report.charts import (
    PlotFrame,
    Series,
    bar_chart,
    line_chart,
    point_chart,
    range_chart,
    steps,
    steps_between,
)
from geo.publish.report.doubts import ORDER_NAMES
from geo.publish.report.method import input_label
from geo.publish.report.numbers import SURE
from geo.publish.shared.lids import not_dry
from layers.measures import count_of
from layers.outputs import UNITS
from layers.outputs.run import Run
from layers.store import Assessment

_BANDS_SHOWN: Final = 20
_CUTS: Final = {
    "culvert": "mapped culvert",
    "breach": "road crossing",
}
_KINDS: Final = {
    "distance": "distances",
    "storms": "storms",
    "learned": "learned from visits",
    "not_on_record": "not on record",
    "weights": "the board's choice",
}


def steadiness(assessment: Assessment) -> dict[str, Any] | None:
    """Ranges of the first ranks, what would help most; None without computer runs."""
    units, run = assessment.units, assessment.run
    if not UNITS.is_known(units, "rank_low"):
        return None
    shown = run.steadiness
    by_score = units[UNITS.equals(units, "ranked_by", "score")]
    some = by_score.sort_values("rank").head(_BANDS_SHOWN)
    return {
        "draws": shown.get("draws"),
        "spread": shown.get("weight_spread"),
        "sentences": (shown.get("first_class") or {}).get("sentences", []),
        "chart": _bands(some) if len(some) else None,
        "inputs": [
            (
                _settles(row, run.parts),
                _KINDS.get(str(row.get("kind")), str(row.get("kind"))),
                row.get("units"),
                row.get("settles"),
            )
            for row in (shown.get("inputs") or [])[:8]
            if (row.get("settles") or 0) > 0
        ],
        "unsettled": shown.get("unsettled"),
        "note": shown.get("note", ""),
    }


def _settles(row: Mapping[str, Any], parts: Mapping[str, Any]) -> str:
    """An input by its label; where nothing is on record the part is named."""
    name = str(row.get("input"))
    if name == "weights":
        return "The weights themselves"
    if name in parts:
        return str(parts[name].get("label", name))
    return input_label(name)


def _bands(units: pd.DataFrame) -> Any:
    rows = [
        (str(u["unit_id"]), float(u["rank_low"]), float(u["rank"]), float(u["rank_high"]))
        for u in units.to_dict("records")
    ]
    ticks = steps_between(min(low for _, low, _, _ in rows), max(high for *_, high in rows))
    widest = max(len(name) for name, *_ in rows)
    return range_chart(
        PlotFrame(
            title=f"Rank ranges of the first {len(rows)} units by score",
            description="; ".join(f"{n}: {a:.0f} to {b:.0f}" for n, a, _, b in rows) + ".",
            x_ticks=[(v, label if v else "1") for v, label in ticks],
            y_ticks=[(0.0, " " * widest)],
            x_label="rank; line: range in 9 of 10 computer runs, dot: rank in the list",
            width=640,
            height=46 + 15 * len(rows),
        ),
        rows,
    )


def replay_chart(assessment: Assessment) -> dict[str, Any] | None:
    """Repairs the first N visits of past years would have found; None without a test."""
    table = assessment.trust.replay
    if not len(table):
        return None
    whole = table[(table["year"].astype(str) == "all") & (table["among"] == "visited")]
    if not len(whole):
        return None
    units, troubles = int(whole["units"].iloc[0]), int(whole["troubles"].iloc[0])
    series = []
    for name in ("this_order", "as_visited", "oldest_first", "random"):
        mine = whole[whole["order"] == name].sort_values("visits")
        if not len(mine):
            continue
        band = list(zip(mine["met_low"], mine["met_high"], strict=True))
        series.append(
            Series(
                ORDER_NAMES[name].lower(),
                [(0.0, 0.0), *zip(mine["visits"], mine["met"], strict=True)],
                [(0.0, 0.0), *band] if name == "this_order" else (),
            )
        )
    if not series:
        return None
    frame = PlotFrame(
        title="Repairs that the first visits of past years would have found",
        description="; ".join(f"{s.name}: {s.points[-1][1]:.0f} in all" for s in series) + ".",
        x_ticks=steps(max(s.points[-1][0] for s in series)),
        y_ticks=steps(troubles),
        x_label="visits made",
        y_label="repairs found",
        width=640,
        height=280,
        right=125,
    )
    shown = assessment.run.replay
    return {
        "chart": line_chart(frame, series),
        "units": units,
        "troubles": troubles,
        "years": sorted(set(table["year"].astype(str)) - {"all"}),
        "sentences": list(shown.get("sentences", [])),
        "limits": list(shown.get("limits", [])),
    }


def calibration_section(run: Run) -> dict[str, Any] | None:
    """Chances learned from past visits against what was found; None where nothing was learned."""
    shown = run.learned
    if not shown:
        return None
    bins = shown.get("calibration") or []
    chart = None
    if bins:
        most = max(max(b["observed_high"], b["predicted"]) for b in bins)
        end = next(e for e in (0.1, 0.2, 0.4, 1.0) if most <= e)
        tick = [(end * k / 4, f"{25 * end * k:g}%") for k in range(5)]
        chart = point_chart(
            PlotFrame(
                title="Expected chance against what was found",
                description="; ".join(
                    f"expected {b['predicted']:.0%}, found {b['observed']:.0%} of {b['visits']}"
                    for b in bins
                )
                + ".",
                x_ticks=tick,
                y_ticks=tick,
                x_label="expected chance",
                y_label="share found",
                width=370,
                height=260,
                right=24,
            ),
            [
                (b["predicted"], b["observed_low"], b["observed"], b["observed_high"],
                 f"{b['visits']:,}")
                for b in bins
            ],
            diagonal=True,
        )  # fmt: skip
    return {"chart": chart, "sentences": list(shown.get("sentences", []))}


def missing_records(run: Run) -> list[str]:
    """What missing records did to the order, in sentences."""
    shown = run.steadiness.get("missing_records") or {}
    return list(shown.get("sentences", []))


def ponding(assessment: Assessment) -> dict[str, Any] | None:
    """Lids under water by storm; None where no storm was computed."""
    units, run = assessment.units, assessment.run
    if not UNITS.is_known(units, "lid_wet_state"):
        return None
    storms = run.settings.get("storms") or {}
    years = [each.years for each in UNITS.expand("lid_pond_depth_{T}yr_m", units.columns)]
    groups = [("open", "lid_wet_return_yr"), ("blocked", "lid_wet_return_blocked_yr")]
    counted = [
        (label, [int((units[column] <= t).sum()) for t in years])
        for label, column in groups
        if UNITS.expand(column, units.columns)
    ]
    most = max((n for _, ns in counted for n in ns), default=0)
    names = [f"{t}-year" for t in years]
    chart = bar_chart(
        PlotFrame(
            title="Lids under water by storm",
            description="; ".join(
                f"{label}: " + ", ".join(f"{y} {n}" for y, n in zip(names, ns, strict=True))
                for label, ns in counted
            )
            + ".",
            x_ticks=[(0.0, ""), (1.0, "")],
            y_ticks=steps(most),
            y_label="lids",
            width=640,
            height=190,
        ),
        names,
        counted,
    )
    chances = [
        (f"{t}-year", int((p >= SURE).sum()), int(p.between(1 - SURE, SURE, "neither").sum()))
        for t in years
        if (p := UNITS.values(units, f"lid_wet_{t}yr_probability")).notna().any()
    ]
    return {
        "chart": chart if years else None,
        "blocked": len(counted) > 1,
        "series": storms.get("series", "").replace("_", " "),
        "depths": storms.get("depths_in"),
        "chances": chances,
        "draws": run.draws,
        "cuts": _cuts(assessment.water.cuts),
        "not_dry": not_dry(units),
        "no_riser": int(UNITS.values(units, "riser_height_m").isna().sum()),
    }


def _cuts(cuts: pd.DataFrame) -> list[str]:
    """Road crossings opened in the model, and those not and why, counted."""
    counted = cuts.value_counts(["kind", "used", "reason"]).items()
    return [
        f"{count_of(n, _CUTS.get(kind, kind))}: {str(reason).replace('_', ' ')}"
        for (kind, used, reason), n in sorted(counted, key=lambda c: (not c[0][1], -c[1], c[0]))
    ]


def spread_by_area(assessment: Assessment) -> dict[str, Any] | None:
    """Units by area, and what the first visits cover; None where neither was counted."""
    areas, curve = assessment.areas.small, assessment.visits.first
    rows = [
        {
            "name": str(row["name"]),
            "units": int(row["units"]),
            "first": int(row["first_class"]),
            "wet": None if pd.isna(row["lids_wet"]) else int(row["lids_wet"]),
            "lost": None if pd.isna(row.get("lids_not_known")) else int(row["lids_not_known"]),
        }
        for row in (areas.to_dict("records") if "area_id" in areas else [])
        if row["units"] and isinstance(row["name"], str)
    ]
    chart = _first_visits(curve) if len(curve) > 1 else None
    return {"rows": rows, "chart": chart} if rows or chart else None


def _first_visits(curve: pd.DataFrame) -> Any:
    most = float(curve["visits"].max())
    frame = PlotFrame(
        title="Share of the county's total score that the first visits cover",
        description="; ".join(
            f"first {row['visits']:,.0f}: {row['score_share']:.0%}"
            for row in curve.iloc[:: max(1, len(curve) // 8)].to_dict("records")
        )
        + ".",
        x_ticks=steps(most),
        y_ticks=[(k / 4, f"{25 * k}%") for k in range(5)],
        x_label="visits in ranked order",
        y_label="share of the score",
        width=640,
        height=220,
        right=110,
    )
    points = [(0.0, 0.0), *zip(curve["visits"].astype(float), curve["score_share"], strict=True)]
    even = [(0.0, 0.0), (most, 1.0)]
    return line_chart(frame, [Series("by rank", points), Series("any order", even)])
