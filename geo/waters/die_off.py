"""How much of what leaves an outlet is left after a way down the water: a scenario, no forecast."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from layers.outputs import UNITS

# Die-off of faecal indicator bacteria in fresh water in the dark, per day at 20 degrees C, and its
# factor per degree: the form of Mancini (1978); the values are from memory and not checked
# against the paper.
RATE_20C_PER_DAY: Final = 0.8
THETA: Final = 1.07
# In practice; in sediments slower still. From memory.
RATE_BAND_PER_DAY: Final = (0.5, 1.5)
# How fast small streams carry what is in them, slow to fast. Common practice, no source.
SPEED_BAND_M_S: Final = (0.05, 0.5)
SPEED_M_S: Final = 0.2
TEMPERATURE_C: Final = 15.0
_DAY_S: Final = 86_400.0
Floats = NDArray[np.float64]


def die_off_rate(temperature_c: ArrayLike, *, rate_20c_per_day: float = RATE_20C_PER_DAY) -> Floats:
    """First-order rate per day, ``k20 * 1.07 ** (T - 20)``."""
    return rate_20c_per_day * THETA ** (np.asarray(temperature_c, float) - 20.0)


def share_left(days: ArrayLike, rate_per_day: ArrayLike) -> Floats:
    """The share left after some days, ``exp(-k t)``."""
    return np.exp(-np.asarray(rate_per_day, float) * np.asarray(days, float))


def load_section() -> dict[str, Any]:
    """The rates and speeds that `load_by_catchment` takes, as a run's section."""
    return {
        "rate_20c_per_day": RATE_20C_PER_DAY,
        "theta": THETA,
        "temperature_c": TEMPERATURE_C,
        "speed_m_s": SPEED_M_S,
        "rate_band_per_day": list(RATE_BAND_PER_DAY),
        "speed_band_m_s": list(SPEED_BAND_M_S),
        "source": "the form of Mancini 1978, values from memory",
    }


def load_by_catchment(units: pd.DataFrame) -> pd.DataFrame:
    """Units of each small area, how many may be in trouble, and what is left downstream.

    Parameters
    ----------
    units
        Of an assessment; ``area_id``, ``path_end``, ``downstream_m`` and ``trouble_chance`` with
        its band are read where they are there.

    Returns
    -------
    ``area_id, units, outlets`` (that come into mapped water), ``expected_in_trouble`` with
    ``_low`` and ``_high`` (sums of ``trouble_chance``; null where records teach none),
    ``arrives`` with ``_low`` and ``_high``: units' worth of what leaves those in trouble that
    arrives at the nearest bathing place or intake down the water; null where none is reached.

    Notes
    -----
    Each unit in trouble counts as one. Die-off at `TEMPERATURE_C` and `SPEED_M_S`; the band takes
    the slowest die-off in the fastest water against the fastest in the slowest, on top of the
    band of the chances. No dilution, no settling, no growth.
    """
    area = UNITS.values(units, "area_id")
    names = ("trouble_chance", "trouble_chance_low", "trouble_chance_high")
    chances = [UNITS.values(units, name).astype(float) for name in names]
    way = UNITS.values(units, "downstream_m").astype(float)
    slow, fast = SPEED_BAND_M_S
    low_rate, high_rate = (
        die_off_rate(TEMPERATURE_C, rate_20c_per_day=k) for k in RATE_BAND_PER_DAY
    )
    left = share_left(way / SPEED_M_S / _DAY_S, die_off_rate(TEMPERATURE_C))
    least = share_left(way / slow / _DAY_S, high_rate)
    most = share_left(way / fast / _DAY_S, low_rate)
    table = pd.DataFrame(
        {
            "area_id": area.astype(object).where(area.notna(), None),
            "units": 1,
            "outlets": UNITS.values(units, "path_length_m").notna() & _has_water(units),
            "expected_in_trouble": chances[0],
            "expected_in_trouble_low": chances[1],
            "expected_in_trouble_high": chances[2],
            "arrives": chances[0] * left,
            "arrives_low": chances[1] * least,
            "arrives_high": chances[2] * most,
        }
    )
    sums = table.groupby("area_id", dropna=False).sum(min_count=1)
    order = "expected_in_trouble" if chances[0].notna().any() else "units"
    return sums.sort_values([order], ascending=False, kind="stable").reset_index()


def _has_water(units: pd.DataFrame) -> pd.Series:
    return UNITS.values(units, "path_end").isin(["stream", "water_body", "drain"])
