"""The tests notice small faults: a campaign by lot, and that the campaign itself can fail."""

import ast

import pytest

from support import mutants

LEAST_NOTICED = 0.92


def test_a_fault_is_another_module_that_still_compiles():
    some = mutants.chosen(40, seed=3)
    assert {fault.kind for fault in some} >= {"comparison", "sign", "constant", "arguments"}
    for fault in some:
        source = (mutants.ROOT / fault.module).read_text("utf-8")
        assert ast.dump(ast.parse(fault.text)) != ast.dump(ast.parse(source))
        compile(fault.text, fault.module, "exec")
        assert mutants.tests_of(fault.module)


def test_no_fault_is_planted_in_an_annotation():
    tree = ast.parse(
        "def f(x: int | None = 0) -> float | None:\n    y: int | str = x + 1\n    return y\n"
    )
    nodes = list(ast.walk(tree))
    signs = [nodes[spot.node] for spot in mutants.spots(tree) if spot.kind == "sign"]
    assert [ast.unparse(node) for node in signs] == ["x + 1"]


def test_what_changes_a_result_is_noticed_and_what_changes_none_is_not():
    module = "geo/runoff/peak_flow.py"
    source = (mutants.ROOT / module).read_text("utf-8")
    worse = source.replace("2.55323", "2.57876")
    assert worse != source
    faults = [mutants.Fault(module, 1, "constant", "", text) for text in (worse, source)]
    own = mutants.tests_of(module)[:1]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mutants, "tests_of", lambda _: own)
        bad, good = mutants.campaign(faults)
    assert bad.noticed_by == "tests/geo/runoff/test_peak_flow.py"
    assert good.noticed_by is None


@pytest.mark.long
def test_the_tests_notice_most_faults():
    verdicts = mutants.campaign(mutants.chosen(500, seed=0))
    unseen = [v for v in verdicts if v.noticed_by is None]
    assert len(unseen) <= (1 - LEAST_NOTICED) * len(verdicts), unseen
