"""Real public layers, that nobody here made: skipped unless a folder of them is named.

Set RILLMARK_REAL_LAYERS to a folder that holds ``kettle_lakes`` and ``canyon_rim``: the source
data of a groundwater model in Wisconsin (DOI-USGS/modflow-setup, CC0: elevation, lakes, wells,
withdrawals) and NHD and SSURGO layers of Mesa Verde (ropensci/FedData, MIT; data of USGS and
NRCS, public domain). The units strewn over them are invented.
"""

import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

from layers.files.raster import open_source

NAMED = os.environ.get("RILLMARK_REAL_LAYERS", "")
pytestmark = pytest.mark.skipif(
    not NAMED, reason="RILLMARK_REAL_LAYERS names no folder of real layers"
)
REAL = Path(NAMED or ".").absolute()


def strewn(bounds, crs, count=200):
    rng = np.random.default_rng(7)
    x, y = (rng.uniform(bounds[k], bounds[k + 2], count) for k in (0, 1))
    return gpd.GeoDataFrame(
        {"unit_id": [f"{k:04d}" for k in range(count)]}, geometry=shapely.points(x, y), crs=crs
    )


def test_kettle_lakes(folder, rows):
    place = REAL / "kettle_lakes"
    folder.add("units", strewn((559_000, 412_000, 567_000, 418_000), 3070), "units.gpkg")
    folder.name("terrain", place / "dem10m.tif")
    folder.name(
        "water_bodies",
        place / "all_lakes.shp",
        columns='{ water_body_id = "HYDROID" }',
    )
    folder.name(
        "wells",
        place / "nwis_heads_info_file.csv",
        crs='"EPSG:3070"',
        columns='{ well_id = "site_no", depth_m = "WEL_DEP_VA", x = "x_utm", y = "y_utm" }',
        measures='{ depth_m = "ft" }',
    )
    county = folder.read()
    used = county.counts.set_index("layer")["used"]
    assert used.to_dict() == {"units": 200, "wells": 42, "water_bodies": 18}
    mended = county.problems.query("code == 'geometry_invalid'")
    assert len(mended) == 6
    assert ("terrain_unit_unstated", None, "kept") in rows.found(county, "terrain")
    heights = county.terrain.read().values
    assert 329 < np.nanmin(heights) < np.nanmax(heights) < 376
    # their own column of depths in meters, beside the one in feet
    assert county.layers["wells"]["depth_m"].iloc[0] == pytest.approx(24.5364)
    # their unnamed system is Wisconsin's transverse Mercator under no name: nothing is resampled
    same = open_source(place / "dem10m.tif", crs=CRS.from_epsg(3070))
    assert same.shape == (679, 929)
    # a lake's surface is flat, wherever the terrain was moved to
    lake = county.layers["water_bodies"].geometry.iloc[county.layers["water_bodies"].area.argmax()]
    inner = lake.buffer(-30)
    grid = county.terrain.read()
    r, c = np.nonzero(~grid.is_void)
    x, y = grid.centers(r, c)
    inside = shapely.contains_xy(inner, x, y)
    assert inside.sum() > 100
    assert grid.values[r[inside], c[inside]].std() < 0.5


def test_canyon_rim(folder, rows):
    place = REAL / "canyon_rim"
    folder.add("units", strewn((-108.54, 37.16, -108.35, 37.34), 4326), "units.gpkg")
    folder.name("streams", place / "flowline.fgb")
    folder.name("water_bodies", place / "waterbody.fgb")
    folder.name("soils", place / "soils.fgb")
    county = folder.read()
    used = county.counts.set_index("layer")["used"]
    # 14 pipelines are no stream at the surface; 5 artificial paths lie inside the water bodies
    assert used.to_dict() == {"units": 200, "streams": 404, "water_bodies": 10, "soils": 2068}
    soils = county.layers["soils"]
    assert soils["soil_id"].is_unique  # map units repeat: none is lost, each has its own name
    groups = soils["hydrologic_group"].value_counts(dropna=False).to_dict()
    assert {str(k): v for k, v in groups.items()} == {
        "D": 896, "C": 628, "B": 291, "A": 239, "nan": 13, "C/D": 1
    }  # fmt: skip
    streams = county.layers["streams"]
    assert streams["permanence"].value_counts().to_dict() == {"intermittent": 377, "perennial": 27}
    assert set(streams["stream_kind"]) == {"stream"}
    bodies = county.layers["water_bodies"]
    assert bodies["water_body_kind"].value_counts().to_dict() == {"reservoir": 8, "lake_pond": 2}
    text = county.problems.query("layer == 'streams'")["code"].value_counts().to_dict()
    assert text == {"not_surface_water": 14, "artificial_path": 5}
    lengths = county.layers["streams"].length
    # lengths on the ellipsoid, from the file's own degrees: the working system keeps to 1:1,000
    degrees = gpd.read_file(place / "flowline.fgb").query("ftype == 460").geometry
    true = degrees.map(lambda line: Geod(ellps="WGS84").geometry_length(line))
    assert lengths.to_numpy() == pytest.approx(true.to_numpy(), rel=1e-3)
