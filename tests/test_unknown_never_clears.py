"""What is not known is never shown as fine: a small county changed in every way, compared.

The fixed part tries each column of the schemas once, and single faults, in company; the long part
every blur of every column by itself, hazards, samenesses, rows by lot and pairs. By hand, with a
line for each relation that did not hold:

    python tests/support/changes.py --all --pairs 100 --json FILE
"""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from layers.fields.schemas import SCHEMAS
from support import changes
from support.assessments import with_tables
from support.changes import Change, Step, blur, together

TURNS = 2
BASE = changes.sedgewater()
FAULTS = changes.faults()
HAZARDS = {change.name: change for change in changes.hazards()}
SAME = {change.name: change for change in changes.samenesses(BASE)}
LOST = {step.name: blur(step) for layer in SCHEMAS for step in changes.layer_steps(layer)}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return changes.Campaign(BASE, tmp_path_factory.mktemp("sedgewater"))


def holds(campaign, *tried):
    lines = []
    for change in tried:
        broken = campaign.broken(change)
        if broken:
            lines += ["", change.name, *(f"    {b}" for b in broken)]
    assert not lines, "\n".join(lines)


# ------------------------------------------------------------------------------ the county as it is


def test_the_county_has_every_column_and_shows_all_that_may_fall(campaign):
    seen = campaign.before
    for name, table in BASE.tables.items():
        columns = {column.name for column in SCHEMAS[name].columns}
        assert columns <= set(table.columns), name
        assert set(changes.rows_of(name)) <= set(table[SCHEMAS[name].id]), name
        assert all(table[column].notna().any() for column in columns), name
    assert {*BASE.tables, *BASE.rasters} == set(SCHEMAS)
    assert seen.status == 0
    assert set(seen.verdicts.values()) >= {
        "clear", "short", "uncertain", "none_on_record", "no_rule",
    }  # fmt: skip
    assert {o.obligation for o in seen.owed} == {
        "complaint", "reinspection", "permit", "service", "sampling", "interval",
    }  # fmt: skip
    assert len(seen.dangers) == 3
    for name, dry in changes.DRY.items():
        text = {state for (_, column), state in seen.states.items() if column == name}
        assert dry in text
        assert text - {dry, "unknown"}
    for part, floor in seen.unknown.items():
        ratings = [r for (_, name), r in seen.ratings.items() if name == part]
        assert max(ratings) >= floor, part


def test_no_lid_under_the_base_flood_is_dry(campaign):
    assert campaign.before.floods_m
    assert list(changes.wet_by_flood(campaign.before)) == []


def test_a_feature_beyond_the_search_counts_where_its_rule_reaches_it(campaign):
    assert list(changes.near_far_intake(campaign.before)) == []


# ------------------------------------------------------------------ what is planted is found


def altered(campaign, table, change):
    frame = change(campaign.result.tables[table].copy())
    result = with_tables(campaign.result, **{table: frame})
    return changes.look(result, campaign.parts, campaign.before)


def relations(found):
    return {(b.relation, b.unit, b.before, b.after) for b in found}


def test_nothing_is_found_where_nothing_changed(campaign):
    again = changes.look(campaign.result, campaign.parts, campaign.before)
    assert list(changes.held_after_blur(campaign.before, again, [])) == []
    assert list(changes.falls(campaign.before, again)) == []
    assert list(changes.differences(campaign.before, again)) == []
    assert not changes.fell(campaign.before, again)


@pytest.mark.parametrize("fine", changes.FINE)
def test_a_verdict_cleared_by_hand_is_found(campaign, fine):
    def clear(checks):
        rows = (checks["unit_id"] == "U06") & (checks["rule_id"] == "tank-well")
        assert (checks.loc[rows, "verdict"] == "short").any()
        checks.loc[rows, "verdict"] = fine
        return checks

    after = altered(campaign, "setback_checks", clear)
    wanted = ("verdict", "U06", "short", fine)
    assert relations(changes.verdicts_cleared(campaign.before, after)) == {wanted}
    assert ("falls", "U06", "short", fine) in relations(changes.falls(campaign.before, after))
    assert ("differs", "U06", "short", fine) in relations(
        changes.differences(campaign.before, after)
    )
    key = ("U06", "tank-well", "tank")
    assert relations(changes.not_raised(campaign.before, after, [key])) == {
        ("raised", "U06", "a hazard within it", fine)
    }


