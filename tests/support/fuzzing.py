"""Damages the files of a small county in every way and reads it; each case in a process of its own.

Run by test_fuzz.py; by hand:  python tests/support/fuzzing.py --start 0 --count 200 [--show]

A case is its number: the same number damages the same file in the same way. A case is in order
when the command ends with status 0 or 1, or with 2 and one message that says how to mend it; when
it prints no traceback and no warning, ends within its time, and leaves nothing half-written.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import warnings
import zipfile
from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from click.testing import CliRunner
from pyproj import CRS

from geo.cli import main as rillmark
from layers.files.raster import write_raster
from layers.files.vector import read_vector
from layers.grid import Grid

CPU_SECONDS = 30  # of the processor, so that a busy machine fails no case
SECONDS = 240
MEMORY_B = 4 * 2**30
ASSESS_EVERY = 20
UTM16 = CRS.from_epsg(32616)
X, Y = 600_000.0, 4_400_000.0  # nothing there is real
KEPT = "kept.txt"  # stands beside the results and must survive

VECTORS = ("gpkg", "geojson", "shp", "zip", "fgb", "gdb")
TABLES = ("csv", "xlsx")
RASTERS = ("terrain.tif", "land_cover.tif")
SETTINGS = ("county.toml", "setbacks.toml", "priorities.toml")


# ------------------------------------------------------------------------------ the sound county


def _points(prefix: str, count: int, dy: float, **columns: object) -> gpd.GeoDataFrame:
    k = np.arange(count)
    frame = gpd.GeoDataFrame(
        {prefix: [f"{i + 1:03d}" for i in k]},
        geometry=shapely.points(X + 60.0 * k + 0.37, np.full(count, Y + dy)),
        crs=UTM16,
    )
    return frame.assign(**columns)


def _layers() -> dict[str, gpd.GeoDataFrame]:
    units = _points("unit_id", 9, 0.0, kind="surface_discharge", installed="2001-05-06",
                    bedrooms=3, location_basis="gps", parcel_id="P1")  # fmt: skip
    outlets = _points("discharge_point_id", 8, 25.0, outlet_kind="ditch")
    outlets["unit_id"] = outlets["discharge_point_id"]
    wells = _points("well_id", 7, 55.0, use="private", depth_m=30.5)
    streams = gpd.GeoDataFrame(
        {"stream_id": ["S1"], "permanence": ["perennial"], "name": ["Invented Run"]},
        geometry=[shapely.LineString([(X - 50, Y + 90), (X + 600, Y + 95)])], crs=UTM16,
    )  # fmt: skip
    zones = gpd.GeoDataFrame(
        {"floodplain_id": ["F1"], "zone": ["AE"], "base_flood_elevation_m": [198.0]},
        geometry=[shapely.box(X, Y + 70, X + 500, Y + 110)], crs=UTM16,
    )  # fmt: skip
    parcels = gpd.GeoDataFrame(
        {"parcel_id": ["P1", "P2"]},
        geometry=[shapely.box(X - 90, Y - 40, X + 250, Y + 60),
                  shapely.box(X + 250, Y - 40, X + 600, Y + 60)], crs=UTM16,
    )  # fmt: skip
    return {"units": units, "discharge_points": outlets, "wells": wells, "streams": streams,
            "floodplain": zones, "parcels": parcels}  # fmt: skip


def build(folder: Path) -> None:
    """Every layer in every format it may have, the rasters and the settings."""
    for name, frame in _layers().items():
        for kind in VECTORS:
            _write_vector(frame, folder / f"{name}.{kind}", kind)
        if frame.geom_type.iloc[0] == "Point":
            table = frame.drop(columns="geometry").assign(
                longitude=frame.to_crs(4326).geometry.x.round(7),
                latitude=frame.to_crs(4326).geometry.y.round(7),
            )
            table.to_csv(folder / f"{name}.csv", index=False)
            table.to_excel(folder / f"{name}.xlsx", index=False)
    visits = pd.DataFrame({"inspection_id": ["1", "2"], "unit_id": ["001", "002"],
                           "date": ["2020-05-04", "5/4/2021"], "outcome": "completed",
                           "result": "good"})  # fmt: skip
    visits.to_csv(folder / "inspections.csv", index=False)
    visits.to_excel(folder / "inspections.xlsx", index=False)
    rows, cols = np.mgrid[0:120, 0:240]
    z = 205 - 0.04 * rows[::-1] * 3 + 0.3 * np.sin(cols / 9) + 0.2 * np.cos(rows / 7)
    place = Affine(3, 0, X - 80, 0, -3, Y + 200)
    write_raster(Grid(z.astype(np.float32), place, UTM16), folder / "terrain.tif")
    cover = np.where(cols % 40 < 20, 41, 82).astype(np.uint8)
    write_raster(Grid(cover, place, UTM16), folder / "land_cover.tif")
    from importlib.resources import files

    for name in ("setbacks.toml", "priorities.toml"):
        text = (files("layers.settings.templates") / name).read_text("utf-8")
        (folder / name).write_text(text, "utf-8")


def _write_vector(frame: gpd.GeoDataFrame, path: Path, kind: str) -> None:
    with warnings.catch_warnings():  # a Shapefile cuts long names: the reader knows them
        warnings.simplefilter("ignore", UserWarning)
        if kind == "zip":
            with tempfile.TemporaryDirectory() as inside:
                frame.to_file(Path(inside) / f"{path.stem}.shp")
                with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
                    for part in sorted(Path(inside).iterdir()):
                        archive.write(part, part.name)
        elif kind == "gdb":
            frame.to_file(path, driver="OpenFileGDB")
        elif kind == "geojson":
            frame.to_crs(4326).to_file(path, driver="GeoJSON")
        else:
            frame.to_file(path)


def _county_toml(paths: dict[str, str]) -> str:
    lines = ["[county]", 'name = "Fuzz County"', "as_of = 2026-04-01", ""]
    for name, path in paths.items():
        lines += [f"[layers.{name}]", f'path = "{path}"']
        if path.endswith((".csv", ".xlsx")) and name != "inspections":
            lines.append('crs = "EPSG:4326"')
        if name == "terrain":
            lines += ['vertical_unit = "m"', "accuracy_m = 0.2"]
        lines.append("")
    lines += ["[rules]", 'path = "setbacks.toml"', "[priorities]", 'path = "priorities.toml"']
    return "\n".join([*lines, "[storms]", "depths_in = { 2 = 2.9, 100 = 6.4 }", ""])


# ------------------------------------------------------------------------------------- the damage

HOSTILE = [
    "\x00", "\x1b[2J", "<script>alert(1)</script>", "=cmd|'/c calc'!A1", "'; DROP TABLE units;--",
    "\u202e\u2066", "\ufeff", "𝕏" * 50, "%s%n%x", "../../../etc/passwd", "{{7*7}}", "a" * 200_000,
    "\r\r\n\n", '"', '""",,,"', "\\", "\ud7ff", "NaN", "-1e400", "9" * 500, "0x1F", "1_000",
    "١٢٣", "—", "nul", "[red]x[/red]", "[/]", "\x85\u2028",
]  # fmt: skip
NUMBERS = ["1e308", "-1e308", "1e-320", "1e400", "9" * 400, "-0", "NaN", "Infinity", "1e15",
           "99999999999999999999", "0.1e", "--5", "1,5"]  # fmt: skip


