"""No input makes a request or leads to another file; the ending chooses the driver."""

import os
import socket
import sqlite3
import threading
import urllib.request
import warnings
import zipfile
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS, network
from rasterio.env import Env

from layers import read_county
from layers.errors import LayerError, RillmarkError, TerrainError
from layers.files.opening import RASTER_DRIVERS, VECTOR_DRIVERS
from layers.files.raster import open_source, stated_vertical_datum, vertical_unit, write_raster
from layers.files.tables import read_table
from layers.files.vector import read_geopackage_layer, read_vector, stored_layers
from layers.grid import Grid

UTM16 = CRS.from_epsg(32616)
POINT = (
    '{"type":"Feature","properties":{"unit_id":"1"},'
    '"geometry":{"type":"Point","coordinates":[-85.8,39.7]}}'
)


class _Counting(BaseHTTPRequestHandler):
    def do_GET(self):
        self.server.asked.append(self.path)
        self.send_response(404)
        self.end_headers()

    do_HEAD = do_POST = do_PUT = do_GET  # noqa: N815  named by the standard library

    def log_message(self, *_):
        pass


@pytest.fixture(scope="module")
def counting():
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Counting)
    server.asked = []
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def web(counting, monkeypatch):
    """The address of a local server; afterwards nobody has asked it for anything.

    The host is left out of any proxy, so that what refuses files has to do so by itself.
    """
    monkeypatch.setenv("no_proxy", "127.0.0.1")
    counting.asked.clear()
    yield f"http://127.0.0.1:{counting.server_port}"
    assert counting.asked == []


def collection(crs):
    return f'{{"type":"FeatureCollection",{crs}"features":[{POINT}]}}'


def test_the_server_counts(counting):
    counting.asked.clear()
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    with pytest.raises(OSError, match="404"):
        opener.open(f"http://127.0.0.1:{counting.server_port}/asked")
    assert counting.asked == ["/asked"]


def test_a_named_reference_system_of_a_geojson_is_read(tmp_path):
    """As the GeoJSON format of 2008 has it, section 3.1."""
    path = tmp_path / "a.geojson"
    name = '"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32616"}},'
    path.write_text(collection(name).replace('"unit_id":"1"', '"crs":"EPSG","note":"crs"'))
    assert read_vector(path).crs.to_epsg() == 32616


@pytest.mark.parametrize("at", range(262_130, 262_150))
def test_a_link_is_found_wherever_it_stands(web, tmp_path, at):
    """In a part of the file as in another, and over the end of one."""
    path = tmp_path / "a.geojson"
    start = '{"type":"FeatureCollection",'
    link = f'"crs":{{"type":"link","properties":{{"href":"{web}/crs"}}}},"features":[{POINT}]}}'
    path.write_text(start + " " * (at - len(start)) + link)
    with pytest.raises(LayerError, match="a link to an address"):
        read_vector(path)


