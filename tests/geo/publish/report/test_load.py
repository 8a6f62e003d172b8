"""What may come down, by area: the report shows what the assessment holds, and reckons nothing."""

from geo.publish.report.load import load
from layers import store
from support.assessments import with_tables


def test_the_report_shows_the_assessment_s_own_table(larkmoor_result, tmp_path):
    larkmoor_result.write(tmp_path / "out")
    read = store.read_assessment(tmp_path / "out")
    shown, table = load(read), read.water.loads
    assert shown["areas"] == len(table) == len(larkmoor_result.water.loads)
    assert int(table["units"].sum()) == len(larkmoor_result.units)
    first = table.iloc[0]
    assert shown["rows"][0]["trouble"] == (
        f"{first['expected_in_trouble']:.1f} ({first['expected_in_trouble_low']:.1f}"
        f" to {first['expected_in_trouble_high']:.1f})"
    )
    for name in ("0.8 a day", "values from memory", "1.5 a day at 0.05 m/s"):
        assert name in shown["how"]


def test_where_nothing_is_known_there_is_no_section(larkmoor_result):
    none = larkmoor_result.water.loads.iloc[:0]
    assert load(with_tables(larkmoor_result, loads=none)) is None
    blank = larkmoor_result.water.loads.assign(expected_in_trouble=float("nan"), outlets=0)
    assert load(with_tables(larkmoor_result, loads=blank)) is None
