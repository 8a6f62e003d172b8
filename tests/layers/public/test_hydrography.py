"""Flow lines and water bodies of the National Hydrography Dataset.

Types and codes: USGS, "National Hydrography Dataset Data Dictionary: Feature Domains"; 46003,
46006 and 46007 also in a vignette of the survey's own nhdplusTools. Those of 390, 466 and of areas
are from memory. The features here are invented.
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from layers.fields.raw import RawLayer
from layers.public import hydrography
from layers.public.published import numbered
from layers.public.recognition import read_published


def raw(**columns):
    count = len(next(iter(columns.values())))
    return RawLayer(
        {name: np.array(cells, dtype=object) for name, cells in columns.items()},
        np.arange(1, count + 1),
    )


def counted(published, code):
    (remark,) = [remark for remark in published.remarks if remark.code == code]
    return {position: remark.message(position) for position in np.flatnonzero(remark.where)}


LINES = {
    46000: ("stream", None),
    46003: ("stream", "intermittent"),
    46006: ("stream", "perennial"),
    46007: ("stream", "ephemeral"),
    33600: ("canal_ditch", "ditch"),
    33603: ("canal_ditch", "ditch"),
    33400: ("connector", None),
    55800: ("artificial_path", None),
    56600: ("coastline", "perennial"),
    46800: ("drainageway", None),
}


@pytest.mark.parametrize(("code", "expected"), LINES.items())
@pytest.mark.parametrize("form", [int, str, float])
def test_flow_lines_by_their_code(code, expected, form):
    got = read_published(raw(FTYPE=[form(code // 100)], FCODE=[form(code)]), "streams")
    assert (got.columns["stream_kind"][0], got.columns["permanence"][0]) == expected


@pytest.mark.parametrize("code", [42800, 42801, 42816, 42000, 42003])
def test_pipes_and_conduits_are_no_water_to_see(code):
    got = read_published(raw(fcode=[code, 46006]), "streams")
    assert list(counted(got, "not_surface_water")) == [0]


AREAS = {
    39000: ("lake_pond", None),
    39001: ("lake_pond", "intermittent"),
    39004: ("lake_pond", "perennial"),
    39009: ("lake_pond", "perennial"),
    43613: ("reservoir", None),
    46601: ("swamp_marsh", "intermittent"),
    36100: ("playa", None),
    37800: ("ice", None),
    49300: ("estuary", "perennial"),
    46006: ("stream", "perennial"),  # an area of NHDArea: the banks
}


@pytest.mark.parametrize(("code", "expected"), AREAS.items())
def test_areas_by_their_code(code, expected):
    got = read_published(raw(FCode=[str(code)]), "water_bodies")
    assert (got.columns["water_body_kind"][0], got.columns["permanence"][0]) == expected


def test_types_in_words_and_codes_that_disagree():
    got = read_published(
        raw(
            FTYPE=["StreamRiver", "ArtificialPath", "Stream/River", "CanalDitch"],
            FCODE=[46006, None, 46003, 46006],
            REACHCODE=["1", "2", "3", "3"],
        ),
        "streams",
    )
    assert got.columns["stream_kind"].tolist() == ["stream", "artificial_path", "stream", "stream"]
    assert counted(got, "codes_disagree") == {
        3: "FType 336 and FCode 46006 disagree; FCode was used"
    }
    assert got.columns["stream_id"].tolist() == ["1", "2", "3", "3#2"]
    assert got.schema == "NHD (ReachCode, FType, FCode)"


@pytest.mark.parametrize(
    "name", ["permanent_identifier", "PERMANENT_", "ComID", "COMID", "NHDPlusID", "ReachCode"]
)
def test_ids(name):
    got = read_published(raw(**{name: ["7", "7"]}, FCODE=[46006, 46006]), "streams")
    assert got.columns["stream_id"].tolist() == ["7", "7#2"]


def test_unknown_codes_are_said_and_anothers_codes_are_left_alone():
    got = read_published(raw(FCODE=[46006, 46006, 99900]), "streams")
    assert counted(got, "code_unknown") == {2: "FCode '99900' is not a known NHD code"}
    assert read_published(raw(FCODE=["F12", "F13"]), "streams") is None
    assert read_published(raw(name=["Brook"]), "streams") is None
    assert numbered([None, "a", "a", "a"]) == [None, "a", "a#2", "a#3"]


@pytest.fixture
def waters(folder, rows):
    x, y = rows.origin

    def line(*points):
        return shapely.LineString([(x + a, y + b) for a, b in points])

    streams = gpd.GeoDataFrame(
        {
            "permanent_identifier": list("abcde"),
            "ftype": [460, 558, 558, 428, 334],
            "fcode": [46006, 55800, 55800, 42801, 33400],
            "gnis_name": ["Brook", None, None, None, None],
        },
        geometry=[
            line((0, 300), (100, 300)),
            line((100, 300), (200, 300)),  # through the pond
            line((300, 300), (400, 300)),  # through water nobody mapped
            line((0, 400), (400, 400)),
            line((0, 500), (400, 500)),
        ],
        crs=rows.crs,
    )
    ponds = gpd.GeoDataFrame(
        {"Permanent_Identifier": ["p"], "FType": [390], "FCode": [39004]},
        geometry=[shapely.box(x + 100, y + 250, x + 200, y + 350)],
        crs=rows.crs,
    )
    folder.add("units", rows.units(), "u.gpkg").add("streams", streams, "s.gpkg")
    return folder.add("water_bodies", ponds, "w.gpkg")


def test_an_artificial_path_is_not_a_bank(waters, rows):
    county = waters.read()
    streams = county.layers["streams"]
    assert streams["stream_id"].tolist() == ["a", "c", "e"]
    assert streams["stream_kind"].tolist() == ["stream", "artificial_path", "connector"]
    assert streams["permanence"].tolist() == ["perennial", "unknown", "unknown"]
    assert streams["name"].tolist()[0] == "Brook"
    assert county.layers["water_bodies"]["permanence"].tolist() == ["perennial"]
    assert {
        ("artificial_path", 2, "set_aside"),
        ("artificial_path", 3, "kept"),
        ("not_surface_water", 4, "set_aside"),
    } <= rows.found(county, "streams")
    counts = county.counts.set_index("layer").loc["streams"]
    assert counts.tolist() == [5, 3, 0, 2]


def test_the_county_files_map_goes_before_the_schema(waters):
    waters.name(
        "streams",
        "s.gpkg",
        columns='{ permanence = "fcode" }',
        values='{ permanence = { 33400 = "ditch", 46006 = "intermittent", 55800 = "ditch" } }',
    )
    streams = waters.read().layers["streams"]
    assert streams["permanence"].tolist() == ["intermittent", "ditch", "ditch"]
    assert streams["stream_id"].tolist() == ["a", "c", "e"]


# A second transcription of the data dictionary's list of feature types, of which what this
# program reads in words; from memory.
FEATURE_TYPES = """
307 AreaToBeSubmerged
312 BayInlet
318 Bridge
334 Connector
336 CanalDitch
343 DamWeir
361 Playa
362 Flume
364 Foreshore
372 HazardZone
378 IceMass
390 LakePond
398 LockChamber
403 InundationArea
420 UndergroundConduit
428 Pipeline
431 Rapids
436 Reservoir
445 SeaOcean
454 SpecialUseZone
455 Spillway
460 StreamRiver
461 SubmergedStream
466 SwampMarsh
468 Drainageway
484 Wash
493 Estuary
537 AreaOfComplexChannels
558 ArtificialPath
566 Coastline
568 Levee
"""


def test_every_type_in_words_has_the_number_of_the_data_dictionary():
    listed = (line.split() for line in FEATURE_TYPES.strip().splitlines())
    assert {name.casefold(): int(number) for number, name in listed} == hydrography._TYPE_NAMES