# what each driver that fetches takes for its own, by the published description of the driver
def fetching(web):
    link = f'"properties":{{"href":"{web}/crs","type":"proj4"}}'
    vrt_source = (
        f"<SimpleSource><SourceFilename>/vsicurl/{web}/a.tif</SourceFilename>"
        "<SourceBand>1</SourceBand></SimpleSource>"
    )
    return {
        "ogr_vrt": f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>{web}/x.geojson'
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "wfs": f"<OGRWFSDataSource><URL>{web}/wfs</URL></OGRWFSDataSource>",
        "wms": f'<GDAL_WMS><Service name="WMS"><ServerUrl>{web}/wms</ServerUrl><Layers>a</Layers>'
        "</Service><DataWindow><UpperLeftX>0</UpperLeftX><UpperLeftY>1</UpperLeftY><LowerRightX>1"
        "</LowerRightX><LowerRightY>0</LowerRightY><SizeX>9</SizeX><SizeY>9</SizeY></DataWindow>"
        "</GDAL_WMS>",
        "wcs": f"<WCS_GDAL><ServiceURL>{web}/wcs?</ServiceURL><CoverageName>a</CoverageName>"
        "</WCS_GDAL>",
        "wmts": f"<GDAL_WMTS><GetCapabilitiesUrl>{web}/wmts</GetCapabilitiesUrl></GDAL_WMTS>",
        "kml": '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<NetworkLink><Link><href>{web}/a.kml</href></Link></NetworkLink></Document></kml>",
        "gml": f'<?xml version="1.0"?><gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml"'
        f' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="a {web}/a.xsd"'
        "></gml:FeatureCollection>",
        "gpx": '<?xml version="1.0"?><gpx version="1.1" creator="a"'
        f' xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="1" lon="2"><link href="{web}/a"/>'
        "</wpt></gpx>",
        "entity": f'<?xml version="1.0"?><!DOCTYPE a SYSTEM "{web}/a.dtd"><a/>',
        "vrt": f'<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Byte"'
        f' band="1">{vrt_source}</VRTRasterBand></VRTDataset>',
        "warped": f'<VRTDataset rasterXSize="9" rasterYSize="9" subClass="VRTWarpedDataset">'
        f"<GDALWarpOptions><SourceDataset>/vsicurl/{web}/a.tif</SourceDataset></GDALWarpOptions>"
        "</VRTDataset>",
        "tile_index": f"<GDALTileIndexDataset><IndexDataset>{web}/a.gpkg</IndexDataset>"
        "</GDALTileIndexDataset>",
        "pipeline": '{"type":"gdal_streamed_alg","command_line":"gdal vector pipeline ! read'
        f' {web}/x.geojson ! filter --where 1=1"}}',
        "stac": '{"type":"FeatureCollection","features":[{"type":"Feature","stac_version":"1.0.0",'
        f'"assets":{{"a":{{"href":"{web}/a.tif"}}}}}}],"links":[{{"href":"{web}/n"}}]}}',
        "ogc_api": f'{{"links":[{{"rel":"http://www.opengis.net/def/rel/ogc/1.0/tilesets-map",'
        f'"href":"{web}/map"}},{{"rel":"data","href":"{web}/collections"}}]}}',
        "tile_json": f'{{"tilejson":"2.2.0","tiles":["{web}/{{z}}/{{x}}/{{y}}.pbf"]}}',
        "service": f'{{"currentVersion":10,"serviceUrl":"{web}/MapServer","layers":[{{"id":0}}]}}',
        "url": f"{web}/x.geojson",
        "vsicurl": f"/vsicurl/{web}/x.geojson",
        "link": collection(f'"crs":{{"type":"link",{link}}},'),
        "link_capitals": collection(f'"CRS":{{"Type":"LINK",{link}}},'),
        "link_single": collection(f"'crs':{{'type':'link',{link}}},"),
        "link_escaped": collection(f'"\\u0063rs":{{"type":"l\\u0069nk",{link}}},'),
        "url_crs": collection(f'"crs":{{"type":"url","properties":{{"url":"{web}/crs"}}}},'),
        "named_by_address": collection(
            f'"crs":{{"type":"name","properties":{{"name":"{web}/crs"}}}},'
        ),
        "esri": f'{{"spatialReference":{{"wkt":"{web}/wkt"}},"geometryType":"esriGeometryPoint",'
        '"exceededTransferLimit":true,"fields":[{"name":"unit_id","type":"esriFieldTypeString"}],'
        '"features":[{"attributes":{"unit_id":"1"},"geometry":{"x":1,"y":2}}]}',
    }


WAYS = sorted(fetching(""))
READABLE = {"named_by_address", "esri", "stac"}  # plain features, whatever else they say


def one_message(error):
    assert error.what
    assert error.where
    assert error.hint
    assert "Traceback" not in str(error)