def cut(data: bytes, rng: np.random.Generator) -> bytes:
    return data[: int(rng.integers(0, max(1, len(data))))]


def flip(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for at in rng.integers(0, max(1, len(out)), int(2 ** rng.integers(0, 9))).tolist():
        if out:
            out[at] ^= 1 << int(rng.integers(0, 8))
    return bytes(out)


def flip_head(data: bytes, rng: np.random.Generator) -> bytes:
    head = min(len(data), 512)
    return flip(data[:head], rng) + data[head:]


def holes(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(0, max(1, len(out))))
        size = int(rng.integers(1, 400))
        out[at : at + size] = bytes(len(out[at : at + size]))
    return bytes(out)


def shuffled(data: bytes, rng: np.random.Generator) -> bytes:
    step = max(1, len(data) // int(rng.integers(2, 40)))
    parts = [data[k : k + step] for k in range(0, len(data), step)]
    return b"".join(parts[k] for k in rng.permutation(len(parts)).tolist())


def doubled(data: bytes, rng: np.random.Generator) -> bytes:
    return data + cut(data, rng)


def noise(data: bytes, rng: np.random.Generator) -> bytes:
    return rng.bytes(int(2 ** rng.integers(0, 15)))


def empty(data: bytes, rng: np.random.Generator) -> bytes:
    return b""


def zeros(data: bytes, rng: np.random.Generator) -> bytes:
    return bytes(int(2 ** rng.integers(0, 20)))


def hostile(data: bytes, rng: np.random.Generator) -> bytes:
    """Hostile text in places of a text, or of the bytes of a file that is none."""
    out = data
    for _ in range(int(rng.integers(1, 6))):
        word = HOSTILE[int(rng.integers(len(HOSTILE)))].encode("utf-8", "replace")
        if rng.random() < 0.15:
            word = rng.bytes(6) + b"\xff\xfe\xc3("
        at = int(rng.integers(0, len(out) + 1))
        out = out[:at] + word + out[at + int(rng.integers(0, 4)) :]
    return out


def numbers(data: bytes, rng: np.random.Generator) -> bytes:
    """Numbers of a text replaced by enormous and impossible ones."""
    import re

    spots = [m.span() for m in re.finditer(rb"-?\d+(\.\d+)?", data)]
    for a, b in sorted((spots[k] for k in set(rng.integers(0, len(spots) or 1, 3).tolist())
                        if k < len(spots)), reverse=True):  # fmt: skip
        data = data[:a] + NUMBERS[int(rng.integers(len(NUMBERS)))].encode() + data[b:]
    return data


def nested(data: bytes, rng: np.random.Generator) -> bytes:
    deep = int(10 ** rng.uniform(1, 5.3))
    kind = int(rng.integers(5))
    if kind == 0:
        return b"[" * deep + b"]" * deep
    if kind == 1:
        return b'{"a":' * deep + b"1" + b"}" * deep
    if kind == 2:
        ring = b"[" * deep + b"-85.8,39.7" + b"]" * deep
        return (
            b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":'
            b'{"unit_id":"1"},"geometry":{"type":"Polygon","coordinates":' + ring + b"}}]}"
        )
    if kind == 3:
        return b"a = " + b"[" * deep + b"]" * deep
    geometries = b'{"type":"GeometryCollection","geometries":['
    return (
        b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},'
        b'"geometry":' + geometries * deep + b"]}" * deep + b"}]}"
    )


def many(data: bytes, rng: np.random.Generator) -> bytes:
    """Enormous: very many rows, very many columns, or one very long line."""
    kind = int(rng.integers(3))
    if kind == 0:
        head, *rows = data.splitlines(keepends=True) or [b"\n"]
        return head + b"".join(rows) * 6_000
    if kind == 1:
        names = b",".join(b"c%d" % k for k in range(20_000))
        return names + b"\n" + b",".join([b"1"] * 20_000) + b"\n"
    return b"unit_id,longitude,latitude\n" + b"x" * 6_000_000 + b",-85.8,39.7\n"


def bomb(data: bytes, rng: np.random.Generator) -> bytes:
    """A small archive that unpacks to 60 MB, under the names a reader looks for."""
    stream = io.BytesIO()
    names = [["units.shp", "units.shx", "units.dbf"], ["xl/workbook.xml", "xl/sharedStrings.xml",
             "[Content_Types].xml"], ["../../units.shp"], ["units.csv"]]  # fmt: skip
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name in names[int(rng.integers(len(names)))]:
            archive.writestr(name, b" " * 20_000_000)
    return stream.getvalue()


def spreadsheet_bomb(data: bytes, rng: np.random.Generator) -> bytes:
    """A sound spreadsheet whose texts grow to 40 MB, or whose cell stands on the last row."""
    stream, source = io.BytesIO(), io.BytesIO(data)
    try:
        archive = zipfile.ZipFile(source)
    except zipfile.BadZipFile:
        return bomb(data, rng)
    far = bool(rng.integers(2))
    with archive, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
        for name in archive.namelist():
            text = archive.read(name)
            if name.endswith("sheet1.xml") and far:
                last = b'<row r="1048576"><c r="XFD1048576" t="n"><v>1</v></c></row>'
                text = text.replace(b"</sheetData>", last + b"</sheetData>")
            if name.endswith("sheet1.xml") and not far:
                text = text.replace(b"</sheetData>", b" " * 40_000_000 + b"</sheetData>")
            out.writestr(name, text)
    return stream.getvalue()


def masquerade(data: bytes, rng: np.random.Generator) -> bytes:
    """Another kind of file under this name."""
    kinds = [b"%PDF-1.7\n%\xe2\xe3", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR",
             b"<!doctype html><p>404",
             b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), b"PK\x05\x06" + bytes(18),
             b"PK\x03\x04", b"SQLite format 3\x00" + bytes(84), b"II*\x00\x08\x00\x00\x00",
             b"fgb\x03fgb\x00", b'{"type":"FeatureCollection"}',
             b'{"type":"FeatureCollection","features":[]}', b"null", b"[]",
             b"\xff\xfeu\x00n\x00i\x00t\x00", b"\xef\xbb\xbf",
             b"MM\x00+\x00\x08\x00\x00"]  # fmt: skip
    return kinds[int(rng.integers(len(kinds)))]


