"""Small files, large cost: each limit just below and just above, and what no limit must stop."""

import sqlite3
import struct
import tracemalloc
import zipfile

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS

from layers import read_county
from layers.errors import CountyFileError, LayerError, TerrainError
from layers.files.raster import open_source, write_raster
from layers.files.tables import _unique_names, read_table
from layers.files.vector import read_vector
from layers.grid import Grid
from layers.settings.county_file import CountyFile
from layers.settings.limits import UNASKED, Limits
from layers.settings.settings_file import load_model

UTM16 = CRS.from_epsg(32616)


def test_the_limits_admit_what_an_office_has():
    """Five million rows, and a raster of 1.5e9 cells."""
    UNASKED.check("rows", 5_000_000, None)
    UNASKED.check("table_cells", 5_000_000 * 60, None)
    UNASKED.check("raster_cells", 1_500_000_000, None)


def kept_and_refused(name, counted, read, error=LayerError):
    """Reads at a limit of what there is, and is refused one below, by a message that names it."""
    read(Limits(**{name: counted}))
    with pytest.raises(error) as caught:
        read(Limits(**{name: counted - 1}))
    assert f"the limit is {counted - 1:,}" in caught.value.what
    assert f"set '{name}' above {counted - 1} in [limits]" in caught.value.hint
    return caught.value


