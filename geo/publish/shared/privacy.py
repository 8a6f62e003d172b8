"""Counts that give no household away: none of few, and none that a subtraction would reveal.

What is given in here are the numbers held of an edition (`geo.results.public_editions`), so that
nothing that is said moves unless they do.
"""

from __future__ import annotations

from collections.abc import Sequence

from geo.results.areas import LEAST_UNITS


def held_words(k: int) -> str:
    """How a public edition follows the one before it, in one sentence.

    >>> held_words(5)[:64]
    'A number changes only when at least 5 households have changed it'
    """
    return (
        f"A number changes only when at least {k} households have changed it since it was first"
        " published, so it may lag."
    )


def guarded(n: int, total: int, *, least: int = LEAST_UNITS) -> str:
    """A count out of a total that is shown beside it; neither none nor all is said of anyone.

    >>> guarded(40, 400), guarded(5, 400), guarded(395, 400), guarded(0, 400)
    ('40', 'fewer than 11', 'nearly all', 'fewer than 11')
    """
    if total < least:
        return "not shown"
    if n < least:
        return f"fewer than {least}"
    if total - n < least:
        return "nearly all"
    return f"{n:,}"


def merged(counts: Sequence[tuple[str, int]], *, least: int = LEAST_UNITS) -> list[tuple[str, int]]:
    """Neighboring groups of a whole, joined until each holds enough.

    No group of few or of none can be found by taking the others from the whole. Empty when the
    whole is few.

    >>> merged([("first", 4), ("next", 12), ("routine", 80)])
    [('first or next', 16), ('routine', 80)]
    >>> merged([("first", 20), ("next", 2)])
    [('first or next', 22)]
    """
    groups: list[tuple[str, int]] = []
    for name, n in counts:
        if groups and groups[-1][1] < least:
            before, m = groups.pop()
            groups.append((f"{before} or {name}", m + n))
        else:
            groups.append((name, n))
    while len(groups) > 1 and groups[-1][1] < least:
        last, n = groups.pop()
        before, m = groups.pop()
        groups.append((f"{before} or {last}", m + n))
    return [] if len(groups) == 1 and groups[0][1] < least else groups


Row = tuple[str, int, int]
"""An area's name, its units, and how many of them are in a class."""


def by_area(
    areas: Sequence[Row], whole: tuple[int, int], *, rest: str, least: int = LEAST_UNITS
) -> list[Row]:
    """Units by area, and how many of them are in a class; small areas together under ``rest``.

    An area stands alone where enough units are in the class and enough are not, so that neither
    its few nor all of it are told of; the same holds of ``rest``, into which the smallest areas
    are taken until it does. It is what the others leave of the whole, so that the rows add up to
    it. Empty when not even the whole allows it, or nothing but the rest would stand there.

    >>> areas = [("A", 40, 20), ("B", 30, 15), ("C", 5, 0)]
    >>> by_area(areas, (75, 35), rest="other areas")
    [('other areas', 35, 15), ('A', 40, 20)]
    """
    shown = sorted((r for r in areas if _enough(r[1:], least) and r[0]), key=lambda r: r[1:])
    left = any(r[1] for r in areas if r not in shown)
    while left and not _enough(_left(whole, shown), least):
        if not shown:
            return []
        shown.pop(0)
    if not shown:
        return []
    n, k = _left(whole, shown)
    return [*([(rest, n, k)] if left else []), *sorted(shown)]


def _left(whole: tuple[int, int], rows: Sequence[Row]) -> tuple[int, int]:
    return whole[0] - sum(r[1] for r in rows), whole[1] - sum(r[2] for r in rows)


def _enough(counts: tuple[int, int], least: int) -> bool:
    return counts[1] >= least and counts[0] - counts[1] >= least
