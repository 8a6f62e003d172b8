"""Rasters: lazy, by window, in the system wanted, holes kept; written with repeatable bytes."""

import hashlib
import warnings
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.warp import reproject

from layers.crs import choose_working_system
from layers.errors import ReferenceSystemError, TerrainError
from layers.files.moved import MovedSource, lonlat_bounds
from layers.files.raster import burn, burn_numbers, open_source, vertical_unit, write_raster
from layers.grid import Grid, Window, grid_bounds

UTM16 = CRS.from_epsg(32616)
UTM17 = CRS.from_epsg(32617)


def save(path, values, transform=None, crs="EPSG:32616", nodata=None, **more):
    transform = transform or Affine(10, 0, 600_000, 0, -10, 4_400_000)
    profile = {
        "driver": "GTiff",
        "height": values.shape[0],
        "width": values.shape[1],
        "count": 1,
        "dtype": values.dtype.name,
        "crs": crs,
        "transform": transform,
        "nodata": nodata,
    }
    units, scales = more.pop("units", None), more.pop("scales", None)
    with rasterio.open(path, "w", **(profile | more)) as dataset:
        for band in range(1, dataset.count + 1):
            dataset.write(values, band)
        if units:
            dataset.units = (units,)
        if scales:
            dataset.scales, dataset.offsets = (scales[0],), (scales[1],)
    return path


def hills(rows=70, cols=90):
    y, x = np.mgrid[0:rows, 0:cols]
    return (200 + 20 * np.sin(x / 9) * np.cos(y / 7)).astype(np.float32)


# ---------------------------------------------------------------------------------- as it stands


@pytest.mark.parametrize(
    ("dtype", "nodata", "hole"),
    [
        ("float32", -9999.0, -9999.0),
        ("float32", None, -9999.0),
        ("float32", None, -3.4028235e38),
        ("float32", -3.4028234663852886e38, -3.4028234663852886e38),
        ("float32", None, 3.4e38),
        ("float32", np.nan, np.nan),
        ("float32", None, np.inf),
        ("float64", 1e20, 1e20),
        ("float64", None, -1.7976931348623157e308),
        ("int16", -32768, -32768),
        ("int16", None, -9999),
        ("int32", 0, 0),
        ("int16", None, 32767),
        ("uint16", None, 65535),
        ("float32", None, -999.0),
        ("float32", None, 1e20),
        ("int32", None, 99999),
    ],
)
def test_no_data_of_any_kind_becomes_nan(tmp_path, dtype, nodata, hole):
    values = np.full((3, 4), 123).astype(dtype)
    values[1, 2] = hole
    grid = open_source(save(tmp_path / "a.tif", values, nodata=nodata)).read()
    assert grid.values.dtype == np.float32
    assert grid.is_void.sum() == 1
    assert grid.is_void[1, 2]
    assert (grid.values[~grid.is_void] == 123).all()


def test_zero_without_a_nodata_tag_is_a_height(tmp_path):
    grid = open_source(save(tmp_path / "a.tif", np.zeros((3, 3), np.float32))).read()
    assert not grid.is_void.any()


def test_whole_numbers_scaled_keep_heights_and_lose_the_sentinel(tmp_path):
    values = np.array([[20_000, 32_767], [-9_999, 19_950]], np.int16)  # hundredths of a meter
    grid = open_source(save(tmp_path / "a.tif", values, scales=(0.01, 0.0))).read()
    assert np.isnan(grid.values).tolist() == [[False, True], [True, False]]
    assert grid.values[0, 0] == 200
    assert grid.values[1, 1] == pytest.approx(199.5)


def tiled(folder, values, nodata=None):
    """The hills in four tiles that overlap by two cells, named so that the last comes first."""
    folder.mkdir()
    for name, (row, rows), (col, cols) in [
        ("d", (0, 40), (0, 50)), ("c", (0, 40), (48, 90)),
        ("b", (38, 70), (0, 50)), ("a", (38, 70), (48, 90)),
    ]:  # fmt: skip
        corner = Affine(10, 0, 600_000 + 10 * col, 0, -10, 4_400_000 - 10 * row)
        save(folder / f"{name}.tif", values[row:rows, col:cols], corner, nodata=nodata)
    return folder


