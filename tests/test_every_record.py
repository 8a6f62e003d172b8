"""After any record, any pair of them and none, every command ends in a result or one message."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from affine import Affine
from click.testing import CliRunner
from pyproj import CRS

import layers.reading.reading
from geo.cli import main
from geo.programme.history import history_columns
from geo.programme.owed import owed_in
from geo.publish.tables.calendar import calendar_text
from geo.publish.tables.letters import letters
from layers.crs import WGS84, Mover
from layers.files.raster import write_raster
from layers.grid import Grid
from layers.problems import CODES, ProblemLog
from layers.reading.joining import with_records
from layers.records import DayFile, parse_record, standing, write_day_file
from layers.records.release import redacted
from layers.records.release_words import release_words
from layers.settings.visit_list import load_visit_list
from support import made_records as made

# 0.001 degrees are some 85 m to the east and 111 m to the north there; nothing there is real
LON, LAT = -85.8, 39.7
UTM16 = CRS.from_epsg(32616)
WORDS = release_words(load_visit_list(None))
STREAM = [[-85.81, 39.7005], [-85.78, 39.7004]]
HEAD = """[county]
name = "Test County"
as_of = 2026-04-01
crs = "EPSG:32616"
[records]
path = "records"
keep_years = { visit = 3, sample_result = 3, withdrawal = 3, extension = 3, closure = 3, hold = 3 }
[programme]
reinspection_days = { danger = 2, repair = 30 }
complaint_days = 7
"""


def _square(x, y, half):
    ring = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    return {"type": "Polygon", "coordinates": [[[x + dx, y + dy] for dx, dy in ring]]}


def _collection(features):
    rows = [{"type": "Feature", "properties": p, "geometry": g} for p, g in features]
    return json.dumps({"type": "FeatureCollection", "features": rows})


def _rows(head, line):
    return head + "".join(line.format(k=k, x=LON + k / 1000, y=LAT) for k in range(1, 7))


LAYERS = {
    "discharge_points.csv": _rows(
        "discharge_point_id,unit_id,lat,lon,location_basis\n", "D{k},00{k},39.7002,{x},gps\n"
    ),
    "wells.csv": _rows("well_id,lat,lon,use\n", "W{k},39.6997,{x},private\n"),
    "streams.geojson": _collection(
        [
            (
                {"stream_id": "S1"},
                {"type": "LineString", "coordinates": [[-85.81, 39.7005], [-85.78, 39.7004]]},
            )
        ]
    ),
    "parcels.geojson": _collection(
        [({"parcel_id": f"P{k}"}, _square(LON + k / 1000, LAT, 0.0004)) for k in range(1, 7)]
    ),
    "inspections.csv": "inspection_id,unit_id,date,outcome,result\n"
    "I1,001,2025-03-02,completed,good\n",
    "complaints.csv": "complaint_id,unit_id,date,closed\nC1,002,2026-03-01,\n",
    "permits.csv": "permit_id,unit_id,issued,expires\nPE1,001,2020-01-01,2026-05-01\n",
    "taped_distances.csv": "taped_distance_id,unit_id,part,feature,distance_m\n"
    "T1,001,tank,well,20\n",
}


def write_county(folder, names):
    """A county of six units and some layers."""
    units = _rows("unit_id,lat,lon,parcel_id,location_basis\n", "00{k},{y},{x},P{k},gps\n")
    (folder / "units.csv").write_text(units)
    text = HEAD + '[layers.units]\npath = "units.csv"\n'
    for name in names:
        (folder / name).write_text(LAYERS[name])
        text += f'[layers.{name.split(".")[0]}]\npath = "{name}"\n'
    (folder / "county.toml").write_text(text)


class Office:
    """A county's folder and the commands on it."""

    def __init__(self, folder, monkeypatch):
        self.folder = folder
        self.toml = str(folder / "county.toml")
        self.read = {}
        own = layers.reading.reading.read_county

        def once(path, *, as_of=None, only_records=False):
            """The county as read since something was written last."""
            key = as_of, only_records
            if key not in self.read:
                self.read[key] = own(path, as_of=as_of, only_records=only_records)
            return self.read[key]

        monkeypatch.setattr(layers.reading.reading, "read_county", once)

    def fresh(self):
        """No record."""
        shutil.rmtree(self.folder / "records", ignore_errors=True)
        self.read.clear()

    def run(self, *words):
        """A command; it must end in a result or in one message."""
        done = CliRunner().invoke(main, [str(word) for word in words])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise AssertionError(f"{words}: {done.output}") from done.exception
        assert done.exit_code in (0, 1, 2), (words, done.output)
        if done.exit_code == 2 and words[0] != "record":
            text = [x for x in done.stderr.splitlines() if x.startswith(("rillmark:", "Error:"))]
            assert len(text) == 1, (words, done.output)
        return SimpleNamespace(code=done.exit_code, text=done.output)

    def bring(self, *records):
        """A day file of records, brought in."""
        self.read.clear()
        parsed = tuple(parse_record(json.dumps(r, default=str)) for r in records)
        day = DayFile(made.COUNTY, made.AS_OF, "Kim", parsed)
        (self.folder / "day.jsonl").write_bytes(write_day_file(day))
        done = self.run("record", self.toml, self.folder / "day.jsonl")
        assert done.code < 2 or records[0]["county"] != made.COUNTY, done.text
        return done

    def word(self, *words):
        """A word of the office; the county is read anew after it."""
        done = self.run("findings", words[0], self.toml, *words[1:])
        self.read.clear()
        return done

    def look(self):
        """Every command that only reads what is on record."""
        out = self.folder / "out"
        self.run("check", self.toml, "--json")
        self.run("check", self.toml)
        self.run("due", self.toml)
        self.run("due", self.toml, "--json", "--csv", out / "d.csv", "--calendar", out / "d.ics")
        self.run("findings", "list", self.toml, "--all")
        self.run("findings", "list", self.toml, "--json")
        for what in ("letters", "photos"):
            self.run("findings", what, self.toml, out / what)
        self.run("findings", "snapshot", self.toml, out / "s.gpkg")
        self.run("findings", "release", self.toml, out / "r.csv")

    def act(self, record):
        """Every command that adds a word, or takes a record out."""
        by, why = ("--by", "Kim"), ("--reason", "because")
        one = record["record_id"]
        self.word("close", *by, "--evidence", "photo", "--", f"{one}/1")
        self.word("extend", *by, *why, "--until", "9999-12-31", "--", f"{one}/1")
        self.word("lift", *by, *why, "--", one)
        self.word("hold", *by, *why, "--unit", record.get("unit_id") or "001")
        self.word("result", *by, "--what", "pH", "--value", "7", "--unit", "pH", "--", "S-1")
        self.word("dispose", *by, "--authority", "schedule", "--yes")
        self.word("withdraw", *by, *why, "--", one)
        self.run("record", self.toml, self.folder / "day.jsonl")
        self.read.clear()


