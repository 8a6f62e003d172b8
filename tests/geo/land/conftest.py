import pytest

import geo
import layers
from support.changes import sedgewater


@pytest.fixture(scope="package")
def county(tmp_path_factory):
    return layers.read_county(sedgewater().write(tmp_path_factory.mktemp("land") / "county"))


@pytest.fixture(scope="package")
def measured(county):
    return geo.measure(county, draws=0)
