"""A small invented assessment, made by hand, and a browser to open its pages in."""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from affine import Affine
from pyproj import CRS
from shapely.geometry import LineString, Point, box

from geo.results.areas import areas, first_n_curve, public_cells
from layers.grid import Grid
from layers.outputs.groups import Areas, Search, Trust, Visits
from layers.outputs.run import Run
from layers.store import Assessment

UTM16 = "EPSG:32616"
WEST, SOUTH = 430_000.0, 4_760_000.0
PARTS = {
    "age": ("Age of the unit", "likelihood"),
    "last_result": ("What the last visit found", "likelihood"),
    "wetness": ("Low and wet ground", "likelihood"),
    "well_near": ("A well is near", "harm"),
    "water_near": ("Open water is near", "harm"),
}


def places(count: int, seed: int = 5) -> np.ndarray:
    """Places in a rectangle of 4 by 3 km, or more for many units."""
    side = max(1.0, (count / 600) ** 0.5)
    rng = np.random.default_rng(seed)
    return rng.uniform((WEST, SOUTH), (WEST + 4_000 * side, SOUTH + 3_000 * side), (count, 2))


def units_frame(count: int = 60) -> gpd.GeoDataFrame:
    """Units in rank order: 8 first, 16 next, the rest routine; some facts are not known."""
    rng = np.random.default_rng(11)
    at = places(count)
    rank = np.arange(1, count + 1)
    parts = np.sort(rng.uniform(0, 16, (count, len(PARTS))), axis=0)[::-1]
    well_m = rng.uniform(8, 300, count)
    stream_m = rng.uniform(5, 900, count)
    ids = [f"LK-{n:04d}" for n in rng.permutation(count) + 1]
    return gpd.GeoDataFrame(
        {
            "unit_id": ids,
            "visit_class": np.select([rank <= 8, rank <= 24], ["first", "next"], "routine"),
            "rank": rank,
            "rank_low": np.maximum(rank - 3, 1),
            "rank_high": np.minimum(rank + 12, len(rank)),
            "first_class_chance": np.linspace(1, 0, len(rank)),
            "score": parts.sum(axis=1),
            "likelihood": parts[:, :3].sum(axis=1) / 50,
            "harm": parts[:, 3:].sum(axis=1) / 50,
            "reasons": [
                f"A well on record is {w / 0.3048:.0f} ft from the discharge point | "
                f"The last visit found a repair needed | A stream is {s / 0.3048:.0f} ft away"
                for w, s in zip(well_m, stream_m, strict=True)
            ],
            "data_gaps": [
                "How high the lid stands above the ground is not on record" if n % 3 else None
                for n in rank
            ],
            **{f"part_{name}": parts[:, i] for i, name in enumerate(PARTS)},
            "discharge_point_id": [f"D{n:04d}" if n % 7 else None for n in rank],
            "link_method": ["by_id" if n % 7 else "none" for n in rank],
            "link_confirmed": [bool(n % 2) for n in rank],
            "pipe_length_m": [18.3 if n % 7 else np.nan for n in rank],
            "pipe_bearing_deg": [float(n * 37 % 360) if n % 7 else np.nan for n in rank],
            "pipe_drop_m": [0.42 if n % 7 else np.nan for n in rank],
            "outlet_state": ["known" if n % 7 else "unknown" for n in rank],
            "well_id": [f"W{n % 12:03d}" for n in rank],
            "well_distance_m": well_m,
            "stream_id": "S1",
            "stream_distance_m": stream_m,
            "flood_zone": ["AE" if n % 9 == 0 else "X" for n in rank],
            "flood_distance_m": stream_m * 0.7,
            "hand_m": rng.uniform(0, 9, count),
            "lid_pond_depth_brim_m": np.where(rank % 5 == 0, 0.31, 0.0),
            "path_length_m": stream_m * 1.3,
            "path_drop_m": 2.5,
            "path_end": "stream",
            "path_end_id": "S1",
            "parcels_crossed": pd.array([n % 3 for n in rank], "Int64"),
            "days_since_inspection": pd.array(
                [None if n % 11 == 0 else n * 13 for n in rank], "Int64"
            ),
            "last_result": ["repair" if n % 2 else "good" for n in rank],
            "status": "active",
            "kind": "surface_discharge",
            "location_basis": "phone",
            "accuracy95_m": 8.1,
            "parcel_id": [f"07-{n:05d}" for n in rank],
            "address": [f"{100 + n} Invented Lane" for n in rank],
            "installed": pd.Timestamp("1998-06-01"),
        },
        geometry=gpd.points_from_xy(at[:, 0], at[:, 1]),
        crs=UTM16,
    )


