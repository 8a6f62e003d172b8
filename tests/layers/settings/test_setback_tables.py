"""`setbacks.toml` as a checked model: tables that cannot be meant."""

import pytest

from layers.settings.setback_tables import Setbacks


def rule(**changes):
    base = {"id": "r", "part": "unit", "feature": "wells", "distance": 50, "unit": "ft"}
    return base | {"source": "invented"} | changes


@pytest.mark.parametrize(
    ("tables", "says"),
    [
        ([{"name": "a", "inherits": "b", "rules": []}], "inherits 'b', which does not exist"),
        (
            [{"name": "a", "inherits": "b"}, {"name": "b", "inherits": "a"}],
            "inherits itself through",
        ),
        ([{"name": "a", "rules": [rule(), rule()]}], "rule id 'r' is used twice"),
        ([{"name": "a", "rules": [rule(source="")]}], "source"),
        ([{"name": "a", "rules": [rule(unit="yards")]}], "unit"),
    ],
)
def test_tables_that_cannot_be_meant_are_refused(tables, says):
    with pytest.raises(ValueError, match=says):
        Setbacks.model_validate({"tables": tables})
