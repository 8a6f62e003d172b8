"""What fits on each lot: where a tank and a discharge point would hold every required setback.

The area of a lot is that of `geo.setbacks.allowable`, as for one proposed unit, less what the
office keeps out by choice. Screening from maps: a survey and a licensed designer decide.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from geo.measurements import Measured
from geo.setbacks.allowable import (
    PARTS,
    AllowableArea,
    KeepOff,
    allowable_on,
    keep_offs,
    rules_today,
)
from geo.terrain import Terrain
from geo.uncertainty import LINE_95
from layers.grid import Grid, GridSource, Window, read_around
from layers.outputs import LOTS
from layers.settings.county_file import LotSection
from layers.settings.setback_tables import SetbackRule

WORKERS: Final = 2
_Pick = Callable[[NDArray, tuple[float, float]], NDArray[np.bool_]]
# Hazards of flood zones that leave open whether the base flood comes there.
_OPEN_HAZARD: Final = ("undetermined", "unspecified", "unknown")
# Around a lot, where what a rule for one side speaks of may be; no published one reaches so far.
_ROOM_M: Final = 300.0
_HELD: Final = ("as_drawn", "surely")
# Two lots share land only if they share more than a sliver of drawing error.
_SLIVER_M2: Final = 1.0


@dataclass(frozen=True)
class Lot:
    """What fits on one lot; areas in m2 by part (tank, discharge_point).

    Attributes
    ----------
    as_drawn, surely
        Areas of the pieces large enough to build on, if all positions are as drawn; where every
        rule surely holds.
    binding
        The rule, or the choice of the office, that takes most of the lot from the part with the
        least room; None where none takes any.
    not_given
        What is missing to decide: layers that a rule or a choice of the office needs, a setback
        table, facts of flood zones, ground under the lot.
    """

    as_drawn: Mapping[str, float]
    surely: Mapping[str, float]
    binding: str | None
    not_given: tuple[str, ...]

    @property
    def fits(self) -> str:
        """The lot's class: ``surely``, ``as_drawn``, ``cannot`` or ``not_known``."""
        if not all(self.as_drawn.values()):
            return "cannot"  # what a missing layer would show can only take more
        if self.not_given:
            return "not_known"
        return "surely" if all(self.surely.values()) else "as_drawn"


def lots(measured: Measured, section: LotSection | None = None) -> gpd.GeoDataFrame:
    """Every parcel with what fits on it, as the table `layers.outputs.LOTS`.

    Parameters
    ----------
    measured
        As `geo.measure` gives it.
    section
        What the office keeps out by choice; the county file's where None.

    Returns
    -------
    One row per parcel, in their own order; empty where no parcels are given.
    """
    county = measured.county
    section = section or county.file.lots or LotSection()
    parcels = measured.features.get("parcels")
    if parcels is None or parcels.empty:
        return LOTS.empty_layer(county.crs)
    rules = rules_today(county)
    keep_off = keep_offs(
        rules,
        measured.features,
        place95_m=section.place95_m,
        line_sd_m={name: a95 / LINE_95 for name, a95 in measured.line95_m.items()},
    )
    kept_out = KeptOut.of(measured, section, rules)
    shapes = parcels.geometry.to_numpy()
    ask = partial(_lot, measured=measured, keep_off=keep_off, kept_out=kept_out, section=section)
    with ThreadPoolExecutor(WORKERS) as workers:  # shapely leaves Python free while it computes
        found = list(workers.map(ask, shapes))
    area = shapely.area(shapes)
    units = _units_on(shapes, county.layers["units"].geometry.to_numpy())
    table = pd.DataFrame(
        {
            "parcel_id": parcels["parcel_id"].astype(object).to_numpy(),
            "fits": [lot.fits for lot in found],
            "binding": [lot.binding for lot in found],
            "units": units,
            "area_m2": area,
            **{
                f"{part}_{held}_m2": [getattr(lot, held)[part] for lot in found]
                for part, _ in PARTS
                for held in _HELD
            },
            "shares_land": _overlapping(shapes),
            "not_given": [", ".join(lot.not_given) or None for lot in found],
        }
    )
    return gpd.GeoDataFrame(table, geometry=shapes, crs=parcels.crs)


