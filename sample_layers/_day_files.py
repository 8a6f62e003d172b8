"""Day files of Larkmoor County: what its two inspectors, who do not exist, recorded on site.

Written as Rillmark writes them, without Rillmark: JSON lines in UTF-8, keys sorted, what is left
out is not stated; a last line with the number of records and the CRC-32 of all before it; and a
name that holds the day, the person and the start of the SHA-256 of the bytes.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from _faults import Row, Tables
from PIL import Image, ImageDraw

COUNTY = "Larkmoor County (invented)"
WREN, SORREL = "Wren", "Sorrel"
Place = Callable[[Any], tuple[float, float]]

# what there is to look at, by the keys of the visit list
ANY_UNIT = ("access", "risers", "alarm", "air")
TREATED = ("chamber", "settling", "disinfection", "baffle", "ground", "pipe", "running_out")
TANK = ("baffle", "tank_level", "ground")
BY_KIND = {"surface_discharge": TREATED, "soil_absorption": TANK, "holding_tank": TANK}


class Days:
    """The records by day and person, made from what is true of the county."""

    def __init__(self, tables: Tables, place: Place) -> None:
        self.units = {r["unit_id"]: r for r in tables["units"][::-1]}  # the first of each id
        self.wells = {r["well_id"]: r for r in tables["wells"] if not r["_faults"]}
        self.listed = {
            (r["unit_id"], r["date"].isoformat()): r
            for r in tables["inspections"]
            if not r["_faults"]
        }
        self.place = place
        self.days: dict[tuple[str, str], list[Row]] = {}

    def word(self, kind: str, by: str, at: str, **fields: object) -> str:
        """A record of its time (UTC, "2025-04-25T15:05:00Z") and person; its id."""
        records = self.days.setdefault((at[:10], by), [])
        name = f"{by.lower()}-{at[:10]}-{len(records) + 1}"
        records.append(
            {"kind": kind, "record_id": name, "county": COUNTY, "by": by, "at": at} | fields
        )
        return name

    def visit(self, by: str, at: str, unit_id: str, outcome: str = "completed", **more: Any) -> str:
        """A visit; one that ``inspections.csv`` holds too must not say otherwise than it."""
        more = {"unit_id": unit_id, "day": at[:10], "outcome": outcome} | more
        return self.word("visit", by, at, **more)

    def office_has(self, unit_id: str, day: str, outcome: str, result: str | None) -> None:
        """Stop where ``inspections.csv`` no longer holds the visit that a day file tells more of.

        Raises
        ------
        ValueError
            When it does not.
        """
        row = self.listed.get((unit_id, day))
        if row is None or (row["outcome"], row["result"]) != (outcome, result):
            raise ValueError(f"the office's list has no visit {unit_id} {day} {outcome} {result}")

    def answers(self, unit_id: str, **other: str) -> list[Row]:
        """All good but what is named: ``pipe="could_not_see"``."""
        unit = self.units[unit_id]
        keys = [*ANY_UNIT, *(["pump"] if unit["pumped"] else []), *BY_KIND[unit["kind"]], "around"]
        return [{"item": key, "answer": other.get(key, "good")} for key in keys]

    def by_receiver(self, part: str, xy: Any, accuracy_m: float, **more: object) -> Row:
        """A position taken with a receiver in the open."""
        lon, lat = self.place(np.asarray(xy, float))
        return {
            "part": part,
            "lat": lat,
            "lon": lon,
            "accuracy_m": accuracy_m,
            "basis": "gps",
        } | more


def drawing() -> str:
    """A lid with a crack across it, as a small JPEG without metadata, in base64."""
    picture = Image.new("L", (120, 90), 205)
    pen = ImageDraw.Draw(picture)
    pen.ellipse((25, 10, 95, 80), fill=120, outline=60, width=3)
    pen.line([(38, 20), (60, 42), (55, 50), (84, 74)], fill=20, width=3)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=60)
    return base64.b64encode(out.getvalue()).decode("ascii")


def records(tables: Tables, place: Place) -> Days:
    """Every record of the county, by day and person."""
    d = Days(tables, place)
    _earlier(d)
    _spring(d)
    _summer(d)
    _autumn_and_winter(d)
    return d


def _earlier(d: Days) -> None:
    """A danger of two years before, closed with what shows it."""
    d.office_has("00412", "2023-07-13", "completed", "danger")
    found = d.visit(
        WREN, "2023-07-13T15:20:00Z", "00412",
        answers=d.answers("00412", access="not_good"),
        findings=[{"item": "access", "severity": "danger",
                   "note": "lid broken; covered with plywood, cone set, owner notified"}],
    )  # fmt: skip
    d.word(
        "closure", WREN, "2023-07-17T14:10:00Z", of=f"{found}/1",
        evidence="new lid with four screws, inspected July 17",
    )  # fmt: skip


def _spring(d: Days) -> None:
    """Measured values, a sample and its result, a corrected lid, no access, nobody home."""
    day = "2025-04-25"
    d.office_has("10729", day, "completed", "good")
    riser_in = round(d.units["10729"]["riser_height_m"] / 0.0254)
    meter = "pocket meter, checked that morning"
    d.visit(
        WREN, f"{day}T14:05:00Z", "10729", answers=d.answers("10729"),
        measured=[
            {"what": "risers", "value": float(riser_in), "unit": "in", "instrument": "tape"},
            {"what": "pH", "value": 7.2, "unit": "pH", "instrument": meter},
            {"what": "dissolved oxygen", "value": 3.4, "unit": "mg/L", "instrument": meter},
            {"what": "sludge depth", "value": 9.0, "unit": "in", "instrument": "clear tube"},
        ],
        running_out={"flow": "trickle", "look": "clear", "smell": "none"},
        samples=[{"number": "LK-25-031", "point": "end of the discharge pipe",
                  "taken_at": f"{day}T14:25:00Z", "on_ice": True,
                  "laboratory": "the county's own bench (invented)"}],
    )  # fmt: skip
    d.office_has("11555", day, "no_access", None)
    d.visit(WREN, f"{day}T15:40:00Z", "11555", "no_access", note="gate locked, dog in the yard")
    d.office_has("11919", day, "completed", "good")
    lid = d.units["11919"]["_unit"].xy + np.array([0.4, -0.3])
    d.visit(
        WREN, f"{day}T17:15:00Z", "11919", answers=d.answers("11919"),
        positions=[d.by_receiver("lid", lid, 1.5)],
        note="the list had a phone location; the lid is at the other corner of the house",
    )  # fmt: skip
    d.office_has("00232", "2025-05-14", "nobody_home", None)
    d.visit(WREN, "2025-05-14T14:30:00Z", "00232", "nobody_home", note="card left")
    for what, value, sign in (("total suspended solids", 14.0, ""), ("E. coli", 10.0, "<")):
        unit = "mg/L" if what.startswith("total") else "per 100 mL"
        more = {"qualifier": sign} if sign else {}
        d.word(
            "sample_result", WREN, "2025-05-14T20:00:00Z", number="LK-25-031", what=what,
            value=value, unit=unit, **more,
        )  # fmt: skip


def _summer(d: Days) -> None:
    """An outlet found that was guessed before, something not seen, a visit to the wrong unit."""
    day = "2025-05-24"
    d.office_has("10904", day, "completed", "good")
    outlet = d.units["10904"]["_unit"].outlet + np.array([-0.5, 0.2])
    d.visit(
        SORREL, f"{day}T14:00:00Z", "10904", answers=d.answers("10904"),
        positions=[d.by_receiver("outlet", outlet, 1.5, feature_id="DP-0197")],
        running_out={"flow": "steady", "look": "clear", "smell": "earthy"},
        note="dye from the house came out here",
    )  # fmt: skip
    wrong = d.visit(SORREL, f"{day}T15:55:00Z", "00478", answers=d.answers("00478"))
    d.office_has("00487", day, "completed", "minor")
    d.visit(
        SORREL, f"{day}T16:05:00Z", "00487",
        answers=d.answers("00487", disinfection="not_good", pipe="could_not_see",
                          running_out="could_not_see"),
        findings=[{"item": "disinfection", "severity": "minor", "note": "chlorinator empty"}],
        note="the pipe goes into the brush; its end was not found",
    )  # fmt: skip
    d.word(
        "withdrawal", SORREL, f"{day}T16:10:00Z", of=wrong,
        reason="wrong unit: typed 00478 for 00487",
    )  # fmt: skip
    # two people, one unit, one day
    day, unit_id, well = "2025-09-17", "11037", "W2015"
    d.office_has(unit_id, day, "completed", "good")
    away = float(np.hypot(*(d.units[unit_id]["_unit"].xy - np.asarray(d.wells[well]["xy"])[:2])))
    d.visit(
        WREN, f"{day}T14:15:00Z", unit_id, answers=d.answers(unit_id),
        taped=[{"part": "tank", "feature": "wells", "feature_id": well,
                "distance_m": round(away, 2)}],
    )  # fmt: skip
    d.visit(
        SORREL, f"{day}T19:30:00Z", unit_id, answers=d.answers(unit_id, risers="not_good"),
        findings=[{"item": "risers", "severity": "minor", "note": "riser cap cracked"}],
        note="did not know that Wren had been here",
    )  # fmt: skip


def _autumn_and_winter(d: Days) -> None:
    """A danger still open and a hold; a repair that got more time."""
    d.office_has("12059", "2025-10-27", "completed", "danger")
    d.visit(
        SORREL, "2025-10-27T15:00:00Z", "12059",
        answers=d.answers("12059", access="not_good"),
        findings=[{"item": "access", "severity": "danger",
                   "note": "lid cracked through; covered with plywood, marked, owner notified"}],
        photos=[{"name": "lid.jpg", "jpeg": drawing(), "note": "a drawing in place of a photo"}],
    )  # fmt: skip
    d.word(
        "hold", SORREL, "2025-10-27T20:30:00Z", unit_id="12059",
        reason="the owner has asked for a hearing",
    )  # fmt: skip
    d.office_has("00313", "2026-02-07", "completed", "repair")
    found = d.visit(
        WREN, "2026-02-07T16:20:00Z", "00313",
        answers=d.answers("00313", air="not_good", chamber="not_good"),
        findings=[{"item": "air", "severity": "repair", "note": "aerator not running"}],
    )  # fmt: skip
    d.word(
        "extension", WREN, "2026-03-19T15:00:00Z", of=f"{found}/1", until="2026-05-29",
        reason="the part is on order; the owner showed the order",
    )  # fmt: skip


def file_of(day: str, by: str, records: list[Row]) -> tuple[str, bytes]:
    """Name and bytes of a day file."""
    head: Row = {"day_file": 1, "county": COUNTY, "day": day, "by": by}
    ordered = sorted(records, key=lambda r: (r["at"], r["record_id"]))
    body = "".join(f"{_line(fields)}\n" for fields in (head, *ordered)).encode("utf-8")
    foot = {"crc32": f"{zlib.crc32(body):08x}", "records": len(records)}
    content = body + f"{_line(foot)}\n".encode()
    return f"{day}_{by.lower()}_{hashlib.sha256(content).hexdigest()[:12]}.jsonl", content


def _line(fields: Row) -> str:
    return json.dumps(fields, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def write_day_files(tables: Tables, place: Place, out: Path) -> None:
    """The day files under ``out``/records, a folder for each year; those of before are removed."""
    for old in out.glob("records/*/*.jsonl"):
        old.unlink()
    for (day, by), made in sorted(records(tables, place).days.items()):
        name, content = file_of(day, by, made)
        path = out / "records" / day[:4] / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


# what the records make known of the county, beside the planted faults: layer, id, code, why
SHOWN = [
    ["units", "11919", "record_position_taken", "a visit located its lid with a receiver"],
    [
        "discharge_points",
        "10904",
        "record_position_taken",
        "a visit located its discharge point with a receiver",
    ],
    ["records", "11037", "record_conflict", "two people visited on one day and do not agree"],
]
