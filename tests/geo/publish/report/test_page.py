"""The report and its appendix: whole pages, what is missing said in words, and who sees what."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest

from geo.publish import appendix_page, report_page
from geo.publish.report.appendix import unit_list
from geo.publish.report.method import input_label
from geo.publish.report.public import public_contents
from geo.results import cautions
from layers import store
from support.assessments import with_run, with_tables

PAGES = {
    "staff": report_page,
    "appendix": appendix_page,
    "public": lambda assessment: report_page(assessment, "public"),
}
HOSTILE = "<script>alert('x')</script> {{ 7 * 7 }} </style>"
DOES_NOT_MATTER = {"meta", "link", "br"}


class Outline(HTMLParser):
    """Headings, tables and ids of a page, and whether every element is closed."""

    def __init__(self, text):
        super().__init__()
        self.headings, self.tags, self.ids, self.open, self.text = [], [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.ids += [v for k, v in attrs if k == "id"]
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in DOES_NOT_MATTER:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)


def wording(page):
    return " ".join("".join(Outline(page).text).split())


@pytest.fixture(scope="module")
def staff(larkmoor_result):
    return report_page(larkmoor_result)


@pytest.fixture(scope="module")
def appendix(larkmoor_result):
    return appendix_page(larkmoor_result)


@pytest.fixture(scope="module")
def public(larkmoor_result):
    return report_page(larkmoor_result, "public")


def test_what_is_missing_is_said_and_never_a_nought(bare):
    page = wording(appendix_page(bare))
    assert "Not calculated: it takes a terrain raster and the depths of rain" in page
    assert "Rank ranges are not calculated" in page
    assert "Not calculated: the test takes completed visits" in page
    front = wording(report_page(bare))
    assert "0 units" not in front
    assert "0 wells" not in front
    assert not re.search(r"\b0 of\b", front)


def test_sections_come_with_their_tables(appendix, larkmoor_result):
    page = wording(appendix)
    for sentence in (
        *larkmoor_result.run.steadiness["first_class"]["sentences"],
        *larkmoor_result.run.steadiness["missing_records"]["sentences"],
        *larkmoor_result.run.replay["sentences"],
        *larkmoor_result.run.learned["sentences"],
        *larkmoor_result.run.notes,
    ):
        assert " ".join(sentence.split()) in page
    without = with_tables(
        with_run(larkmoor_result, learned={}, replay={}),
        units=larkmoor_result.units.drop(columns=["rank_low", "rank_high"]),
        replay=pd.DataFrame(),
    )
    page = wording(appendix_page(without))
    assert "Rank ranges are not calculated" in page
    assert "Not calculated: the test takes completed visits" in page
    assert "Not used: it takes enough completed visits" in page


def test_the_list_shows_units_in_their_order_with_ranges_and_what_is_due(larkmoor_result):
    listed = unit_list(larkmoor_result.units)
    first = larkmoor_result.units.sort_values("rank").head(len(listed))
    assert [row["unit"] for row in listed] == first["unit_id"].tolist()
    assert len(listed) == (larkmoor_result.units["visit_class"] == "first").sum()
    for row, unit in zip(listed, first.to_dict("records"), strict=True):
        assert bool(row["due"]) == bool(unit["why_due"])
        if unit["rank_low"] != unit["rank_high"]:
            assert row["range"] == f"{unit['rank_low']:.0f} to {unit['rank_high']:.0f}"
    assert any(row["due"] for row in listed)
    assert any(row["range"] for row in listed)


def test_ranges_are_spoken_of_only_where_the_list_shows_one(larkmoor_result, appendix):
    units = larkmoor_result.units
    assert "Under a rank is its range" in wording(appendix)
    assert "A rank without a range is that of a visit due." in wording(appendix)
    due = units[units["ranked_by"] == "owed"].head(25)
    assert "Under a rank is its range" not in wording(
        appendix_page(replace(larkmoor_result, units=due))
    )


def test_parts_on_common_practice_alone_are_named(appendix, larkmoor_result):
    alone = [
        part["label"]
        for part in larkmoor_result.run.parts.values()
        if part["source"].startswith("common practice")
    ]
    assert alone
    assert ", ".join(alone) in wording(appendix)


def test_every_input_of_the_example_method_has_words_of_its_own(larkmoor_result):
    for part in larkmoor_result.run.parts.values():
        for item in part["of"] or [part]:
            assert input_label(item["column"]) != item["column"].replace("_", " ")


def test_inputs_stand_with_their_hashes(appendix, larkmoor_result):
    for name, digest in larkmoor_result.run.inputs.items():
        assert name in appendix
        assert digest in appendix


# ------------------------------------------------------------------------------------ the page


@pytest.mark.parametrize("name", PAGES)
def test_the_page_is_whole_and_asks_for_nothing(larkmoor_result, name):
    page = PAGES[name](larkmoor_result)
    outline = Outline(page)
    assert outline.open == []
    assert not {"script", "img", "iframe", "form", "object"} & {tag for tag, _ in outline.tags}
    assert re.search(r"default-src &#39;none&#39;|default-src 'none'", page)
    assert not re.search(r"(src|href)=\"(?!data:,|#)", page)
    assert not any("style" in attrs or "onclick" in attrs for _, attrs in outline.tags)
    assert "http://" not in page.replace("http://example.invalid", "")  # hostile, as text
    assert "https://" not in page


@pytest.mark.parametrize("name", PAGES)
def test_headings_descend_by_one_and_ids_are_single(larkmoor_result, name):
    outline = Outline(PAGES[name](larkmoor_result))
    assert outline.headings[0] == 1
    assert outline.headings.count(1) == 1
    for before, after in zip(outline.headings, outline.headings[1:], strict=False):
        assert after <= before + 1
    assert len(set(outline.ids)) == len(outline.ids)


def test_every_table_has_heads_for_its_columns_and_rows(staff, appendix):
    outline = Outline(staff + appendix)
    tables = sum(tag == "table" for tag, _ in outline.tags)
    heads = [attrs.get("scope") for tag, attrs in outline.tags if tag == "th"]
    assert tables > 8
    assert set(heads) == {"col", "row"}


@pytest.mark.parametrize("name", PAGES)
def test_hostile_text_stays_text(assessment, name):
    units = assessment.units.copy()
    for column in ("unit_id", "address", "reasons", "data_gaps"):
        units[column] = [f"{HOSTILE} {i}" for i in range(len(units))]
    problems = assessment.problems.assign(message=HOSTILE, layer=HOSTILE, code=HOSTILE)
    parts = {
        name: part | {"label": HOSTILE, "source": HOSTILE, "reason": HOSTILE}
        for name, part in assessment.run.parts.items()
    }
    hostile = with_run(
        replace(assessment, units=units, problems=problems),
        county={"name": HOSTILE},
        parts=parts,
        notes=[HOSTILE],
        inputs={HOSTILE: HOSTILE},
        settings={HOSTILE: {HOSTILE: HOSTILE}},
    )
    page = PAGES[name](hostile)
    assert Outline(page).open == []
    assert "<script" not in page
    assert "{{ 7 * 7 }}" in page
    assert page.count("</style>") == 1


def test_characters_no_file_can_hold_do_not_stop_the_report(assessment):
    address = pd.Series("\ud800\x00 road", assessment.units.index, dtype=object)
    units = assessment.units.assign(address=address)
    appendix_page(replace(assessment, units=units)).encode("utf-8")
    county = with_run(assessment, county={"name": "\ud800 County"})
    report_page(county).encode("utf-8")


def test_equal_input_gives_equal_bytes_also_from_the_folder(
    larkmoor_result, staff, appendix, tmp_path
):
    larkmoor_result.write(tmp_path / "out")
    again = store.read_assessment(tmp_path / "out")
    assert report_page(larkmoor_result) == staff
    assert report_page(again) == staff
    assert appendix_page(again) == appendix
    assert report_page(again, "public") == report_page(larkmoor_result, "public")


def test_another_audience_is_refused(assessment):
    with pytest.raises(ValueError, match="audience 'press' is not one of staff, public"):
        report_page(assessment, "press")


# --------------------------------------------------------------------------- the public edition


def household_facts(result):
    """Every text of a household that stands in any table of the assessment."""
    tables = [
        result.units, result.discharge_points, result.flow_paths, result.setback_checks,
        result.trust.worth_a_fix, result.trust.worth_knowing, result.visits.owed, result.problems,
        *(result.context[name] for name in ("wells", "parcels")),
    ]  # fmt: skip
    columns = (
        "unit_id", "discharge_point_id", "well_id", "lid_well_id", "parcel_id", "permit_id",
        "address", "id", "feature_id", "source_id", "reasons", "why_due", "data_gaps", "why",
        "variance_id", "path_end_id", "message",
    )  # fmt: skip
    shown = set()
    for table in tables:
        for name in columns:
            if name in table:
                shown |= {str(v) for v in table[name].dropna()}
    return {text for text in shown if len(text) > 1}


def test_nothing_of_any_household_is_in_the_public_edition(public, larkmoor_result):
    facts = household_facts(larkmoor_result)
    assert len(facts) > 3000
    words = set(re.findall(r"[\w-]+", public))
    page = wording(public)
    for fact in facts:
        if re.fullmatch(r"[\w-]+", fact):
            assert fact not in words, fact
        else:
            assert fact not in page, fact
            assert fact not in public, fact


def test_no_coordinate_is_in_the_public_edition(public, larkmoor_result):
    numbers = set(re.findall(r"\d+(?:\.\d+)?", public))
    units = larkmoor_result.units
    for system, decimals in ((units.crs, 0), ("EPSG:3857", 0), ("EPSG:4326", 3)):
        places = units.to_crs(system).geometry
        for value in (*places.x, *places.y):
            for n in range(decimals, decimals + 5):
                assert f"{abs(value):.{n}f}" not in numbers


def test_no_finding_is_in_the_public_edition(public):
    shown = wording(public)
    table = shown[shown.index("Summary") : shown.index("How the score")]
    assert not re.search(r"danger|repair(?!ed)|complain|overdue|owes", table)


def test_the_public_edition_counts_no_few(larkmoor_result):
    shown = public_contents(larkmoor_result)
    counts = [n for _, n in shown["classes"]]
    assert abs(sum(counts) - len(larkmoor_result.units)) <= 6  # three rounded to fives
    assert all(n >= shown["least"] for n in counts)
    assert shown["areas"]
    for _, n, soon in shown["areas"]:
        assert soon >= 10
        assert n - soon >= 10  # 11 rounded to fives


def test_a_small_county_shows_no_count_at_all(larkmoor_result):
    few = replace(larkmoor_result, units=larkmoor_result.units.head(8))
    page = wording(report_page(few, "public"))
    assert "No counts are shown: fewer than 11 units are on record." in page


def test_squares_are_positions_and_are_not_shown(assessment):
    assert assessment.units["area_id"].notna().any()
    assert public_contents(assessment)["areas"] == []


def test_numbers_are_not_sentinels(staff, appendix):
    page = wording(staff + appendix)
    assert not re.search(r"\bnan\b|\bNone\b(?! on record)|<NA>|\bNaT\b|\binf\b", page)


def test_faults_the_office_accepts_are_counted_and_clear_nothing(larkmoor_result, appendix):
    accepted = larkmoor_result.problems["accepted_until"].notna()
    assert accepted.sum() > 5
    text = wording(appendix)
    assert f"Faults accepted by the office and found: {accepted.sum()}." in text
    assert "code unheard: wells, use (ARTESIAN)" in text
    assert "the invented office" in text
    bare = with_run(larkmoor_result, settings={})
    assert "Faults accepted" not in wording(appendix_page(bare))


@pytest.mark.parametrize("name", PAGES)
def test_each_caution_stands_once_on_a_page(larkmoor_result, name):
    page = wording(PAGES[name](larkmoor_result))
    wanted = {
        "staff": ("SCREENING", "STAFF_ONLY", "MEASURE_FIRST", "VISITED_ONLY", "NO_SOURCE",
                  "RAIN_ONLY", "TANK_SHORT"),
        "appendix": ("SCREENING", "STAFF_ONLY", "MEASURE_FIRST", "VISITED_ONLY", "NO_SOURCE",
                     "RAIN_ONLY", "TANK_SHORT", "NOT_A_FORECAST", "NONE_ON_RECORD", "NOT_NEVER",
                     "PLACES_TO_LOOK"),
        "public": ("SCREENING", "HIGH_RANK", "RAIN_ONLY", "NO_SOURCE", "NONE_ON_RECORD",
                   "TANK_SHORT"),
    }[name]  # fmt: skip
    for caution in wanted:
        assert page.count(getattr(cautions, caution)) == 1, caution


def test_a_score_that_puts_no_unit_first_leaves_no_line_to_be_sure_of(assessment):
    first = {"first_by_score": 0, "in_doubt": 0}
    without = with_run(assessment, steadiness={"first_class": first})
    page = report_page(without)
    assert "The score puts no unit in it." in page
    assert "either side of the visit-first line" not in page