def elsewhere(data: bytes, rng: np.random.Generator) -> bytes:
    """What a driver for addresses or for other files would take for its own."""
    web = b"http://127.0.0.1:9/x"  # where nobody listens
    point = b'{"type":"Feature","properties":{},"geometry":null}'
    kinds = [
        b"<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>%s</SrcDataSource></OGRVRTLayer>"
        b"</OGRVRTDataSource>" % web,
        b"<GDAL_WMS><Service name='WMS'><ServerUrl>%s</ServerUrl></Service></GDAL_WMS>" % web,
        b"<VRTDataset rasterXSize='9' rasterYSize='9'><VRTRasterBand dataType='Byte' band='1'>"
        b"<SimpleSource><SourceFilename>/vsicurl/%s</SourceFilename></SimpleSource></VRTRasterBand>"
        b"</VRTDataset>" % web,
        b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b SYSTEM '%s'>]><kml>&b;</kml>" % web,
        b'{"type":"gdal_streamed_alg","command_line":"gdal vector pipeline ! read %s"}' % web,
        b'{"type":"FeatureCollection","crs":{"type":"link","properties":{"href":"%s"}},"features":['
        b"%s]}" % (web, point),
        b'{"type":"Topology","objects":{},"arcs":[]}',
        b'{"stac_version":"1.0.0","type":"FeatureCollection","features":[],"links":[{"href":"%s"}]}'
        % web,
        b"/vsicurl/" + web,
        web,
    ]
    return kinds[int(rng.integers(len(kinds)))]


