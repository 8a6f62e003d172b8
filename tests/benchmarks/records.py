"""Time to read a county with 1,000 day files on record, some with photos.

    python tests/benchmarks/records.py FOLDER

makes the county in FOLDER if it is not there, and reads it as every command does: once with an
empty index, then as often as --times says. To compare with another version run its Python on the
same folder, in turn.
"""

from __future__ import annotations

import argparse
import base64
import datetime as dt
import os
import random
import shutil
import time
from pathlib import Path

from layers.reading.reading import read_county
from layers.records import DayFile, Visit, add_day_file, write_day_file

FILES, VISITS, UNITS = 1_000, 12, 2_000
PHOTO_B = 40_000


def make(folder: Path) -> None:
    """2,000 invented units, 12,000 visits in 1,000 day files, a photo in each file."""
    chance = random.Random(1)
    folder.mkdir(parents=True)
    rows = [f"{n:05d},{39.7 + n % 50 * 1e-3},{-85.8 + n // 50 * 1e-3}" for n in range(UNITS)]
    (folder / "units.csv").write_text("unit_id,lat,lon\n" + "\n".join(rows) + "\n")
    (folder / "county.toml").write_text(
        '[county]\nname = "Invented County"\nas_of = 2026-04-01\n'
        '[layers.units]\npath = "units.csv"\n[records]\npath = "records"\n'
    )
    for number in range(FILES):
        day = dt.date(2022, 1, 1) + dt.timedelta(days=number)
        photo = base64.b64encode(chance.randbytes(PHOTO_B)).decode()
        visits = tuple(
            Visit.model_validate({
                "kind": "visit", "record_id": f"r{number}-{n}", "county": "Invented County",
                "by": "Inspector 1", "at": f"{day}T14:{n:02d}:00Z", "day": day,
                "unit_id": f"{chance.randrange(UNITS):05d}", "outcome": "completed",
                "answers": [{"item": f"look {k}", "answer": "good"} for k in range(9)],
                "measured": [{"what": "risers", "value": 7.0, "unit": "in"}] * (n % 3),
                "photos": [{"name": "p", "jpeg": photo}] if n == 0 else [],
            })
            for n in range(VISITS)
        )  # fmt: skip
        content = write_day_file(DayFile("Invented County", day, "Inspector 1", visits))
        add_day_file(folder / "records", content, where="f", county="Invented County")


def main() -> None:
    """Make, read, print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--times", type=int, default=5)
    options = parser.parse_args()
    if not options.folder.exists():
        make(options.folder)
    cache = options.folder.parent / f"{options.folder.name}_cache_{os.getpid()}"
    os.environ["RILLMARK_CACHE_DIR"] = str(cache)
    try:
        spent = []
        for _ in range(options.times + 1):
            start = time.process_time()
            read_county(options.folder / "county.toml")
            spent.append(time.process_time() - start)
    finally:
        shutil.rmtree(cache, ignore_errors=True)
    print(f"empty index {spent[0]:.2f} s, then {min(spent[1:]):.2f} s of the processor")


if __name__ == "__main__":
    main()
