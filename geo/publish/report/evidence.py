"""Page 2 of the report: the map, what was found, the workload by year and by area."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from geo.publish.report import numbers
from geo.publish.report.area_map import area_map
from geo.publish.report.charts import PlotFrame, bar_chart, steps
from geo.publish.report.phrasing import NO_SCHEDULE, by_day, fact
from geo.results import cautions
from layers.measures import count_of
from layers.outputs.run import Run
from layers.store import Assessment

# Rows on the page; the appendix has all.
AREAS_SHOWN: Final = 7


def evidence(assessment: Assessment, due: numbers.Due) -> dict[str, Any]:
    """Everything page 2 shows."""
    units = assessment.units
    results = numbers.last_results(units)
    areas = numbers.area_work(assessment)
    return {
        "map": area_map(assessment),
        "workload": _workload(due),
        "no_workload": "" if due.is_known else f"Workload by year: {NO_SCHEDULE}",
        "results": results,
        "results_note": _of_results(assessment.run, results),
        "facts": _facts(assessment),
        "areas": areas[:AREAS_SHOWN],
        "areas_more": _more_areas(areas),
        "last_day": by_day(due),
        "due_known": due.is_known,
        "measure_first": cautions.MEASURE_FIRST,
        "rain_only": cautions.RAIN_ONLY,
    }


def workload_rows(due: numbers.Due) -> list[tuple[str, int]]:
    """Units by when their first visit is due: overdue, this season, then each year."""
    return [("Overdue", due.overdue), ("This season", due.soon), *due.later]


def _workload(due: numbers.Due) -> Any:
    if not due.is_known:
        return None
    rows = workload_rows(due)
    most = max(n for _, n in rows)
    return bar_chart(
        PlotFrame(
            title="Units by when their first visit is due",
            description="; ".join(f"{name}: {n:,}" for name, n in rows) + ".",
            x_ticks=[(0.0, ""), (1.0, "")],
            y_ticks=steps(most * 1.12),
            y_label="units",
            width=700,
            height=140,
        ),
        [name for name, _ in rows],
        [("units", [n for _, n in rows])],
    )


def _of_results(run: Run, results: Sequence[tuple[str, int]]) -> str:
    if not results:
        return "What was found is not known: no visit results are on record."
    learned = run.learned
    if learned.get("visits"):
        return (
            f"Of {learned['visits']:,} completed visits on record,"
            f" {learned['troubles']:,} found a repair needed or a dangerous condition."
        )
    return ""


def _facts(assessment: Assessment) -> list[dict[str, str]]:
    """Findings from maps, each with what to add where a person acts on it."""
    units = assessment.units
    wells = numbers.wells(assessment.setback_checks)
    facts = []
    if wells.missing:
        facts.append(fact(f"Wells inside setbacks are not calculated: {wells.missing}."))
    else:
        appear = "well appears inside its" if wells.inside == 1 else "wells appear inside their"
        said = f"{wells.inside:,} {appear} setback, near {count_of(wells.units_inside, 'unit')}."
        facts.append(fact(said, cautions.MEASURE_FIRST))
    wet = numbers.wet_lids(units)
    if wet is None:
        facts.append(
            fact(
                "Storm water over lids is not calculated: it takes a terrain raster and depths of"
                " rain by return period."
            )
        )
    else:
        years = numbers.STORM_YR
        many = "lid appears" if wet == 1 else "lids appear"
        facts.append(
            fact(f"{wet:,} {many} under water in a {years}-year storm.", cautions.RAIN_ONLY)
        )
    missing, guessed = numbers.points_not_on_record(units)
    unsure = f" and not confirmed for {guessed:,} more" if guessed else ""
    if missing or guessed:
        facts.append(
            fact(f"The discharge point is not on record for {count_of(missing, 'unit')}{unsure}.")
        )
    return facts


def _more_areas(areas: Sequence[numbers.AreaWork]) -> str:
    rest = areas[AREAS_SHOWN:]
    if not rest:
        return ""
    units = sum(area.units for area in rest)
    return (
        f"And {count_of(len(rest), 'more area')} with {count_of(units, 'unit')}, see the appendix."
    )