@pytest.mark.parametrize("open_word", ["uncertain", "not_known"])
def test_a_verdict_that_becomes_open_is_no_fault_of_a_blur(campaign, open_word):
    verdicts = dict.fromkeys(campaign.before.verdicts, open_word)
    after = dataclasses.replace(campaign.before, verdicts=verdicts)
    assert list(changes.verdicts_cleared(campaign.before, after)) == []
    assert list(changes.verdicts_gone(campaign.before, after)) == []


def test_a_verdict_taken_out_by_hand_is_found(campaign):
    def drop(checks):
        return checks[~((checks["unit_id"] == "U06") & (checks["rule_id"] == "tank-well"))]

    after = altered(campaign, "setback_checks", drop)
    assert relations(changes.verdicts_gone(campaign.before, after)) == {
        ("verdict gone", "U06", "short", "no row")
    }


def test_a_rating_below_its_unknown_is_found(campaign):
    def good(units):
        units.loc[units["unit_id"] == "U03", "last_result"] = "good"
        return units

    after = altered(campaign, "units", good)
    assert relations(changes.ratings_below_unknown(campaign.before, after)) == {
        ("rating", "U03", "1.00", "0.10")
    }

    def unknown(units):
        units.loc[units["unit_id"] == "U03", "last_result"] = "unknown"
        return units

    at_floor = altered(campaign, "units", unknown)
    assert list(changes.ratings_below_unknown(campaign.before, at_floor)) == []


def test_an_obligation_lost_or_later_is_found(campaign):
    before = campaign.before

    def without(owed):
        return owed[~((owed["unit_id"] == "U11") & (owed["obligation"] == "complaint"))]

    gone = altered(campaign, "owed", without)
    lost = {("obligation", "U11", "due 2026-03-09", "no row")}
    assert relations(changes.obligations_lost(before, gone)) == lost
    assert list(changes.obligations_lost(before, gone, lost=["complaints"])) == []

    def later(owed):
        rows = (owed["unit_id"] == "U46") & (owed["obligation"] == "interval")
        owed.loc[rows, "due"] += dt.timedelta(days=900)
        return owed

    moved = altered(campaign, "owed", later)
    assert {b.unit for b in changes.obligations_lost(before, moved)} == {"U46"}

    def now(owed):
        owed["due"] = owed["due"].clip(lower=changes.AS_OF.isoformat())
        return owed

    assert list(changes.obligations_lost(before, altered(campaign, "owed", now))) == []


def test_an_obligation_may_wait_for_its_day_but_a_complaint_may_not(campaign):
    def undated(owed):
        owed["due"] = owed["due"].where(owed["unit_id"] != "U11")
        return owed

    after = altered(campaign, "owed", undated)
    found = list(changes.obligations_lost(campaign.before, after))
    assert {(b.unit, b.what, b.after) for b in found} == {("U11", "complaint", "no day")}
    assert len([o for o in campaign.before.owed if o.unit == "U11"]) > 1


def test_an_obligation_nobody_can_place_is_kept_by_its_row(campaign):
    def misplaced(owed):
        owed.loc[owed["unit_id"] == "U03", "unit_id"] = "nobody"
        return owed

    after = altered(campaign, "owed", misplaced)
    assert list(changes.obligations_lost(campaign.before, after)) == []


def test_a_danger_closed_by_hand_is_found(campaign):
    def closed(units):
        units.loc[units["unit_id"] == "U03", "danger_open"] = False
        return units

    def without(owed):
        return owed[~owed["danger"]]

    after = altered(campaign, "units", closed)
    assert list(changes.dangers_closed(campaign.before, after)) == []  # its row asks for a visit
    after = dataclasses.replace(after, owed=altered(campaign, "owed", without).owed)
    assert relations(changes.dangers_closed(campaign.before, after)) == {
        ("danger", "U03", "True", "False")
    }


@pytest.mark.parametrize(
    ("column", "unit"),
    [("lid_wet_state", "U03"), ("outlet_wet_state", "U13"), ("lid_swale_state", "U12")],
)
def test_a_state_dried_by_hand_is_found(campaign, column, unit):
    def dry(units):
        units.loc[units["unit_id"] == unit, column] = changes.DRY[column]
        return units

    after = altered(campaign, "units", dry)
    found = list(changes.states_dried(campaign.before, after))
    assert [(b.unit, b.what) for b in found] == [(unit, column)]
    assert unit in {b.unit for b in changes.falls(campaign.before, after)}