def outlets_frame(units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The discharge points, 18 m from their units."""
    has = units["discharge_point_id"].notna()
    way = np.radians(units.loc[has, "pipe_bearing_deg"].to_numpy())
    at = units.geometry[has]
    return gpd.GeoDataFrame(
        {
            "discharge_point_id": units.loc[has, "discharge_point_id"].to_numpy(),
            "unit_id": units.loc[has, "unit_id"].to_numpy(),
            "outlet_kind": "ground",
            "accuracy95_m": 3.0,
        },
        geometry=gpd.points_from_xy(at.x + 18.3 * np.sin(way), at.y + 18.3 * np.cos(way)),
        crs=UTM16,
    )


def paths_frame(outlets: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Crooked lines downhill to the south."""
    steps = np.column_stack([12 * np.sin(np.arange(14)), -15.0 * np.arange(14)])
    lines = [LineString(np.add(steps, (p.x, p.y))) for p in outlets.geometry]
    return gpd.GeoDataFrame(
        {
            "unit_id": outlets["unit_id"],
            "discharge_point_id": outlets["discharge_point_id"],
            "path_end": "stream",
            "length_m": [line.length for line in lines],
        },
        geometry=lines,
        crs=UTM16,
    )


def checks_frame(units: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Two checks a unit: one from the discharge point to a well, one from the tank to a stream."""
    rows = []
    for unit in units.itertuples():
        for rule, part, feature, required, distance in (
            ("well-50", "discharge_point", "wells", 15.24, unit.well_distance_m),
            ("stream-25", "tank", "streams", 7.62, unit.stream_distance_m),
        ):
            margin = distance - required
            rows.append(
                {
                    "unit_id": unit.unit_id,
                    "rule_id": rule,
                    "part": part,
                    "feature": feature,
                    "feature_id": unit.well_id if feature == "wells" else "S1",
                    "required_m": required,
                    "distance_m": distance,
                    "distance_u95_m": 8.2,
                    "short_probability": float(margin < 0),
                    "verdict": "clear" if margin > 8 else "short" if margin < -8 else "uncertain",
                    "source": "Example table, invented",
                    "in_force": True,
                    "table": "Larkmoor setbacks",
                    "judged_on": "2004-05-01",
                    "judged_by": "permit",
                    "inside_m": 0.0,
                    "measured_by": "map",
                    "variance_id": None,
                    "link_confirmed": True,
                    "settled_by": None if abs(margin) > 8 else "fix_part",
                    "geometry": LineString(
                        [unit.geometry, Point(unit.geometry.x + distance, unit.geometry.y)]
                    ),
                }
            )
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=UTM16)


def context_frames() -> dict[str, gpd.GeoDataFrame]:
    """A stream with a branch, a pond, a floodplain, parcels, roads and the rest."""
    t = np.linspace(0, 1, 120)
    stream = np.column_stack([WEST + 4_000 * t, SOUTH + 900 + 250 * np.sin(9 * t)])
    branch = np.column_stack([WEST + 2_000 + 300 * np.sin(5 * t), SOUTH + 2_900 - 1_900 * t])
    squares = [
        box(WEST + 200 * i, SOUTH + 200 * j, WEST + 200 * i + 200, SOUTH + 200 * j + 200)
        for i in range(20)
        for j in range(15)
    ]
    wells = places(12, seed=2)

    def frame(geometry: list, **columns: Any) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame(columns, geometry=geometry, crs=UTM16)

    return {
        "streams": frame(
            [LineString(stream), LineString(branch)],
            stream_id=["S1", "S2"],
            permanence=["perennial", "intermittent"],
            name=["Sallow Creek", None],
        ),
        "water_bodies": frame(
            [Point(WEST + 3_200, SOUTH + 2_100).buffer(230)],
            water_body_id=["L1"],
            name=["Heron Pond"],
        ),
        "floodplain": frame(
            [LineString(stream).buffer(130), box(WEST, SOUTH + 2_400, WEST + 900, SOUTH + 2_900)],
            floodplain_id=["F1", "F2"],
            zone=["AE", "X"],
            is_sfha=[True, False],
        ),
        "wells": frame(
            [Point(p) for p in wells],
            well_id=[f"W{n:03d}" for n in range(12)],
            use=["private"] * 11 + ["public"],
        ),
        "parcels": frame(squares, parcel_id=[f"07-{n:05d}" for n in range(300)]),
        "roads": frame(
            [LineString([(WEST, SOUTH + 1_700), (WEST + 4_000, SOUTH + 1_500)])],
            road_id=["R1"],
            name=["Quarry Road"],
        ),
        "drains": frame(
            [LineString([(WEST + 800, SOUTH + 600), (WEST + 900, SOUTH + 1_000)])],
            drain_id=["T1"],
            drain_kind=["field_tile"],
        ),
        "culverts": frame(
            [LineString([(WEST + 2_000, SOUTH + 1_590), (WEST + 2_000, SOUTH + 1_610)])],
            culvert_id=["C1"],
        ),
        "buildings": frame(
            [box(p[0] + 12, p[1] - 6, p[0] + 26, p[1] + 5) for p in places(60)],
            building_id=[f"B{n}" for n in range(60)],
        ),
        "protected_places": frame(
            [Point(WEST + 3_100, SOUTH + 1_870)],
            place_id=["P1"],
            place_kind=["bathing"],
            name=["Heron Pond beach"],
        ),
    }


def relief_grid() -> Grid:
    """Shading of a few hills, with a void corner."""
    y, x = np.mgrid[0:300, 0:400]
    height = 40 * np.sin(x / 50) * np.cos(y / 40) + 15 * np.sin(x / 17 + y / 23)
    dy, dx = np.gradient(height)
    shade = np.clip(150 + 55 * (dx - dy), 1, 255).astype(np.uint8)
    shade[:40, :40] = 0
    return Grid(shade, Affine(10, 0, WEST, 0, -10, SOUTH + 3_000), CRS.from_user_input(UTM16))


def pond_grid() -> Grid:
    """Two hollows, half a meter and a meter and a half deep."""
    y, x = np.mgrid[0:300, 0:400]
    near = np.maximum(1 - np.hypot(x - 120, y - 80) / 15, 0) * 0.5
    far = np.maximum(1 - np.hypot(x - 300, y - 200) / 25, 0) * 1.5
    depth = (near + far).astype(np.float32)
    return Grid(depth, Affine(10, 0, WEST, 0, -10, SOUTH + 3_000), CRS.from_user_input(UTM16))


def storm_grids() -> dict[str, Grid]:
    """The hollows filled a third, two thirds and to the brim, in three storms."""
    brim = pond_grid()
    return {
        f"pond_depth_{years}yr": brim.with_values(brim.values * np.float32(share))
        for years, share in ((2, 1 / 3), (10, 2 / 3), (100, 1))
    }


def problems_frame() -> pd.DataFrame:
    """Two faults of the input."""
    columns = ["layer", "row", "feature_id", "code", "severity", "message", "action"]
    rows = [
        ("units", 7, "LK-0900", "coordinates_zero", "error", "both are 0", "set_aside"),
        ("wells", 3, "W003", "code_unknown", "warning", "'dug' is not known", "kept"),
    ]
    return pd.DataFrame(rows, columns=columns)


def run_of(**changes: Any) -> Run:
    """A run as `assess` records it."""
    run = {
        "county": {"name": "Larkmoor County", "invented": True, "show_units": "us"},
        "as_of": "2026-04-01",
        "seed": 0,
        "parts": {
            name: {
                "label": label,
                "axis": axis,
                "weight": 0.4 if axis == "likelihood" else 0.5,
                "reason": "",
                "source": "invented for this test",
            }
            for name, (label, axis) in PARTS.items()
        },
        "notes": ["No soils were given: runoff from storms is not computed."],
        "counts": [],
        "versions": {"rillmark": "0.1.0"},
    }
    return Run.of(run | changes)


def small_areas(units: gpd.GeoDataFrame) -> dict[str, Any]:
    """The tables of small areas, as `assess` makes them; the units get their areas."""
    small, units["area_id"] = areas(units)
    return {
        "areas": Areas(small, public_cells(units)),
        "visits": Visits(first=first_n_curve(units)),
    }


def outlet_search(units: gpd.GeoDataFrame) -> Search:
    """A search for each outlet that is not on record, in another order than the map's.

    The first was in vain; the others named three places, 100, 200 and 300 ft to the east.
    """
    mine = units[units["discharge_point_id"].isna()].iloc[::-1]
    count = len(mine)
    areas = gpd.GeoDataFrame(
        {
            "unit_id": mine["unit_id"].to_numpy(),
            "state": ["no_daylight", *["found"] * (count - 1)],
            "by_gravity": [n % 2 == 0 for n in range(count)],
            "radius_m": 60.96,
            "rest_chance": 0.31,
        },
        geometry=mine.geometry.buffer(60.96).to_numpy(),
        crs=UTM16,
    )
    rank = np.repeat([3, 1, 2], count - 1)
    far_m = 30.48 * rank
    lids = pd.concat([mine.iloc[1:]] * 3)
    places = gpd.GeoDataFrame(
        {
            "unit_id": lids["unit_id"].to_numpy(),
            "rank": rank,
            "chance": 0.5 / rank,
            "why": [f"at the road ditch, from {10 * n} ft" for n in rank],
            "distance_m": far_m,
            "bearing_deg": 90.0,
        },
        geometry=gpd.points_from_xy(lids.geometry.x + far_m, lids.geometry.y),
        crs=UTM16,
    )
    return Search(places, areas)


def whole_assessment(count: int = 60) -> Assessment:
    """Everything a map can show."""
    units = units_frame(count)
    outlets = outlets_frame(units)
    fix = {
        "what": "lid", "id": "LK-0001", "unit_id": "LK-0001", "accuracy95_m": 10.0, "settles": 1,
        "settles_with_another": 0, "units": 1, "class_may_change": False,
    }  # fmt: skip
    return Assessment(
        units=units,
        discharge_points=outlets,
        flow_paths=paths_frame(outlets),
        setback_checks=checks_frame(units),
        trust=Trust(worth_a_fix=pd.DataFrame([fix])),
        problems=problems_frame(),
        context=context_frames(),
        rasters={"relief": relief_grid(), "pond_depth_brim": pond_grid(), **storm_grids()},
        **small_areas(units),
        search=outlet_search(units),
        run=run_of(),
    )


def bare_assessment() -> Assessment:
    """Two units with nothing but their ids and places."""
    nothing = gpd.GeoDataFrame({"unit_id": []}, geometry=[], crs=UTM16)
    units = gpd.GeoDataFrame(
        {"unit_id": ["1", "2"]},
        geometry=[Point(WEST, SOUTH), Point(WEST + 500, SOUTH + 300)],
        crs=UTM16,
    )
    return Assessment(units, nothing, nothing, nothing, pd.DataFrame())


@pytest.fixture(scope="session")
def assessment() -> Assessment:
    return whole_assessment()


@pytest.fixture(scope="session")
def bare() -> Assessment:
    return bare_assessment()


@pytest.fixture(scope="session")
def many_units() -> Callable[[int], gpd.GeoDataFrame]:
    return units_frame


def unwritten(text: str) -> bytes:
    """The bytes of packed text, bit by bit."""
    letters = [chr(c) for c in range(33, 127) if chr(c) not in '"&<']
    found = "".join(
        f"{letters.index(first) + 91 * letters.index(second):013b}"[::-1]
        for first, second in zip(text[::2], text[1::2], strict=False)
    )
    if len(text) % 2:
        found += f"{letters.index(text[-1]):06b}"[::-1]
    return bytes(int(found[i : i + 8][::-1], 2) for i in range(0, len(found) - 7, 8))


@pytest.fixture(scope="session")
def bytes_of() -> Callable[[str], bytes]:
    return unwritten


def unshared(stream: bytes, count: int, table: dict[str, Any]) -> list[int]:
    """A stream of `geo.publish.packing.shares` the slow way round, symbol by symbol."""
    symbols = [sum(table["steps"][: i + 1]) for i in range(len(table["steps"]))]
    shares, low = table["shares"], table["low"]
    assert sum(shares) == 2**15
    if not stream:
        return [symbols[shares.index(max(shares))]] * count
    state, at = int.from_bytes(stream[:4], "big"), 4
    found = []
    for _ in range(count):
        slot, s, first = state % 2**15, 0, 0
        while first + shares[s] <= slot:
            first += shares[s]
            s += 1
        state = shares[s] * (state >> 15) + slot - first
        for bits in (0, low):
            number = (symbols[s] << low) + state % 2**bits
            state >>= bits
            while state < 2**23:
                state, at = state * 256 + stream[at], at + 1
        found.append(number)
    assert (state, at) == (2**23, len(stream))
    return found


def unlisted(places: list[int], beside: list[int | None], lists: Any) -> list[int]:
    """The numbers at places of the lists that the numbers beside them name."""
    keys = [sum(lists["keys"][: i + 1]) for i in range(len(lists["keys"]))] + [None]
    found = []
    for place, key in zip(places, beside, strict=True):
        begin = sum(lists["counts"][: keys.index(key)])
        found.append(lists["numbers"][begin + place])
    return found


def undone(text: str, known: dict[str, Any] | None = None) -> Any:
    """A packed block the slow way round, number by number; columns as lists, None if unknown."""
    content = zlib.decompress(unwritten(text), -15)
    length = int.from_bytes(content[:4], "little")
    header = json.loads(content[4 : 4 + length])
    if known is not None:
        header["columns"], header["data"] = known["heads"], {}
        for (_, name, _), *_ in known["heads"]:
            header["data"].setdefault(name, []).append(None)
    lengths = header["streams"]
    streams, end = [], len(content)
    for size in reversed(lengths):
        streams.insert(0, content[end - size : end])
        end -= size
    start = 4 + length
    for (path, width, coding, *source), count in zip(
        header["columns"], header["counts"], strict=True
    ):
        if coding & 4:
            table = (header if known is None else known)["tables"][source.pop(0)]
            whole = []
            while len(whole) < count:
                whole += unshared(streams.pop(0), min(2048, count - len(whole)), table)
        else:
            planes = [content[start + k * count :][:count] for k in range(width)]
            start += width * count
            whole = [sum(p[i] << (8 * k) for k, p in enumerate(planes)) for i in range(count)]
        column: list[int | None] = []
        if source and source[1] == 0:
            beside = header["data"]["columns"][source.pop(0)]
            whole = unlisted(whole, beside, table["lists"])
            source.pop()
        for i, value in enumerate(whole):
            if coding & 1 and value == 0:
                column.append(None)
                continue
            value -= coding & 1
            if coding & 2:
                value = -(value + 1) // 2 if value % 2 else value // 2
            if source:
                other = header["data"]["columns"][source[0]][i] or 0
                over = source[1]
                tenths = (other + 5) // 10
                is_small = over == 10 or other < over // 9 * 10
                value += other * over if abs(over) == 1 else tenths if is_small else other - over
            column.append(value)
        place = header
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = column
    assert (start, streams) == (end, [])
    return header["data"]


def details_of(blocks: Any, block: int = 0) -> Any:
    """What blocks of details share, with the columns of one block in their places."""
    shared = undone(blocks["details"])
    known = {name: shared.pop(name) for name in ("heads", "tables")}
    table = undone(blocks[f"details-{block}"], known)

    def joined(shown: Any) -> Any:
        if isinstance(shown, list):
            return [joined(each) for each in shown]
        if isinstance(shown, dict):
            if list(shown) == ["column"]:
                return table["columns"][shown["column"]]
            return {key: joined(value) for key, value in shown.items()}
        return shown

    return joined(shared)


@pytest.fixture(scope="session")
def undo() -> Callable[..., Any]:
    return undone


@pytest.fixture(scope="session")
def unshare() -> Callable[..., list[int]]:
    return unshared


@pytest.fixture(scope="session")
def undo_details() -> Callable[..., Any]:
    return details_of


@pytest.fixture(scope="session")
def later(assessment: Assessment) -> tuple[Assessment, Any]:
    """The assessment, and an earlier one in which the first ten stood last and one was unknown."""
    from geo.order.comparison import compare_orders
    from geo.publish.map.units.moves import Earlier

    old = pd.DataFrame(assessment.units.drop(columns="geometry")).iloc[1:].copy()
    old["rank"] = (old["rank"] - 11) % 60 + 1
    old["part_wetness"] = old["part_wetness"] - (old["rank"] > 50) * 3.0
    old["score"] = old["score"] - (old["rank"] > 50) * 3.0
    gone = old.iloc[:1].assign(unit_id="LK-0999")
    for table in (old, gone):
        table["ranked_by"], table["must_visit_by"] = "score", pd.NaT
    new = pd.DataFrame(assessment.units.drop(columns="geometry"))
    new = new.assign(ranked_by="score", must_visit_by=pd.NaT)
    moves = compare_orders(pd.concat([old, gone]), new)
    return assessment, Earlier(moves, Run(as_of="2025-10-01"))


@pytest.fixture(scope="session")
def moved_file(later: tuple[Assessment, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    from geo.publish import map_page

    path = tmp_path_factory.mktemp("moved") / "map_staff.html"
    path.write_text(map_page(later[0], earlier=later[1]), encoding="utf-8")
    return path


# ---------------------------------------------------------------------------------- the browser

# The shell has no windows of its own to draw and takes a third of the whole browser's time.
CHROMIUM = next(
    filter(Path.exists, map(Path, ("/usr/bin/chromium-headless-shell", "/usr/bin/chromium"))), None
)
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Debian's Chromium; where there is none the tests are skipped loudly, or fail on request."""
    if CHROMIUM is None:
        reason = "NOT TESTED: no browser; install Debian's chromium-headless-shell or chromium"
        if os.environ.get("RILLMARK_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=QUIET)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def with_profile(browser: Any) -> Callable[..., Any]:
    """A browser of its own that keeps what its pages store in the folder ``profile``."""

    def start(profile: Path, **options: Any) -> Any:
        return browser.browser_type.launch_persistent_context(
            str(profile), executable_path=str(CHROMIUM), args=QUIET, **options
        )

    return start


@pytest.fixture(scope="session")
def map_file(assessment: Assessment, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the whole assessment as a file."""
    from geo.publish import map_page

    path = tmp_path_factory.mktemp("map") / "map_staff.html"
    path.write_text(map_page(assessment), encoding="utf-8")
    return path


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens a file in a page of its own and gathers what the page should never do."""
    contexts = []

    def open_page(path: Path, *, anchor: str = "", **options: Any) -> Any:
        context = browser.new_context(**({"viewport": {"width": 1280, "height": 800}} | options))
        contexts.append(context)
        page = context.new_page()
        page.asked = []
        page.complaints = []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("console", lambda message: page.complaints.append(message.text))
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        page.on("dialog", lambda dialog: (page.complaints.append("dialog"), dialog.dismiss()))
        page.goto(path.as_uri() + anchor)
        page.locator("#count").wait_for()
        return page

    yield open_page
    for context in contexts:
        context.close()