@pytest.mark.parametrize("way", WAYS)
def test_no_content_makes_a_layer_ask_anybody(web, tmp_path, way):
    for suffix in (*VECTOR_DRIVERS, ".csv", ".xlsx"):
        path = tmp_path / f"units{suffix}"
        path.write_text(fetching(web)[way], "utf-8")
        is_json = suffix in (".geojson", ".json")
        read = read_table if suffix in (".csv", ".xlsx") else read_vector
        try:
            raw = read(path)
        except LayerError as error:
            one_message(error)
            assert not (is_json and way in READABLE - {"stac"})
        else:
            assert suffix == ".csv" or (is_json and way in READABLE)
            assert raw.crs is None or raw.crs.to_epsg() == 4326


@pytest.mark.parametrize("way", WAYS)
def test_no_content_makes_a_raster_ask_anybody(web, tmp_path, way):
    for suffix in (*RASTER_DRIVERS, ".img", ".xml", ".asc"):
        path = tmp_path / f"terrain{suffix}"
        path.write_text(fetching(web)[way], "utf-8")
        for read in (lambda p: open_source(p).read(), vertical_unit, stated_vertical_datum):
            with pytest.raises(TerrainError) as caught:
                read(path)
            one_message(caught.value)


def test_no_path_makes_a_layer_ask_anybody(web, tmp_path, monkeypatch, folder, rows):
    (tmp_path / "http:").mkdir()
    monkeypatch.chdir(tmp_path)
    host = web.removeprefix("http://")
    for path in (
        f"/vsicurl/{web}/x.gpkg",
        f"/vsicurl?url={web}/x.gpkg",
        f"/vsizip//vsicurl/{web}/x.zip",
        f"{web}/x.geojson",
        f"WFS:{web}/wfs",
        f"zip+{web}/x.zip",
        f"/vsicurl_streaming/{web}/x.tif",
        f"/vsis3/{host}/x.tif",
    ):
        for read in (read_vector, read_table, open_source, stored_layers):
            with pytest.raises(RillmarkError) as caught:
                read(path)
            one_message(caught.value)
        with pytest.raises(LayerError):
            read_geopackage_layer(path, "a")
        folder.add("units", rows.units(), "units.gpkg").name("terrain", path)
        county = folder.read()
        assert county.terrain is None
        assert "terrain_unreadable" in set(county.problems["code"])
        folder.name("units", path)
        with pytest.raises(LayerError):
            folder.read()


def test_a_file_in_a_folder_called_as_an_address_is_a_file(web, tmp_path, monkeypatch):
    place = tmp_path / "http:" / web.removeprefix("http://")
    place.mkdir(parents=True)
    (place / "a.geojson").write_text(collection(""), "utf-8")
    monkeypatch.chdir(tmp_path)
    assert len(read_vector(f"{web}/a.geojson")) == 1


def geopackage(path, crs="EPSG:32616"):
    shapes = shapely.to_wkb(np.array([shapely.Point(600_000, 4_400_000)]))
    pyogrio.raw.write(
        path, shapes, [np.array([1])], ["a"], geometry_type="Point", crs=crs, layer="v",
        driver="GPKG",
    )  # fmt: skip


@pytest.mark.parametrize(
    "query",
    [
        "ogr_geocode('x','geometry','QUERY_TEMPLATE={web}/%s')",
        "ogr_datasource_load_layers('{web}/x.json')",
        "load_extension('{web}/x')",
        "gdal_get_pixel_value('/vsicurl/{web}/a.tif',1,'pixel',0,0)",
    ],
)
def test_no_view_of_a_geopackage_asks_anybody(web, tmp_path, query):
    path = tmp_path / "a.gpkg"
    geopackage(path)
    with sqlite3.connect(path) as database:
        database.execute(f"create view w as select fid, {query.format(web=web)} as g from v")
        database.execute(
            "insert into gpkg_contents(table_name, data_type, identifier)"
            " values('w', 'attributes', 'w')"
        )
    database.close()
    for layer in ("w", "v"):
        try:
            read_vector(path, layer=layer)
        except LayerError as error:
            one_message(error)


