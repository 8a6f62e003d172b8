"""Metadata goes, the picture stays: decoded by Pillow before and after, sample for sample."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image, ImageCms, JpegImagePlugin

from layers.records.jpeg import without_metadata

SECRET = b"40.7128 N somewhere"


def picture(mode="RGB", size=(67, 45)):
    """Noise over a slope, so that scans are long and full of stuffed bytes."""
    bands = {"RGB": 3, "CMYK": 4, "L": 1}[mode]
    rng = np.random.default_rng(7)
    values = rng.integers(0, 256, (size[1], size[0], bands), np.uint8)
    values[: size[1] // 2] = np.linspace(0, 255, size[0]).astype(np.uint8)[None, :, None]
    return Image.fromarray(values.squeeze(), mode)


def coded(mode="RGB", **options):
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = SECRET.decode()
    exif.get_ifd(0x8825)[1] = "N"
    picture(mode).save(out, "JPEG", exif=exif, comment=SECRET, **options)
    return out.getvalue()


def pixels(content):
    with Image.open(io.BytesIO(content)) as image:
        return image.mode, np.asarray(image)


def segment(marker, held):
    return bytes((0xFF, marker)) + (len(held) + 2).to_bytes(2, "big") + held


PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
KINDS = {
    "baseline": {},
    "progressive": {"progressive": True},
    "gray": {"mode": "L"},
    "CMYK with Adobe's transform": {"mode": "CMYK"},
    "restarts": {"restart_marker_blocks": 1},
    "restarts, progressive": {"restart_marker_rows": 1, "progressive": True},
    "a color profile": {"icc_profile": PROFILE},
    "full color": {"subsampling": 0, "quality": 100},
    "Adobe's RGB": {"keep_rgb": True},
}


@pytest.mark.parametrize("kind", KINDS)
def test_metadata_goes_and_the_picture_stays(kind):
    before = coded(**KINDS[kind])
    # programs write small pictures, places and comments in many segments, and after the end
    before = before[:2] + b"".join(
        segment(marker, name + SECRET)
        for marker, name in (
            (0xE1, b"http://ns.adobe.com/xap/1.0/\x00"), (0xE0, b"JFXX\x00\x10"),
            (0xE2, b"FPXR\x00"), (0xE2, b"ICC"), (0xED, b"Photoshop 3.0\x00"),
            (0xEF, b""), (0xFE, b""),
        )
    ) + before[2:] + b"after the end " + SECRET  # fmt: skip
    after = without_metadata(before)
    assert SECRET in before
    assert SECRET not in after
    for word in (b"Exif", b"JFXX", b"http:", b"Photoshop"):
        assert word not in after
    mode, values = pixels(before)
    assert pixels(after)[0] == mode
    np.testing.assert_array_equal(pixels(after)[1], values)
    assert without_metadata(after) == after
    with Image.open(io.BytesIO(after)) as image:
        assert image.info.get("icc_profile") == KINDS[kind].get("icc_profile")
        assert not image.getexif()
        assert isinstance(image, JpegImagePlugin.JpegImageFile)


def test_a_small_picture_in_the_header_goes_and_the_density_stays():
    plain = without_metadata(coded(dpi=(300, 300)))
    at = plain.index(b"JFIF\x00") - 4
    header = plain[at + 4 : at + 18]
    small = segment(0xE0, header[:12] + bytes((2, 1)) + b"secret"[:6])
    before = plain[:at] + small + plain[at + 18 :]
    assert without_metadata(before) == plain
    with Image.open(io.BytesIO(plain)) as image:
        assert image.info["dpi"] == (300, 300)


@pytest.mark.parametrize("progressive", [False, True])
def test_wherever_it_is_cut_it_is_refused(progressive):
    whole = without_metadata(coded(progressive=progressive))
    for end in range(len(whole)):
        with pytest.raises(ValueError, match="it "):
            without_metadata(whole[:end])


@pytest.mark.parametrize(
    "content",
    [b"", b"GIF89a", b"\x89PNG\r\n", b"<svg/>", b"\xff\xd8\xff\xd9", b"\xff\xd8" * 9,
     b"\xff\xd8\xff\xda\x00\x02x\xff\xd9", b"\xff\xd8\xff\xe1\x00\x00\xff\xd9",
     b"\xff\xd8" + b"\xff" * 90],
)  # fmt: skip
def test_what_is_no_jpeg_is_refused(content):
    with pytest.raises(ValueError, match=r"it |marker|scan"):
        without_metadata(content)


def test_any_damage_ends_in_a_result_or_in_words():
    whole = coded(progressive=True)
    rng = np.random.default_rng(3)
    for _ in range(2_000):
        damaged = bytearray(whole)
        for place in rng.integers(0, len(whole), 3):
            damaged[place] = rng.integers(0, 256)
        try:
            after = without_metadata(bytes(damaged))
        except ValueError:
            continue
        assert without_metadata(after) == after
