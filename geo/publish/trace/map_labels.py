"""Where the texts beside the marks of a small map stand, so that none lies on another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

# A text stands round its mark: first close by, then farther off with a line to it.
_NEAR_PX: Final = 11.0
_FAR_PX: Final = (26.0, 42.0, 60.0, 80.0)
_TURNS: Final = tuple(np.radians(turn) for turn in (0, 180, 90, 270, 45, 135, 225, 315))
# What a text stands on costs: another text most, a mark less, each pixel of a line least.
_ON_TEXT, _ON_MARK, _OUTSIDE, _PER_PX = 100.0, 40.0, 400.0, 0.25
_MARK_PX: Final = 6.0


@dataclass(frozen=True)
class Box:
    """A piece of the picture: its left and upper edge, its width and height, in pixels."""

    left: float
    top: float
    wide: float
    high: float

    def meets(self, other: Box) -> bool:
        """Whether they share any ground."""
        return (
            self.left < other.left + other.wide
            and other.left < self.left + self.wide
            and self.top < other.top + other.high
            and other.top < self.top + self.high
        )

    def within(self, other: Box) -> bool:
        """Whether nothing of this lies outside the other."""
        return (
            self.left >= other.left
            and self.top >= other.top
            and self.left + self.wide <= other.left + other.wide
            and self.top + self.high <= other.top + other.high
        )


def placed(
    at: Sequence[tuple[float, float]],
    texts: Sequence[str],
    frame: Box,
    kept_free: Sequence[Box] = (),
    *,
    size_px: float,
) -> list[tuple[Box, bool]]:
    """Where each text stands, and whether a line leads from it to its mark.

    Parameters
    ----------
    at
        Marks, in pixels; each text belongs to one.
    frame, kept_free
        The picture, and what of it no text may stand on.
    size_px
        Of the letters.

    Notes
    -----
    One after another, each where it stands in the way of least; the first choose first.
    """
    marks = [Box(x - _MARK_PX, y - _MARK_PX, 2 * _MARK_PX, 2 * _MARK_PX) for x, y in at]
    found: list[tuple[Box, bool]] = []
    for k, ((x, y), text) in enumerate(zip(at, texts, strict=True)):
        wide, high = 0.6 * size_px * len(text), 0.85 * size_px
        others = [mark for n, mark in enumerate(marks) if n != k]
        taken = [box for box, _ in found] + list(kept_free)
        best: tuple[float, Box, bool] | None = None
        for away in (_NEAR_PX, *_FAR_PX):
            for turn in _TURNS:
                box = _beside(x, y, wide, high, away, turn)
                cost = _PER_PX * (away - _NEAR_PX)
                cost += _ON_TEXT * sum(box.meets(other) for other in taken)
                cost += _ON_MARK * sum(box.meets(other) for other in others)
                cost += 0.0 if box.within(frame) else _OUTSIDE
                if best is None or cost < best[0]:
                    best = cost, box, away > _NEAR_PX
            if best is not None and best[0] <= _PER_PX * (away - _NEAR_PX):
                break
        assert best is not None
        found.append(best[1:])
    return found


def _beside(x: float, y: float, wide: float, high: float, away: float, turn: float) -> Box:
    """A box whose nearest edge or corner lies so far from a place, in a direction."""
    east, south = np.cos(turn), -np.sin(turn)
    middle_x = x + east * away + np.sign(round(east, 6)) * wide / 2
    middle_y = y + south * away + np.sign(round(south, 6)) * high / 2
    return Box(float(middle_x - wide / 2), float(middle_y - high / 2), wide, high)
