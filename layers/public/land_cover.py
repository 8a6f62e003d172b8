"""Classes of the National Land Cover Database (NLCD).

Source: "National Land Cover Database Class Legend and Description" of the Multi-Resolution Land
Characteristics consortium, read in copies of it; 51 and 72 to 74 (Alaska only) and the codes of
the 1992 legend, in which 21 to 23 mean something else, from the same.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from layers.grid import GridSource, windows

CLASSES: Final[dict[int, str]] = {
    11: "open water",
    12: "perennial ice or snow",
    21: "developed, open space",
    22: "developed, low intensity",
    23: "developed, medium intensity",
    24: "developed, high intensity",
    31: "barren land",
    41: "deciduous forest",
    42: "evergreen forest",
    43: "mixed forest",
    51: "dwarf scrub",
    52: "shrub or scrub",
    71: "grassland or herbaceous",
    72: "sedge or herbaceous",
    73: "lichens",
    74: "moss",
    81: "pasture or hay",
    82: "cultivated crops",
    90: "woody wetlands",
    95: "emergent herbaceous wetlands",
}
NO_CLASS: Final = (0, 127, 250, 255)  # unclassified, and what the layers store for no data
OF_1992: Final = (32, 33, 61, 83, 84, 85, 91, 92)
_MOST_CELLS: Final = 100_000_000  # looked at; of a larger raster every so many windows


def unknown_classes(source: GridSource) -> tuple[dict[int, int], int]:
    """Cells by code of the codes that are no class, and how many cells hold a code at all."""
    size = source.shape[0] * source.shape[1]
    step = max(1, size // _MOST_CELLS)
    counts: dict[int, int] = {}
    for number, window in enumerate(windows(source.shape, 2048)):
        if number % step:
            continue
        codes, many = np.unique(source.read(window).values, return_counts=True)
        for code, count in zip(codes.tolist(), many.tolist(), strict=True):
            if code not in NO_CLASS:
                counts[int(code)] = counts.get(int(code), 0) + count
    unknown = {code: count for code, count in sorted(counts.items()) if code not in CLASSES}
    return unknown, sum(counts.values())


def describe_unknown(unknown: dict[int, int], total: int) -> str:
    """Codes that are no class, in words, with what they may be.

    >>> describe_unknown({7: 12}, 100)
    'codes that are not NLCD classes: 7 (12 cells). The ground there is not known'
    """
    first = ", ".join(f"{code} ({count} cells)" for code, count in list(unknown.items())[:8])
    more = f" and {len(unknown) - 8} more" if len(unknown) > 8 else ""
    text = f"codes that are not NLCD classes: {first}{more}. The ground there is not known"
    if set(unknown) & set(OF_1992):
        return f"{text}. Codes 32, 33, 61, 83 to 85, 91 and 92 are from 1992. Fix: use a newer NLCD"
    if 2 * sum(unknown.values()) > total:
        return f"{text}. Most cells have such codes. Check that this is NLCD"
    return text
