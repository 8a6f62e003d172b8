"""What the offices of Larkmoor County have written down: lists, visits, permits, complaints.

Every table is a list of rows in the order of its file; a row's ``_faults`` are left out of the
file and told in `faults.csv`.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
from _built import cell_of
from _homes import Unit, in_county
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Point

AS_OF = dt.date(2026, 4, 1)
Row = dict[str, Any]

# how a position came to be: share of the list, true error in metres (one axis)
BASES = {
    "surveyed": (0.13, 0.04),
    "gps": (0.34, 1.0),
    "phone": (0.13, 3.0),
    "digitised": (0.14, 3.8),
    "building": (0.12, 0.0),
    "address": (0.08, 0.0),
    "parcel": (0.06, 0.0),
}


def number_units(rng: np.random.Generator, units: list[Unit]) -> None:
    """Age, number, state and reported position of each unit."""
    ages = np.clip(rng.gamma(3.2, 7.5, len(units)), 0.4, 58)
    for unit, age in zip(units, ages, strict=True):
        unit.facts["installed"] = AS_OF - dt.timedelta(days=int(age * 365.25))
    by_age = sorted(range(len(units)), key=lambda k: (units[k].facts["installed"], k))
    old = new = 0
    for k in by_age:
        facts = units[k].facts
        if facts["installed"] < dt.date(2001, 1, 1):
            old += 1
            facts["id"] = f"{100 + 3 * old:05d}"
        else:
            new += 1
            facts["id"] = f"{10_400 + 7 * new}"
        facts["permit"] = f"P-{facts['installed'].year}-{(k * 37) % 997 + 1000}"
    bases, shares = list(BASES), np.array([v[0] for v in BASES.values()])
    for unit in units:
        facts = unit.facts
        basis = str(rng.choice(bases, p=shares / shares.sum()))
        if unit.setting in ("embankment", "kettle"):
            basis = "surveyed" if unit.setting == "embankment" else "gps"
        elif unit.setting == "yard" and basis in ("address", "parcel", "building", "phone"):
            basis = "gps"
        facts["basis"] = basis
        facts["status"] = str(
            rng.choice(["active", "seasonal", "vacant", "abandoned", "sewered"],
                       p=[0.86, 0.05, 0.045, 0.02, 0.025])
        )  # fmt: skip
        if unit.lot.road == "Lake Lane" and rng.uniform() < 0.3:
            facts["status"] = "seasonal"
        middle = np.array(unit.lot.house.centroid.coords[0])
        if basis == "building":
            spot = middle
        elif basis == "address":
            front = unit.lot.facing
            spot = middle - front * rng.uniform(20, 34) + rng.normal(0, 6, 2)
        elif basis == "parcel":
            spot = np.array(unit.lot.polygon.centroid.coords[0])
        else:
            spot = unit.xy + rng.normal(0, BASES[basis][1], 2)
        facts["seen"] = spot if in_county(spot, 2) else unit.xy
        facts["accuracy_m"] = None
        if basis in ("gps", "phone", "surveyed") and rng.uniform() < 0.55:
            facts["accuracy_m"] = {"gps": 2.5, "phone": 8.0, "surveyed": 0.1}[basis]
        facts["riser_m"] = None
        if rng.uniform() < 0.42:
            facts["riser_m"] = float(rng.choice([0, 2, 4, 6, 8, 12, 18])) * 0.0254
        facts["bedrooms"] = int(rng.choice([2, 3, 3, 3, 4, 4, 5]))
        facts["wet_m"] = unit.pond_m


def choose_kinds(rng: np.random.Generator, units: list[Unit], flooded: MultiPolygon) -> None:
    """Which units discharge on the surface, which into soil, which hold, which pump."""
    for unit in units:
        unit.facts["flooded"] = flooded.contains(Point(unit.xy))
        if unit.collector >= 0:
            unit.kind = "shared_collector" if unit.collector % 2 else "surface_discharge"
        elif unit.outlet is None:
            unit.kind = "holding_tank" if unit.facts["flooded"] and rng.uniform() < 0.4 else (
                "soil_absorption" if rng.uniform() < 0.75 else "surface_discharge"
            )  # fmt: skip
        elif unit.outlet_kind == "ground" and rng.uniform() < 0.12:
            unit.kind, unit.outlet = "soil_absorption", None
        elif rng.uniform() < 0.012:
            unit.kind, unit.outlet = "holding_tank", None
        unit.pumped |= unit.kind == "surface_discharge" and rng.uniform() < 0.03
        unit.facts["outlet_known"] = unit.outlet is not None and rng.uniform() > 0.055


def unit_rows(units: list[Unit], parcel_of: dict[int, str]) -> list[Row]:
    """The unit list, with our names; `make_larkmoor.py` gives it the county's own."""
    rows = []
    for unit in sorted(units, key=lambda u: u.facts["id"]):
        f = unit.facts
        rows.append({
            "unit_id": f["id"],
            "address": f"{unit.lot.number} {unit.lot.road}",
            "parcel_id": parcel_of[id(unit.lot)],
            "xy": f["seen"],
            "location_basis": f["basis"],
            "accuracy_m": f["accuracy_m"],
            "status": f["status"],
            "kind": unit.kind,
            "pumped": unit.pumped,
            "installed": f["installed"],
            "permit_id": f["permit"],
            "riser_height_m": f["riser_m"],
            "bedrooms": f["bedrooms"],
            "_unit": unit,
            "_faults": [],
        })  # fmt: skip
    return rows


