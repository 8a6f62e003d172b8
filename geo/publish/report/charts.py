"""Small charts as SVG: points and words in, marked-up text out; drawn to be read in gray.

No chart carries a meaning in color alone: lines differ by their dashes and are named where they
end, and each chart has a title and a description for those who do not see it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

DASHES: Final = ("", "7 3", "2 3", "9 3 2 3", "1 4")
_LETTER: Final = 5.6  # width of an average letter at the charts' size


@dataclass(frozen=True)
class Series:
    """A line through points in rising x; ``band`` is low and high at the same x."""

    name: str
    points: Sequence[tuple[float, float]]
    band: Sequence[tuple[float, float]] = ()


@dataclass(frozen=True)
class PlotFrame:
    """What a chart is called and how wide and high it is; ``ticks`` are value and label."""

    title: str
    description: str
    x_ticks: Sequence[tuple[float, str]]
    y_ticks: Sequence[tuple[float, str]]
    x_label: str = ""
    y_label: str = ""
    width: int = 300
    height: int = 170
    right: int = 12  # room for the names of lines


def curve_chart(
    frame: PlotFrame, points: Sequence[tuple[float, float]], unknown: float | None
) -> Markup:
    """A rating curve: straight between its points, level beyond them, the unknown's rating dashed.

    Where ``unknown`` is None no level is marked.
    """
    plot = _Plot(frame)
    west, east = frame.x_ticks[0][0], frame.x_ticks[-1][0]
    line = [(west, points[0][1]), *points, (east, points[-1][1])]
    marks = [plot.line(line, "line")]
    marks += [plot.dot(x, y) for x, y in points]
    if unknown is not None:
        marks.append(plot.line([(west, unknown), (east, unknown)], "line faint", DASHES[1]))
        x, anchor = (east, "end") if _clearer_east(line, unknown) else (west, "start")
        below = 11 if unknown > 0.9 else -4
        marks.append(plot.text(x, unknown, f"unknown {unknown:g}", anchor, dy=below))
    return plot.drawn(marks)


def _clearer_east(line: Sequence[tuple[float, float]], level: float) -> bool:
    """Whether words along a level stand clearer of the line at its east end than at its west."""
    west, east = line[0][0], line[-1][0]
    room = 0.4 * (east - west)

    def nearest(low: float, high: float) -> float:
        """How near the line comes between two places; 0 where it crosses the level."""
        near = [(x, y) for x, y in line if low <= x <= high]
        near += [(x, _at(line, x)) for x in (low, high)]
        above = [y - level for _, y in near]
        return 0.0 if min(above) < 0 < max(above) else min(abs(d) for d in above)

    return nearest(east - room, east) >= nearest(west, west + room)


def _at(line: Sequence[tuple[float, float]], x: float) -> float:
    for (x0, y0), (x1, y1) in itertools.pairwise(line):
        if x0 <= x <= x1 and x1 > x0:
            return y0 + (x - x0) * (y1 - y0) / (x1 - x0)
    return line[-1][1]


def line_chart(frame: PlotFrame, series: Sequence[Series]) -> Markup:
    """Lines, each named where it ends; a band is drawn for those that have one."""
    plot = _Plot(frame)
    marks: list[Markup] = [plot.area(s) for s in series if s.band]
    for s, dash in zip(series, DASHES, strict=False):
        marks.append(plot.line(s.points, "line", dash))
    ends = _spread([plot.y(s.points[-1][1]) for s in series], least=13)
    for s, dash, at in zip(series, DASHES, ends, strict=False):
        marks.append(plot.sample(at, dash))
        marks.append(plot.text_at(plot.right + 34, at + 4, s.name, "start"))
    return plot.drawn(marks)


def range_chart(frame: PlotFrame, rows: Sequence[tuple[str, float, float, float]]) -> Markup:
    """For each row its name, and a line from low to high with a dot at the value."""
    plot = _Plot(frame)
    marks = []
    for i, (name, low, value, high) in enumerate(rows):
        y = plot.top + (i + 0.5) * plot.inner_height / max(len(rows), 1)
        marks.append(plot.bar_line(low, high, y))
        marks.append(plot.dot_at(plot.x(value), y))
        marks.append(plot.text_at(plot.left - 6, y + 4, name, "end"))
    return plot.drawn(marks)


def point_chart(
    frame: PlotFrame, points: Sequence[tuple[float, float, float, float, str]], *, diagonal: bool
) -> Markup:
    """Points with an upright band: x, low, y, high and a label; on request the line y = x."""
    plot = _Plot(frame)
    marks = []
    if diagonal:
        ends = (frame.x_ticks[0][0], frame.x_ticks[-1][0])
        marks.append(plot.line([(e, e) for e in ends], "line faint", DASHES[1]))
    for x, low, y, high, label in points:
        marks.append(plot.line([(x, low), (x, high)], "band-line"))
        marks.append(plot.dot(x, y))
        marks.append(plot.text_at(plot.x(x) + 6, plot.y(y) + 4, label, "start"))
    return plot.drawn(marks)


def bar_chart(
    frame: PlotFrame, names: Sequence[str], groups: Sequence[tuple[str, Sequence[float]]]
) -> Markup:
    """Upright bars, the groups side by side and filled and white; numbers on top."""
    plot = _Plot(frame)
    slot = plot.inner_width / max(len(names), 1)
    wide = min(0.8 * slot / max(len(groups), 1), 34)
    marks = []
    for g, (_, values) in enumerate(groups):
        for i, value in enumerate(values):
            middle = plot.left + (i + 0.5) * slot + (g - (len(groups) - 1) / 2) * wide
            marks.append(plot.bar(middle, wide * 0.92, value, "bar" if g == 0 else "bar white"))
            marks.append(plot.text_at(middle, plot.y(value) - 3, f"{value:,.0f}", "middle"))
    for i, name in enumerate(names):
        marks.append(plot.text_at(plot.left + (i + 0.5) * slot, plot.bottom + 13, name, "middle"))
    return plot.drawn(marks)


class _Plot:
    """The plane of a chart: values to places on paper, and the marks that stand there."""

    def __init__(self, frame: PlotFrame) -> None:
        self.frame = frame
        widest = max((len(label) for _, label in frame.y_ticks), default=0)
        self.left = 12 + widest * _LETTER + (14 if frame.y_label else 0)
        self.top = 10.0
        self.bottom = frame.height - (32.0 if frame.x_label else 18.0)
        self.right = frame.width - frame.right
        self.inner_width, self.inner_height = self.right - self.left, self.bottom - self.top
        self.west, self.east = _ends([v for v, _ in frame.x_ticks])
        self.south, self.north = _ends([v for v, _ in frame.y_ticks])

    def x(self, value: float) -> float:
        share = (value - self.west) / (self.east - self.west)
        return self.left + min(max(share, 0.0), 1.0) * self.inner_width

    def y(self, value: float) -> float:
        share = (value - self.south) / (self.north - self.south)
        return self.bottom - min(max(share, 0.0), 1.0) * self.inner_height

    def line(self, points: Iterable[tuple[float, float]], kind: str, dash: str = "") -> Markup:
        places = " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in points)
        dashed = Markup(' stroke-dasharray="{}"').format(dash) if dash else ""
        return Markup('<polyline class="{}" points="{}"{}/>').format(kind, places, dashed)

    def sample(self, y: float, dash: str) -> Markup:
        """A piece of a line beside its name."""
        dashed = Markup(' stroke-dasharray="{}"').format(dash) if dash else ""
        return Markup('<polyline class="line" points="{:.1f},{:.1f} {:.1f},{:.1f}"{}/>').format(
            self.right + 6, y, self.right + 30, y, dashed
        )

    def area(self, series: Series) -> Markup:
        at = [x for x, _ in series.points]
        low = [(x, a) for x, (a, _) in zip(at, series.band, strict=True)]
        high = [(x, b) for x, (_, b) in zip(at, series.band, strict=True)]
        places = " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in [*low, *high[::-1]])
        return Markup('<polygon class="band" points="{}"/>').format(places)

    def dot(self, x: float, y: float) -> Markup:
        return self.dot_at(self.x(x), self.y(y))

    def dot_at(self, x: float, y: float) -> Markup:
        return Markup('<circle class="dot" cx="{:.1f}" cy="{:.1f}" r="2.6"/>').format(x, y)

    def bar_line(self, low: float, high: float, y: float) -> Markup:
        return Markup(
            '<line class="band-line" x1="{:.1f}" x2="{:.1f}" y1="{:.1f}" y2="{:.1f}"/>'
        ).format(self.x(low), self.x(high), y, y)

    def bar(self, middle: float, wide: float, value: float, kind: str) -> Markup:
        top = self.y(value)
        return Markup(
            '<rect class="{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>'
        ).format(kind, middle - wide / 2, top, wide, self.bottom - top)

    def text(self, x: float, y: float, words: str, anchor: str, *, dy: float = 0) -> Markup:
        return self.text_at(self.x(x), self.y(y) + dy, words, anchor)

    def text_at(self, x: float, y: float, words: str, anchor: str) -> Markup:
        return Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="{}">{}</text>').format(
            x, y, anchor, words
        )

    def drawn(self, marks: Iterable[Markup]) -> Markup:
        """The whole chart: its frame, its ticks, its marks."""
        frame, parts = self.frame, [Markup("")]
        for value, label in frame.y_ticks:
            parts.append(self._rule(self.left, self.right, self.y(value), self.y(value)))
            parts.append(self.text_at(self.left - 5, self.y(value) + 3.5, label, "end"))
        parts.append(self._rule(self.left, self.right, self.bottom, self.bottom, "axis"))
        last = float("-inf")
        for value, label in frame.x_ticks:
            half = len(label) * _LETTER / 2
            at = min(max(self.x(value), half), frame.width - half)
            if label and at - half < last:
                label = ""  # two labels never stand on each other
            parts.append(self._rule(self.x(value), self.x(value), self.bottom, self.bottom + 3))
            if label:
                parts.append(self.text_at(at, self.bottom + 13, label, "middle"))
                last = at + half + 4
        if frame.x_label:
            middle = (self.left + self.right) / 2
            parts.append(self.text_at(middle, frame.height - 4, frame.x_label, "middle"))
        if frame.y_label:
            y = (self.top + self.bottom) / 2
            parts.append(
                Markup(
                    '<text text-anchor="middle" transform="translate(10 {:.1f}) rotate(-90)">{}'
                    "</text>"
                ).format(y, frame.y_label)
            )
        return Markup(
            '<svg class="chart" role="img" viewBox="0 0 {} {}" width="{}" height="{}">'
            "<title>{}</title><desc>{}</desc>{}</svg>"
        ).format(
            frame.width, frame.height, frame.width, frame.height, frame.title,
            frame.description, Markup("").join([*parts, *marks]),
        )  # fmt: skip

    def _rule(self, x1: float, x2: float, y1: float, y2: float, kind: str = "rule") -> Markup:
        return Markup('<line class="{}" x1="{:.1f}" x2="{:.1f}" y1="{:.1f}" y2="{:.1f}"/>').format(
            kind, x1, x2, y1, y2
        )


def steps(most: float, *, at_most: int = 5) -> list[tuple[float, str]]:
    """Round ticks for counts, from 0 to at least ``most``.

    >>> [label for _, label in steps(87)]
    ['0', '20', '40', '60', '80', '100']
    """
    ten = 10 ** (len(str(int(max(most, 1)))) - 1)
    sizes = (size for k in (ten // 10 or 1, ten, 10 * ten) for size in (k, 2 * k, 5 * k))
    step = next(size for size in sizes if most <= at_most * size)
    count = max(1, math.ceil(most / step))
    return [(float(k * step), f"{k * step:,}") for k in range(count + 1)]


def steps_between(low: float, high: float) -> list[tuple[float, str]]:
    """Round ticks for counts that begin far from 0.

    >>> [label for _, label in steps_between(131, 310)]
    ['100', '150', '200', '250', '300', '350']
    """
    step = steps(max(high - low, 1))[1][0]
    first, last = math.floor(low / step), math.ceil(high / step)
    return [(k * step, f"{k * step:,.0f}") for k in range(first, max(last, first + 1) + 1)]


def _ends(values: Sequence[float]) -> tuple[float, float]:
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    return (low, high) if high > low else (low, low + 1)


def _spread(places: Sequence[float], *, least: float) -> list[float]:
    """The same places, moved apart so that no two stand closer than ``least``."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    moved = list(places)
    for a, b in itertools.pairwise(order):
        moved[b] = max(moved[b], moved[a] + least)
    return moved
