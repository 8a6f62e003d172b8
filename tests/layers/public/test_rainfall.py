"""Point tables of NOAA Atlas 14.

The depths at 26.6 N, 81.9 W are a captured answer of the Precipitation Frequency Data Server for
NOAA Atlas 14 Volume 9 Version 2 (partial duration, inches); its rows between are left out here.
The header of an annual-maximum table as the same server writes it ('1/2 for once in two years).
"""

import pytest

from geo.runoff.return_periods import annual_probability, converted
from layers.errors import CountyFileError, LayerError
from layers.public.rainfall import read_point_table

TABLE = """Point precipitation frequency estimates (inches)
NOAA Atlas 14 Volume 9 Version 2
Data type: Precipitation depth
Time series type: Partial duration
Project area: Southeastern States
Location name: None
Station Name: None
Latitude: 26.6 Degree
Longitude: -81.9 Degree
Elevation (USGS): None None


PRECIPITATION FREQUENCY ESTIMATES
by duration for ARI (years):, 1,2,5,10,25,50,100,200,500,1000
5-min:, 0.553,0.620,0.731,0.822,0.950,1.05,1.15,1.25,1.38,1.48
60-min:, 2.14,2.38,2.79,3.13,3.62,4.00,4.38,4.78,5.32,5.74
24-hr:, 4.01,4.76,6.09,7.28,9.05,10.5,12.1,13.7,16.1,18.0
2-day:, 4.94,5.57,6.77,7.94,9.80,11.4,13.3,15.3,18.2,20.7
60-day:, 21.0,23.3,26.6,29.2,32.4,34.6,36.6,38.3,40.3,41.5


PRECIPITATION FREQUENCY ESTIMATES - UPPER BOUND OF 90% CONFIDENCE INTERVAL
by duration for ARI (years):, 1,2,5,10,25,50,100,200,500,1000
24-hr:, 5.01,5.76,7.09,8.28,11.0,13.5,16.1,18.7,22.1,25.0

Date/time (GMT):  Sun Jun  7 07:54:20 2026
"""
ANNUAL = (
    TABLE.replace("Partial duration", "Annual maximum")
    .replace("ARI (years):, 1,2,", "AEP:, '1/2,")
    .replace(",5,10,25,50,100,200,500,1000", ",'1/5,'1/10,'1/25,'1/50,'1/100,'1/200,'1/500,'1/1000")
    .replace("'1/2,,", "'1/2,")
)


def annual():
    """The same rows without the column of one year, which an annual maximum does not have."""
    lines = []
    for line in ANNUAL.splitlines():
        head, colon, cells = line.partition(":, ")
        if colon and not head.startswith("by"):
            line = f"{head}:, {cells.split(',', 1)[1]}"
        lines.append(line)
    return "\n".join(lines)


def read(tmp_path, text):
    path = tmp_path / "atlas14.csv"
    path.write_text(text, "utf-8")
    return read_point_table(path, where="[storms] atlas14.csv")


def test_depths_by_the_interval_printed_over_them(tmp_path):
    table = read(tmp_path, TABLE)
    assert table.series == "partial_duration"
    assert table.depths_m["24-hr"][100] == pytest.approx(12.1 * 0.0254)
    assert table.depths_m["5-min"][50] == pytest.approx(1.05 * 0.0254)
    assert list(table.depths_m) == ["5-min", "60-min", "24-hr", "2-day", "60-day"]
    fewer = TABLE.replace("ARI (years):, 1,2,5,", "ARI (years):, 2,5,1,")
    with pytest.raises(LayerError, match="must increase with the interval"):
        read(tmp_path, TABLE.replace("4.01,4.76", "4.76,4.01"))
    assert read(tmp_path, fewer).depths_m["24-hr"][2] == pytest.approx(4.01 * 0.0254)


def test_an_annual_maximum_table(tmp_path):
    table = read(tmp_path, annual())
    assert table.series == "annual_maximum"
    assert list(table.depths_m["24-hr"]) == [2, 5, 10, 25, 50, 100, 200, 500, 1000]
    assert table.depths_m["24-hr"][2] == pytest.approx(4.76 * 0.0254)