DAMAGES = [cut, flip, flip_head, holes, shuffled, doubled, noise, empty, zeros, hostile, numbers,
           nested, masquerade, elsewhere]  # fmt: skip
SPECIAL = {
    "csv": [many],
    "geojson": [many, numbers],
    "zip": [bomb],
    "xlsx": [spreadsheet_bomb, bomb],
}


def spoil_table(path: Path, rng: np.random.Generator) -> str:
    """A sound file with hostile cells: written by a library, so that it opens."""
    frame = gpd.read_file(path) if path.suffix not in (".csv", ".xlsx") else (
        pd.read_csv(path, dtype=str) if path.suffix == ".csv" else pd.read_excel(path, dtype=str)
    )  # fmt: skip
    words = [w for w in [*HOSTILE, *NUMBERS] if len(w) < 30_000 and "\x00" not in w]
    if path.suffix == ".xlsx":
        from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

        words = [w for w in words if not ILLEGAL_CHARACTERS_RE.search(w)]
    columns = [c for c in frame.columns if c != "geometry"]
    frame[columns] = frame[columns].astype(object)
    for _ in range(int(rng.integers(1, 8))):
        row, column = int(rng.integers(len(frame))), columns[int(rng.integers(len(columns)))]
        frame.loc[row, column] = words[int(rng.integers(len(words)))]
    if path.suffix == ".csv":
        frame.to_csv(path, index=False)
    elif path.suffix == ".xlsx":
        frame.to_excel(path, index=False)
    else:
        at = int(rng.integers(len(frame)))
        shapes = [None, shapely.Point(), shapely.Point(1e300, -1e300), shapely.Point(0, 0),
                  shapely.from_wkt("POINT (nan nan)"), shapely.LineString([(0, 0), (0, 0)]),
                  shapely.Polygon([(0, 0), (1, 1), (0, 1), (1, 0), (0, 0)])]  # fmt: skip
        geometry = frame.geometry.tolist()
        geometry[at] = shapes[int(rng.integers(len(shapes)))]
        frame = frame.set_geometry(geometry, crs=frame.crs)
        more = {"SPATIAL_INDEX": "NO"} if path.suffix == ".fgb" else {}
        path.unlink()
        frame.to_file(path, engine="pyogrio", **more)
    return "cells"


