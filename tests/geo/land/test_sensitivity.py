"""The sensitivity of the land against units assessed on it, and with more and less given."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geo
from geo.land import sensitivity as land
from geo.land.areas import sensitivity_by_area
from geo.land.sensitivity import land_columns, land_parts, sensitivity
from geo.order.priorities import rate_part
from layers.crs import WGS84, Mover
from layers.errors import RillmarkError
from layers.outputs import LAND_AREAS, UNITS

STEP_M = 57.3  # no center of a cell lies on an edge of the terrain's cells


@pytest.fixture(scope="module")
def found(measured):
    return sensitivity(measured, step_m=STEP_M)


def cells(found):
    row, col = np.divmod(np.arange(np.prod(found.frame.shape)), found.frame.shape[1])
    return found.frame.centers(row, col)


def test_named_parts_sum_to_it_and_their_weights_to_a_hundred(found, county):
    assert sum(found.weights.values()) == pytest.approx(100, abs=1e-9)
    total = sum(part.astype(float) for part in found.parts.values())
    np.testing.assert_allclose(found.total.values, total, atol=1e-4)
    assert set(found.parts) == {"wetness", "well", "water", "place", "neighbours"}
    assert found.labels["well"] == county.priorities.parts["well"].label
    values = found.total.values
    assert 0 <= values.min() < values.max() <= 100
    # not one flat color: the county's parts differ from place to place
    assert all(np.ptp(part) > 0 for part in found.parts.values())


def test_a_cell_has_the_parts_of_a_unit_assessed_there(county, measured, found):
    x, y = cells(found)
    some = np.random.default_rng(4).choice(len(x), 8, replace=False)
    back = Mover(county.crs, WGS84)
    lon, lat = back(x[some], y[some])
    parts = land_parts(county.priorities)
    for at, place in zip(some, zip(lat, lon, strict=True), strict=True):
        try:
            proposal = geo.assess_proposal(county, lid=place, outlet=place, place95_m=0.0, draws=0)
        except RillmarkError:
            continue  # a place too far from every unit is refused there
        for name, part in parts.items():
            rating, deciding = rate_part(proposal.result.units, part)
            row, col = divmod(int(at), found.frame.shape[1])
            assert found.parts[name][row, col] == pytest.approx(
                found.weights[name] * rating[0], abs=1e-4
            ), (name, place)
            assert found.is_unknown[name][row, col] == (deciding[0] is None)


def test_every_part_says_what_it_is_measured_from(measured, county):
    """A column of the register that a part may name has its layers."""
    for field in UNITS.fields:
        if field.made_by.startswith(land._OF_LAND) and not field.is_family:
            assert any(field.name.startswith(each) for each in land.MEASURED_FROM), field.name


def test_blocks_change_nothing(measured, found, monkeypatch):
    monkeypatch.setattr(land, "BLOCK_CELLS", 37)
    again = sensitivity(measured, step_m=STEP_M)
    for name, part in found.parts.items():
        np.testing.assert_array_equal(again.parts[name], part)
        np.testing.assert_array_equal(again.is_unknown[name], found.is_unknown[name])


def without(county, name):
    given = {key: value for key, value in county.file.layers.items() if key != name}
    kept = {key: value for key, value in county.layers.items() if key != name}
    file = county.file.model_copy(update={"layers": given})
    changed = {"terrain": None} if name == "terrain" else {}
    return replace(county, file=file, layers=kept, **changed)


@pytest.mark.parametrize(
    "name",
    ["wells", "streams", "water_bodies", "floodplain", "protected_places", "parcels", "drains"],
)
def test_leaving_a_layer_out_never_lowers_what_it_may_be(name, county, found):
    if name not in county.layers:
        pytest.skip(f"the county has no {name}")
    fewer = sensitivity(geo.measure(without(county, name), draws=0), step_m=STEP_M)
    assert fewer.frame == found.frame
    assert (fewer.at_most.values >= found.at_most.values - 1e-3).all()
    assert any(name in layers for layers in fewer.not_given.values())


def with_more(county, name, shapes):
    layer = county.layers[name]
    new = gpd.GeoDataFrame(layer.iloc[[0] * len(shapes)].copy(), crs=layer.crs)
    new = new.set_geometry(np.array(shapes, object), crs=layer.crs)
    key = next(column for column in layer.columns if column.endswith("_id"))
    new[key] = [f"more {number}" for number in range(len(shapes))]
    both = gpd.GeoDataFrame(
        np.concatenate([layer.to_numpy(object), new.to_numpy(object)]), columns=layer.columns
    ).astype(layer.drop(columns="geometry").dtypes.to_dict())
    both = both.set_geometry("geometry", crs=layer.crs)
    return replace(county, layers={**county.layers, name: both})


@pytest.mark.parametrize("name", ["wells", "protected_places", "floodplain"])
def test_one_more_receptor_never_lowers_a_cell_and_raises_one(name, county, found):
    x, y = cells(found)
    places = shapely.points(np.c_[x, y][np.random.default_rng(7).choice(len(x), 5)] + 3.0)
    if county.layers[name].geom_type.iloc[0] != "Point":
        places = shapely.buffer(places, 45.0)
    more = sensitivity(geo.measure(with_more(county, name, places), draws=0), step_m=STEP_M)
    rise = more.total.values - found.total.values
    assert rise.min() >= -1e-3
    assert rise.max() > 1


def test_a_cell_is_measured_at_its_center(measured):
    table = land_columns(measured, *(np.array([v]) for v in measured.terrain.frame.bounds[:2]))
    assert (table["accuracy95_m"] == 0).all()


def test_cells_grow_where_there_would_be_too_many(measured, found, monkeypatch):
    monkeypatch.setattr(land, "MOST_CELLS", np.prod(found.frame.shape) - 1)
    coarser = sensitivity(measured, step_m=STEP_M)
    assert coarser.frame.cell_m == (2 * STEP_M, 2 * STEP_M)
    assert coarser.section["cell_m"] == 2 * STEP_M


@pytest.mark.parametrize("step_m", [0.0, -5.0, float("nan")])
def test_a_cell_has_a_side(measured, step_m):
    with pytest.raises(ValueError, match="side"):
        sensitivity(measured, step_m=step_m)


def test_an_area_has_the_mean_of_the_cells_it_holds(found, county):
    """Recounted cell by cell with another predicate; an area between centers has its own cell."""
    features = {name: county.layer(name) for name in ("parcels", "catchments")}
    table = sensitivity_by_area(found, features)
    assert list(table["area_kind"].unique()) == ["parcel", "catchment"]
    assert len(table) == sum(map(len, features.values()))
    parts = [name for name in table if name.startswith("part_")]
    np.testing.assert_allclose(table[parts].sum(axis=1), table["sensitivity"], atol=1e-4)
    points = shapely.points(*cells(found))
    total = found.total.values.ravel()
    for row in table.itertuples():
        mine = total[shapely.within(points, row.geometry)]
        if len(mine):
            assert row.cells == len(mine)
            assert row.sensitivity == pytest.approx(mine.mean(), abs=1e-4)
            assert row.sensitivity_high == pytest.approx(mine.max(), abs=1e-4)
        else:
            near = total[np.argmin(shapely.distance(points, row.geometry.representative_point()))]
            assert (row.cells, row.sensitivity) == (1, pytest.approx(near, abs=1e-4))
    assert (table["cells"] == 1).any()
    assert (table["cells"] > 1).any()
    LAND_AREAS.check(table)


def test_an_area_off_the_land_has_no_number(found, county):
    far = gpd.GeoDataFrame(
        {"parcel_id": ["far"]}, geometry=[shapely.box(0, 0, 10, 10)], crs=county.crs
    )
    table = sensitivity_by_area(found, {"parcels": far})
    assert table["cells"].tolist() == [0]
    assert table["sensitivity"].isna().all()
    assert table["sensitivity_high"].isna().all()
    assert len(sensitivity_by_area(found, {})) == 0
