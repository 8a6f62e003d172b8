"""A share of each year's visits drawn by lot, so that what they find speaks for every unit."""

from __future__ import annotations

import hashlib

import pandas as pd


def drawn_by_lot(
    unit_ids: pd.Series,
    *,
    visits: int,
    share: float,
    year: int,
    seed: int = 0,
) -> pd.Series:
    """Which units a year's lot draws, so that their outcomes speak for all.

    Parameters
    ----------
    unit_ids
        The units that may be visited.
    visits
        Visits the office makes in the year.
    share
        Of these visits, the share drawn by lot, 0 to 1.
    year, seed
        The lot is new each year; anyone can draw it again.

    Returns
    -------
    True for ``round(share x visits)`` units (all, where there are fewer), on the same index.

    Raises
    ------
    ValueError
        When ``share`` does not lie between 0 and 1, or ``visits`` is negative.

    Notes
    -----
    Each unit's number is the SHA-256 of seed, year and id; the smallest are drawn. So every unit
    has the same chance, whatever its place in the list, and a unit added or removed changes the
    lot of one other at most.
    """
    if not 0 <= share <= 1:
        raise ValueError(f"share must be between 0 and 1, not {share}")
    if visits < 0:
        raise ValueError(f"visits must not be negative, not {visits}")
    number = unit_ids.astype(str).map(
        lambda unit: hashlib.sha256(f"{seed} {year} {unit}".encode()).hexdigest()
    )
    wanted = min(round(share * visits), len(unit_ids))
    chosen = number.sort_values(kind="stable").index[:wanted]
    return pd.Series(unit_ids.index.isin(chosen), index=unit_ids.index)
