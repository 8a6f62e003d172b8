"""Texts beside marks: none on another, none on a mark, all inside, against shapely's boxes."""

import numpy as np
import pytest
import shapely

from geo.publish.trace.map_labels import Box, placed

FRAME = Box(0, 0, 700, 470)
SIZE = 19


def shape(box):
    return shapely.box(box.left, box.top, box.left + box.wide, box.top + box.high)


@pytest.mark.parametrize("seed", range(6))
def test_where_outlets_crowd_no_text_lies_on_another_or_on_a_mark(seed):
    rng = np.random.default_rng(seed)
    # 21 outlets, a third of them within a few pixels of each other
    at = [*rng.uniform((60, 60), (640, 400), (14, 2)), *rng.normal((300, 200), 12, (7, 2))]
    texts = ["Here", *map(str, range(1, 21))]
    free = [Box(8, 430, 180, 36), Box(650, 0, 50, 80)]
    stand = placed([tuple(p) for p in at], texts, FRAME, free, size_px=SIZE)
    boxes = [shape(box) for box, _ in stand]
    for k, box in enumerate(boxes):
        assert box.within(shape(FRAME))
        assert not any(box.intersection(shape(kept)).area for kept in free)
        for other in boxes[:k]:
            assert box.intersection(other).area == 0
        for n, (x, y) in enumerate(at):
            assert n == k or not box.contains(shapely.Point(x, y))


def test_a_lone_text_stands_right_beside_its_mark_without_a_line():
    ((box, has_line),) = placed([(300.0, 200.0)], ["7"], FRAME, size_px=SIZE)
    assert not has_line
    assert box.left == pytest.approx(311)
    assert box.top + box.high / 2 == pytest.approx(200)
