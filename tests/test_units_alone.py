"""A list of units alone still runs to a map, and says how little it knows."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from openpyxl import Workbook

from geo.cli import main
from layers import store


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Sixty invented addresses in open water, geocoded to parcel centroids."""
    place = tmp_path_factory.mktemp("alone")
    book = Workbook()
    sheet = book.active
    sheet.append(["SYS NO", "Site address", "LATITUDE", "LONGITUDE", "Year installed"])
    rng = np.random.default_rng(4)
    for i in range(60):
        year = int(rng.integers(1993, 2024)) if i % 3 else None
        sheet.append(
            [
                f"{i:04d}",
                f"{i} Invented Way",
                26.5 + float(rng.uniform(0, 0.02)),
                -88.5 + float(rng.uniform(0, 0.02)),
                year,
            ]
        )
    book.save(place / "units.xlsx")
    (place / "county.toml").write_text(
        """
[county]
name = "Lists Alone County (invented)"
as_of = 2026-04-01
invented = true

[layers.units]
path = "units.xlsx"
columns.unit_id = "SYS NO"
columns.address = "Site address"
columns.lat = "LATITUDE"
columns.lon = "LONGITUDE"
columns.installed = "Year installed"
"""
    )
    return place


@pytest.fixture(scope="module")
def assessed(folder):
    run = CliRunner().invoke(
        main, ["assess", str(folder / "county.toml"), "--out", str(folder / "out")]
    )
    return run, store.read_assessment(folder / "out")


def test_it_runs_to_a_map(assessed, folder):
    run, result = assessed
    assert run.exit_code == 0, run.output
    assert (folder / "out" / "map_staff.html").stat().st_size > 100_000
    assert len(result.units) == 60
    assert result.rasters == {}
    assert any("Sensitivity of the land is not calculated" in note for note in result.run.notes)
    assert result.run.crs == "EPSG:32616"  # chosen: the zone the units lie in


def test_it_says_what_it_does_not_know(assessed):
    run, result = assessed
    assert "Not calculated, because these layers were not given:" in run.output
    for layer in ("wells", "streams", "discharge points", "floodplain", "inspections"):
        assert layer in run.output
    page_notes = " ".join(result.run.notes)
    assert "terrain" in page_notes.lower()
    gaps = result.units["data_gaps"].iloc[0]
    assert "Wells: not known" in gaps
    assert "Position: give or take 250 ft" in gaps
    assert result.units["lid_pond_depth_brim_m"].isna().all()


def test_age_alone_orders_them(assessed):
    units = assessed[1].units
    known = units[units["age_years"].notna()]
    assert known["age_years"].is_monotonic_decreasing


def test_what_nothing_tells_apart_is_said_and_none_put_first(folder):
    import openpyxl

    book = openpyxl.load_workbook(folder / "units.xlsx")
    book.active.delete_cols(5)
    book.save(folder / "bare.xlsx")
    text = (folder / "county.toml").read_text().replace("units.xlsx", "bare.xlsx")
    (folder / "bare.toml").write_text(text.replace('columns.installed = "Year installed"', ""))
    run = CliRunner().invoke(
        main, ["assess", str(folder / "bare.toml"), "--out", str(folder / "bare"), "--json"]
    )
    assert run.exit_code == 0, run.output
    report = json.loads(run.stdout)
    assert report["by_class"] == {"routine": 60}
    assert any("Nothing on record sets the units apart" in note for note in report["notes"])
