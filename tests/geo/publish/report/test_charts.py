"""Charts: where the marks stand, and that text stays text. The SVG is read by an XML parser."""

import itertools
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.publish.report.charts import (
    PlotFrame,
    Series,
    bar_chart,
    curve_chart,
    line_chart,
    point_chart,
    range_chart,
    steps,
    steps_between,
)

TICKS = ((0.0, "0"), (0.5, "0.5"), (1.0, "1"))
HOSTILE = '</svg><script>alert("x")</script>&amp;\'"'


def frame(**changes):
    shown = {
        "title": "A title",
        "description": "What it shows.",
        "x_ticks": [(0.0, "0"), (10.0, "10"), (10.5, "")],
        "y_ticks": TICKS,
    }
    return PlotFrame(**(shown | changes))


def all_charts(text):
    f = frame(title=text, description=text, x_label=text, y_label=text)
    yield curve_chart(f, [(0, 0), (10, 1)], 0.4)
    yield line_chart(f, [Series(text, [(0, 0), (10, 1)], [(0, 0), (0.5, 1)])])
    yield range_chart(f, [(text, 1, 2, 3)])
    yield point_chart(f, [(0.1, 0, 0.1, 0.3, text)], diagonal=True)
    yield bar_chart(f, [text], [("one", [3]), ("two", [4])])


@pytest.mark.parametrize("text", ["plain", HOSTILE])
def test_every_chart_is_well_formed_with_title_and_description(text):
    for chart in all_charts(text):
        root = ET.fromstring(str(chart))
        assert root.attrib["role"] == "img"
        assert [root.find("title").text, root.find("desc").text] == [text, text]
        assert {el.tag for el in root.iter()} <= {
            "svg", "title", "desc", "text", "line", "polyline", "polygon", "circle", "rect",
        }  # fmt: skip
        assert not any("style" in el.attrib or "href" in el.attrib for el in root.iter())


def test_a_curve_is_level_beyond_its_points_and_marks_the_unknown():
    root = ET.fromstring(str(curve_chart(frame(), [(2, 0.0), (8, 1.0)], 0.5)))
    line, unknown = root.findall("polyline")
    at = [tuple(map(float, p.split(","))) for p in line.attrib["points"].split()]
    assert at[0][1] == at[1][1] > at[2][1] == at[3][1]  # y runs down
    level = [float(p.split(",")[1]) for p in unknown.attrib["points"].split()]
    assert level[0] == level[1] == pytest.approx((at[0][1] + at[2][1]) / 2, abs=0.1)
    assert "stroke-dasharray" in unknown.attrib
    assert "unknown 0.5" in [t.text for t in root.findall("text")]


def test_bars_stand_for_their_numbers():
    f = frame(y_ticks=[(0.0, "0"), (40.0, "40")])
    root = ET.fromstring(str(bar_chart(f, ["a", "b"], [("open", [10, 40]), ("blocked", [20, 30])])))
    heights = [float(r.attrib["height"]) for r in root.findall("rect")]
    assert [h / heights[1] for h in heights] == pytest.approx([0.25, 1, 0.5, 0.75], abs=0.01)
    assert [r.attrib["class"] for r in root.findall("rect")] == ["bar", "bar"] + ["bar white"] * 2


def test_lines_are_told_apart_without_color():
    series = [Series(n, [(0, 0), (10, 1)]) for n in ("this", "that", "other")]
    root = ET.fromstring(str(line_chart(frame(), series)))
    drawn = root.findall("polyline")
    assert len({el.attrib.get("stroke-dasharray") for el in drawn}) == 3
    names = {
        t.text: float(t.attrib["y"]) for t in root.findall("text") if t.text in "thisthatother"
    }
    heights = sorted(names.values())
    assert all(b - a >= 12 for a, b in itertools.pairwise(heights))


def test_labels_of_ticks_never_stand_on_each_other():
    ticks = [(float(k), f"{k * 1000:,} ft") for k in range(30)]
    root = ET.fromstring(str(curve_chart(frame(x_ticks=ticks), [(0, 0), (29, 1)], None)))
    at = sorted(
        (float(t.attrib["x"]), len(t.text)) for t in root.findall("text") if "ft" in (t.text or "")
    )
    for (x1, n1), (x2, n2) in itertools.pairwise(at):
        assert x2 - x1 >= 5.6 * (n1 + n2) / 2
    assert 3 <= len(at) < 30


@given(st.floats(0, 1e7, allow_nan=False))
def test_ticks_begin_at_nought_hold_the_largest_and_are_few(most):
    values = [v for v, _ in steps(most)]
    assert values[0] == 0
    assert values[-1] >= most
    assert 2 <= len(values) <= 7
    assert len({label for _, label in steps(most)}) == len(values)


@given(st.floats(1, 1e6), st.floats(0, 1e5))
def test_ticks_between_hold_both_ends(low, width):
    values = [v for v, _ in steps_between(low, low + width)]
    assert values[0] <= low
    assert values[-1] >= low + width