def spoil_settings(path: Path, rng: np.random.Generator) -> str:
    """A settings file with one line changed into something nobody meant."""
    lines = path.read_text("utf-8").splitlines()
    k = int(rng.integers(len(lines)))
    values = ["-1", "1e400", "nan", "inf", '""', "[]", "{}", "true", "1979-05-27", '"\\u0000"',
              "{ a = { b = [1, {}] } }", '"' + "x" * 5_000 + '"', "9" * 400, "0x1F", '"EPSG:0"',
              '"EPSG:32616"', '"/"', '"."', '"county.toml"', '"../"', '"terrain.tif"', '"us-ft"',
              '"units.csv"', "07:32:00", '"+proj=x"', '"EPSG:3857"', '"EPSG:4978"']  # fmt: skip
    value = values[int(rng.integers(len(values)))]
    which = int(rng.integers(4))
    if which == 0 and "=" in lines[k]:
        lines[k] = lines[k].partition("=")[0] + "= " + value
    elif which == 1:
        lines.insert(k, f"extra_{k} = {value}")
    elif which == 2:
        lines.append(lines[k])
    else:
        del lines[k]
    path.write_text("\n".join(lines), "utf-8")
    return "line"


def damage(folder: Path, number: int) -> tuple[str, str]:
    """Damage one file of a sound county; the file's kind and the way it was damaged."""
    rng = np.random.default_rng(number)
    layers = _layers()
    point_layers = [n for n, f in layers.items() if f.geom_type.iloc[0] == "Point"]
    paths = {n: f"{n}.{VECTORS[int(rng.integers(len(VECTORS)))]}" for n in layers}
    for name in point_layers:
        if rng.random() < 0.4:
            paths[name] = f"{name}.{TABLES[int(rng.integers(2))]}"
    paths["inspections"] = f"inspections.{TABLES[int(rng.integers(2))]}"
    paths |= {"terrain": "terrain.tif", "land_cover": "land_cover.tif"}
    kinds = [*VECTORS, *TABLES, *RASTERS, *SETTINGS]
    kind = kinds[number % len(kinds)]
    if kind in SETTINGS or kind in RASTERS:
        target = kind
    else:
        name = "units" if rng.random() < 0.4 else str(rng.choice(
            [*point_layers, "inspections"] if kind in TABLES else list(layers)))  # fmt: skip
        target = paths[name] = f"{name}.{kind}"
    (folder / "county.toml").write_text(_county_toml(paths), "utf-8")
    return kind, _damage(folder, folder / target, kind, paths, rng)