def test_a_state_that_was_not_told_may_not_become_dry(campaign):
    states = {k: v for k, v in campaign.before.states.items() if k != ("U17", "lid_wet_state")}
    before = dataclasses.replace(campaign.before, states=states)
    assert [b.before for b in changes.states_dried(before, campaign.before)] == ["not told"]


def test_a_lower_score_and_another_rank_are_found(campaign):
    def changed(units):
        units["score"] = units["score"] - 0.5 * (units["unit_id"] == "U44")
        units["rank"] = units["rank"].iloc[::-1].to_numpy()
        return units

    after = altered(campaign, "units", changed)
    assert {(b.unit, b.what) for b in changes.falls(campaign.before, after)} == {("U44", "score")}
    assert {b.what for b in changes.differences(campaign.before, after)} == {"rank"}


def test_what_is_owed_besides_is_a_difference(campaign):
    owed = campaign.before.owed
    more = dataclasses.replace(owed[0], unit="U40")
    for after, words in ((owed[1:], ("owed", "not so")), ((*owed, more), ("not so", "owed"))):
        after = dataclasses.replace(campaign.before, owed=after)
        found = list(changes.differences(campaign.before, after))
        assert [(b.before, b.after) for b in found] == [words]


def test_a_change_without_a_trace_is_found(campaign):
    before = campaign.before
    step = Step("wells", "use", "blank", lambda place: place)
    assert [b.relation for b in changes.untraced(before, before, step)] == ["trace"]
    fault = ("wells", "code_unknown", 3, "use is blank")
    elsewhere = ("streams", "code_unknown", 3, "permanence is blank")
    shown = {
        "problems": (before.problems | {fault}, before.problems | {elsewhere}),
        "gaps": (before.gaps | {("U03", "Wells: use not known")}, before.gaps),
        "notes": (before.notes | {"In the wells layer a use is blank."}, before.notes),
    }
    for name, (enough, too_little) in shown.items():
        after = dataclasses.replace(before, **{name: enough})
        assert list(changes.untraced(before, after, step)) == []
        after = dataclasses.replace(before, **{name: too_little})
        assert list(changes.untraced(before, after, step))
    assert changes.without_digits("12 wells") == changes.without_digits("13 wells")


def test_a_status_of_nothing_wrong_is_found(campaign):
    step = Step("wells", "", "file gone", lambda place: place, trace="never", status=True)
    for status, found in ((0, ["status"]), (1, []), (2, [])):
        after = dataclasses.replace(campaign.before, status=status)
        held = changes.held_after_blur(campaign.before, after, [step])
        assert [b.relation for b in held] == found


def test_a_relaxation_that_still_holds_is_found(campaign):
    key = ("U42", "tank-well", "tank")
    step = Step("variances", "granted", "blank", lambda place: place, rows="A2")
    assert campaign.before.verdicts[key] == "clear"
    without = dataclasses.replace(
        campaign.before, verdicts={**campaign.before.verdicts, key: "short"}
    )
    found = changes.in_force_unknown(campaign.before, campaign.before, without, [step])
    assert relations(found) == {("relaxed", "U42", "short", "clear")}
    assert not list(changes.in_force_unknown(campaign.before, without, without, [step]))
    more = dataclasses.replace(campaign.before.owed[0], unit="U40", obligation="reinspection")
    without = dataclasses.replace(campaign.before, owed=(*campaign.before.owed, more))
    found = changes.in_force_unknown(campaign.before, campaign.before, without, [step])
    assert {b.relation for b in found} == {"relaxed"}
    assert not list(changes.in_force_unknown(campaign.before, without, without, [step]))


def test_a_unit_renamed_is_known_by_its_place(campaign):
    places = dict(campaign.before.places)
    places["U06-2"] = places.pop("U06")
    names = changes.same_units(places, campaign.before.places)
    assert names["U06-2"] == "U06"
    assert names["U07"] == "U07"
    # one that was moved keeps its own id
    places["U07"] = (changes.X, changes.Y)
    assert changes.same_units(places, campaign.before.places)["U07"] == "U07"