def sheet(path, rows):
    parts = {
        "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
        'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-'
        'package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-office'
        'document.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml"'
        ' ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"'
        "/></Types>",
        "_rels/.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
        'relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/office'
        'Document/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/_rels/workbook.xml.rels": '<Relationships xmlns="http://schemas.openxmlformats.org/'
        'package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats'
        '.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>'
        "</Relationships>",
        "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/'
        'main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships">'
        '<sheets><sheet name="a" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/worksheets/sheet1.xml": '<worksheet xmlns="http://schemas.openxmlformats.org/spread'
        f'sheetml/2006/main"><sheetData>{rows}</sheetData></worksheet>',
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return path


HEADER = '<row r="1"><c r="A1" t="str"><v>unit_id</v></c><c r="B1" t="str"><v>lat</v></c></row>'


def number(row, column="A"):
    return f'<row r="{row}"><c r="{column}{row}"><v>7</v></c></row>'


def points(path, count=3):
    frame = gpd.GeoDataFrame(
        {"unit_id": [str(i) for i in range(count)], "a": 1, "b": 2},
        geometry=shapely.points(np.arange(count) + 600_000.0, 4_400_000.0), crs=UTM16,
    )  # fmt: skip
    frame.to_file(path, **({"driver": "OpenFileGDB"} if path.suffix == ".gdb" else {}))
    return path


# ------------------------------------------------------------------------------------- each limit


def test_limits_of_a_list(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("title\nunit_id,lat,lon\n1,2,3\n\n4,5,6\n7,8\n")
    for name, counted in (("rows", 3), ("columns", 3), ("table_cells", 9), ("cell_letters", 7)):
        kept_and_refused(name, counted, lambda limits: read_table(path, limits=limits))
    assert read_table(path).blank_rows == 1
    path = sheet(tmp_path / "a.xlsx", HEADER + number(2) + number(5))
    for name, counted in (("rows", 2), ("columns", 2), ("table_cells", 4)):
        kept_and_refused(name, counted, lambda limits: read_table(path, limits=limits))


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp", ".fgb", ".gdb"])
def test_limits_of_a_map_layer(tmp_path, suffix):
    path = points(tmp_path / f"a{suffix}")
    for name, counted in (("rows", 3), ("columns", 3), ("table_cells", 9)):
        kept_and_refused(name, counted, lambda limits: read_vector(path, limits=limits))


def test_limits_in_bytes(tmp_path):
    (tmp_path / "a.csv").write_text("a,b\n" + "1,2\n" * 300_000)
    kept_and_refused("file_mb", 2, lambda limits: read_table(tmp_path / "a.csv", limits=limits))
    path = sheet(tmp_path / "a.xlsx", HEADER + number(2) + " " * 1_500_000)
    assert path.stat().st_size < 10_000
    kept_and_refused("unpacked_mb", 2, lambda limits: read_table(path, limits=limits))
    points(tmp_path / "b.shp")
    with zipfile.ZipFile(tmp_path / "b.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for part in tmp_path.glob("b.*"):
            if part.suffix != ".zip":
                archive.write(part, part.name)
        archive.writestr("read_me.txt", " " * 1_500_000)
    kept_and_refused(
        "unpacked_mb", 2, lambda limits: read_vector(tmp_path / "b.zip", limits=limits)
    )
    path = points(tmp_path / "c.geojson", 20_000)
    kept_and_refused("file_mb", -(-path.stat().st_size // 10**6),
                     lambda limits: read_vector(path, limits=limits))  # fmt: skip


def test_limits_of_a_raster(tmp_path):
    path = tmp_path / "a.tif"
    values = np.zeros((60, 50), np.float32)
    write_raster(Grid(values, Affine(1, 0, 600_000, 0, -1, 4_400_000), UTM16), path)
    for name, counted in (("raster_cells", 3000), ("block_mb", 2)):
        kept_and_refused(
            name, counted, lambda limits: open_source(path, limits=limits), TerrainError
        )
    with rasterio.open(
        tmp_path / "b.tif", "w", driver="GTiff", width=4, height=4, count=3, dtype="int16",
        crs="EPSG:32616", transform=Affine(1, 0, 6e5, 0, -1, 4.4e6),
    ) as dataset:  # fmt: skip
        dataset.write(np.ones((3, 4, 4), "int16"))
    path = tmp_path / "b.tif"
    kept_and_refused(
        "raster_bands", 3, lambda limits: open_source(path, limits=limits), TerrainError
    )


def test_limits_of_tiles_far_apart(tmp_path):
    for k, x in enumerate((0.0, 9_000.0)):
        write_raster(Grid(np.ones((2, 2), np.float32), Affine(1, 0, x, 0, -1, 4.4e6), UTM16),
                     tmp_path / f"{k}.tif")  # fmt: skip
    kept_and_refused("raster_cells", 18_004, lambda limits: open_source(tmp_path, limits=limits),
                     TerrainError)  # fmt: skip


def test_an_office_raises_a_limit_in_its_county_file(folder, rows):
    table = rows.lonlat(rows.units())
    folder.add("units", table, "units.csv", crs='"EPSG:4326"')
    folder.more = "[limits]\nrows = 5"
    with pytest.raises(LayerError, match="rows; the limit is 5") as caught:
        folder.read()
    assert "'rows' above 5 in [limits]" in caught.value.hint
    folder.more = "[limits]\nrows = 6"
    assert len(folder.read().layers["units"]) == 6
    folder.add("terrain", rows.terrain(), "terrain.tif")
    folder.more = "[limits]\nraster_cells = 7199"
    county = folder.read()
    assert county.terrain is None
    assert any("'raster_cells' above 7199" in text for text in county.problems["message"])
    folder.more = "[limits]\nraster_cells = 7200"
    assert folder.read().terrain is not None


def test_where_no_county_file_can_raise_a_limit_the_message_does_not_say_so(tmp_path):
    (tmp_path / "a.csv").write_text(",".join(f"c{i}" for i in range(2001)) + "\n1,2\n")
    with pytest.raises(LayerError, match="2,001 columns; the limit is 2,000") as caught:
        read_table(tmp_path / "a.csv")
    assert "[limits]" not in caught.value.hint


# ---------------------------------------------------------------------- small files of large cost


def peak_mb(work):
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


def test_equal_headers_cost_no_more_than_others(tmp_path):
    """Eight thousand took 40 s; a hundred thousand would take an hour if each were tried anew."""
    names = _unique_names(["a"] * 100_000)
    assert names[:3] == ["a", "a_2", "a_3"]
    assert names[-1] == "a_100000"
    assert _unique_names(["a", "a_2", "a", "a", None, "a_3", "column_5"]) == [
        "a", "a_2", "a_3", "a_4", "column_5", "a_3_2", "column_5_2"]  # fmt: skip
    (tmp_path / "a.csv").write_text(",".join(["a"] * 8_000) + "\n1,2\n")
    with pytest.raises(LayerError, match="columns; the limit is"):
        read_table(tmp_path / "a.csv")


def test_a_row_number_no_sheet_has_is_refused(tmp_path, monkeypatch):
    path = sheet(tmp_path / "a.xlsx", HEADER + number(999_999_999))
    assert path.stat().st_size < 2_000
    with pytest.raises(LayerError, match="a row beyond 1,048,576"):
        read_table(path)
    monkeypatch.setattr("layers.files.tables._LAST_ROW", 30_000)
    last = sheet(tmp_path / "b.xlsx", HEADER + number(30_000))
    assert read_table(last).rows.tolist() == [30_000]
    assert peak_mb(lambda: read_table(last)) < 2  # a list of the rows between takes 3
    with pytest.raises(LayerError, match="a row beyond 30,000"):
        read_table(sheet(tmp_path / "c.xlsx", HEADER + number(30_001)))


def test_empty_rows_are_counted_and_not_kept(tmp_path):
    (tmp_path / "a.csv").write_text("a,b\n1,2\n" + "\n" * 30_000 + "3,4\n" + ",\n" * 20_000)
    raw = read_table(tmp_path / "a.csv")
    assert raw.rows.tolist() == [2, 30_003]
    assert raw.blank_rows == 30_000
    assert peak_mb(lambda: read_table(tmp_path / "a.csv")) < 2.5  # a list of all takes 8


def test_a_table_that_is_almost_empty_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("layers.files.tables._FREE_CELLS", 10_000)
    (tmp_path / "a.csv").write_text("a,b\n" + "1\n" * 1_000 + "," * 1_500 + "2\n")
    with pytest.raises(LayerError, match="far longer than the others"):
        read_table(tmp_path / "a.csv")
    far = "".join(number(row, "BXX") for row in range(2, 300))
    with pytest.raises(LayerError, match="far longer than the others"):
        read_table(sheet(tmp_path / "a.xlsx", HEADER + far))


def test_one_enormous_cell_or_header_is_refused(tmp_path):
    for text in ("a,b\n1," + "x" * 3_000_000 + "\n", '"' * 4_000_001 + ",b\n1,2\n"):
        (tmp_path / "a.csv").write_text(text)
        with pytest.raises(LayerError, match="characters in one cell; the limit is 131,072"):
            read_table(tmp_path / "a.csv")


def test_a_geopackage_that_claims_rows_it_cannot_hold_is_refused(tmp_path):
    path = points(tmp_path / "a.gpkg")
    for claimed, why in (
        (2_000_000_000, "the limit is 10,000,000"),
        (9_000_000, "more than its"),
        (3_000_000_000, "it is damaged"),
    ):
        with sqlite3.connect(path) as database:
            database.execute("update gpkg_ogr_contents set feature_count = ?", (claimed,))
        database.close()
        with pytest.raises(LayerError, match=why):
            read_vector(path)


def test_a_geojson_whose_every_row_has_its_own_columns_is_refused(tmp_path):
    rows = ",".join(
        f'{{"type":"Feature","properties":{{"p{k}":1}},"geometry":null}}' for k in range(2_001)
    )
    path = tmp_path / "a.geojson"
    path.write_text(f'{{"type":"FeatureCollection","features":[{rows}]}}')
    with pytest.raises(LayerError, match="2,001 columns"):
        read_vector(path)


def test_a_small_tiff_that_claims_an_enormous_raster_is_refused(tmp_path):
    """A header of TIFF 6.0: a million by a million bytes in one strip of nothing."""
    entries = [(256, 4, 1_000_000), (257, 4, 1_000_000), (258, 3, 8), (259, 3, 1), (262, 3, 1),
               (273, 4, 8), (277, 3, 1), (278, 4, 1_000_000), (279, 4, 10)]  # fmt: skip
    body = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    path = tmp_path / "a.tif"
    path.write_bytes(b"II*\x00\x08\x00\x00\x00" + struct.pack("<H", 9) + body + bytes(4))
    with pytest.raises(TerrainError, match=r"cells .* the limit is 4,000,000,000"):
        open_source(path)


# --------------------------------------------------------------------------------------- settings


COUNTY = '[county]\nname = "A"\n[layers.units]\npath = "a.csv"\n'


@pytest.mark.parametrize("digits", [19, 4_000, 5_000, 100_000])
@pytest.mark.parametrize("place", ["[programme]\nvisits_per_year = {}", "[limits]\nrows = -{}",
                                   "[link]\nnearest_within_m = {}",
                                   "x = [[{{a = {}}}]]"])  # fmt: skip
def test_a_whole_number_of_too_many_digits(tmp_path, place, digits):
    path = tmp_path / "county.toml"
    path.write_text(COUNTY + place.format("9" * digits))
    with pytest.raises(CountyFileError, match="a whole number has too many digits"):
        load_model(path, CountyFile)


@pytest.mark.parametrize("number", ["inf", "-inf", "nan", "1e400"])
@pytest.mark.parametrize(
    "place",
    [
        "[accuracy_m]\ngps = {}",
        "[link]\nnearest_within_m = {}",
        "[storms]\ndepths_in = {{ 2 = {} }}",
        "[terrain]\nlake_fall_m = {}",
        "[outlets]\ndeepest_m = {}",
    ],
)
def test_every_number_of_the_settings_is_finite(tmp_path, place, number):
    path = tmp_path / "county.toml"
    path.write_text(COUNTY + place.format("2.5"))
    load_model(path, CountyFile)
    path.write_text(COUNTY + place.format(number))
    with pytest.raises(CountyFileError, match=r"finite|greater|less"):
        load_model(path, CountyFile)


def test_settings_are_small_and_their_keys_shallow(tmp_path):
    path = tmp_path / "county.toml"
    path.write_text(COUNTY + "#" * 4_900_000)
    load_model(path, CountyFile)
    path.write_text(COUNTY + "#" * 5_000_000)
    with pytest.raises(CountyFileError, match="settings can have at most 5 MB"):
        load_model(path, CountyFile)
    path.write_text(COUNTY + ".".join(["a"] * 3_000) + " = 1")
    with pytest.raises(CountyFileError):
        read_county(path)