def _damage(folder: Path, path: Path, kind: str, paths: dict[str, str],
            rng: np.random.Generator) -> str:  # fmt: skip
    chance = rng.random()
    if kind in SETTINGS and chance < 0.5:
        return spoil_settings(path, rng)
    if kind in (*VECTORS, *TABLES) and kind not in ("gdb", "zip", "shp") and chance < 0.2:
        return spoil_table(path, rng)
    if chance < 0.28 and kind not in SETTINGS:  # a wrong name: another's bytes, or a folder
        others = [p for p in sorted(folder.iterdir()) if p.is_file() and p.suffix != path.suffix]
        if path.is_dir():
            shutil.rmtree(path)
        if rng.random() < 0.1:
            path.unlink(missing_ok=True)
            path.mkdir()
            return "folder"
        shutil.copy(others[int(rng.integers(len(others)))], path)
        return "wrong extension"
    victims = [path]
    if kind == "gdb":
        victims = [p for p in sorted(path.rglob("*")) if p.is_file()]
    elif kind == "shp":
        victims = [p for suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg")
                   if (p := path.with_suffix(suffix)).exists()]  # fmt: skip
    victim = victims[int(rng.integers(len(victims)))]
    if len(victims) > 1 and rng.random() < 0.1:
        victim.unlink()
        return "part missing"
    choices = [*DAMAGES, *SPECIAL.get(kind, [])]
    way = choices[int(rng.integers(len(choices)))]
    victim.write_bytes(way(victim.read_bytes(), rng))
    return way.__name__


# ---------------------------------------------------------------------------------------- running


def run_case(number: int, sound: Path) -> dict[str, object]:
    """Damage, read in a child process, and judge."""
    with tempfile.TemporaryDirectory(prefix="fuzz") as top:
        folder, out = Path(top) / "county", Path(top) / "out"
        shutil.copytree(sound, folder)
        out.mkdir()
        (out / KEPT).write_text("kept")
        kind, way = damage(folder, number)
        is_assess = number % ASSESS_EVERY == 0
        if is_assess:
            args = ["assess", str(folder / "county.toml"), "--out", str(out / "result"), "--quiet"]
        else:
            args = ["check", str(folder / "county.toml"), "--places", str(out / "places.gpkg")]
        wording = Path(top) / "said.txt"
        status, seconds = _in_child(args, wording)
        text = wording.read_text("utf-8", "replace") if wording.exists() else ""
        faults = _faults(status, text, out, is_assess=is_assess)
        return {
            "number": number, "kind": kind, "way": way, "command": args[0], "status": status,
            "seconds": round(seconds, 2), "faults": faults,
            "said": text[-3000:] if faults else _message(text, status),
        }  # fmt: skip


def _in_child(args: list[str], wording: Path) -> tuple[int | str, float]:
    """How the command ended, and the seconds of the processor it took."""
    child = os.fork()
    if child == 0:
        _be_the_child(args, wording)
    until = time.perf_counter() + SECONDS
    while time.perf_counter() < until:
        done, code, used = os.wait4(child, os.WNOHANG)
        if done:
            seconds = used.ru_utime + used.ru_stime
            if os.WIFSIGNALED(code):
                return signal.Signals(os.WTERMSIG(code)).name, seconds
            return os.WEXITSTATUS(code), seconds
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "too long", float(SECONDS)


