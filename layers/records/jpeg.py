"""A JPEG picture without its metadata, segment by segment; the picture is not coded anew.

A phone writes where a picture was taken, with what and when into segments beside the picture (Exif
and XMP in APP1, and more). Sources: markers, segments and scans: ITU-T T.81 (1992) annex B;
APP0 with its small picture: ITU-T T.871 (JFIF); color profiles in APP2: ICC.1:2022 annex B.4;
the color transform in APP14: ITU-T T.872, 6.5.3. All from memory.
"""

from __future__ import annotations

from typing import Final

_START: Final = b"\xff\xd8"
_SOI, _EOI, _SOS, _DNL, _TEM = 0xD8, 0xD9, 0xDA, 0xDC, 0x01
_RESTARTS: Final = range(0xD0, 0xD8)
# Tables and frames, without which there is no picture: frames of all kinds with DHT, JPG and DAC
# among them (C0 to CF), DQT, DNL, DRI, DHP, EXP.
_PICTURE: Final = frozenset({*range(0xC0, 0xD0), 0xDB, _DNL, 0xDD, 0xDE, 0xDF}) - {0xC8}
_FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_JFIF: Final = b"JFIF\x00"
_JFIF_PLAIN: Final = 12  # bytes of its segment up to the size of the small picture
_ICC: Final = b"ICC_PROFILE\x00"
_ADOBE: Final = b"Adobe"
_ADOBE_BYTES: Final = 12  # the name, version, flags and transform; what follows is none of it


def without_metadata(content: bytes) -> bytes:
    """The same picture, byte for byte, without what is written beside it.

    Kept are JFIF's header (without its small picture), color profiles, Adobe's color transform,
    tables, frames, scans and the end. All other segments of programs, comments, and whatever
    stands after the end are left out. What has none of that comes back as it is.

    Raises
    ------
    ValueError
        When it is no JPEG picture, or its segments do not add up to one.
    """
    if content[:2] != _START:
        raise ValueError("it does not start like a JPEG picture")
    kept, at = [_START], 2
    has_frame = has_scan = False
    while True:
        marker, at = _marker(content, at)
        if marker == _EOI:
            break
        if marker in _RESTARTS or marker in (_SOI, _TEM):
            raise ValueError(f"a marker {marker:02X} is in the wrong place")
        segment = _segment(content, at)
        at += 2 + len(segment)
        kept += _kept(marker, segment)
        has_frame |= marker in _FRAMES
        if marker == _SOS:
            if not has_frame:
                raise ValueError("a scan comes before the size of the picture")
            end = _end_of_scan(content, at)
            has_scan |= end > at
            kept.append(content[at:end])
            at = end
    if not has_scan:
        raise ValueError("it has no picture")
    return b"".join([*kept, bytes((0xFF, _EOI))])


def _marker(content: bytes, at: int) -> tuple[int, int]:
    """The marker at a place and where its segment begins; it may be filled up with FF."""
    if content[at : at + 1] != b"\xff":
        raise ValueError("it is incomplete or damaged: a marker is missing")
    while content[at : at + 1] == b"\xff":
        at += 1
    if at >= len(content) or content[at] == 0:
        raise ValueError("it is incomplete or damaged: a marker is missing")
    return content[at], at + 1


def _segment(content: bytes, at: int) -> bytes:
    """What a segment holds after its length."""
    size = int.from_bytes(content[at : at + 2], "big")
    if size < 2 or at + size > len(content):
        raise ValueError("it is incomplete or damaged: a segment has the wrong length")
    return content[at + 2 : at + size]


def _kept(marker: int, segment: bytes) -> list[bytes]:
    """A segment as it is kept, with its marker; nothing where it is left out."""
    if marker == 0xE0 and segment.startswith(_JFIF):
        if len(segment) < _JFIF_PLAIN:
            return []
        segment = segment[:_JFIF_PLAIN] + b"\x00\x00"
    elif marker == 0xEE and segment.startswith(_ADOBE):
        if len(segment) < _ADOBE_BYTES:
            return []
        segment = segment[:_ADOBE_BYTES]
    elif marker == 0xE2 and segment.startswith(_ICC):
        pass
    elif marker != _SOS and marker not in _PICTURE:
        return []
    return [bytes((0xFF, marker)), (len(segment) + 2).to_bytes(2, "big"), segment]


def _end_of_scan(content: bytes, at: int) -> int:
    """Where the coded data of a scan ends: at a marker that is no restart and no stuffed byte."""
    while True:
        at = content.find(b"\xff", at)
        if at < 0:
            raise ValueError("it is incomplete: the picture has no end")
        after = at + 1
        while content[after : after + 1] == b"\xff":  # fill before a marker
            after += 1
        if after >= len(content):
            raise ValueError("it is incomplete: the picture has no end")
        if content[after] != 0 and content[after] not in _RESTARTS:
            return at
        at = after + 1