def test_millimeters(tmp_path):
    table = read(tmp_path, TABLE.replace("(inches)", "(millimeters)"))
    assert table.depths_m["24-hr"][100] == pytest.approx(0.0121)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("(inches)", "(inches/hour)", "has intensities"),
        ("Precipitation depth", "Precipitation intensity", "has intensities"),
        ("(inches)", "", "has no known unit"),
        ("by duration for", "rain for", "line 'by duration for ARI'"),
        ("ESTIMATES\nby", "ESTIMATES - LOWER BOUND\nby", "has the lower bound"),
        ("4.01,4.76", "4.01", "24-hr is damaged"),
        ("4.01,4.76", "4.01,much", "24-hr has a cell that is not a number"),
        ("Partial duration", "Annual maximum", "its columns are by ARI"),
        ("5-min:,", "5 min", "no rows of depths"),
    ],
)
def test_what_is_no_table_of_depths_is_refused(tmp_path, old, new, says):
    text = TABLE.replace(old, new)
    if old == "5-min:,":
        text = text.split("5 min", maxsplit=1)[0]
    with pytest.raises(LayerError, match=says) as caught:
        read(tmp_path, text)
    assert "depths_in" in caught.value.hint


def test_a_county_takes_its_storms_from_the_table(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    (folder.folder / "atlas14.csv").write_text(TABLE)
    folder.more = '[storms]\npath = "atlas14.csv"\n'
    county = folder.read()
    assert county.file.storms.depths_in[100] == 12.1
    assert county.file.storms.depths_in[2] == 4.76
    assert county.file.storms.series == "partial_duration"
    assert "atlas14.csv" in county.inputs
    text = "Storms are from a NOAA Atlas 14 table (partial duration, 24-hr)."
    assert text in county.notes
    folder.more = '[storms]\npath = "atlas14.csv"\nseries = "annual_maximum"\n'
    assert ("storms_unreadable", None, "layer_left_out") in rows.found(folder.read(), "storms")
    folder.more = '[storms]\npath = "none.csv"\n'
    (problem,) = folder.read().problems.query("layer == 'storms'").itertuples()
    assert problem.message.startswith("cannot read the file: No such file")
    folder.more = '[storms]\npath = "a.csv"\ndepths_in = { 2 = 2.9 }\n'
    with pytest.raises(CountyFileError, match="either 'path' or 'depths_in', not both"):
        folder.read()


def test_either_series_gives_the_chance_of_a_year(folder, rows):
    """The same table read as the one series and as the other: Langbein's conversion between."""
    folder.add("units", rows.units(), "u.gpkg")
    (folder.folder / "atlas14.csv").write_text(annual())
    folder.more = '[storms]\npath = "atlas14.csv"\n'
    storms = folder.read().file.storms
    assert storms.series == "annual_maximum"
    assert annual_probability(2, series=storms.series) == 0.5
    partial = converted(2, series=storms.series, to="partial_duration")
    assert annual_probability(partial, series="partial_duration") == pytest.approx(0.5)
    folder.more = '[storms]\nseries = "annual_maximum"\ndepths_in = { 1 = 2.4, 2 = 2.9 }\n'
    with pytest.raises(CountyFileError, match="no 1-year storm"):
        folder.read()


def test_how_the_rain_is_turned_into_runoff_is_a_setting(folder, rows):
    folder.add("units", rows.units(), "u.gpkg")
    folder.more = (
        '[storms]\ndepths_in = { 2 = 2.9 }\nantecedent = "wet"\ninitial_abstraction = 0.05\n'
    )
    storms = folder.read().file.storms
    assert (storms.antecedent, storms.initial_abstraction) == ("wet", 0.05)
    folder.more = "[storms]\ndepths_in = { 2 = 2.9 }\ninitial_abstraction = 0.1\n"
    with pytest.raises(CountyFileError, match=r"initial_abstraction: use 0\.2 or 0\.05, not 0\.1"):
        folder.read()