def test_no_reference_system_asks_anybody(web, tmp_path):
    path = tmp_path / "a.gpkg"
    geopackage(path)
    with sqlite3.connect(path) as database:
        database.execute(
            "update gpkg_spatial_ref_sys set definition=?, organization='NONE',"
            " organization_coordsys_id=0 where srs_id=32616",
            (f"{web}/crs",),
        )
    database.close()
    assert read_vector(path).crs is None
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(1, 2)], crs=4326).to_file(
        tmp_path / "b.shp"
    )
    (tmp_path / "b.prj").write_text(f"{web}/crs")
    assert read_vector(tmp_path / "b.shp").crs is None


def raster(path, crs=UTM16):
    values = np.arange(3600, dtype=np.float32).reshape(60, 60)
    write_raster(Grid(values, Affine(1, 0, 600_000, 0, -1, 4_400_000), crs), path)
    return values


@pytest.mark.parametrize(
    ("side", "text"),
    [
        ("a.tif.aux.xml", ('<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">'
                          "/vsicurl/{web}/o.tif</MDI></Metadata></PAMDataset>")),
        ("a.tif.aux.xml", ('<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">'
                          "/etc/o.tif</MDI></Metadata></PAMDataset>")),
        ("a.tif.aux.xml", '<!DOCTYPE a SYSTEM "{web}/a.dtd"><PAMDataset/>'),
        ("a.tif.msk", "<GDAL_WMS><Service><ServerUrl>{web}</ServerUrl></Service></GDAL_WMS>"),
        ("a.tif.ovr", '<VRTDataset rasterXSize="60" rasterYSize="60"/>'),
        ("a.tif.OVR", "{web}/o.tif"),
    ],
)  # fmt: skip
def test_no_file_beside_a_raster_leads_elsewhere(web, tmp_path, side, text):
    raster(tmp_path / "a.tif")
    (tmp_path / side).write_text(text.format(web=web))
    with pytest.raises(TerrainError) as caught:
        open_source(tmp_path / "a.tif").read()
    assert "delete it" in caught.value.hint


def test_a_reference_system_beside_a_raster_asks_nobody(web, tmp_path):
    raster(tmp_path / "a.tif")
    (tmp_path / "a.tif.aux.xml").write_text(f"<PAMDataset><SRS>{web}/crs</SRS></PAMDataset>")
    open_source(tmp_path / "a.tif", stated_crs=UTM16).read()


def test_what_a_raster_says_of_overviews_inside_asks_nobody(web, tmp_path):
    values = raster(tmp_path / "a.tif")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(tmp_path / "a.tif", "r+", IGNORE_COG_LAYOUT_BREAK="YES") as dataset:
            dataset.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/{web}/o.tif")
    assert np.array_equal(open_source(tmp_path / "a.tif").read().values, values)


def test_the_network_is_off_below_all_of_it(counting, tmp_path, monkeypatch):
    """Were a file to come through, GDAL itself would still ask nobody."""
    for name in ("no_proxy", "NO_PROXY"):
        monkeypatch.setenv(name, "")
    counting.asked.clear()
    web = f"http://127.0.0.1:{counting.server_port}"
    path = tmp_path / "a.geojson"
    path.write_text(fetching(web)["link"], "utf-8")
    pyogrio.raw.read(path)
    for driver in ("GTiff", None):
        with pytest.raises(rasterio.errors.RasterioIOError), Env():
            rasterio.open(f"/vsicurl/{web}/a.tif", driver=driver)
    with pytest.raises(pyogrio.errors.DataSourceError):
        pyogrio.raw.read(f"/vsicurl/{web}/a.gpkg")
    assert counting.asked == []
    assert not network.is_network_enabled()
    assert os.environ["PROJ_NETWORK"] == "OFF"