def _lot(
    shape: shapely.Geometry,
    *,
    measured: Measured,
    keep_off: Sequence[KeepOff],
    kept_out: KeptOut,
    section: LotSection,
) -> Lot:
    ground = None
    if measured.terrain is not None and any(each.rule.direction != "any" for each in keep_off):
        ground = read_around(_Ground(measured.terrain), shapely.bounds(shape), _ROOM_M)
    crs = measured.county.crs
    found = allowable_on(shape, keep_off, crs, ground=ground, with_edges=False)
    out = kept_out.on(shape)
    union = shapely.union_all(list(out.values()))
    room = {
        held: {
            part: _large_enough(shapely.difference(area, union), section.least_area_m2)
            for part, area in getattr(found, held).items()
        }
        for held in _HELD
    }
    lacks = (*found.not_given, *kept_out.missing, *kept_out.open_on(shape))
    return Lot(
        room["as_drawn"],
        room["surely"],
        _binding(shape, found, out, room),
        tuple(dict.fromkeys(lacks)),
    )


def _large_enough(area: shapely.Geometry, least_m2: float) -> float:
    """What the pieces of an area that are large enough make together."""
    pieces = shapely.area(shapely.get_parts(area))
    return float(pieces[pieces >= max(least_m2, 1e-6)].sum())


def _binding(
    shape: shapely.Geometry,
    found: AllowableArea,
    out: Mapping[str, shapely.Geometry],
    room: Mapping[str, Mapping[str, float]],
) -> str | None:
    """What takes most of the lot from the part with the least room, as drawn, else for sure."""
    for held in _HELD:
        part = min(room[held], key=lambda name: room[held][name])
        zones = {**found.zones[held][part], **out}
        taken = {
            name: shapely.area(shapely.intersection(zone, shape))
            for name, zone in sorted(zones.items())
            if zone is not None
        }
        most = max(taken, key=lambda name: taken[name], default=None)
        if most is not None and taken[most] > 0:
            return most
    return None


@dataclass(frozen=True)
class KeptOut:
    """Land that the office keeps units out of by choice, beside the rules."""

    floods: Mapping[str, shapely.STRtree]
    doubtful: Mapping[str, shapely.STRtree]
    ponds: GridSource | None
    terrain: Terrain | None
    steepest: float | None
    missing: tuple[str, ...]

    @classmethod
    def of(cls, measured: Measured, section: LotSection, rules: Sequence[SetbackRule]) -> KeptOut:
        """What the section of the county file names, of what the county has; what it lacks."""
        floods, doubtful, missing = {}, {}, []
        spoken = {rule.part for rule in rules}
        missing += [
            f"setback rule for the {part.replace('_', ' ')}"
            for part, speaks in PARTS
            if not spoken & set(speaks)
        ]
        named = {rule.feature for rule in rules} & set(measured.county.without_place)
        missing += [f"{name.replace('_', ' ')} without a position" for name in sorted(named)]
        wanted = {"flood zone": section.keep_out_flood_zone, "floodway": section.keep_out_floodway}
        zones = measured.features.get("floodplain")
        if zones is None:
            missing += ["floodplain"] if any(wanted.values()) else []
        else:
            shapes = zones.geometry.to_numpy()
            hazard = zones["hazard_class"].astype(object)
            is_special = (hazard == "special").to_numpy(bool)
            is_open = (hazard.isna() | hazard.isin(_OPEN_HAZARD)).to_numpy(bool)
            is_way = zones["is_floodway"].astype(object)
            sure = {"flood zone": is_special, "floodway": is_way.isin([True]).to_numpy(bool)}
            open_ = {"flood zone": is_open, "floodway": is_way.isna().to_numpy() & ~_dry(hazard)}
            for name in [name for name, is_wanted in wanted.items() if is_wanted]:
                floods[name] = shapely.STRtree(shapes[sure[name]])
                doubtful[name] = shapely.STRtree(shapes[open_[name]])
        years, storms = section.keep_out_pond_yr, measured.storms
        ponds = None
        if years is not None and storms is not None and years in storms.opened.by_storm:
            ponds = storms.opened.raster(years)
        elif years is not None:
            missing.append(f"{years}-year storm")
        if section.steepest is not None and measured.terrain is None:
            missing.append("terrain")
        return cls(floods, doubtful, ponds, measured.terrain, section.steepest, tuple(missing))

    def open_on(self, shape: shapely.Geometry) -> list[str]:
        """By name, what would be kept out and cannot be told on a lot."""
        found = [
            f"kind of {name}" if name == "flood zone" else name
            for name, tree in self.doubtful.items()
            if len(tree.query(shape, predicate="intersects"))
        ]
        needs_ground = self.ponds is not None or self.steepest is not None
        if needs_ground and self.terrain is not None and _has_no_ground(self.terrain, shape):
            found.append("terrain")
        return found

    def on(self, shape: shapely.Geometry) -> dict[str, shapely.Geometry]:
        """By name, the land kept out that may be on a lot."""
        found = {}
        for name, tree in self.floods.items():
            near = tree.geometries[np.sort(tree.query(shape, predicate="intersects"))]
            if len(near):
                found[name] = shapely.union_all(shapely.intersection(near, shape))
        if self.ponds is not None:
            wet = _cells(self.ponds, shape, lambda values, _: values > 0)
            if wet is not None:
                found["ponding"] = wet
        if self.steepest is not None and self.terrain is not None:
            steep = _cells(_Ground(self.terrain), shape, partial(_is_steep, steepest=self.steepest))
            if steep is not None:
                found["steep ground"] = steep
        return found