def _office(folder, monkeypatch, names):
    write_county(folder, names)
    (folder / "out").mkdir()
    return Office(folder, monkeypatch)


def named(record, number=1):
    """A made record with an id of its own."""
    return record | {"record_id": f"{record['kind']}-{number}"}


def aimed(record, at):
    """A word that speaks of another record, or of its first finding."""
    if "of" not in record:
        return record
    is_of_finding = record["kind"] in ("extension", "closure")
    return record | {"of": at["record_id"] + ("/1" if is_of_finding else "")}


def fullest(kind):
    *_, full = made.few(kind)
    return named(full)


# ------------------------------------------------------------------------------- commands


def test_every_command_works_without_any_record(tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, ())
    office.look()
    office.act({"kind": "visit", "record_id": "nothing", "unit_id": "001"})
    office.look()


@pytest.mark.parametrize("kind", made.KINDS)
def test_every_command_works_after_one_record(kind, tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, ())
    record = fullest(kind)
    office.bring(record)
    office.look()
    office.act(record)
    office.look()


@pytest.mark.parametrize("first", ["visit", "withdrawal"])
def test_every_command_works_after_two_records_in_a_county_with_every_layer(
    first, tmp_path, monkeypatch
):
    office = _office(tmp_path, monkeypatch, LAYERS)
    one = fullest("visit")
    other = aimed(fullest("hold" if first == "visit" else first), one)
    office.bring(one, other)
    office.look()
    office.act(one)
    office.look()


@pytest.mark.parametrize("season", ["", 'season_from = "04-01"\nseason_to = "11-15"\n'])
def test_due_and_findings_speak_for_any_day_of_the_calendar(season, tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, ())
    toml = tmp_path / "county.toml"
    toml.write_text(toml.read_text().replace("complaint_days", f"{season}complaint_days"))
    office.bring(fullest("visit"))
    for day in ("0001-01-01", "9999-06-01", "9999-12-31"):
        for words in (("due",), ("due", "--within", "36525"), ("check",)):
            assert office.run(*words, office.toml, "--as-of", day).code < 2
        assert office.run("findings", "list", office.toml, "--as-of", day).code < 2


ASSESSED = (
    ("map", "OUT"), ("map", "OUT", "--audience", "public"),
    ("report", "OUT"), ("report", "OUT", "--audience", "public"),
    ("visit", "OUT", "--first", "2"), ("visit", "OUT", "--due"), ("compare", "OUT", "OUT"),
    ("trace", "up", "OUT", "--at", "39.7,-85.799"), ("trace", "down", "OUT", "001"),
    ("trace", "proposal", "TOML", "--lid", "39.7001,-85.7991", "--draws", "3"),
)  # fmt: skip


def assess_and_show(office):
    """Assess, and every command on what comes of it."""
    out = office.folder / "assessed"
    paths = {"OUT": out, "TOML": office.toml}
    done = office.run("assess", office.toml, "--out", out, "--overwrite", "--draws", "3")
    assert done.code < 2, done.text
    for words in ASSESSED:
        done = office.run(*(paths.get(word, word) for word in words))
        assert done.code < 2, done.text