def outlet_rows(rng: np.random.Generator, units: list[Unit], z: NDArray[np.float64]) -> list[Row]:
    """The discharge points on record; some name no unit."""
    rows: list[Row] = []
    collectors: set[int] = set()
    waiting = [u.facts["seen"] for u in units if not u.facts["outlet_known"]]
    for unit in sorted(units, key=lambda u: u.facts["id"]):
        if unit.outlet is None or not unit.facts["outlet_known"]:
            continue
        if unit.collector >= 0 and unit.collector % 2:
            if unit.collector in collectors:
                continue
            collectors.add(unit.collector)
        basis = str(rng.choice(["gps", "surveyed", "digitised", "phone"], p=[0.5, 0.15, 0.2, 0.15]))
        spot = unit.outlet
        if unit.collector < 0:
            # a sigma the list's accuracy allows, small enough to keep outlets out of the houses
            spot = spot + rng.normal(0, min(BASES[basis][1], 1.6), 2)
        if z[cell_of(*unit.facts["seen"])] - z[cell_of(*spot)] < 0.4 and not unit.pumped:
            spot = unit.outlet
        ground = float(z[cell_of(*spot)])
        close = np.hypot(*(unit.facts["seen"] - spot)) < 45 or unit.lot.polygon.contains(
            Point(spot)
        )
        expected = unit.facts["status"] not in ("abandoned", "sewered")
        # no other unit might take it, and no other loose outlet lies near
        alone = all(np.hypot(*(w - spot)) > 120 for w in waiting)
        alone &= all(np.hypot(*(r["xy"] - spot)) > 150 for r in rows if r["unit_id"] is None)
        named = rng.uniform() > 0.12 or unit.collector >= 0 or not (close and expected and alone)
        known_height = rng.uniform() < 0.3
        rows.append({
            "discharge_point_id": "",
            "unit_id": unit.facts["id"] if named else None,
            "outlet_kind": unit.outlet_kind,
            "invert_height_m": round(ground - 0.05 + abs(rng.normal(0, 0.06)), 2)
            if known_height and unit.outlet_kind not in ("storm_sewer", "field_tile") else None,
            "pipe_material": str(rng.choice(["PVC", "corrugated plastic", "clay tile", None])),
            "location_basis": basis,
            "accuracy_m": 2.5 if basis == "gps" and rng.uniform() < 0.5 else None,
            "xy": spot,
            "_unit": unit,
            "_faults": [],
        })  # fmt: skip
    for k, row in enumerate(rows):
        row["discharge_point_id"] = f"DP-{k + 1:04d}"
        if row["pipe_material"] == "None":
            row["pipe_material"] = None
    return rows


