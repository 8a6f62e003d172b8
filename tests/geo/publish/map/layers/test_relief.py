"""Rasters as pictures: in the right place, clear where nothing is known."""

from __future__ import annotations

import dataclasses
import io
import itertools
from collections.abc import Callable

import numpy as np
import pytest
from affine import Affine
from PIL import Image
from pyproj import CRS, Transformer

from geo.publish.map.contents import contents
from geo.publish.map.layers import relief
from layers.files.warp import shrink, warp
from layers.grid import Grid, Window
from layers.store import Assessment

UTM16 = CRS.from_user_input("EPSG:32616")


def grid(values: np.ndarray, cell: float = 10.0) -> Grid:
    return Grid(values, Affine(cell, 0, 430_000, 0, -cell, 4_763_000), UTM16)


@pytest.fixture
def pixels(bytes_of: Callable[[str], bytes]) -> Callable[..., np.ndarray]:
    def seen(picture: relief.Picture, mode: str = "RGBA") -> np.ndarray:
        return np.asarray(Image.open(io.BytesIO(bytes_of(picture.text))).convert(mode))

    return seen


Pixels = Callable[..., np.ndarray]


@pytest.mark.parametrize("how", ["mean", "max"])
def test_shrink_is_the_block_by_block_answer(how: str) -> None:
    rng = np.random.default_rng(3)
    values = rng.uniform(0, 9, (37, 53)).astype(np.float32)
    values[rng.random(values.shape) < 0.3] = np.nan
    values[:5, :5] = np.nan
    small = shrink(grid(values), 11, how=how, void=None)
    for r in range(small.shape[0]):
        for c in range(small.shape[1]):
            block = values[5 * r : 5 * r + 5, 5 * c : 5 * c + 5]
            known = block[~np.isnan(block)]
            wanted = np.nan if not known.size else known.mean() if how == "mean" else known.max()
            assert small.values[r, c] == pytest.approx(wanted, rel=1e-5, nan_ok=True)
    assert small.cell_m == (50, 50)


def test_shrink_reads_in_strips() -> None:
    class Counting:
        shape, transform, crs = (3_000, 2_000), Affine(1, 0, 0, 0, -1, 0), UTM16
        largest = 0

        def read(self, window: Window | None = None) -> Grid:
            assert window is not None
            self.largest = max(self.largest, window.rows * window.cols)
            return Grid(np.ones((window.rows, window.cols), np.uint8), self.transform, UTM16)

    source = Counting()
    assert shrink(source, 300, how="mean", void=0).values.tolist() == [[1.0] * 200] * 300
    assert source.largest <= 2_000_000


def test_warp_puts_a_cell_where_proj_does() -> None:
    values = np.zeros((200, 300), np.float32)
    values[40, 250] = 1
    moved = warp(grid(values), "EPSG:3857", smooth=False)
    rows, cols = np.nonzero(moved.values == 1)
    x, y = moved.centers(rows, cols)
    forth = Transformer.from_crs("EPSG:32616", "EPSG:3857", always_xy=True)
    wanted = forth.transform(430_000 + 2_505, 4_763_000 - 405)
    assert np.hypot(x.mean() - wanted[0], y.mean() - wanted[1]) < moved.cell_m[0]


def test_relief_is_clear_where_void(pixels: Pixels) -> None:
    shade = np.full((100, 100), 180, np.uint8)
    shade[:50] = 0
    picture = relief.relief_picture(grid(shade))
    assert picture is not None
    seen = pixels(picture)
    middle = seen.shape[1] // 2
    assert seen[10, middle, 3] == 0
    assert seen[-10, middle, 3] == 255
    assert abs(int(seen[-10, middle, 0]) - 180) < 6