def test_a_refusal_and_a_crash_are_found(campaign, monkeypatch):
    def crash(_):
        raise ZeroDivisionError

    nothing = Step("wells", "", "nothing", lambda place: place, trace="never")
    with monkeypatch.context() as patch:
        patch.setattr(changes, "assess", crash)
        (found,) = campaign.broken(blur(nothing))
    assert (found.relation, found.after) == ("refused", "crash: ZeroDivisionError: ")
    gone = lambda place: dataclasses.replace(place, lost=frozenset({"units"}))  # noqa: E731
    step = Step("units", "", "file gone", gone)
    (found,) = campaign.broken(blur(step))
    assert (found.relation, found.after[:8]) == ("refused", "refused:")
    assert campaign.broken(blur(dataclasses.replace(step, may_refuse=True))) == []


def test_a_violation_in_a_file_is_found_and_told(campaign):
    """A well whose use nobody wrote down is one more thing not known; one moved away is not."""

    def away(place):
        return place.with_table("wells", place.tables["wells"].iloc[3:4].reset_index(drop=True))

    change = Change("hazard", (Step("wells", "", "wells taken away", away, trace="never"),))
    found = campaign.broken(change)
    assert {("U06", "tank-well (tank)")} <= {(b.unit, b.what) for b in found}
    (line,) = changes.shown(change, found)
    assert line.startswith("hazard | wells: wells taken away | falls: ")
    shown = changes.summary(
        [{"kind": "hazard", "change": change.name, "broken": [vars(b) for b in found]}]
    )
    assert shown.splitlines()[0] == "1 changes tried, 1 broke a relation"


def test_what_is_exempt_is_little_and_has_a_reason():
    assert len(changes.EXEMPT) <= 10
    steps = [step for change in changes.all_changes(BASE) for step in change.steps]
    for exempt in changes.EXEMPT:
        assert len(exempt.reason) > 50
        assert any(exempt.meant(step) for step in steps), exempt.reason
    assert not any(e.meant(FAULTS["variance_ahead"].steps[0]) for e in changes.EXEMPT)


def test_every_blur_is_in_one_company():
    every = changes.all_changes(BASE)
    companies = changes.in_company(every)
    assert sorted(c.name for company in companies for c in company) == sorted(c.name for c in every)
    for company in companies:
        layers = [layer for c in company for layer in {s.layer for s in c.steps}]
        assert len(company) == 1 or len(layers) == len(set(layers))


def test_blurs_come_from_the_schemas():
    tried = {(s.layer, s.column) for change in changes.blurs(BASE) for s in change.steps}
    assert tried >= {(name, c.name) for name, schema in SCHEMAS.items() for c in schema.columns}
    in_turns = [changes.a_blur_per_column(BASE, turn, TURNS) for turn in range(TURNS)]
    once = [(s.layer, s.column) for change in in_turns for s in change.steps]
    assert sorted(once) == sorted(
        (name, c.name) for name in BASE.tables for c in SCHEMAS[name].columns
    )


def same(one, other):
    tables = all(table.equals(other.tables[name]) for name, table in one.tables.items())
    rasters = all(
        np.array_equal(grid.values, other.rasters[name].values, equal_nan=True)
        for name, grid in one.rasters.items()
        if grid.shape == other.rasters[name].shape
    ) and all(g.shape == other.rasters[name].shape for name, g in one.rasters.items())
    words = ("files", "sections", "texts", "damaged", "lost")
    return tables and rasters and all(getattr(one, w) == getattr(other, w) for w in words)


def test_every_change_changes_something():
    assert same(BASE, changes.sedgewater())
    every = [*changes.all_changes(BASE), *changes.at_random(BASE, 50, 4)]
    for step in (step for change in every for step in change.steps):
        assert not same(BASE, step.apply(BASE)), step.name
    assert len({change.name for change in every}) > len(every) - 5


# ------------------------------------------------------------------------------ the fixed part


@pytest.mark.parametrize("turn", range(TURNS))
def test_a_blur_of_each_column(campaign, turn):
    holds(campaign, changes.a_blur_per_column(BASE, turn, TURNS))


def column(layer, name, what, rows):
    steps = changes.column_steps(BASE, layer, SCHEMAS[layer].column(name))
    return blur(next(s for s in steps if (s.what, s.rows) == (what, rows)))