def well_rows(
    rng: np.random.Generator,
    wells: list[tuple[NDArray[np.float64], Unit]],
    others: list[tuple[NDArray[np.float64], str]],
) -> list[Row]:
    """The register of wells."""
    rows: list[Row] = []
    for xy, _ in wells:
        basis = str(
            rng.choice(["gps", "digitised", "building", "surveyed"], p=[0.5, 0.3, 0.1, 0.1])
        )
        rows.append({"xy": xy + rng.normal(0, BASES[basis][1], 2), "use": "private",
                     "location_basis": basis})  # fmt: skip
    rows += [{"xy": xy, "use": use, "location_basis": "surveyed"} for xy, use in others]
    for k, row in enumerate(rows):
        deep = rng.lognormal(np.log(45), 0.35) * (1.8 if row["use"] == "public" else 1)
        row |= {"well_id": f"W{2000 + k}", "depth_m": round(float(deep), 1) if rng.uniform() < 0.8
                else None, "_faults": []}  # fmt: skip
    return rows


NOTES = {
    "good": ["clear effluent, no odor", "aerator running", "lids tight", "", "", "riser sound"],
    "minor": ["alarm light out", "grass over lid", "chlorinator empty", "riser cap cracked"],
    "repair": ["aerator not running", "solids at outlet", "pump float stuck", "inlet baffle gone"],
    "danger": ["lid broken, covered and marked; owner notified same day", "open riser, made safe"],
}


# A dangerous condition is found on about 1 visit in 100 to 200 (common practice, no source), so the
# few there are stand here: unit and day of a visit, and the day the list gives it. The first was
# put right, a later visit closed the second, the third is overdue, the last is due in two days.
DANGEROUS = {
    ("00412", dt.date(2023, 7, 13)): dt.date(2023, 7, 13),
    ("10904", dt.date(2023, 9, 7)): dt.date(2023, 9, 7),
    ("12059", dt.date(2025, 10, 27)): dt.date(2025, 10, 27),
    ("00424", dt.date(2026, 2, 24)): dt.date(2026, 3, 27),
}


def chance_of_trouble(unit: Unit, day: dt.date) -> float:
    """The planted truth behind the inspections: older and wetter units fail more often."""
    age = (day - unit.facts["installed"]).days / 365.25
    score = -2.0 + 0.06 * (age - 20) + 1.3 * (unit.pond_m > 0.1) + 0.7 * unit.facts["flooded"]
    score += 0.4 * unit.pumped
    return float(1 / (1 + np.exp(-score)))


def inspection_rows(rng: np.random.Generator, units: list[Unit]) -> list[Row]:
    """Three seasons of visits with what was met and found."""
    rows: list[Row] = []
    for unit in units:
        often = 1.9 if unit.kind in ("surface_discharge", "shared_collector") else 0.9
        for _ in range(min(int(rng.poisson(often)), 4)):
            year = int(rng.choice([2023, 2024, 2025]))
            day = dt.date(year, 4, 1) + dt.timedelta(days=int(rng.integers(0, 330)))
            if day < unit.facts["installed"]:
                continue
            winter = day.month in (12, 1, 2)
            outcome = str(rng.choice(
                ["completed", "partly", "no_access", "refused", "nobody_home", "outlet_not_found"],
                p=[0.79, 0.04, 0.035, 0.01, 0.085, 0.04]))  # fmt: skip
            if unit.facts["status"] == "vacant":
                outcome = "vacant" if rng.uniform() < 0.6 else outcome
            elif winter and rng.uniform() < 0.25:
                outcome = "snow_covered"
            if not unit.facts["outlet_known"] and unit.kind == "surface_discharge":
                outcome = "outlet_not_found" if rng.uniform() < 0.6 else outcome
            result, note = None, ""
            if outcome in ("completed", "partly", "outlet_not_found"):
                if rng.uniform() < chance_of_trouble(unit, day):
                    result = str(rng.choice(["minor", "repair"], p=[0.25, 0.75]))
                else:
                    result = str(rng.choice(["good", "minor"], p=[0.82, 0.18]))
                planted = DANGEROUS.get((unit.facts["id"], day))
                if planted is not None:
                    result, day = "danger", planted
                note = str(rng.choice(NOTES[result]))
            rows.append({"unit_id": unit.facts["id"], "date": day, "outcome": outcome,
                         "result": result, "note": note, "_faults": []})  # fmt: skip
    rows.sort(key=lambda r: (r["date"], r["unit_id"]))
    for k, row in enumerate(rows):
        row["inspection_id"] = f"I{k + 1:05d}"
    return rows


