"""Ours and the peers on one terrain, one after the other in one process; prints a table.

    pip install -r tests/benchmarks/requirements.txt
    python tests/benchmarks/terrain.py --size 1000 --size 4000

Each task runs ``--repeat`` times, short ones up to 20 times, ours and theirs in turn, and its
fastest run counts. Memory is
the most the process grew by while the task ran, its result included, its input not.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import os
import platform
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from peers import peers, quiet

from geo.runoff import fill_spill_merge
from geo.terrain import (
    depressions,
    fill_depressions,
    flow_accumulation,
    flow_accumulation_dinf,
    flow_direction,
    flow_direction_dinf,
    height_above_drainage,
    slope,
)


def terrain(size: int, kind: str) -> np.ndarray:
    """Fractal ground rounded to 1 cm: "rough" has a third of its cells in depressions.

    "noise" is no ground at all: every ninth cell is a pit, the most memory a tree can be made to
    take.
    """
    if kind == "noise":
        return np.random.default_rng(1).random((size, size), np.float32)
    power, relief = {"rough": (1.5, 200.0), "smooth": (2.2, 60.0)}[kind]
    wave = np.fft.rfft2(np.random.default_rng(1).standard_normal((size, size)))
    length = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size))
    length[0, 0] = 1
    z = np.fft.irfft2(wave * length**-power, s=(size, size))
    return np.round((z - z.min()) / (z.max() - z.min()) * relief, 2).astype(np.float32)


def tasks(z: np.ndarray) -> tuple[dict[str, Callable[[], Any]], np.ndarray, np.ndarray]:
    """Our side of each row, the filled surface, and a drainage mask."""
    filled = fill_depressions(z)
    direction = flow_direction(filled, 1.0)
    drainage = flow_accumulation(direction) > 1000

    def flow() -> np.ndarray:
        return flow_accumulation(flow_direction(fill_depressions(z), 1.0))

    def storms(count: int) -> None:
        tree = depressions(z)
        for k in range(count):
            fill_spill_merge(z, 0.02 * (k + 1), depressions=tree)

    ours = {
        "copy": z.copy,
        "fill": lambda: fill_depressions(z),
        "flow": flow,
        "D-infinity": lambda: flow_accumulation_dinf(flow_direction_dinf(filled, 1.0), 1.0),
        "height": lambda: height_above_drainage(filled, direction, drainage),
        "slope": lambda: slope(z, 1.0),
        "one storm": lambda: storms(1),
        "six storms": lambda: storms(6),
    }
    return ours, filled, drainage


def seconds(task: Callable[[], Any]) -> float:
    """Time of one run."""
    gc.collect()
    with quiet():
        start = time.perf_counter()
        task()
        return time.perf_counter() - start


def growth(task: Callable[[], Any]) -> float | None:
    """Bytes the process grew by at most while the task ran; None where Linux does not say."""
    try:
        gc.collect()
        ctypes.CDLL(None).malloc_trim(0)
        Path("/proc/self/clear_refs").write_text("5")
        before = _status("VmRSS")
        with quiet():
            task()
        return _status("VmHWM") - before
    except (OSError, AttributeError):
        return None


def _status(name: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name):
            return float(line.split()[1]) * 1024
    raise OSError(name)


def table(size: int, kind: str, repeat: int, only: list[str], with_peers: bool) -> None:
    """Run every row on one terrain and print it."""
    z = terrain(size, kind)
    ours, filled, drainage = tasks(z)
    theirs = peers(z, filled, drainage) if with_peers else {}
    share = float((filled > z).mean())
    print(f"\n{size} x {size}, {kind}: {share:.0%} of cells in depressions\n")
    print("| task | who | Mc/s | times our time | bytes a cell | share of a copy |")
    print("|---|---|---|---|---|---|")
    copy = min(seconds(ours["copy"]) for _ in range(5))
    spent_on: dict[str, float] = {}
    for row, mine in ours.items():
        if only and row not in only:
            continue
        runs = {"Rillmark": mine, **theirs.get(row, {})}
        memory = {who: growth(task) for who, task in runs.items()}  # the first, unmeasured run
        best = dict.fromkeys(runs, np.inf)
        rounds = max(repeat, min(20, int(0.3 / seconds(mine))))  # short tasks suffer from noise
        for _ in range(rounds):
            for who, task in runs.items():
                best[who] = min(best[who], seconds(task))
        for who, spent in best.items():
            ratio = "" if who == "Rillmark" else f"{spent / best['Rillmark']:.2f}"
            grown = memory[who]
            cells = "" if grown is None else f"{grown / z.size:.0f}"
            print(
                f"| {row} | {who} | {z.size / spent / 1e6:.1f} | {ratio} | {cells} "
                f"| {copy / spent:.3f} |",
                flush=True,
            )
        spent_on[row] = best["Rillmark"]
    if {"one storm", "six storms"} <= spent_on.keys():
        print(f"\nsix storms cost {spent_on['six storms'] / spent_on['one storm']:.2f} of one")


def main() -> None:
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", type=int, action="append", help="cells along a side; repeatable")
    parser.add_argument("--kind", choices=["rough", "smooth", "noise"], action="append")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--only", action="append", default=[], help="a row; repeatable")
    parser.add_argument("--alone", action="store_true", help="without the peers")
    chosen = parser.parse_args()
    load = ", ".join(f"{k:.1f}" for k in os.getloadavg())
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {load}")
    for size in chosen.size or [1000, 4000]:
        for kind in chosen.kind or ["rough"]:
            table(size, kind, chosen.repeat, chosen.only, not chosen.alone)


if __name__ == "__main__":
    main()