def test_hollows_are_darker_where_deeper(pixels: Pixels) -> None:
    depth = np.zeros((60, 90), np.float32)
    depth[20:40, :30], depth[20:40, 30:60], depth[20:40, 60:] = 0.1, 0.5, 2.0
    picture = relief.pond_picture(grid(depth))
    assert picture is not None
    seen = pixels(picture)
    row, width = seen.shape[0] // 2, seen.shape[1]
    found = [tuple(seen[row, width * k // 6, :3]) for k in (1, 3, 5)]
    assert found == list(relief.POND_COLORS)
    assert seen[4, width // 2, 3] == 0


def test_nothing_to_show_is_no_picture() -> None:
    assert relief.relief_picture(grid(np.zeros((9, 9), np.uint8))) is None
    assert relief.pond_picture(grid(np.full((9, 9), np.nan, np.float32))) is None


def test_one_picture_tells_the_smallest_storm_that_wets_a_cell(pixels: Pixels) -> None:
    depth = {years: np.zeros((60, 90), np.float32) for years in (100, 2, 10)}
    depth[2][20:40, :30] = 0.06
    depth[10][20:40, :60] = 0.2
    depth[100][20:40] = 0.2
    depth[100][5, 5] = 0.04  # less than is shown
    found = relief.storm_picture({years: grid(values) for years, values in depth.items()})
    assert found is not None
    years, picture = found
    assert years == [2, 10, 100]
    seen = pixels(picture, "L")
    row, width = seen.shape[0] // 2, seen.shape[1]
    assert [int(seen[row, width * k // 6]) for k in (1, 3, 5)] == [1, 2, 3]
    assert set(np.unique(seen)) == {0, 1, 2, 3}
    assert relief.storm_picture({2: grid(np.zeros((9, 9), np.float32))}) is None
    assert relief.storm_picture({}) is None


def test_sensitive_land_is_darker_and_what_is_not_known_is_hatched(pixels: Pixels) -> None:
    values = np.repeat(np.array([[5.0, 25.0, 45.0, 65.0, 95.0, np.nan]], np.float32), 6, axis=0)
    unknown = np.zeros_like(values)
    unknown[:, 0] = 0.3
    picture = relief.sensitivity_picture(grid(values), grid(unknown), 100.0)
    assert picture is not None
    seen = pixels(picture)
    row, width = seen.shape[0] // 2, seen.shape[1]
    middle = [tuple(seen[row, int(width * (k + 0.5) / 6), :3]) for k in range(5)]
    assert middle[1:] == list(relief.SENSITIVITY_COLORS[1:])
    assert seen[row, int(width * 5.5 / 6), 3] == 0
    first = {tuple(color) for color in seen[5:-5, 1 : width // 6 - 1, :3].reshape(-1, 3)}
    assert first == {relief.SENSITIVITY_COLORS[0], relief.UNKNOWN_COLOR}
    # the darker, the more: told apart in gray as well
    gray = [0.3 * r + 0.6 * g + 0.1 * b for r, g, b in relief.SENSITIVITY_COLORS]
    assert all(a - b > 20 for a, b in itertools.pairwise(gray))
    half = relief.sensitivity_picture(grid(values / 2), None, 50.0)
    assert half is not None
    assert tuple(pixels(half)[row, int(width * 4.5 / 6), :3]) == relief.SENSITIVITY_COLORS[4]
    assert relief.sensitivity_picture(grid(np.full((9, 9), np.nan, np.float32)), None, 100) is None


def test_the_map_has_the_sensitivity_and_each_of_its_parts(assessment: Assessment) -> None:
    values = np.full((9, 9), 30.0, np.float32)
    part = {"label": "Wells", "weight": 40.0, "not_given": ["wells"]}
    held = contents(
        dataclasses.replace(
            assessment,
            rasters={
                "sensitivity": grid(values),
                "sensitivity_unknown": grid(np.zeros_like(values)),
                "sensitivity_well": grid(values),
            },
            run=dataclasses.replace(assessment.run, land={"cell_m": 25.0, "parts": {"well": part}}),
        )
    )
    shown = {entry["name"]: entry for entry in held.data["pictures"]}
    assert list(shown) == ["sensitivity", "sensitivity_well"]
    assert not any(entry["on"] for entry in shown.values())
    assert [words for _, words in shown["sensitivity"]["steps"]][-1] == "hatched: partly not known"
    assert len(shown["sensitivity_well"]["steps"]) == len(relief.SENSITIVITY_COLORS)
    assert shown["sensitivity_well"]["note"].endswith("Not given, so it may be more: wells.")
    assert {"picture-sensitivity", "picture-sensitivity_well"} <= set(held.blocks)
