"""Which wells are said to lie downhill, and whose they are. Ground is a plane made by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString

from geo.setbacks.well_sides import well_sides

WELLS = pd.DataFrame({"well_id": ["W1", "W2", "W3"], "use": ["private", "public", "other"]})


def checks(*rows):
    features, ids, ends = zip(*rows, strict=True)
    lines = [LineString([(0, 0), end]) if end else None for end in ends]
    table = {"feature": features, "feature_id": ids}
    return gpd.GeoDataFrame(table, geometry=lines, crs="EPSG:32616", index=range(7, 7 + len(rows)))


def plane(x, _y):
    """Falls 10 cm a meter to the east; nothing is known beyond 100 m."""
    return np.where(np.abs(x) > 100, np.nan, -0.1 * x)


def test_side_and_use_of_each_well():
    shown = well_sides(
        checks(
            ("wells", "W1", (20, 0)),
            ("wells", "W2", (-20, 0)),
            ("wells", "W3", (0, 50)),  # level
            ("wells", "W1", (4, 0)),  # 40 cm: within the terrain's own error
            ("wells", "W1", (150, 0)),  # ground not known there
            ("streams", "S1", (20, 0)),
            ("wells", None, None),
        ),
        WELLS,
        plane,
    )
    assert shown.index.tolist() == list(range(7, 14))
    assert shown["well_lies"].tolist() == ["downhill", "uphill", None, None, None, None, None]
    assert shown["well_use"].tolist() == [
        "private",
        "public",
        None,
        "private",
        "private",
        None,
        None,
    ]


def test_a_gentle_slope_is_called_level():
    shown = well_sides(checks(("wells", "W1", (60, 0))), WELLS, lambda x, _: -0.015 * x)
    assert shown["well_lies"].tolist() == [None]  # 90 cm on 60 m


def test_without_terrain_or_use_nothing_is_said():
    shown = well_sides(checks(("wells", "W1", (20, 0))), WELLS[["well_id"]], None)
    assert shown.isna().all(axis=None)
    assert well_sides(checks(("roads", "R1", (20, 0))), None, plane).isna().all(axis=None)
