"""The report of an assessment and its appendix: self-contained pages without scripts, to print."""

from __future__ import annotations

from functools import cache
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from geo.publish.report.appendix import appendix_contents
from geo.publish.report.area_map import mark_sample
from geo.publish.report.front import front
from geo.publish.report.moves import Comparison, moves_section
from geo.publish.report.public import public_contents
from geo.publish.shared import assets, document, words
from geo.results import cautions
from layers.folders.public_ledger import Edition
from layers.outputs.run import Run
from layers.store import Assessment

AUDIENCES: Final = ("staff", "public")
REPORT_FILE: Final = "report_staff.html"
APPENDIX_FILE: Final = "report_appendix_staff.html"
_STYLES: Final = ("report.css",)


def report_page(
    assessment: Assessment, audience: str = "staff", *, edition: Edition | None = None
) -> str:
    """The report as the text of one HTML file, at most four printed pages.

    Parameters
    ----------
    assessment
        A finished assessment.
    audience
        ``"staff"``, or ``"public"``: counts only, no household's facts.
    edition
        The numbers of a public edition, held to what was given out before; where None, those of a
        first edition, which must not be given out where another was: `rillmark report` sees to it.

    Raises
    ------
    ValueError
        For another audience.
    """
    if audience not in AUDIENCES:
        raise ValueError(f"audience {audience!r} is not one of {', '.join(AUDIENCES)}")
    if audience == "staff":
        shown = _title(assessment.run) | front(assessment)
    else:
        shown = public_contents(assessment, edition)
    return _page(f"report_{audience}.html", shown)


def appendix_page(assessment: Assessment, *, since: Comparison | None = None) -> str:
    """The appendix of the staff report as the text of one HTML file.

    Parameters
    ----------
    since
        A comparison with an earlier assessment: who moved, and by which part of the score.
    """
    run = assessment.run
    labels = {name: str(part["label"]) for name, part in run.parts.items()}
    moves = None if since is None else moves_section(since, labels)
    shown = _title(run) | appendix_contents(assessment) | {"moves": moves}
    return _page("report_appendix.html", shown)


def _title(run: Run) -> dict[str, Any]:
    return {
        "county": run.county.name or "County",
        "invented": run.county.invented,
        "as_of": words.date(run.as_of) if run.as_of else "a date not on record",
        "made_by": made_by_line(run),
        "staff_only": cautions.STAFF_ONLY,
        "appendix_file": APPENDIX_FILE,
    }


def _page(template: str, shown: dict[str, Any]) -> str:
    styles = [assets.page_file(name) for name in _STYLES]
    text = (
        _environment()
        .get_template(template)
        .render(
            **shown,
            policy=document.policy((), styles),
            styles=[Markup(style) for style in styles],  # noqa: S704  our own files, named by hash
            screening=cautions.SCREENING,
            tank=cautions.TANK_SHORT,
        )
    )
    return text.encode("utf-8", "replace").decode("utf-8")  # a lone surrogate cannot be saved


def made_by_line(run: Run) -> str:
    """The program and its version."""
    version = run.versions.get("rillmark")
    return f"Rillmark {version}" if version else "Rillmark"


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
    environment.globals["mark_sample"] = mark_sample
    return environment
