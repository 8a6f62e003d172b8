"""Classes of the National Land Cover Database.

The legend: "National Land Cover Database Class Legend and Description" of the Multi-Resolution
Land Characteristics consortium.
"""

import re

import numpy as np
import pytest

from layers.grid import Grid
from layers.public.land_cover import CLASSES, describe_unknown, unknown_classes

LEGEND = [11, 12, 21, 22, 23, 24, 31, 41, 42, 43, 52, 71, 81, 82, 90, 95]  # the sixteen classes


def grid(rows, values):
    terrain = rows.terrain()
    full = np.resize(np.array(values, np.uint8), terrain.shape)
    return Grid(full, terrain.transform, terrain.crs)


def test_every_class_of_the_legend_is_known(rows):
    assert set(LEGEND) < set(CLASSES)
    assert unknown_classes(grid(rows, [*LEGEND, 0, 127, 250, 255]))[0] == {}


def test_codes_that_are_none_are_reported(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    folder.add("land_cover", grid(rows, [41, 41, 7, 200]), "c.tif")
    county = folder.read()
    (problem,) = county.problems.query("layer == 'land_cover'").itertuples()
    assert problem.code == "land_cover_unknown"
    assert problem.message == (
        "codes that are not NLCD classes: 7 (1800 cells), 200 (1800 cells). The ground there is"
        " not known"
    )
    assert "The land cover was read as NLCD classes." in county.notes


@pytest.mark.parametrize(
    ("unknown", "total", "says"),
    [
        ({91: 5}, 100, "are from 1992"),
        ({1: 60}, 100, "Check that this is NLCD"),
        (dict.fromkeys(range(1, 11), 1), 100, "8 \\(1 cells\\) and 2 more"),
    ],
)
def test_what_the_codes_may_be(unknown, total, says):
    assert re.search(says, describe_unknown(unknown, total))