def _dry(hazard: pd.Series) -> NDArray[np.bool_]:
    """Zones that are no part of the base flood, and so of no floodway."""
    return hazard.isin(["minimal", "moderate", "levee"]).to_numpy(bool)


def _has_no_ground(terrain: Terrain, shape: shapely.Geometry) -> bool:
    """Whether the terrain ends on a lot, or has a hole there."""
    west, south, east, north = terrain.frame.bounds
    if not shapely.within(shape, shapely.box(west, south, east, north)):
        return True
    return _cells(_Ground(terrain), shape, lambda values, _: np.isnan(values)) is not None


def _is_steep(
    values: NDArray, cell_m: tuple[float, float], *, steepest: float
) -> NDArray[np.bool_]:
    if min(values.shape) < 2:
        return np.zeros(values.shape, bool)
    down, across = np.gradient(np.asarray(values, float), cell_m[1], cell_m[0])
    return np.hypot(down, across) > steepest


@dataclass(frozen=True)
class _Ground:
    """The ground of a terrain as a `layers.grid.GridSource`, read by window."""

    terrain: Terrain

    @property
    def shape(self) -> tuple[int, int]:
        return self.terrain.frame.shape

    @property
    def transform(self) -> Affine:
        return self.terrain.frame.transform

    @property
    def crs(self) -> CRS:
        return self.terrain.frame.crs

    def read(self, window: Window | None = None) -> Grid:
        rows, cols = self.shape
        return self.terrain.window("ground", window or Window(0, 0, rows, cols))


def _cells(source: GridSource, shape: shapely.Geometry, pick: _Pick) -> shapely.Geometry | None:
    """The cells at a lot that ``pick`` says of the values around it; None where there are none."""
    block = read_around(source, shapely.bounds(shape), 2.0)
    if block is None:
        return None
    row, col = np.nonzero(pick(block.values, block.cell_m))
    if not len(row):
        return None
    t = block.transform
    x, y = t.c + col * t.a, t.f + row * t.e
    boxes = shapely.box(x, y + t.e, x + t.a, y)
    boxes = boxes[shapely.intersects(boxes, shape)]
    return shapely.union_all(boxes) if len(boxes) else None


def _units_on(shapes: NDArray[np.object_], lids: NDArray[np.object_]) -> NDArray[np.int64]:
    lot, _ = shapely.STRtree(lids).query(shapes, predicate="intersects")
    return np.bincount(lot, minlength=len(shapes))


def _overlapping(shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Lots that share land with another, more than a sliver."""
    one, other = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    one, other = one[one < other], other[one < other]
    shared = shapely.area(shapely.intersection(shapes[one], shapes[other])) > _SLIVER_M2
    found = np.zeros(len(shapes), bool)
    found[one[shared]] = found[other[shared]] = True
    return found
