"""Ten years of visits to a large county, replayed.

Run with ``python tests/benchmarks/replay.py [--units 50000] [--years 10] [--visits 10000]``. It
makes an invented county in memory, with the template's parts and weights, then times what is
learned from all visits and the replay of all years, with their bands.
"""

from __future__ import annotations

import argparse
import datetime as dt
import resource
import time
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd

from geo.past.learned import judged_visits, learn_if_sound
from geo.past.replay import replay, replay_sentences
from layers.settings.priority_settings import load_priorities


def make_county(units: int, years: int, visits: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Units with every column the parts rate, and visits whose trouble hangs on age."""
    rng = np.random.default_rng(5)
    first = 2025 - years + 1
    installed = pd.Timestamp(f"{first}-01-01") - pd.to_timedelta(rng.uniform(0, 15_000, units), "D")
    table = pd.DataFrame(
        {
            "unit_id": np.arange(units).astype(str),
            "kind": rng.choice(["surface_discharge", "soil_absorption", "holding_tank"], units),
            "status": "active",
            "installed": installed.floor("D"),
            "lid_wet_state": rng.choice(["wet", "dry_in_all"], units, p=[0.1, 0.9]),
            "lid_wet_return_yr": 10.0,
            "flood_distance_m": rng.exponential(500, units),
            "hand_m": rng.exponential(5, units),
            "outlet_state": rng.choice(["known", "unconfirmed", "unknown"], units),
            "well_distance_m": rng.exponential(60, units),
            "lid_well_distance_m": rng.exponential(60, units),
            "path_length_m": rng.exponential(200, units),
            "stream_distance_m": rng.exponential(100, units),
            "place_distance_m": rng.exponential(2_000, units),
            "parcels_crossed": rng.integers(0, 4, units).astype(float),
        }
    )
    unit = np.concatenate([rng.choice(units, visits, replace=False) for _ in range(years)])
    start = pd.to_datetime([f"{first + y}-01-01" for y in np.repeat(np.arange(years), visits)])
    date = pd.Series(start + pd.to_timedelta(rng.integers(0, 365, len(unit)), "D"))
    age = (date - table["installed"].to_numpy()[unit]).dt.days.to_numpy() / 365.2425
    chance = 1 / (1 + np.exp(2.0 - 0.06 * (age - 20)))
    seen = pd.DataFrame(
        {
            "inspection_id": np.arange(len(unit)).astype(str),
            "unit_id": table["unit_id"].to_numpy()[unit],
            "date": date,
            "outcome": "completed",
            "result": np.where(rng.uniform(size=len(unit)) < chance, "repair", "good"),
        }
    )
    return table, seen


def main() -> None:
    """Make the county, time both steps, print what the replay says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=50_000)
    parser.add_argument("--years", type=int, default=10)
    parser.add_argument("--visits", type=int, default=10_000, help="a year")
    args = parser.parse_args()
    table, seen = make_county(args.units, args.years, args.visits)
    priorities = load_priorities(Path(str(files("layers.settings.templates") / "priorities.toml")))
    today = dt.date(2025, 12, 31)

    start = time.perf_counter()
    visits = judged_visits(table, seen, settings=priorities.learned, until=today)
    learned = learn_if_sound(visits, priorities)
    learned.columns(table.assign(age_years=20.0, last_result="good"), priorities.learned)
    print(f"learned from {learned.visits} visits: {time.perf_counter() - start:.1f} s")

    start = time.perf_counter()
    got = replay(table, seen, priorities, as_of=today)
    print(f"replay of {args.years} years, {len(seen)} visits: {time.perf_counter() - start:.1f} s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"peak memory: {peak:.2f} GB")
    print(replay_sentences(got)[0])


if __name__ == "__main__":
    main()
