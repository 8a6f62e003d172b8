"""The order of a large county drawn again and again: time and peak memory.

    python tests/benchmarks/priorities.py [--units 50000] [--draws 500]

The county is invented: a table as `geo.assess` makes it, with half its lids placed by address or
parcel, a third of its ages and a tenth of its visits not on record.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd

from geo.order.comparison import compare_orders
from geo.order.priorities import prioritize
from geo.order.steadiness import how_steady
from layers.settings.priority_settings import SteadinessSection, load_priorities

SEED = 11


def invented_table(n: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A table of ``n`` units with every column the shipped priorities name, and its spreads."""
    rng = np.random.default_rng(SEED)
    lid_sd = rng.choice([0.04, 1.2, 4.1, 30.6], n, p=[0.1, 0.3, 0.1, 0.5])
    well_sd = np.hypot(lid_sd, rng.choice([0.04, 5.0, 30.6], n))
    chance = np.sort(rng.beta(0.3, 2.0, (n, 6)), axis=1)
    table = pd.DataFrame(
        {
            "unit_id": [f"U{k:06d}" for k in range(n)],
            "status": rng.choice(["active", "seasonal", "sewered"], n, p=[0.9, 0.08, 0.02]),
            "last_result": rng.choice(["good", "minor", "repair", "danger", "unknown"], n),
            "days_since_inspection": np.where(rng.random(n) < 0.1, np.nan, rng.gamma(2, 700, n)),
            "age_years": np.where(rng.random(n) < 0.33, np.nan, rng.gamma(3, 7, n)),
            "lid_wet_state": rng.choice(["dry_in_all", "wet", "at_or_below_smallest"], n),
            "lid_wet_return_yr": rng.choice([2.0, 5, 10, 25, 50, 100], n),
            "flood_distance_m": np.where(rng.random(n) < 0.1, 0.0, rng.gamma(2, 400, n)),
            "hand_m": rng.gamma(2, 3, n),
            "outlet_state": rng.choice(["known", "unconfirmed", "unknown"], n, p=[0.6, 0.3, 0.1]),
            "well_distance_m": rng.gamma(2, 40, n),
            "lid_well_distance_m": rng.gamma(2, 40, n),
            "path_length_m": np.where(rng.random(n) < 0.2, np.nan, rng.gamma(1.5, 300, n)),
            "stream_distance_m": rng.gamma(1.5, 200, n),
            "place_distance_m": rng.gamma(2, 1500, n),
            "downstream_m": np.where(rng.random(n) < 0.7, np.nan, rng.gamma(2, 2000, n)),
            "parcels_crossed": np.where(rng.random(n) < 0.3, np.nan, rng.integers(0, 4, n)),
        }
    )
    for k, years in enumerate((2, 5, 10, 25, 50, 100)):
        table[f"lid_wet_{years}yr_probability"] = chance[:, k]
    sds = pd.DataFrame(
        {
            "well_distance_m": well_sd,
            "lid_well_distance_m": well_sd,
            "place_distance_m": np.hypot(lid_sd, 30.6),
            "stream_distance_m": np.hypot(lid_sd, 5.7),
            "path_length_m": lid_sd,
            "downstream_m": lid_sd,
            "flood_distance_m": np.hypot(lid_sd, 5.7),
        }
    )
    return table, sds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=50_000)
    parser.add_argument("--draws", type=int, default=500)
    given = parser.parse_args()
    shipped = load_priorities(Path(str(files("layers.settings.templates") / "priorities.toml")))
    priorities = shipped.model_copy(update={"steadiness": SteadinessSection(draws=given.draws)})
    table, sds = invented_table(given.units)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    order = prioritize(table, priorities)
    ranked = time.perf_counter()
    steady = how_steady(table, order, priorities, sds, seed=SEED)
    drawn = time.perf_counter()
    known = table.assign(last_result="good")
    moves = compare_orders(table.join(order), known.join(prioritize(known, priorities)))
    done = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{given.units:,} units, {given.draws} draws, load {os.getloadavg()[0]:.1f}")
    print(
        f"order {ranked - start:.1f} s, bands and what missing records did {drawn - ranked:.1f} s"
    )
    print(f"who moved, of {len(moves):,}: {done - drawn:.1f} s")
    print(f"peak memory {peak / 1024:,.0f} MB ({before / 1024:,.0f} MB before)")
    for row in steady.section["inputs"]:
        print(f"  {row['input']} ({row['kind']}): {row['units']:,} units, settles {row['settles']}")


if __name__ == "__main__":
    main()
