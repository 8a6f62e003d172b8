"""Every unit of the invented county is traced down, visited, and traced up from lid and outlet."""

import numpy as np
import pytest
import shapely
from markupsafe import escape

from geo.publish.trace.page import trace_down_page
from geo.publish.visit.sheet import visit_sheets
from geo.trace import is_on_way, trace_downs, trace_up
from geo.visits import visit_plans
from layers.crs import WGS84
from layers.settings.visit_list import load_visit_list

# units whose way touches a parcel by less than rounding keeps: the intersection is empty there
TOUCHING = {"11142", "11310"}
SHARE = 12


@pytest.fixture(
    scope="module", params=["one in twelve", pytest.param("the others", marks=pytest.mark.long)]
)
def units(request, larkmoor_result):
    """The rows of a deterministic share of all units, and in the long tests of all others."""
    units = larkmoor_result.units
    some = (np.arange(len(units)) % SHARE == 0) | units["unit_id"].isin(TOUCHING).to_numpy()
    return units[some if request.param == "one in twelve" else ~some]


@pytest.fixture(scope="module")
def downs(larkmoor_result, units):
    return trace_downs(larkmoor_result, units["unit_id"])


def degrees(points):
    return [(p.y, p.x) for p in points.to_crs(WGS84)]


def test_every_unit_is_traced_down(larkmoor_result, units, downs):
    assert list(downs) == units["unit_id"].tolist()
    shapes = larkmoor_result.context["parcels"].set_index("parcel_id").geometry
    crossed = 0
    for unit_id, down in downs.items():
        assert down.unit_id == unit_id
        along = down.notices["along_m"].to_numpy(float)
        assert np.isfinite(along).all()
        assert (along >= 0).all()
        assert (np.diff(along) >= 0).all()
        lots = down.notices.loc[down.notices["what"] == "parcel", "id"]
        crossed += len(lots)
        assert lots.is_unique
        for lot in lots:
            assert down.ways.distance(shapes[lot]).min() < 1e-6
        assert bool(len(down.ways)) or any("No flow path is known" in note for note in down.notes)
    assert crossed > 2 * len(units)


def test_the_county_holds_touches_that_rounding_loses(larkmoor_result):
    shapes = larkmoor_result.context["parcels"].geometry.to_numpy()
    for unit_id, down in trace_downs(larkmoor_result, sorted(TOUCHING)).items():
        ways = down.ways.geometry.to_numpy()
        lines = ways[shapely.get_type_id(ways) == 1]
        way, lot = shapely.STRtree(shapes).query(lines, predicate="intersects")
        assert shapely.is_empty(shapely.intersection(lines[way], shapes[lot])).any(), unit_id
        assert (down.notices["what"] == "parcel").any()


def test_every_unit_gets_its_sheet_and_its_page(larkmoor_result, units, downs):
    items = load_visit_list(None)
    plans = visit_plans(larkmoor_result, units["unit_id"].tolist(), items)
    assert [plan.unit["unit_id"] for plan in plans] == units["unit_id"].tolist()
    for plan in plans:
        unit_id = plan.unit["unit_id"]
        shown = escape(unit_id)
        assert shown in visit_sheets([plan], larkmoor_result, items, down=downs)
        assert shown in trace_down_page(downs[unit_id], larkmoor_result)


def test_every_lid_is_traced_up_from(larkmoor_result, units):
    for at in degrees(units.geometry):
        along = trace_up(larkmoor_result, at=at).candidates["along_m"]
        assert along.is_monotonic_increasing
        assert np.isfinite(along).all()


def test_every_outlet_is_traced_up_from_and_finds_its_own_unit(larkmoor_result, units):
    points = larkmoor_result.discharge_points
    points = points[points["discharge_point_id"].isin(units["discharge_point_id"].dropna())]
    points = points[points["unit_id"].notna()]
    own = 0
    for at, unit_id in zip(degrees(points.geometry), points["unit_id"], strict=True):
        is_own = unit_id in set(trace_up(larkmoor_result, at=at).candidates["unit_id"])
        own += is_own
        if not is_own:  # up and down are two separate walks
            assert not is_on_way(larkmoor_result, unit_id, at=at)
    assert own > 0.8 * len(points)