IN_COMPANY = {
    "relaxations not known": [
        FAULTS["variance_unread"], FAULTS["tape_tenfold"], FAULTS["doubtful_visit"],
        FAULTS["zones_minimal_first"], FAULTS["terrain_no_accuracy"],
    ],
    "relaxations ahead": [
        FAULTS["variance_ahead"], FAULTS["tape_without_feature"], FAULTS["later_visit_ahead"],
        FAULTS["zone_compound"], FAULTS["terrain_edge"], FAULTS["permit_blank"],
    ],
    "two rows that compete": [
        FAULTS["variance_second"], FAULTS["good_same_day"], FAULTS["permit_says_nothing"],
        FAULTS["zones_no_level"], FAULTS["lots_overlap"], FAULTS["terrain_holes"],
    ],
    "words nobody knows": [
        FAULTS["danger_partly"], FAULTS["zone_d"], FAULTS["storm_smallest"],
        column("complaints", "date", "in the future", "M1"),
        column("units", "kind", "unknown", "all rows"),
        column("wells", "use", "blank", "all rows"),
    ],
    "ids": [
        column("wells", "well_id", "id of another row", "W02"),
        column("protected_places", "place_id", "id of another row", "Q4"),
        column("inspections", "unit_id", "misspelt", "I02"),
        column("complaints", "complaint_id", "blank", "M1"),
        column("units", "unit_id", "id of another row", "U17"),
        FAULTS["terrain_holes_outlets"],
    ],
    "columns": [
        column("inspections", "outcome", "column dropped", ""),
        column("streams", "permanence", "column renamed", ""),
        column("floodplain", "zone", "column renamed", ""),
        column("permits", "issued", "column dropped", ""),
    ],
    "layers": [
        LOST["terrain: not given"], LOST["floodplain: not given"], LOST["wells: file gone"],
        LOST["streams: not given"],
    ],
}  # fmt: skip


@pytest.mark.parametrize("company", IN_COMPANY)
def test_what_broke(campaign, company):
    holds(campaign, together(*IN_COMPANY[company]))


HAZARDS_IN_COMPANY = {
    "more": [
        "wells: thirty more wells", "complaints: a complaint of each unit",
        "inspections: a danger found on the day of each last visit",
        "floodplain: the flood zone made larger", "protected_places: a bathing place nearer",
        "streams: a stream of unknown permanence beside lids",
        "discharge_points: a second outlet nearer the well, later id",
    ],
    "nearer": [
        "wells: a well of unknown use beside each lid",
        "inspections: a danger found by a visit that was partly made",
        "streams: a stream drawn as an outline around lids",
        "discharge_points: a second outlet nearer the well, earlier id",
    ],
}  # fmt: skip


def test_relaxations_of_which_something_is_not_known_have_no_effect(campaign):
    rows = (
        ("variances", "granted", "in the future", "A2"),
        ("taped_distances", "distance_m", "unreadable", "T2"),
        ("inspections", "result", "misspelt", "I06"),
    )
    holds(campaign, together(*(column(*row) for row in rows)))


@pytest.mark.parametrize("company", HAZARDS_IN_COMPANY)
def test_a_hazard_lowers_nothing(campaign, company):
    holds(campaign, together(*(HAZARDS[name] for name in HAZARDS_IN_COMPANY[company])))


@pytest.mark.parametrize(
    "names",
    [
        ("points: as geojson", "lines and areas: as fgb", "tables: as xlsx",
         "all layers: rows turned about", "all layers: columns shuffled"),
        ("points: in the next zone", "all layers: headings in capitals",
         "all layers: lengths in feet", "all layers: rows doubled"),
    ],
    ids=["files", "words"],
)  # fmt: skip
def test_another_way_of_saying_it_changes_nothing(campaign, names):
    holds(campaign, together(*(SAME[name] for name in names)))


# ------------------------------------------------------------------------------ the long part


@pytest.mark.long
@pytest.mark.parametrize("layer", [*SCHEMAS, "storms"])
def test_every_blur_of_a_layer(campaign, layer):
    every = [c for c in changes.blurs(BASE) if {s.layer for s in c.steps} == {layer}]
    assert every
    holds(campaign, *every)


@pytest.mark.long
def test_positions_coarser_in_all_layers(campaign):
    every = [c for c in changes.blurs(BASE) if len({s.layer for s in c.steps}) > 1]
    assert every
    holds(campaign, *every)


@pytest.mark.long
def test_every_hazard(campaign):
    holds(campaign, *HAZARDS.values())


@pytest.mark.long
def test_every_sameness(campaign):
    holds(campaign, *SAME.values())


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2])
def test_rows_by_lot(campaign, seed):
    holds(campaign, *changes.at_random(BASE, 100, seed))


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2])
def test_pairs_by_lot(campaign, seed):
    holds(campaign, *changes.in_pairs(BASE, 60, seed))
