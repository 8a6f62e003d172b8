"""`priorities.toml` as a checked model: what is refused, and what other weights and visits do."""

from importlib.resources import files
from pathlib import Path

import pytest

from layers.errors import CountyFileError
from layers.settings.priority_settings import Priorities, VisitClasses, load_priorities

SHIPPED = Path(str(files("layers.settings.templates") / "priorities.toml"))
AGE = {"label": "x", "unknown": 0.5, "reason": "r", "source": "invented", "weight": 1.0,
       "axis": "likelihood", "column": "age", "unit": "years",
       "curve": [[0, 0], [10, 1]]}  # fmt: skip
WELL = AGE | {"axis": "harm", "column": "well", "unit": "m", "curve": [[10, 1], [110, 0]]}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"weight": 0.7}, "weights of the likelihood parts must sum to 1, not 0.7"),
        ({"curve": [[0, 0], [0, 1]]}, "must increase"),
        ({"curve": [[0, 0], [1, 1.5]]}, "from 0 to 1, not 1.5"),
        ({"curve": []}, "exactly one of 'curve' and 'ratings'"),
        ({"unit": " "}, r"parts\.age\n.*the curve of 'age' needs its 'unit'"),
        ({"reason": " "}, r"parts\.age\.reason\n.*at least 1 character"),
        ({"source": ""}, r"parts\.age\.source\n.*at least 1 character"),
        ({"column": "storm_runoff_minutes"}, "'storm_runoff_minutes' cannot be scored"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(change, says):
    with pytest.raises(ValueError, match=says):
        Priorities.model_validate({"parts": {"age": AGE | change, "well": WELL}})


def test_a_file_without_a_reason_or_a_unit_is_refused_by_the_name_of_its_key(tmp_path):
    text = SHIPPED.read_text("utf-8")
    broken = tmp_path / "priorities.toml"
    for line, says in (
        ('unit = "days"\n', r"parts\.since_visit: the curve of 'days_since_inspection' needs"),
        (
            'reason = "Blowers, pumps, baffles and concrete wear with age."\n',
            r"parts\.age\.reason: ",
        ),
    ):
        assert text.count(line) == 1
        broken.write_text(text.replace(line, ""), "utf-8")
        with pytest.raises(CountyFileError, match=says):
            load_priorities(broken)


def test_no_shipped_part_rates_the_unknown_as_its_best_known_case():
    shipped = load_priorities(SHIPPED)
    for name, part in shipped.parts.items():
        lowest = min(
            rating
            for item in part.inputs
            for rating in [*item.ratings.values(), *(y for _, y in item.curve)]
        )
        assert part.unknown > lowest, name


def test_classes_take_the_visits_of_the_season_unless_they_are_stated():
    assert VisitClasses().for_season(130, 150).sizes(400) == (130, 150)
    assert VisitClasses().for_season(130, 150).sizes(100) == (100, 100)
    assert VisitClasses(first=20).for_season(130, 150).sizes(400) == (20, 150)
    assert VisitClasses(first=20, next=30).for_season(130, 150).sizes(400) == (20, 30)
    assert VisitClasses(first_share=0.1).for_season(130, 150).sizes(400) == (40, 150)
    assert VisitClasses().for_season(None, None) == VisitClasses()
    assert VisitClasses().for_season(0, 130).sizes(400) == (0, 130)


def test_other_weights_leave_the_rest_its_proportions():
    shipped = load_priorities(SHIPPED)
    changed = shipped.with_weights({"well": 0.7})
    harm = {n: p.weight for n, p in changed.parts.items() if p.axis == "harm"}
    assert harm["well"] == 0.7
    assert sum(harm.values()) == pytest.approx(1, abs=1e-12)
    # way to water 0.3, places 0.15 and neighbors 0.15 share 0.3 of 0.6
    assert harm["water"] == pytest.approx(0.15)
    assert harm["place"] == harm["neighbours"] == pytest.approx(0.075)
    likelihood = [p for p in changed.parts.values() if p.axis == "likelihood"]
    assert likelihood == [p for p in shipped.parts.values() if p.axis == "likelihood"]
    assert changed.for_season(9, 7).classes == shipped.for_season(9, 7).classes


@pytest.mark.parametrize(
    ("weights", "says"),
    [
        ({"wells": 0.5}, "there is no part 'wells'; use one of last_result"),
        ({"well": 1.2}, "parts.water.weight|greater than or equal to 0"),
        ({"well": 0.5, "water": 0.1, "place": 0.1, "neighbours": 0.1}, "must sum to 1, not 0.8"),
    ],
)
def test_weights_that_cannot_be_are_refused(weights, says):
    shipped = load_priorities(SHIPPED)
    with pytest.raises(ValueError, match=says):
        shipped.with_weights(weights)