def test_gdal_has_only_the_drivers_of_vectors_that_are_read():
    kept = {name for names in VECTOR_DRIVERS.values() for name in names}
    assert set(pyogrio.list_drivers()) == kept | {"MEM"}


# ------------------------------------------------------------------------ what is no regular file


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_devices_and_sockets_are_refused_at_once(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # a socket's path must be short
    readers = dict.fromkeys(VECTOR_DRIVERS, read_vector) | dict.fromkeys(
        RASTER_DRIVERS, open_source
    )
    readers |= {".csv": read_table, ".xlsx": read_table, ".toml": read_county}
    for suffix, read in readers.items():
        pipe, device, talk = (tmp_path / f"{name}{suffix}" for name in ("pipe", "zero", "talk"))
        os.mkfifo(pipe)
        device.symlink_to("/dev/zero")
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind(talk.name)
            for path in (pipe, device, talk):
                with pytest.raises(RillmarkError, match="pipe or a device") as caught:
                    read(path)
                one_message(caught.value)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
@pytest.mark.parametrize("side", [".dbf", ".prj", ".shx", ".cpg"])
def test_a_pipe_beside_a_shapefile_is_refused(tmp_path, side):
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(1, 2)], crs=4326).to_file(
        tmp_path / "b.shp"
    )
    (tmp_path / "b.shp").with_suffix(side).unlink()
    os.mkfifo(tmp_path / f"b{side}")
    with pytest.raises(LayerError, match="pipe or a device"):
        read_vector(tmp_path / "b.shp")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_in_a_geodatabase_or_beside_a_raster_is_refused(tmp_path):
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(1, 2)], crs=4326).to_file(
        tmp_path / "b.gdb", driver="OpenFileGDB"
    )
    assert len(read_vector(tmp_path / "b.gdb")) == 1
    os.mkfifo(tmp_path / "b.gdb" / "a00000001.spx")
    with pytest.raises(LayerError, match="pipe or a device"):
        read_vector(tmp_path / "b.gdb")
    raster(tmp_path / "a.tif")
    os.mkfifo(tmp_path / "a.tfw")
    with pytest.raises(TerrainError, match="pipe or a device"):
        open_source(tmp_path / "a.tif")


def test_a_symbolic_link_to_a_file_is_a_file(tmp_path):
    geopackage(tmp_path / "a.gpkg")
    (tmp_path / "b.gpkg").symlink_to(tmp_path / "a.gpkg")
    assert len(read_vector(tmp_path / "b.gpkg")) == 1


# --------------------------------------------------------------------------- under another's name


def test_a_sound_file_under_another_ending_is_told_what_it_is(tmp_path):
    geopackage(tmp_path / "a.gpkg")
    (tmp_path / "a.geojson").write_bytes((tmp_path / "a.gpkg").read_bytes())
    with pytest.raises(LayerError, match="maybe a GeoPackage, which does not match its ending"):
        read_vector(tmp_path / "a.geojson")
    raster(tmp_path / "a.tif")
    (tmp_path / "b.gpkg").write_bytes((tmp_path / "a.tif").read_bytes())
    with pytest.raises(LayerError, match="a TIFF raster"):
        read_vector(tmp_path / "b.gpkg")
    (tmp_path / "b.tif").write_bytes((tmp_path / "a.gpkg").read_bytes())
    with pytest.raises(TerrainError, match="a database"):
        open_source(tmp_path / "b.tif")
    (tmp_path / "a.kml").write_text("<kml/>")
    with pytest.raises(LayerError, match=r"ends in '\.kml'"):
        read_vector(tmp_path / "a.kml")


def test_an_archive_holds_map_layers_or_is_refused(tmp_path):
    for name, data in (("a.geojson", POINT), ("a.vrt", "<OGRVRTDataSource/>"), ("a.shp", "<kml/>")):
        with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
            archive.writestr(name, data)
        with pytest.raises(LayerError) as caught:
            read_vector(tmp_path / "a.zip")
        one_message(caught.value)


