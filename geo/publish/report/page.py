"""The report of an assessment: one self-contained page without a script, made to be printed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, Final

import pandas as pd
from jinja2 import Environment, FunctionLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from geo.publish.report import data as report_data
from geo.publish.report import front as report_front
from geo.publish.report import load as report_load
from geo.publish.report import method as report_method
from geo.publish.report import outlets as report_outlets
from geo.publish.report import trust as report_trust
from geo.publish.report.moves import Comparison, moves_section
from geo.publish.report.public import public_contents
from geo.publish.shared import assets, document, words
from layers.folders.public_ledger import Edition
from layers.outputs.field import sentences_of
from layers.outputs.run import Run
from layers.store import Assessment

AUDIENCES: Final = ("staff", "public")
# The list on paper: as many as the first class holds, within these.
_LEAST_LISTED, _MOST_LISTED = 20, 25
_STYLES: Final = ("report.css",)
_SENTENCES: Final = re.compile(r"(?<=\.) (?=[A-Z])")


def report_page(
    assessment: Assessment,
    audience: str = "staff",
    *,
    since: Comparison | None = None,
    edition: Edition | None = None,
) -> str:
    """The report as the text of one HTML file.

    Parameters
    ----------
    assessment
        A finished assessment.
    audience
        ``"staff"``, or ``"public"``: counts only, no household's facts.
    since
        A comparison with an earlier assessment, for staff: who moved, and by which part.
    edition
        The numbers of a public edition, held to what was given out before; where None, those of a
        first edition, which must not be given out where another was: `rillmark report` sees to it.

    Raises
    ------
    ValueError
        For another audience, or a comparison in the public edition.
    """
    if audience not in AUDIENCES:
        raise ValueError(f"audience {audience!r} is not one of {', '.join(AUDIENCES)}")
    if since is not None and audience != "staff":
        raise ValueError("who moved names units: it is for staff only")
    shown = (
        report_contents(assessment) if audience == "staff" else public_contents(assessment, edition)
    )
    styles = [assets.page_file(name) for name in _STYLES]
    text = (
        _environment()
        .get_template(f"report_{audience}.html")
        .render(
            **shown,
            moves=None if since is None else moves_section(since, _labels(assessment.run)),
            facts_of_units=audience == "staff",
            policy=document.policy((), styles),
            styles=[Markup(style) for style in styles],  # noqa: S704  our own files, named by hash
            caution=words.CAUTION,
            safety=words.SAFETY,
        )
    )
    return text.encode("utf-8", "replace").decode("utf-8")  # a lone surrogate cannot be saved


def _labels(run: Run) -> dict[str, str]:
    return {name: str(part["label"]) for name, part in run.parts.items()}


def report_contents(assessment: Assessment) -> dict[str, Any]:
    """Everything the staff edition shows, as lists and words."""
    run = assessment.run
    county = run.county
    measures = run.county.show_units
    return {
        "county": county.name,
        "invented": county.invented,
        "as_of": words.date(run.as_of) if run.as_of else "",
        "facts": report_front.front_page(assessment),
        "order": _order(assessment.units),
        "unit_count": len(assessment.units),
        "method": report_method.method(run, measures),
        "steadiness": report_trust.steadiness(assessment),
        "missing_records": report_trust.missing_records(run),
        "replay": report_trust.replay_chart(assessment),
        "calibration": report_trust.calibration_section(run),
        "ponding": report_trust.ponding(assessment),
        "outlets": report_outlets.outlets(assessment, measures),
        "areas": report_trust.spread_by_area(assessment),
        "load": report_load.load(assessment),
        "data": report_data.data(assessment),
        "provenance": report_data.provenance(run),
        "notes": [str(note) for note in run.notes],
        "made_by": made_by_line(run),
    }


def made_by_line(run: Run) -> str:
    """The program and its version."""
    version = run.versions.get("rillmark")
    return f"Rillmark {version}" if version else "Rillmark"


def _order(units: pd.DataFrame) -> list[dict[str, Any]]:
    """The first units of the list, each with its band, why, and what is owed."""
    if not {"rank", "visit_class", "score"} <= set(units):
        return []
    first = int((units["visit_class"] == "first").sum())
    some = units.sort_values("rank").head(min(max(first, _LEAST_LISTED), _MOST_LISTED))
    return [_row(unit) for unit in some.to_dict("records")]


def _row(unit: Mapping[str, Any]) -> dict[str, Any]:
    rank, low, high = (unit.get(name) for name in ("rank", "rank_low", "rank_high"))
    due = report_front.day(unit.get("must_visit_by"))
    due_because = sentences_of(unit.get("why_due"))
    return {
        "rank": int(rank) if rank is not None else "",
        "band": "" if low is None or low == high or pd.isna(low) else f"{low:.0f} to {high:.0f}",
        "unit": str(unit["unit_id"]),
        "address": _text(unit.get("address")),
        "score": f"{unit['score']:.1f}",
        "why": [text for text in sentences_of(unit.get("reasons")) if text not in due_because],
        "owed": list(dict.fromkeys(s for piece in due_because for s in _SENTENCES.split(piece))),
        "by": words.date(due) if due else "",
    }


def _text(value: object) -> str:
    return "" if value is None or pd.isna(value) else str(value)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FunctionLoader(assets.page_file),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["number"] = lambda value: f"{value:,}"
    return environment
