"""Time to compile every kernel, cold and then warm from the cache; prints both.

    python tests/benchmarks/compiling.py

Each runs in a process of its own with a cache folder made for it; imports are not counted.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

KERNELS = Path(__file__).parents[1] / "geo" / "kernels"
RUN = """
import sys, time
sys.path.insert(0, sys.argv[1])
import numpy as np
import exercise
from geo.kernels import nearest
wall, own = time.perf_counter(), time.process_time()
z = np.random.default_rng(0).integers(0, 6, (17, 23)).astype(np.float32)
exercise.run(z, z < 1, exercise.compiled_form)
ends = np.array([[0.0, 0.0, 1.0, 1.0]])
first, item = nearest.bucket_segments(ends, 0.0, 0.0, 1.0, 2, 2)
nearest.nearest_segments(
    ends[:, :2], np.empty(0, np.int64), ends, np.zeros(1, np.int64), first, item,
    0.0, 0.0, 1.0, 2, 2, 9.0,
)
print(f"{time.perf_counter() - wall:.2f} s, of processor time {time.process_time() - own:.2f} s")
"""


def main() -> None:
    """Run twice with one new cache folder."""
    print(f"load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as folder:
        for state in ("cold", "warm"):
            done = subprocess.run(
                [sys.executable, "-c", RUN, str(KERNELS)],
                env={**os.environ, "RILLMARK_CACHE_DIR": folder},
                capture_output=True,
                text=True,
                check=True,
            )
            print(f"{state}: {done.stdout.strip()}")


if __name__ == "__main__":
    main()