def test_a_folder_of_tiles_is_one_raster(tmp_path):
    values = hills()
    source = open_source(tiled(tmp_path / "tiles", values))
    whole = open_source(save(tmp_path / "whole.tif", values))
    assert source.shape == whole.shape
    assert source.transform == whole.transform
    assert np.array_equal(source.read().values, values)
    window = Window(30, 40, 20, 30)
    assert np.array_equal(source.read(window).values, values[30:50, 40:70])
    moved = open_source(tmp_path / "tiles", crs=CRS.from_epsg(32615)).read().values
    alone = open_source(tmp_path / "whole.tif", crs=CRS.from_epsg(32615)).read().values
    np.testing.assert_array_equal(moved, alone)


def test_a_hole_in_a_tile_is_filled_by_the_one_below_and_a_missing_tile_is_void(tmp_path):
    values = hills()
    folder = tiled(tmp_path / "tiles", values, nodata=-9999.0)
    with rasterio.open(folder / "a.tif", "r+") as dataset:
        part = dataset.read(1)
        part[0, 0] = -9999  # also in b, c and d
        dataset.write(part, 1)
    assert np.array_equal(open_source(folder).read().values, values)
    (folder / "c.tif").unlink()
    grid = open_source(folder).read()
    assert grid.is_void[:38, 50:].all()
    assert not grid.is_void[:, :50].any()


def test_tiles_of_classes_stay_classes(tmp_path):
    values = np.full((70, 90), 41, np.uint8)
    values[:, 60:] = 82
    source = open_source(tiled(tmp_path / "tiles", values))
    assert source.is_categorical
    assert np.array_equal(source.read().values, values)
    (tmp_path / "tiles" / "c.tif").unlink()
    assert open_source(tmp_path / "tiles").read().values[0, 89] == 0  # no class


def test_tiles_that_do_not_fit_are_refused(tmp_path):
    folder = tiled(tmp_path / "tiles", hills())
    save(folder / "e.tif", hills(5, 5), Affine(10, 0, 600_004, 0, -10, 4_400_000))
    with pytest.raises(TerrainError, match=r"e.tif has a grid shifted by part of a cell"):
        open_source(folder)
    save(folder / "e.tif", hills(5, 5), Affine(5, 0, 600_000, 0, -5, 4_400_000))
    with pytest.raises(TerrainError, match=r"e.tif has another coordinate system, cell size"):
        open_source(folder)
    (tmp_path / "none").mkdir()
    with pytest.raises(TerrainError, match="the folder has no GeoTIFF"):
        open_source(tmp_path / "none")


def test_a_vrt_of_tiles(tmp_path):
    values = hills()
    save(tmp_path / "whole.tif", values)
    west, east = (
        f'<SimpleSource><SourceFilename relativeToVRT="1">whole.tif</SourceFilename>'
        f'<SourceBand>1</SourceBand><SrcRect xOff="{x}" yOff="0" xSize="45" ySize="70"/>'
        f'<DstRect xOff="{x}" yOff="0" xSize="45" ySize="70"/></SimpleSource>'
        for x in (0, 45)
    )
    (tmp_path / "all.vrt").write_text(
        '<VRTDataset rasterXSize="90" rasterYSize="70"><SRS>EPSG:32616</SRS>'
        "<GeoTransform>600000, 10, 0, 4400000, 0, -10</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{west}{east}</VRTRasterBand></VRTDataset>'
    )
    assert np.array_equal(open_source(tmp_path / "all.vrt").read().values, values)


def test_oblong_cells_of_a_plane_system_stay_as_they_are(tmp_path):
    path = save(tmp_path / "a.tif", hills(), Affine(10, 0, 600_000, 0, -5, 4_400_000))
    grid = open_source(path, crs=CRS.from_epsg(32616)).read()
    assert grid.cell_m == (10, 5)
    assert np.array_equal(grid.values, hills())


def test_whole_numbers_in_degrees_are_heights_between(tmp_path):
    values = np.tile(np.arange(60, dtype=np.int16), (50, 1))  # rises by one a cell eastwards
    degrees = Affine(0.0001, 0, -86.0, 0, -0.0001, 39.8)
    path = save(tmp_path / "a.tif", values, degrees, crs="EPSG:4269", nodata=-32768)
    grid = open_source(path, crs=CRS.from_epsg(32616)).read()
    known = grid.values[~grid.is_void]
    assert ((known % 1 > 0.05) & (known % 1 < 0.95)).any()  # interpolated, not stepped
    assert known.min() >= 0
    assert known.max() <= 59


