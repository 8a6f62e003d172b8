"""After any record, any pair of them and none, every command ends in a result or one message."""

from __future__ import annotations

import importlib.util
import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

import layers.county
from geo.cli import main
from layers.records import DayFile, parse_record, write_day_file

_SPEC = importlib.util.spec_from_file_location(
    "made_records", Path(__file__).parent / "made_records.py"
)
made = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(made)

# 0.001 degrees are some 85 m to the east and 111 m to the north there; nothing there is real
LON, LAT = -85.8, 39.7
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
    "inspections.csv": "inspection_id,unit_id,date,outcome,result\nI1,001,2025-03-02,completed,good\n",
    "complaints.csv": "complaint_id,unit_id,date,closed\nC1,002,2026-03-01,\n",
    "permits.csv": "permit_id,unit_id,issued,expires\nPE1,001,2020-01-01,2026-05-01\n",
    "taped_distances.csv": "taped_distance_id,unit_id,part,feature,distance_m\nT1,001,tank,well,20\n",
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
        own = layers.county.read_county

        def once(path, *, as_of=None):
            """The county as read since something was written last."""
            if as_of not in self.read:
                self.read[as_of] = own(path, as_of=as_of)
            return self.read[as_of]

        monkeypatch.setattr(layers.county, "read_county", once)

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
            said = [x for x in done.stderr.splitlines() if x.startswith(("rillmark:", "Error:"))]
            assert len(said) == 1, (words, done.output)
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


@pytest.fixture(params=["units alone", "every layer"])
def office(request, tmp_path, monkeypatch):
    monkeypatch.setenv("RILLMARK_CACHE_DIR", str(tmp_path / "cache"))
    write_county(tmp_path, LAYERS if request.param == "every layer" else ())
    (tmp_path / "out").mkdir()
    return Office(tmp_path, monkeypatch)