# ------------------------------------------------------------------------------------------- VRT


def vrt(path, source, *, relative="1", more="", band="", root="", kind="SimpleSource", inside=""):
    path.write_text(
        f'<VRTDataset rasterXSize="60" rasterYSize="60"{root}><SRS>EPSG:32616</SRS>'
        f"<GeoTransform>600000, 1, 0, 4400000, 0, -1</GeoTransform>{more}"
        f'<VRTRasterBand dataType="Float32" band="1"{band}><{kind}>'
        f'<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename>'
        f"<SourceBand>1</SourceBand>{inside}</{kind}></VRTRasterBand></VRTDataset>",
        "utf-8",
    )


@pytest.fixture
def county(tmp_path):
    (tmp_path / "county" / "tiles").mkdir(parents=True)
    (tmp_path / "other").mkdir()
    raster(tmp_path / "other" / "secret.tif")
    return tmp_path / "county"


def test_a_plain_vrt_of_its_own_folder_is_read(county):
    values = raster(county / "tiles" / "a & b.tif")
    whole = (county / "tiles" / "a & b.tif").as_posix().replace("&", "&amp;")
    for source, relative in (("tiles/a &amp; b.tif", "1"), (whole, "0")):
        vrt(county / "all.vrt", source, relative=relative)
        found = open_source(county / "all.vrt")
        assert np.array_equal(found.read().values, values)
        assert found.crs == UTM16
        assert vertical_unit(county / "all.vrt") is None


def refused_vrt(county, why, **parts):
    vrt(county / "all.vrt", parts.pop("source", "tiles/a.tif"), **parts)
    with pytest.raises(TerrainError, match=why) as caught:
        open_source(county / "all.vrt")
    assert "GeoTIFF" in caught.value.hint


def test_a_vrt_reaches_no_other_folder(county, tmp_path):
    secret = tmp_path / "other" / "secret.tif"
    refused_vrt(county, "outside", source="../other/secret.tif")
    refused_vrt(county, "outside", source=secret.as_posix(), relative="0")
    refused_vrt(county, "outside", source="tiles/../../other/secret.tif")
    (county / "tiles" / "link.tif").symlink_to(secret)
    refused_vrt(county, "outside", source="tiles/link.tif")
    (county / "way").symlink_to(tmp_path / "other")
    refused_vrt(county, "outside", source="way/secret.tif")
    refused_vrt(county, "outside", source="/vsizip/a.zip/a.tif", relative="0")


def test_a_vrt_holds_tiles_and_nothing_else(county):
    raster(county / "tiles" / "a.tif")
    vrt(county / "inner.vrt", "tiles/a.tif")
    refused_vrt(county, "is not a GeoTIFF", source="inner.vrt")
    refused_vrt(county, "subClass", root=' subClass="VRTWarpedDataset"')
    refused_vrt(county, "subClass", band=' subClass="VRTDerivedRasterBand"')
    refused_vrt(county, "KernelFilteredSource", kind="KernelFilteredSource")
    refused_vrt(county, "OpenOptions", inside='<OpenOptions><OOI key="a">b</OOI></OpenOptions>')
    refused_vrt(county, "GDALWarpOptions", more="<GDALWarpOptions/>")
    refused_vrt(county, "ArraySource", kind="ArraySource")
    refused_vrt(county, "'domain'", more='<Metadata domain="OVERVIEWS"/>')
    vrt(county / "all.vrt", "tiles/a.tif")
    text = (county / "all.vrt").read_text()
    (county / "all.vrt").write_text(f'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]>{text}')
    with pytest.raises(TerrainError, match="entities"):
        open_source(county / "all.vrt")
    (county / "tiles" / "a.tif").rename(county / "tiles" / "b.tif")
    (county / "tiles" / "a.tif").write_text("<GDAL_WMS/>")
    (county / "all.vrt").write_text(text)
    with pytest.raises(TerrainError, match="XML text"):
        open_source(county / "all.vrt")
