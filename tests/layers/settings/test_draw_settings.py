"""Settings of the draws of the terrain's error."""

import pytest
from pydantic import ValidationError

from layers.settings.county_file import CountyFile, StormSection

UNITS = {"units": {"path": "units.csv"}}


def county(**layers):
    return CountyFile.model_validate({"county": {"name": "A"}, "layers": UNITS | layers})


def test_what_may_be_set():
    assert StormSection().draws == 100
    assert StormSection(draws=0).draws == 0
    terrain = county(terrain={"path": "t.tif", "error_range_m": 25}).layers["terrain"]
    assert terrain.error_range_m == 25
    assert county(terrain={"path": "t.tif"}).layers["terrain"].error_range_m is None


@pytest.mark.parametrize("draws", [-1, 20_000, 1.5])
def test_draws_that_cannot_be(draws):
    with pytest.raises(ValidationError, match="draws"):
        StormSection(draws=draws)


def test_only_the_terrain_has_an_error_range():
    with pytest.raises(ValidationError, match=r"layers\.streams\.error_range_m: use it only in"):
        county(streams={"path": "s.gpkg", "error_range_m": 5})
    with pytest.raises(ValidationError, match="error_range_m"):
        county(terrain={"path": "t.tif", "error_range_m": -1})