def test_feet_scale_and_offset(tmp_path):
    values = np.array([[1000, -9999]], np.int16)
    path = save(tmp_path / "a.tif", values, scales=(0.1, 500.0), units="ft")
    assert vertical_unit(path) == "ft"
    grid = open_source(path, vertical_factor=0.3048).read()
    assert grid.values[0, 0] == np.float32(600 * 0.3048)
    assert np.isnan(grid.values[0, 1])


@pytest.mark.parametrize(
    ("units", "crs", "unit"),
    [
        ("metre", "EPSG:32616", "m"),
        ("US survey foot", "EPSG:32616", "us-ft"),
        ("", "EPSG:32616", None),
        ("", "EPSG:32616+5703", "m"),  # NAVD88 height
        ("", "EPSG:32616+6360", "us-ft"),  # NAVD88 height (ftUS)
        ("", "EPSG:32616+8228", "ft"),  # NAVD88 height (ft)
    ],
)
def test_the_unit_a_file_states(tmp_path, units, crs, unit):
    wkt = CRS.from_user_input(crs).to_wkt()
    path = save(tmp_path / "a.tif", np.ones((2, 2), np.float32), crs=wkt, units=units)
    assert vertical_unit(path) == unit


def test_classes_stay_as_they_are(tmp_path):
    values = np.array([[1, 2], [255, 0]], np.uint8)
    path = save(tmp_path / "a.tif", values, nodata=255)
    grid = open_source(path).read()
    assert grid.values.dtype == np.uint8
    assert grid.values.tolist() == [[1, 2], [0, 0]]
    heights = open_source(path, categorical=False).read()
    assert heights.values.dtype == np.float32
    assert heights.is_void.sum() == 1


def test_windows_are_parts_of_the_whole_and_end_at_its_edge(tmp_path):
    source = open_source(save(tmp_path / "a.tif", hills()))
    whole = source.read()
    part = source.read(Window(20, 30, 25, 17))
    assert np.array_equal(part.values, whole.values[20:45, 30:47])
    assert (part.transform.c, part.transform.f) == (600_300, 4_399_800)
    for outside in (Window(-1, 0, 2, 2), Window(0, 80, 1, 11), Window(69, 0, 2, 1)):
        with pytest.raises(ValueError, match="outside"):
            source.read(outside)


def test_a_south_up_file_is_turned(tmp_path):
    values = hills(5, 6)
    path = save(tmp_path / "a.tif", values[::-1], Affine(10, 0, 600_000, 0, 10, 4_399_950))
    source = open_source(path)
    assert source.transform == Affine(10, 0, 600_000, 0, -10, 4_400_000)
    assert np.array_equal(source.read().values, values)
    assert np.array_equal(source.read(Window(1, 2, 3, 2)).values, values[1:4, 2:4])


def test_threads_read_the_same(tmp_path):
    source = open_source(
        save(tmp_path / "a.tif", hills(), tiled=True, blockxsize=16, blockysize=16)
    )
    whole = source.read().values
    places = [Window(r, c, 10, 15) for r in range(0, 60, 10) for c in range(0, 75, 15)]
    with ThreadPoolExecutor(4) as pool:
        parts = list(pool.map(source.read, places))
    for place, part in zip(places, parts, strict=True):
        assert np.array_equal(part.values, whole[place.slices])


def test_what_is_no_terrain_is_refused(tmp_path):
    (tmp_path / "a.tif").write_bytes(b"not a raster")
    with pytest.raises(TerrainError, match=r"a\.tif"):
        open_source(tmp_path / "a.tif")
    with pytest.raises(TerrainError, match=r"none\.tif"):
        open_source(tmp_path / "none.tif")
    rotated = Affine(10, 2, 600_000, 2, -10, 4_400_000)
    with pytest.raises(TerrainError, match="rotated"):
        open_source(save(tmp_path / "b.tif", hills(), rotated))
    with pytest.raises(TerrainError, match="picture"):
        open_source(save(tmp_path / "c.tif", np.ones((3, 3), np.uint8), count=3))


def test_a_raster_without_a_system_needs_one_stated(tmp_path):
    path = save(tmp_path / "a.tif", hills(), crs=None)
    with pytest.raises(ReferenceSystemError, match="no coordinate system"):
        open_source(path)
    assert open_source(path, stated_crs=UTM16).crs == UTM16


