"""What every command makes of several counties, in one folder: a change of the house must keep it.

    python tests/support/make_everything.py FOLDER

The invented county, the same with another seed, without its terrain, and its units alone are each
assessed, and every command is run on them that only reads a county, its records or a result (words
of the office carry the time and an id drawn by lot, so that no two are alike). What is said lies in
``said_COUNTY.txt``. Two folders made by two states of the program are compared by
compare_folders.py.
"""

from __future__ import annotations

import base64
import json
import os
import re
import shlex
import shutil
import sys
import tomllib
from importlib.resources import files
from pathlib import Path

from click.testing import CliRunner

PLACE = "26.495323, -88.488955"
LID = "26.4952, -88.4885"
AFTER_READING = (
    "check {c}", "check {c} --json --places {o}/places.gpkg",
    "due {c} --json --csv {o}/due.csv --calendar {o}/due.ics", "due {c}",
    "trace proposal {c} --lid '{LID}' --draws 5 --quiet --page {o}/proposal.html",
    "trace proposal {c} --lid '{LID}' --draws 5 --quiet --json --area {o}/area.geojson",
)  # fmt: skip
OF_RECORDS = (
    "findings list {c} --all", "findings list {c} --json", "findings letters {c} {o}/letters",
    "findings snapshot {c} {o}/snapshot.gpkg", "findings release {c} {o}/release.csv",
    "findings photos {c} {o}/photos", "record {c} {day}",
)  # fmt: skip
AFTER_ASSESSING = (
    "map {o}", "map {o} --audience public", "report {o}", "report {o} --audience public",
    "visit {o} --first 3", "visit {o} --due", "visit {o} {unit} --json",
    "trace down {o} {unit} --csv {o}/down.csv --page {o}/down.html", "trace down {o} {unit} --json",
    "trace up {o} --at '{PLACE}' --csv {o}/up.csv --page {o}/up.html",
    "trace up {o} --at '{PLACE}' --json",
)  # fmt: skip
OF_TWO = (
    "compare {one} {o} --csv {o}/moved.csv", "compare {one} {o} --json",
    "map {o} --before {one}", "report {o} --before {one}",
)  # fmt: skip


def make_everything(folder: Path) -> None:
    """Fill ``folder``; a command that breaks is said with its traceback."""
    folder.mkdir(parents=True)
    os.chdir(folder)
    sample = Path(str(files("layers.sample_layers")))
    whole = (sample / "county.toml").read_text("utf-8")
    write_key(tomllib.loads(whole)["county"]["name"])

    print_step("demo", "demo --out demo")
    work("demo", "demo/county/county.toml", assess=None)
    work("seed_3", "demo/county/county.toml", assess="--seed 3 --keep-terrain", before="demo")
    for name, layers in (("no_terrain", without("terrain")), ("units_alone", only("units"))):
        county = Path(f"{name}_county")
        shutil.copytree("demo/county", county, ignore=shutil.ignore_patterns("records"))
        (county / "county.toml").write_text(chosen(whole, layers), "utf-8")
        work(name, f"{county}/county.toml", assess="--draws 5", before="demo", records=False)
    print_step("demo", "new begun")
    print_step("demo", "new begun_from --from demo/county/units.xlsx --yes")


def work(name, county, *, assess, before=None, records=True):
    """Every command on one county."""
    words = {"c": county, "o": name, "PLACE": PLACE, "LID": LID, "one": before}
    Path(name).mkdir(exist_ok=True)
    if assess is not None:
        print_step(name, f"assess {county} --out {name} {assess} --overwrite")
    from layers import store

    units = store.read_assessment(Path(name)).units
    words["unit"] = units.sort_values("rank")["unit_id"].iloc[0]
    words["day"] = next(map(str, sorted(Path(county).parent.glob("records/*/*.jsonl"))), "")
    for line in (*AFTER_READING, *(OF_RECORDS if records else ()), *AFTER_ASSESSING,
                 *(OF_TWO if before else ())):  # fmt: skip
        print_step(name, line.format(**words))


def print_step(name: str, line: str) -> None:
    """Run a command and keep what it says, without the folder's own path and without times."""
    from geo.cli import main

    done = CliRunner().invoke(main, shlex.split(line))
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise RuntimeError(f"{line}: {done.output}") from done.exception
    text = done.output.replace(str(Path.cwd()), "FOLDER")
    text = re.sub(r"\d+(\.\d+)? s\b", "N s", text)
    with Path(f"said_{name}.txt").open("a", encoding="utf-8") as file:
        file.write(f"$ {line}\n{text}[{done.exit_code}]\n")


def chosen(text: str, keep) -> str:
    """The county file with the sections ``keep`` says yes to."""
    parts = re.split(r"(?m)^(?=\[)", text)
    return "".join(part for part in parts if keep(part.split("]")[0][1:]))


def without(name):
    """All sections but a layer's and the records'."""
    return lambda section: not section.startswith((f"layers.{name}", "records"))


def only(name):
    """The county's own section and one layer's."""
    return lambda section: section == "county" or section.startswith(f"layers.{name}")


def write_key(county: str) -> None:
    """The key of record pages is drawn by lot: here it is the same each time."""
    from layers.records.page_key import _file_name

    key = base64.b64encode(bytes(range(32))).decode()
    Path(_file_name(county)).write_text(
        json.dumps({"record_page_key": 1, "county": county, "key": key}) + "\n", "utf-8"
    )


if __name__ == "__main__":
    make_everything(Path(sys.argv[1]).resolve())
