"""A small made-up county on disk, that each test spoils in its own way."""

import pytest
from affine import Affine

from support.made_layers import (
    ORIGIN,
    UTM16,
    CountyFolder,
    flat_terrain,
    found,
    lonlat_table,
    outlet_rows,
    parcel_rows,
    unit_rows,
)


@pytest.fixture
def folder(tmp_path):
    return CountyFolder(tmp_path)


@pytest.fixture
def rows():
    """The makers of well-formed rows, and `found`."""
    return _Rows


class _Rows:
    units = staticmethod(unit_rows)
    outlets = staticmethod(outlet_rows)
    parcels = staticmethod(parcel_rows)
    lonlat = staticmethod(lonlat_table)
    terrain = staticmethod(flat_terrain)
    found = staticmethod(found)
    folder = CountyFolder
    affine = Affine
    crs = UTM16
    origin = ORIGIN