# ------------------------------------------------------------------------- in the system wanted


def test_a_moved_raster_agrees_with_gdal(tmp_path):
    """GDAL's warper with an exact transformer, bilinear, as the oracle."""
    values = hills()
    values[30:34, 40:45] = np.nan
    path = save(tmp_path / "a.tif", values, nodata=np.nan)
    moved = open_source(path, crs=UTM17)
    assert isinstance(moved, MovedSource)
    grid = moved.read()
    expected = np.full(grid.shape, np.nan, np.float32)
    reproject(
        values,
        expected,
        src_transform=Affine(10, 0, 600_000, 0, -10, 4_400_000),
        src_crs="EPSG:32616",
        dst_transform=grid.transform,
        dst_crs="EPSG:32617",
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.bilinear,
        tolerance=0,
        XSCALE=1,
        YSCALE=1,
    )
    both = ~np.isnan(expected) & ~grid.is_void
    assert np.abs(expected - grid.values)[both].max() < 2e-3
    assert (np.isnan(expected) != grid.is_void).mean() < 0.01  # cells on the edge of a hole
    assert grid.is_void.any()


@settings(deadline=None)
@given(st.data())
def test_a_moved_cell_does_not_depend_on_the_window(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "moved.tif"
    if not path.exists():
        values = hills()
        values[10:13, 50:60] = np.nan
        save(path, values, nodata=np.nan)
    source = open_source(path, crs=UTM17)
    rows, cols = source.shape
    row, col = data.draw(st.integers(0, rows - 1)), data.draw(st.integers(0, cols - 1))
    window = Window(
        row, col, data.draw(st.integers(1, rows - row)), data.draw(st.integers(1, cols - col))
    )
    part = source.read(window)
    assert np.array_equal(part.values, source.read().values[window.slices], equal_nan=True)


def test_degrees_with_oblong_cells_become_square_meters(tmp_path):
    third = 1 / 10_800  # a third of an arc second
    y, _ = np.mgrid[0:200, 0:240]
    values = (y * 0.5).astype(np.float32)
    path = save(tmp_path / "a.tif", values, Affine(third, 0, -86, 0, -third, 40), "EPSG:4269")
    source = open_source(path, crs=UTM16)
    assert source.transform.a == -source.transform.e
    # a third of an arc second at 40 N is 7.9 m by 10.3 m
    assert source.transform.a == pytest.approx(np.sqrt(7.91 * 10.28), abs=0.05)
    grid = source.read()
    down = np.nanmean(np.diff(grid.values, axis=0)) / source.transform.a
    assert down == pytest.approx(0.5 / 10.28, rel=0.01)  # half a meter a row of 10.28 m
    assert lonlat_bounds(source)[0] == pytest.approx(-86, abs=2e-3)


def test_an_undeclared_sentinel_does_not_bleed_into_its_neighbours(tmp_path):
    values = np.full((60, 60), 250.0, np.float32)
    values[20:30, 20:30] = -9999
    grid = open_source(save(tmp_path / "a.tif", values), crs=UTM17).read()
    assert np.nanmin(grid.values) == pytest.approx(250)
    assert np.nanmax(grid.values) == pytest.approx(250)


def test_moved_classes_are_never_mixed(tmp_path):
    values = np.where(np.arange(60)[:, None] < 30, 11, 42).astype(np.uint8) * np.ones(60, np.uint8)
    grid = open_source(save(tmp_path / "a.tif", values), crs=UTM17).read()
    assert set(np.unique(grid.values)) == {0, 11, 42}


def test_the_same_system_under_another_name_is_not_resampled(tmp_path):
    bare = (
        'PROJCS["unnamed",GEOGCS["unknown",DATUM["unknown",SPHEROID["WGS84",6378137,'
        '298.257223563]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],'
        'PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],'
        'PARAMETER["central_meridian",-87],PARAMETER["scale_factor",0.9996],'
        'PARAMETER["false_easting",500000],PARAMETER["false_northing",0],UNIT["metre",1]]'
    )
    source = open_source(save(tmp_path / "a.tif", hills(), crs=bare), crs=UTM16)
    assert source.crs == UTM16
    assert np.array_equal(source.read().values, hills())


# ------------------------------------------------------------------------------------------ write


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("dtype", ["float32", "uint8", "int32", "bool"])
def test_way_back_and_same_bytes(tmp_path, dtype):
    values = hills(130, 150)
    if dtype == "float32":
        values[3, 4] = np.nan
    values = (values > 200) if dtype == "bool" else values.astype(dtype)
    grid = Grid(values, Affine(2, 0, 600_000, 0, -3, 4_400_000), UTM16)
    for name in ("a", "b"):
        write_raster(grid, tmp_path / f"{name}.tif")
    assert digest(tmp_path / "a.tif") == digest(tmp_path / "b.tif")
    back = open_source(tmp_path / "a.tif", categorical=dtype != "float32")
    assert back.crs == UTM16
    assert back.transform == grid.transform
    assert np.array_equal(back.read().values, values, equal_nan=dtype == "float32")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.tif", "b.tif"]
    with rasterio.open(tmp_path / "a.tif") as dataset:
        assert dataset.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"


def test_a_raster_is_written_by_window(tmp_path):
    asked = []

    class Strips:
        shape, transform, crs = (2100, 1500), Affine(1, 0, 0, 0, -1, 2100), UTM16

        def read(self, window=None):
            asked.append((window.rows, window.cols))
            values = np.full((window.rows, window.cols), window.row, np.float32)
            return Grid(values, Affine(1, 0, 0, 0, -1, 2100), UTM16)

    write_raster(Strips(), tmp_path / "a.tif")
    assert max(rows * cols for rows, cols in asked) <= 1024 * 1024
    back = open_source(tmp_path / "a.tif").read(Window(1024, 0, 1076, 5)).values
    assert (back[:1024] == 1024).all()
    assert (back[1024:] == 2048).all()


def test_a_system_of_our_own_survives(tmp_path):
    crs = choose_working_system((-86.0, 40.0, -82.9, 41.0))  # none of the known ones fits
    write_raster(Grid(hills(), Affine(5, 0, 0, 0, -5, 0), crs), tmp_path / "a.tif")
    back = open_source(tmp_path / "a.tif")
    assert grid_bounds(back) == (0, -350, 450, 0)
    assert back.crs == crs


def test_a_place_that_cannot_be_written_is_said(tmp_path):
    with pytest.raises(TerrainError, match="cannot write"):
        write_raster(Grid(hills(), Affine(5, 0, 0, 0, -5, 0), UTM16), tmp_path / "no" / "a.tif")


# ------------------------------------------------------------------------------------------- burn


def test_burn():
    transform = Affine(10, 0, 0, 0, -10, 40)
    area = shapely.box(0, 0, 16, 10)  # covers the center of one cell, touches two
    plain = burn([area, None, shapely.Polygon()], (4, 4), transform)
    assert np.argwhere(plain).tolist() == [[3, 0], [3, 1]]
    line = shapely.LineString([(1, 39), (39, 1)])
    assert np.argwhere(burn([line], (4, 4), transform)).tolist() == [[k, k] for k in range(4)]
    assert burn([shapely.box(0, 0, 14, 10)], (4, 4), transform).sum() == 1
    assert burn([shapely.box(0, 0, 14, 10)], (4, 4), transform, all_touched=True).sum() >= 2
    assert not burn([], (4, 4), transform).any()
    assert burn([], (4, 4), transform).dtype == bool


def test_areas_are_burned_as_their_numbers():
    transform = Affine(10, 0, 0, 0, -10, 40)
    areas = [shapely.box(0, 0, 20, 20), None, shapely.box(10, 10, 40, 40), shapely.Polygon()]
    numbers = burn_numbers(areas, (4, 4), transform)
    assert numbers.dtype == np.int32
    assert numbers.tolist() == [[0, 3, 3, 3], [0, 3, 3, 3], [1, 1, 3, 3], [1, 1, 0, 0]]
    assert not burn_numbers([None], (4, 4), transform).any()


def test_a_raster_that_does_not_say_where_it_lies_is_refused(tmp_path):
    path = tmp_path / "bare.tif"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(path, "w", driver="GTiff", width=3, height=3, count=1,
                           dtype="float32", crs="EPSG:32616") as dataset:  # fmt: skip
            dataset.write(np.ones((1, 3, 3), np.float32))
    with pytest.raises(TerrainError, match="has no georeference"):
        open_source(path)
