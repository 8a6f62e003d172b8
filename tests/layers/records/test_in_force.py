"""What counts: one content an id, withdrawals in any order, holds that nothing gets around."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.records.in_force import in_force
from layers.records.model import content_hash

LID = [{"item": "lid", "severity": "danger"}]


def ids(force):
    return [record.record_id for record in force.records]


def test_the_graver_of_two_contents_governs_until_one_is_withdrawn_by_its_content(a_visit, word):
    fine, danger = a_visit(1, result="good"), a_visit(1, findings=LID)
    for some in itertools.permutations([fine, danger, fine]):
        force = in_force(some)
        assert force.records == (danger,)
        (dispute,) = force.disputed
        assert {one.record for one in dispute.contents} == {fine, danger}
        assert dispute.governs == content_hash(danger)
    away = word("withdrawal", "w", of="r0001", content=content_hash(danger), reason="never made")
    settled = in_force([danger, away, fine])
    assert settled.records == (fine, away)
    assert settled.disputed == ()
    assert settled.withdrawn == ((danger, away),)


def test_a_withdrawal_that_names_no_content_hides_no_second_one(a_visit, word):
    before, after = a_visit(1, result="good"), a_visit(1, findings=LID)
    bare = word("withdrawal", "w", of="r0001", reason="wrong unit")
    assert in_force([before, bare]).records == (bare,)
    force = in_force([before, bare, after])
    assert after in force.records
    assert [why for _, why in force.loose] == [
        "the id r0001 has several contents, and it does not say which one"
    ]


@pytest.mark.parametrize("length", range(1, 7))
def test_a_chain_of_withdrawals_is_heard_from_its_end(length, a_visit, word):
    chain = [a_visit(1), word("withdrawal", "w1", of="r0001", reason="x")]
    chain += [word("withdrawal", f"w{n}", of=f"w{n - 1}", reason="x") for n in range(2, length + 1)]
    for some in (chain, chain[::-1]):
        counts = set(ids(in_force(some)))
        assert ("r0001" in counts) == (length % 2 == 0)


def test_withdrawals_in_a_circle_take_nothing_away(a_visit, word):
    circle = [word("withdrawal", a, of=b, reason="x") for a, b in ("ab", "bc", "ca")]
    force = in_force([a_visit(1), *circle])
    assert ids(force) == ["r0001", "a", "b", "c"]
    assert len(force.loose) == 3


def test_words_under_one_id_that_do_not_do_the_same_do_nothing(a_visit, word):
    first, second = a_visit(1), a_visit(2)
    one = word("withdrawal", "w", of="r0001", reason="x")
    other = word("withdrawal", "w", of="r0002", reason="x")
    assert {"r0001", "r0002"} <= set(ids(in_force([first, second, one, other])))
    reworded = word("withdrawal", "w", of="r0001", reason="y")
    assert ids(in_force([first, second, one, reworded])) == ["r0002", "w"]
    early = word("extension", "e", of="r0001/1", until="2026-06-01", reason="x")
    late = word("extension", "e", of="r0001/1", until="2036-06-01", reason="x")
    assert early in in_force([first, early, late]).records


def test_a_lift_ends_its_hold_and_a_withdrawn_lift_does_not(a_visit, word):
    hold = word("hold", "h", unit_id="00001", reason="appeal")
    lift = word("hold_lifted", "l", of="h", reason="settled")
    back = word("withdrawal", "w", of="l", reason="not settled")
    again = word("withdrawal", "x", of="w", reason="settled after all")
    for some, stands in (([hold], 1), ([hold, lift], 0), ([hold, lift, back], 1),
                         ([hold, lift, back, again], 0)):  # fmt: skip
        for order in itertools.permutations(some):
            assert len(in_force(order).holds) == stands
    assert in_force([a_visit(1), word("hold_lifted", "l", of="r0001", reason="?")]).loose


def test_what_is_said_of_a_disposed_record_is_no_longer_loose(word):
    gone = word("withdrawal", "w", of="r0001", reason="x")
    assert in_force([gone]).loose
    assert in_force([gone], disposed={"r0001"}).loose == ()


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_the_order_in_which_records_come_changes_nothing(a_visit, word, data):
    targets = st.sampled_from(["r0001", "r0002", "h", "w0", "w1", "w2", "l", "?"])
    pool = [a_visit(1), a_visit(1, findings=LID), a_visit(2), word("hold", "h", reason="x")]
    pool += [word("hold_lifted", "l", of="h", reason="x")]
    for n in range(data.draw(st.integers(0, 4))):
        content = data.draw(st.sampled_from(["", *(content_hash(r) for r in pool)]))
        fields = {"of": data.draw(targets), "content": content, "reason": "x"}
        pool.append(word("withdrawal", f"w{n % 3}", **fields))
    first = in_force(pool)
    again = in_force(data.draw(st.permutations(pool)))
    assert (first.records, first.holds, first.disputed, set(first.loose)) == (
        again.records, again.holds, again.disputed, set(again.loose),
    )  # fmt: skip
    # everything is accounted for: it counts, is withdrawn, or is in dispute
    shown = {content_hash(r) for r in first.records}
    shown |= {content_hash(r) for r, _ in first.withdrawn}
    shown |= {one.content for d in first.disputed for one in d.contents}
    assert shown == {content_hash(r) for r in pool}