def _be_the_child(args: list[str], wording: Path) -> None:
    """Run the command with both streams, those of C libraries too, in one file; never returns."""
    code = 99
    try:
        sink = os.open(wording, os.O_CREAT | os.O_WRONLY, 0o600)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_B, MEMORY_B))
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        result = CliRunner().invoke(rillmark, args)
        code = result.exit_code
        text = result.output
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            import traceback

            code = 98
            text += "".join(traceback.format_exception(*result.exc_info))
        os.write(sink, text.encode("utf-8", "replace"))
    finally:
        os._exit(code)


def _faults(status: int | str, text: str, out: Path, *, is_assess: bool) -> list[str]:
    faults = []
    if status not in (0, 1, 2):
        faults.append(f"status {status}")
    if "Traceback (most recent" in text:
        faults.append("traceback")
    noise = [line for line in text.splitlines() if "Warning:" in line or line.startswith("ERROR ")]
    if noise:
        faults.append(f"noise: {noise[0][:150]}")
    if status == 2 and not (text.count("rillmark: ") == 1 and text.count("\n  Fix: ") == 1):
        faults.append("not one message")
    if len(text) > 400_000:
        faults.append(f"{len(text)} letters said")
    names = {p.name for p in out.iterdir()}
    whole = {KEPT, "result" if is_assess else "places.gpkg"}
    if names != ({KEPT} if status not in (0, 1) else whole):
        faults.append(f"left behind: {sorted(names)}")
    elif status in (0, 1):
        faults += _half_written(out, is_assess=is_assess)
    return faults


def _half_written(out: Path, *, is_assess: bool) -> list[str]:
    if not is_assess:
        read_vector(out / "places.gpkg", layer="problem_places")
        return []
    run = json.loads((out / "result" / "run.json").read_text("utf-8"))
    there = {p.name for p in (out / "result").iterdir()} - {"run.json"}
    return [] if there == set(run["files"]) else ["the result is not whole"]


def _message(text: str, status: int | str) -> str:
    return text.split("\n")[0][:300] if status == 2 else ""


def run_cases(start: int, count: int, *, show: bool = False) -> dict[str, object]:
    """Run cases one after another; counts, and whatever was not in order."""
    with tempfile.TemporaryDirectory(prefix="fuzz") as sound:
        build(Path(sound))
        _warm(Path(sound))
        results = []
        for number in range(start, start + count):
            result = run_case(number, Path(sound))
            results.append(result)
            if show and result["faults"]:
                print(json.dumps(result), file=sys.stderr, flush=True)
    return {
        "cases": len(results),
        "by_status": dict(Counter(str(r["status"]) for r in results)),
        "by_kind": dict(Counter(str(r["kind"]) for r in results)),
        "by_way": dict(Counter(str(r["way"]) for r in results)),
        "by_command": dict(Counter(str(r["command"]) for r in results)),
        "slowest": max(
            [float(str(r["seconds"])), r["number"], r["kind"], r["way"]] for r in results
        ),
        "failures": [r for r in results if r["faults"]],
        "messages": sorted({str(r["said"]) for r in results if r["status"] == 2}),
    }


def _warm(sound: Path) -> None:
    """Import and compile what the commands do late, so that no child's time is spent on it."""
    import layers.reading.fault_report  # noqa: F401
    from geo.cli import main

    paths = {name: f"{name}.gpkg" for name in _layers()} | {"inspections": "inspections.csv"}
    paths |= {"terrain": "terrain.tif", "land_cover": "land_cover.tif"}
    county = sound / "county.toml"
    county.write_text(_county_toml(paths), "utf-8")
    with tempfile.TemporaryDirectory(prefix="fuzz") as top:
        done = CliRunner().invoke(main, ["assess", str(county), "--out", f"{top}/out", "--quiet"])
    assert done.exit_code < 2, done.output


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--show", action="store_true")
    options = parser.parse_args()
    json.dump(run_cases(options.start, options.count, show=options.show), sys.stdout, indent=1)
