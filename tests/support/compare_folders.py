"""Whether two folders hold the same: byte for byte, and where bytes hold a clock, by content.

    python tests/support/compare_folders.py ONE OTHER [--allow 'PATTERN:REASON' ...]

GeoPackages are compared table by table and column by column, workbooks part by part, ``run.json``
without its timings and hashes of GeoPackages. What may differ is named with a reason; a reason that
nothing needed is an error too.
"""

from __future__ import annotations

import argparse
import fnmatch
import json
import sqlite3
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

CLOCKS = {"gpkg_contents": {"last_change"}}


def differences(one: Path, other: Path) -> Iterator[tuple[str, str]]:
    """File and what differs in it."""
    names = [
        {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}
        for folder in (one, other)
    ]
    for name in sorted(names[0] ^ names[1]):
        yield name, f"only in {one if name in names[0] else other}"
    for name in sorted(names[0] & names[1]):
        first, second = (one / name).read_bytes(), (other / name).read_bytes()
        if first != second:
            yield from ((name, what) for what in _inside(name, one / name, other / name))


def _inside(name: str, one: Path, other: Path) -> list[str]:
    if name.endswith(".gpkg"):
        return _unlike(_tables(one), _tables(other))
    if name.endswith(".xlsx"):
        return _unlike(_parts(one), _parts(other))
    if Path(name).name == "run.json":
        return _unlike(_run(one), _run(other))
    first, second = (path.read_bytes() for path in (one, other))
    at = next((k for k, (a, b) in enumerate(zip(first, second, strict=False)) if a != b), 0)
    return [f"bytes from {at}: {first[at - 40 : at + 60]!r} / {second[at - 40 : at + 60]!r}"]


def _unlike(one: dict, other: dict) -> list[str]:
    found = [f"{key} is in one only" for key in sorted(one.keys() ^ other.keys())]
    found += [f"{key} differs" for key in one if key in other and one[key] != other[key]]
    return found if found or list(one) == list(other) else ["another order"]


def _tables(path: Path) -> dict[str, list]:
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
        tables = [t for (t,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {}
        for table in tables:
            columns = [row[1] for row in base.execute(f'PRAGMA table_info("{table}")')]
            for column in columns:
                if column not in CLOCKS.get(table, ()):
                    rows = base.execute(f'SELECT "{column}" FROM "{table}"').fetchall()
                    found[f"{table}.{column}"] = rows
    return found


def _parts(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as book:
        return {part: book.read(part) for part in book.namelist()}


def _run(path: Path) -> dict[str, str]:
    run = json.loads(path.read_text("utf-8"))
    run.pop("timings_s", None)
    return {f"{k}.{n}" if n else k: json.dumps(v) for k, n, v in _leaves(run)}


def _leaves(run: dict) -> Iterator[tuple[str, str, object]]:
    for key, value in run.items():
        if isinstance(value, dict):
            for name, inner in value.items():
                if not str(name).endswith(".gpkg"):  # its hash: a GeoPackage holds the clock
                    yield key, str(name), inner
        else:
            yield key, "", value


def main() -> int:
    """How many files differ that may not."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("one", type=Path)
    parser.add_argument("other", type=Path)
    parser.add_argument("--allow", action="append", default=[], metavar="PATTERN:REASON")
    given = parser.parse_args()
    allowed = dict(text.split(":", 1) for text in given.allow)
    used, unlike = set(), 0
    for name, what in differences(given.one, given.other):
        match = [p for p in allowed if fnmatch.fnmatch(f"{name}: {what}", p)]
        used.update(match)
        if not match:
            unlike += 1
            print(f"{name}: {what[:300]}")
    for pattern in allowed.keys() - used:
        unlike += 1
        print(f"allowed but the same: {pattern}")
    print(f"{unlike} differences that nothing allows" if unlike else "the same")
    return unlike > 0


if __name__ == "__main__":
    sys.exit(main())
