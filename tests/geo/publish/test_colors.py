"""The colors of the map can be told apart by everyone, in gray, and in the dark.

How they were found: the base (ground, water, roads, parcels) was set pale and nearly gray. For
"visit first" and "visit next" all hues of OKLCH (Ottosson 2020, "A perceptual color space for
image processing") in steps of 10 degrees, four chromas and several lightnesses were tried; a pair
counts as much as its least CIEDE2000 difference over four ways of seeing (below), from each other
and, weighted by 1.6, from every color of the base. The best pairs on a light ground join a dark
violet to red-brown with an ochre near hue 70; the violet of hue 320 was taken from among them
because it is farthest from the browns of roads and roofs. "Routine" is the ground's own color
with a dark edge: it is meant to stand back. On a dark ground the order of lightness is turned
round. Shape and number say the same as the color.

Seeing: the matrices of Machado, Oliveira and Fernandes (2009), "A physiologically-based model for
simulation of color vision deficiency", severity 1.0, applied to linear light.
Differences: CIEDE2000 as computed by scikit-image.
"""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from geo.publish.shared import assets

SEEING = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
BASE = ("land", "water", "stream", "flood", "road", "parcel", "building", "drain")


def palette(screen: str) -> dict[str, str]:
    light, dark = assets.page_file("colors.css").split("@media")
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    if screen == "dark":
        found |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark))
    return found


def linear(color: str) -> np.ndarray:
    """Linear light of an sRGB color (IEC 61966-2-1)."""
    v = np.array([int(color[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def seen(color: str, seeing: str) -> np.ndarray:
    """CIE Lab of a color as seen."""
    light = np.clip(SEEING[seeing] @ linear(color), 0, 1)
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return rgb2lab(srgb[None, None])[0, 0]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2, 1.4.3."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    bright, dim = sorted((weights @ linear(one), weights @ linear(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:  # WCAG 2.2, definition of contrast ratio
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("screen", ["light", "dark"])
@pytest.mark.parametrize("seeing", SEEING)
def test_classes_differ_from_each_other_and_from_the_ground(screen: str, seeing: str) -> None:
    colors = palette(screen)
    lab = {name: seen(color, seeing) for name, color in colors.items()}
    for one, other in itertools.combinations(("first", "next", "routine"), 2):
        assert deltaE_ciede2000(lab[one], lab[other]) > 25, (one, other)
    for name in ("first", "next"):
        for base in BASE:
            assert deltaE_ciede2000(lab[name], lab[base]) > 15, (name, base)


@pytest.mark.parametrize("screen", ["light", "dark"])
def test_marks_stand_out_in_gray_in_order_of_urgency(screen: str) -> None:
    colors = palette(screen)
    land = seen(colors["land"], "usual")[0]
    away = [abs(seen(colors[name], "usual")[0] - land) for name in ("first", "next", "routine")]
    assert away[0] > away[1] + 15
    assert away[1] > away[2] + 15


@pytest.mark.parametrize("screen", ["light", "dark"])
def test_edges_signs_and_text_have_contrast(screen: str) -> None:
    colors = palette(screen)
    for name in ("first", "next", "routine", "unranked"):
        assert contrast(colors[f"{name}-sign"], colors[name]) >= 4.5  # WCAG 2.2, 1.4.3
        best = max(contrast(colors[key], colors["land"]) for key in (name, f"{name}-edge"))
        assert best >= 3  # WCAG 2.2, 1.4.11
    for text in ("ink", "soft-ink"):
        for ground in ("page", "sheet"):
            assert contrast(colors[text], colors[ground]) >= 4.5
    for words in ("ink", "notice-ink"):
        assert contrast(colors[words], colors["sheet" if words == "ink" else "notice"]) >= 4.5
    for line in ("path", "focus", "edge"):
        assert contrast(colors[line], colors["land"]) >= 3


@pytest.mark.parametrize("screen", ["light", "dark"])
@pytest.mark.parametrize("seeing", SEEING)
def test_shades_of_areas_are_one_ladder_for_every_eye(screen: str, seeing: str) -> None:
    # from the ground to the color of what is visited first, whose hue they keep; even steps of
    # lightness, so that gray paper and every way of seeing keep their order
    colors = palette(screen)
    steps = [seen(colors[f"area-{k}"], seeing) for k in range(1, 6)]
    light = np.array([step[0] for step in steps])
    apart = np.diff(light) * (-1 if screen == "light" else 1)
    assert (apart > 9).all()
    for one, other in itertools.pairwise(steps):
        assert deltaE_ciede2000(one, other) > 6
    for k in (1, 5):
        assert contrast(colors[f"area-{k}"], colors["land"]) > (1 if k == 1 else 3)


@pytest.mark.parametrize("screen", ["light", "dark"])
@pytest.mark.parametrize("seeing", SEEING)
def test_ponds_are_no_lakes_and_no_units(screen: str, seeing: str) -> None:
    colors = palette(screen)
    lab = {name: seen(color, seeing) for name, color in colors.items()}
    for other in ("water", "stream", "land", "first", "next", "routine", "flood"):
        assert deltaE_ciede2000(lab["pond"], lab[other]) > 12, other


def test_classes_are_told_apart_in_sunlight() -> None:
    """A phone in the open: what its glass throws back is added to every color alike.

    By daylight of 10,000 lx a screen that throws 5 % of it back in all directions adds
    10,000 x 0.05 / pi = 160 cd/m2 (Lambert's law) to a white of 500 cd/m2: 0.32 of white. Both
    numbers are assumptions. The darkest and the lightest 1 % of the relief on the sample county's
    light screen were measured: 0.46 and 0.84 of white.
    """
    veil = 10_000 * 0.05 / np.pi / 500
    light = {
        name: float(np.array([0.2126, 0.7152, 0.0722]) @ linear(color))
        for name, color in palette("light").items()
    }

    def seen_as(one: float, other: float) -> float:
        bright, dim = sorted((one, other), reverse=True)
        return (bright + veil) / (dim + veil)

    for relief in (0.46, 0.84):
        for name in ("first", "next", "routine"):
            assert seen_as(light[f"{name}-edge"], relief) > 1.75, (name, relief)
    for one, other in itertools.combinations(("first", "next", "routine"), 2):
        assert seen_as(light[one], light[other]) > 1.6, (one, other)
