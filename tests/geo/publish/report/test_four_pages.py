"""The front fits four printed pages: with everything, with nothing, and where tables are long."""

import io
import unicodedata
from dataclasses import replace

import geopandas as gpd
import pandas as pd
import pytest
from pypdf import PdfReader
from shapely.geometry import Point

from geo.publish import appendix_page, report_page
from geo.results.areas import areas, first_n_curve, public_cells
from layers.outputs.groups import Areas, Visits
from layers.store import Assessment
from support.assessments import with_run, with_tables

pytestmark = pytest.mark.browser
COSTS = {"visit_hours": 2.5, "hour_cost_usd": 40, "mailing_cost_usd": 0.95}


@pytest.fixture
def printed(browser, tmp_path):
    """The pages of a report as text, as a browser prints them."""
    context = browser.new_context()

    def pages(text, paper="Letter"):
        path = tmp_path / "report.html"
        path.write_text(text, "utf-8")
        page = context.new_page()
        page.goto(path.as_uri())
        content = page.pdf(format=paper, prefer_css_page_size=True)
        leaves = PdfReader(io.BytesIO(content)).pages
        return [unicodedata.normalize("NFKC", leaf.extract_text()) for leaf in leaves]

    yield pages
    context.close()


def first_day(larkmoor_result):
    """An office on its first day: a list of units, and nothing else."""
    at = larkmoor_result.units.geometry
    units = gpd.GeoDataFrame(
        {
            "unit_id": larkmoor_result.units["unit_id"],
            "visit_class": "routine",
            "rank": range(1, len(at) + 1),
            "ranked_by": "score",
            "score": 12.0,
        },
        geometry=at,
        crs=at.crs,
    )
    small, units["area_id"] = areas(units)
    nothing = gpd.GeoDataFrame({"unit_id": []}, geometry=[], crs=at.crs)
    return with_run(
        Assessment(
            units, nothing, nothing, nothing, pd.DataFrame(),
            areas=Areas(small, public_cells(units)),
            visits=Visits(first=first_n_curve(units)),
        ),
        county={"name": "First Day County", "invented": True, "show_units": "us"},
        as_of="2026-04-01",
    )  # fmt: skip


def long_winded(larkmoor_result):
    """Every table longer than a page has room for, and every name too."""
    long = "Very long name of an invented county and of everything in it, " * 2
    owed = larkmoor_result.visits.owed
    one = owed[owed["danger"]].iloc[[0]]
    ids = larkmoor_result.units["unit_id"].head(90)
    many = pd.concat([one.assign(unit_id=u, why=long * 4) for u in ids], ignore_index=True)
    cells = gpd.GeoDataFrame(
        {
            "area_id": [f"{k}" for k in range(60)],
            "name": [f"{k} {long}" for k in range(60)],
            "units": 6, "first_class": 3, "lids_wet": 1, "lids_not_known": 0,
        },
        geometry=[Point(0, 0).buffer(k + 1) for k in range(60)],
        crs=larkmoor_result.units.crs,
    )  # fmt: skip
    units = larkmoor_result.units.assign(
        address=long,
        area_id=[f"{k % 60}" for k in range(len(larkmoor_result.units))],
        must_visit_by=[
            pd.Timestamp(f"{2020 + k % 40}-07-01") for k in range(len(larkmoor_result.units))
        ],
    )
    run = larkmoor_result.run
    tables = [
        {"name": f"{k} {long}", "adopted_by": "" if k else long, "judged_on": "unit"}
        for k in range(9)
    ]
    parts = {
        f"{name}{k}": part | {"label": f"{part['label']} {long}"}
        for name, part in run.parts.items()
        for k in range(2)
    }
    inputs = [row | {"input": f"{row['input']}0"} for row in run.steadiness["inputs"]]
    return with_run(
        with_tables(larkmoor_result, units=units, owed=many, areas=cells),
        county={"name": long, "invented": True, "show_units": "us"},
        setback_tables=tables,
        settings=run.settings | {"programme": COSTS},
        parts=parts,
        steadiness=run.steadiness | {"inputs": [r for r in inputs if r["input"] in parts]},
    )


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_the_staff_report_is_four_pages_one_to_a_heading(printed, larkmoor_result, paper):
    pages = printed(report_page(larkmoor_result), paper)
    assert len(pages) == 4
    heads = ("1. Decisions", "2. Evidence", "3. What is uncertain", "4. Cost and next steps")
    for page, head in zip(pages, heads, strict=True):
        assert head in page


@pytest.mark.parametrize("make", [first_day, long_winded], ids=lambda make: make.__name__)
@pytest.mark.parametrize("audience", ["staff", "public"])
def test_with_nothing_or_too_much_it_is_four_pages_at_most(
    printed, larkmoor_result, make, audience
):
    pages = printed(report_page(make(larkmoor_result), audience))
    assert 1 <= len(pages) <= 4


def test_on_the_first_day_it_says_what_it_cannot_say(larkmoor_result, printed):
    leaves = printed(report_page(first_day(larkmoor_result)))
    assert len(leaves) <= 3
    pages = " ".join(" ".join(leaves).split())
    for said in (
        "the county file sets no visit schedule ([programme])",
        "Cost not calculated",
        "no visit results are on record",
        "No setback table is given",
        "the test takes completed visits with results",
        "Set a visit schedule and fund it",
        "Storm water over lids is not calculated",
    ):
        assert said in pages
    assert "nan" not in pages.casefold().replace("inanc", "")


def test_what_is_cut_from_the_front_is_in_the_appendix(larkmoor_result):
    much = long_winded(larkmoor_result)
    front, appendix = report_page(much), appendix_page(much)
    assert "And 85 more, see the appendix." in front
    for unit_id in much.visits.owed["unit_id"]:
        assert f'<th scope="row">{unit_id}<br>' in appendix
    assert sum(name in appendix for name in much.areas.small["name"]) == 60
    assert sum(name in front for name in much.areas.small["name"]) == 7


def test_the_public_report_is_four_pages_at_most(printed, larkmoor_result):
    assert len(printed(report_page(larkmoor_result, "public"))) <= 4


def test_a_county_with_few_units_and_no_map_is_still_a_report(printed, bare):
    few = replace(bare, run=with_run(bare, as_of="2026-04-01").run)
    assert len(printed(report_page(few))) <= 4