def permit_rows(rng: np.random.Generator, units: list[Unit]) -> list[Row]:
    """Five-year discharge permits; some have run out."""
    rows: list[Row] = []
    for unit in sorted(units, key=lambda u: u.facts["id"]):
        if unit.kind != "surface_discharge" or rng.uniform() < 0.2:
            continue
        first = unit.facts["installed"]
        issued = max(first, AS_OF - dt.timedelta(days=int(rng.integers(30, 5 * 365 + 240))))
        rows.append({"permit_id": unit.facts["permit"], "unit_id": unit.facts["id"],
                     "issued": issued, "expires": issued + dt.timedelta(days=5 * 365 + 1),
                     "_unit": unit, "_faults": []})  # fmt: skip
    return rows


def add_permit_terms(rng: np.random.Generator, rows: list[Row]) -> None:
    """Which permits were renewed, ask for samples, have a service contract, and what has lapsed.

    Outlets at a stream or in a ditch stand under a discharge permit, which asks for a sample a
    year; all others under an operation permit.
    """
    for row in rows:
        if row["expires"] < AS_OF and rng.uniform() < 0.7:
            row["issued"] = row["expires"]
            row["expires"] += dt.timedelta(days=5 * 365 + 1)
        to_water = row["_unit"].outlet_kind in ("stream", "ditch") and rng.uniform() < 0.6
        row["permit_kind"] = "discharge" if to_water else "operation"
        row["sample_interval_days"] = 365 if to_water else None
        row["last_sampled"] = row["service_until"] = None
        if to_water and rng.uniform() < 0.93:
            late = rng.uniform() < 0.2
            ago = rng.integers(420, 560) if late else rng.integers(20, 350)
            sampled = AS_OF - dt.timedelta(days=int(ago))
            row["last_sampled"] = sampled if sampled > row["issued"] else None
        if rng.uniform() < 0.4:
            lapsed = rng.uniform() < 0.1
            ahead = -rng.integers(10, 300) if lapsed else rng.integers(15, 720)
            row["service_until"] = AS_OF + dt.timedelta(days=int(ahead))


COMPLAINTS = (
    "odor along the ditch after dry weather",
    "wet ground below the road, cattails spreading",
    "gray water in the road ditch",
    "alarm sounding for days",
    "soft ground near the lid, children play there",
)


def close_complaints(rng: np.random.Generator, rows: list[Row]) -> None:
    """Most of the older complaints the office has closed without a visit on record."""
    for row in rows:
        age = (AS_OF - row["date"]).days
        row["closed"] = None
        if age > 120 and rng.uniform() < 0.75:
            row["closed"] = row["date"] + dt.timedelta(days=int(rng.integers(2, 60)))


def complaint_rows(rng: np.random.Generator, units: list[Unit], wanted: int) -> list[Row]:
    """Complaints received; nobody who complained is named."""
    chance = np.array([chance_of_trouble(u, AS_OF) for u in units])
    picked = rng.choice(len(units), wanted, replace=False, p=chance / chance.sum())
    rows: list[Row] = [
        {"unit_id": units[k].facts["id"],
         "date": AS_OF - dt.timedelta(days=int(rng.integers(5, 600))),
         "note": str(rng.choice(COMPLAINTS)), "_faults": []}
        for k in picked
    ]  # fmt: skip
    rows.sort(key=lambda r: (r["date"], r["unit_id"]))
    for k, row in enumerate(rows):
        row["complaint_id"] = f"C-{k + 1:03d}"
    return rows
