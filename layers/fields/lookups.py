"""Values by key, where there may be none."""

from __future__ import annotations

import pandas as pd


def looked_up(keys: pd.Series, values: pd.Series) -> pd.Series:
    """The value of each key on the index of ``keys``, null where there is none.

    The kind of the values stays: ``Series.map`` makes numbers of a mapping without rows, and cannot
    where they would be days.

    Parameters
    ----------
    values
        By key, each key once.
    """
    return pd.Series(values.reindex(keys).array, index=keys.index)
