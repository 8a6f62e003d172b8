"""Counts that give no household away: none of few, and none that a subtraction would reveal."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from geo.areas import LEAST_UNITS, ROUNDED_TO


def guarded(n: int, total: int, *, least: int = LEAST_UNITS) -> str:
    """A count out of a total that is shown beside it.

    >>> guarded(40, 398), guarded(3, 398), guarded(395, 398), guarded(0, 398)
    ('40', 'fewer than 11', 'nearly all', 'none')
    """
    if total < least:
        return "not shown"
    if n == 0:
        return "none"
    if n < least:
        return f"fewer than {least}"
    if total - n < least:
        return "nearly all"
    return f"{n:,}"


def to_fives(n: int) -> int:
    """A count rounded to the nearest five, so that counts of two kinds of areas tell no household.

    >>> to_fives(37), to_fives(12)
    (35, 10)
    """
    return ROUNDED_TO * round(n / ROUNDED_TO)


def merged(counts: Sequence[tuple[str, int]], *, least: int = LEAST_UNITS) -> list[tuple[str, int]]:
    """Neighbouring groups of a whole, joined until each holds none or enough.

    No group of few can be found by taking the others from the whole. Empty when the whole is few.

    >>> merged([("first", 4), ("next", 12), ("routine", 80)])
    [('first or next', 16), ('routine', 80)]
    >>> merged([("first", 20), ("next", 2)])
    [('first or next', 22)]
    """
    groups: list[tuple[str, int]] = []
    for name, n in counts:
        if groups and 0 < groups[-1][1] < least:
            before, m = groups.pop()
            groups.append((f"{before} or {name}", m + n))
        else:
            groups.append((name, n))
    while len(groups) > 1 and 0 < groups[-1][1] < least:
        last, n = groups.pop()
        before, m = groups.pop()
        groups.append((f"{before} or {last}", m + n))
    return [] if len(groups) == 1 and groups[0][1] < least else groups


def by_area(
    area: pd.Series, is_in: pd.Series, *, rest: str, least: int = LEAST_UNITS
) -> list[tuple[str, int, int]]:
    """Units by area, and how many of them are in a class; small areas together under ``rest``.

    An area stands alone where enough units are in the class and enough are not, so that neither
    its few nor all of it are told of; the same holds of ``rest``, into which the smallest areas
    are taken until it does. Empty when not even the whole allows it.

    >>> area = pd.Series(["A"] * 40 + ["B"] * 30 + ["C"] * 5)
    >>> by_area(area, pd.Series([i % 2 == 0 for i in range(75)]), rest="other areas")
    [('other areas', 35, 18), ('A', 40, 20)]
    """
    table = pd.DataFrame({"area": area.astype(object).fillna(rest), "inside": is_in.astype(bool)})
    counted = table.groupby("area", sort=True)["inside"].agg(["size", "sum"])
    rows = [(str(name), int(r["size"]), int(r["sum"])) for name, r in counted.iterrows()]
    shown = sorted((r for r in rows if _enough(r, least) and r[0] != rest), key=lambda r: r[1:])
    pool = [r for r in rows if r not in shown]
    while pool and not _enough(_sum(pool, rest), least):
        if not shown:
            return []
        pool.append(shown.pop(0))
    shown = sorted(shown, key=lambda r: r[0])
    return [*([_sum(pool, rest)] if pool else []), *shown]


def _sum(rows: Sequence[tuple[str, int, int]], name: str) -> tuple[str, int, int]:
    return name, sum(r[1] for r in rows), sum(r[2] for r in rows)


def _enough(row: tuple[str, int, int], least: int) -> bool:
    return row[2] >= least and row[1] - row[2] >= least
