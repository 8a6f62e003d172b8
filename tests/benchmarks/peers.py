"""Other libraries, each behind one function of a numpy array; what is not installed is left out."""

from __future__ import annotations

import contextlib
import importlib
import os
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine

Task = Callable[[], Any]
_SLOW = 2000 * 2000  # cells up to which those that never win are run
_LONG = 4000 * 4000  # cells up to which tasks of minutes are run


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Silence what compiled libraries write past Python."""
    kept = os.dup(1), os.dup(2)
    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, 1)
    os.dup2(sink, 2)
    try:
        yield
    finally:
        for number, saved in enumerate(kept, 1):
            os.dup2(saved, number)
            os.close(saved)
        os.close(sink)


def _module(name: str) -> Any:
    try:
        with quiet():
            return importlib.import_module(name)
    except ImportError:
        return None


def peers(z: np.ndarray, filled: np.ndarray, drainage: np.ndarray) -> dict[str, dict[str, Task]]:
    """For each row of the table the peers that can run it, ready to be called."""
    rows: dict[str, dict[str, Task]] = defaultdict(dict)
    for add in (_topotoolbox, _richdem, _whitebox, _pyflwdir, _scikit_image):
        add(rows, z, filled, drainage)
    if z.size > _LONG:
        for name in ("flow", "one storm", "six storms"):
            rows[name].clear()
    return rows


def _topotoolbox(rows: dict, z: np.ndarray, filled: np.ndarray, drainage: np.ndarray) -> None:
    tt = _module("topotoolbox")
    if tt is None:
        return

    def grid(values: np.ndarray) -> Any:
        out = tt.GridObject()
        out.z, out.cellsize = values, 1.0
        return out

    ground = grid(z)
    rows["fill"]["topotoolbox"] = ground.fillsinks
    rows["flow"]["topotoolbox"] = lambda: tt.FlowObject(ground).flow_accumulation()
    rows["slope"]["topotoolbox"] = ground.gradient8
    if z.size > _LONG:
        return
    flow = tt.FlowObject(grid(filled))
    stream = tt.StreamObject(flow, stream_pixels=drainage.astype(np.float32))
    rows["height"]["topotoolbox"] = lambda: flow.vertdistance2stream(stream, grid(filled))


def _richdem(rows: dict, z: np.ndarray, filled: np.ndarray, *_: np.ndarray) -> None:
    rd = _module("richdem")
    if rd is None:
        return

    def grid(values: np.ndarray) -> Any:
        return rd.rdarray(values, no_data=-9999.0, geotransform=(0, 1, 0, 0, 0, -1))

    ground, ground_64 = grid(z), grid(z.astype(np.float64))  # its hierarchy takes float64 only

    def flow() -> Any:
        full = rd.FillDepressions(ground)
        rd.ResolveFlats(full, in_place=True)
        return rd.FlowAccumulation(full, method="D8")

    def hierarchy() -> tuple:
        labels = rd.get_new_depression_hierarchy_labels(z.shape)
        labels[[0, -1]] = labels[:, [0, -1]] = 0
        deps, directions = rd.get_depression_hierarchy(ground_64, labels)
        return labels, directions, deps

    def storms(count: int) -> None:
        labels, directions, deps = hierarchy()
        for k in range(count):
            water = grid(np.full(z.shape, 0.02 * (k + 1)))
            rd.fill_spill_merge(ground_64, labels, directions, deps, water)
            if k + 1 < count:  # what this storm leaves in the tree
                for dep in deps:
                    dep.water_vol = 0.0

    rows["fill"]["richdem2"] = lambda: rd.FillDepressions(ground)
    rows["flow"]["richdem2"] = flow
    full = grid(filled)
    rows["D-infinity"]["richdem2"] = lambda: rd.FlowAccumulation(full, method="Dinf")
    rows["slope"]["richdem2"] = lambda: rd.TerrainAttribute(ground, "slope_riserun")
    rows["one storm"]["richdem2"] = lambda: storms(1)
    rows["six storms"]["richdem2"] = lambda: storms(6)


def _whitebox(rows: dict, z: np.ndarray, filled: np.ndarray, *_: np.ndarray) -> None:
    wbw = _module("whitebox_workflows") if z.size <= _SLOW else None
    if wbw is None:
        return
    environment = wbw.WbEnvironment()
    environment.verbose = False
    folder = tempfile.TemporaryDirectory()  # kept by the tasks below: it reads when first needed
    shape = {"width": z.shape[1], "height": z.shape[0], "count": 1, "dtype": "float32"}
    place = {"crs": "EPSG:32616", "transform": Affine(1, 0, 5e5, 0, -1, 4e6)}

    def read(name: str, values: np.ndarray) -> Any:
        path = str(Path(folder.name) / f"{name}.tif")
        with rasterio.open(path, "w", "GTiff", **place, **shape) as raster:
            raster.write(values, 1)
        return environment.read_raster(path)

    ground, full = read("ground", z), read("full", filled)

    def slope() -> Any:
        return folder and environment.terrain.slope(input=ground)

    def fill() -> Any:  # higher than the surface all others agree on: speed only
        return folder and environment.hydrology.fill_depressions(dem=ground, fix_flats=False)

    def d_infinity() -> Any:
        return folder and environment.hydrology.dinf_flow_accum(dem=full, out_type="cells")

    rows["D-infinity"]["whitebox"] = d_infinity
    rows["slope"]["whitebox"] = slope
    rows["fill"]["whitebox"] = fill


def _pyflwdir(rows: dict, z: np.ndarray, *_: np.ndarray) -> None:
    pyflwdir = _module("pyflwdir") if z.size <= _SLOW else None
    if pyflwdir is None:
        return
    rows["fill"]["pyflwdir"] = lambda: pyflwdir.dem.fill_depressions(z)
    rows["flow"]["pyflwdir"] = lambda: pyflwdir.from_dem(z).upstream_area()


def _scikit_image(rows: dict, z: np.ndarray, *_: np.ndarray) -> None:
    morphology = _module("skimage.morphology") if z.size <= _SLOW else None
    if morphology is None:
        return

    def fill() -> np.ndarray:
        seed = np.full_like(z, z.max())
        seed[[0, -1]], seed[:, [0, -1]] = z[[0, -1]], z[:, [0, -1]]
        return morphology.reconstruction(seed, z, method="erosion", footprint=np.ones((3, 3)))

    rows["fill"]["scikit-image"] = fill