def write_terrain(folder):
    """A slope of 40 by 40 cells under the first units."""
    ground = np.add.outer(np.arange(40.0), np.zeros(40)) / 10 + 200
    x, y = Mover(WGS84, UTM16)(np.array([LON + 0.001]), np.array([LAT]))
    corner = Affine(3, 0, x[0] - 60, 0, -3, y[0] + 60)
    write_raster(Grid(ground.astype(np.float32), corner, UTM16), folder / "ground.tif")
    with (folder / "county.toml").open("a") as file:
        file.write('[layers.terrain]\npath = "ground.tif"\nvertical_unit = "m"\n')


@pytest.mark.parametrize(
    "ground", [pytest.param(False, marks=pytest.mark.long), True], ids=["no terrain", "terrain"]
)
def test_assess_and_what_follows_work_after_a_visit(ground, tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, LAYERS)
    if ground:
        write_terrain(tmp_path)
    office.bring(fullest("visit"))
    assess_and_show(office)


# --------------------------------------------------------------- the functions they are made of


def after(county, *records):
    """What the commands ask of a county with these records; the county as it then is."""
    parsed = [parse_record(json.dumps(record, default=str)) for record in records]
    stands = standing(
        parsed, follow_up_days=county.file.programme.reinspection_days, as_of=county.as_of
    )
    log = ProblemLog()
    joined = with_records(
        {name: frame.copy() for name, frame in county.layers.items()}, stands, crs=county.crs,
        accuracy_m={}, pipe_longer_than_m=200.0, log=log,
    )  # fmt: skip
    assert set(log.frame()["code"]) <= set(CODES)
    now = replace(county, layers=joined, records=stands)
    owed = owed_in(now).visits
    if len(owed):
        calendar_text(owed, county=made.COUNTY, as_of=now.as_of)
    units, inspections = joined["units"], joined.get("inspections")
    history_columns(units, inspections, as_of=now.as_of)
    letters(stands.follow_ups, units, county=made.COUNTY, day="April 1, 2026")
    redacted(
        parsed, unit_ids=None, known=set(units["unit_id"]), words=WORDS,
        since=dt.date.min, until=dt.date.max,
    )  # fmt: skip
    assert joined.keys() - county.layers.keys() <= {"inspections", "discharge_points",
                                                    "taped_distances"}  # fmt: skip
    for name, frame in joined.items():
        if name in county.layers:
            assert list(frame.dtypes) == list(county.layers[name].dtypes), name
            assert len(frame) >= len(county.layers[name])
    return now


@pytest.fixture(scope="module")
def counties(tmp_path_factory):
    """The county with every layer, with none, and without each."""
    found = {}
    for left_out in (None, *LAYERS, "all"):
        folder = tmp_path_factory.mktemp("county")
        names = () if left_out == "all" else [name for name in LAYERS if name != left_out]
        write_county(folder, names)
        found[left_out] = layers.reading.reading.read_county(folder / "county.toml")
    return found


def test_every_value_in_every_field_it_may_stand_in(counties):
    for number, (words, record) in enumerate(made.saturated()):
        if number % (8 if record["kind"] == "visit" else 48) == 0:  # all of them: the long run
            _shown(words, record, counties[None])


def test_a_visit_in_a_county_without_each_layer(counties):
    *some, full = made.few("visit")
    for left_out, county in counties.items():
        _shown(f"without {left_out}", named(full), county)
    for record in some:
        _shown("without all", named(record), counties["all"])


def test_every_pair_of_kinds(counties):
    full = {kind: fullest(kind) for kind in made.KINDS}
    for first in made.KINDS:
        for second in made.KINDS:
            one, other = full[first], named(full[second], 2)
            _shown(f"{second} of {first}", one, counties["all"], aimed(other, one))


def _shown(words, record, county, *more):
    try:
        after(county, record, *more)
    except Exception as error:
        raise AssertionError(f"{words}: {record} {more}") from error


# -------------------------------------------------------------------------------- the long ones


@pytest.mark.long
def test_every_single_record_by_itself(counties):
    for words, record in (*made.saturated(), *made.singles()):
        for county in (counties[None], counties["all"]):
            _shown(words, record, county)


@pytest.mark.long
@pytest.mark.parametrize("names", [(), tuple(LAYERS)], ids=["units alone", "every layer"])
def test_every_command_works_after_every_record(names, tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, names)
    for _, record in made.saturated():  # each field alone: test_every_single_record_by_itself
        office.fresh()
        office.bring(record)
        office.look()
        office.act(record)
        office.look()


@pytest.mark.long
def test_every_command_works_after_every_pair(tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, LAYERS)
    for first in made.KINDS:
        for second in made.KINDS:
            one, other = fullest(first), named(fullest(second), 2)
            office.fresh()
            office.bring(one, aimed(other, one))
            office.look()
            office.act(one)
            office.look()


@pytest.mark.long
def test_assess_and_what_follows_work_after_any_visit(tmp_path, monkeypatch):
    office = _office(tmp_path, monkeypatch, LAYERS)
    for _, record in made.saturated():
        if record["kind"] == "visit":
            office.fresh()
            office.bring(record)
            assess_and_show(office)
