"""The households of Larkmoor County: units, hollows, outlets and wells, set on the ground."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from _built import COUNTY_HIGH, COUNTY_LOW, Culvert, Lot, Road, cell_of, open_culverts, sample
from _ground import FINE_M, Drainage, drain, fill, fractal, rim
from _water import Ground, Reach, blob
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon


@dataclass
class Unit:
    """One household unit as it truly is; the county's list knows less."""

    lot: Lot
    xy: NDArray[np.float64]
    kind: str = "surface_discharge"
    setting: str = ""  # embankment, kettle, yard: why its lid may be wet
    outlet: NDArray[np.float64] | None = None
    outlet_kind: str = "ground"
    pumped: bool = False
    collector: int = -1
    pond_m: float = 0.0
    facts: dict = field(default_factory=dict)


def in_county(xy: NDArray[np.float64], edge_m: float = 12.0) -> bool:
    """Whether a place lies on the terrain that the county has."""
    return bool(np.all(xy > COUNTY_LOW + edge_m) and np.all(xy < COUNTY_HIGH - edge_m))


def level_pads(z: NDArray[np.float64], lots: list[Lot]) -> NDArray[np.float64]:
    """Ground under and round each house brought level, as builders do."""
    picture = Image.new("I", z.shape[::-1])
    pen = ImageDraw.Draw(picture)
    height = [0.0]
    for lot in lots:
        if lot.house is not None:
            ring = shapely.get_coordinates(lot.house.exterior)
            pen.polygon([tuple(p / FINE_M - 0.5) for p in ring], fill=len(height))
            height.append(float(sample(z, ring[:4]).mean()) + 0.15)
    label = np.array(picture)
    away, (r, c) = ndimage.distance_transform_edt(label == 0, return_indices=True)
    keep = np.clip((away * FINE_M - 1.5) / 9.0, 0, 1)
    return keep * z + (1 - keep) * np.array(height)[label[r, c]]


def place_lids(
    rng: np.random.Generator,
    ground: Ground,
    lots: list[Lot],
    culverts: list[Culvert],
    roads: list[Road],
) -> list[Unit]:
    """A lid beside each house, mostly on its low side; two behind the closed embankment."""
    ocean = rim(ground.z.shape) | (ground.to_river_m < 6)
    closed = fill(ground.z, ocean) - ground.z
    opened_z = open_culverts(ground.z, culverts)
    opened = fill(opened_z, ocean) - opened_z
    network = shapely.unary_union([r.line for r in roads])
    units, behind = [], 0
    for lot in lots:
        if lot.house is None:
            continue
        best, chosen = np.inf, None
        ring = lot.house.exterior
        for _ in range(26):
            wall = np.array(ring.interpolate(rng.uniform(), normalized=True).coords[0])
            out = wall - np.array(lot.house.centroid.coords[0])
            xy = wall + out / np.hypot(*out) * rng.uniform(3.0, 10.0)
            if not lot.polygon.contains(Point(xy)) or Point(xy).distance(lot.house) < 2.5:
                continue
            r, c = cell_of(*xy)
            if ground.to_channel_m[r, c] < 7 or Point(xy).distance(network) < 11:
                continue
            low = ground.z[r, c] + rng.normal(0, 0.35) - 0.02 * (xy - wall) @ lot.facing
            if low < best:
                best, chosen = low, xy
        if chosen is None:
            continue
        unit = Unit(lot, chosen)
        spots = _drowned_spots(lot, closed, opened) if behind < 3 else []
        if len(spots):
            unit.xy, unit.setting, behind = spots[len(spots) // 2], "embankment", behind + 1
        units.append(unit)
    return units


def _drowned_spots(lot: Lot, closed: NDArray, opened: NDArray) -> list[NDArray[np.float64]]:
    """Places on a lot near its house that only a closed culvert puts under water."""
    west, north, east, south = lot.house.buffer(32).bounds
    spots = []
    for x in np.arange(west, east, 2.0):
        for y in np.arange(north, south, 2.0):
            r, c = cell_of(x, y)
            near = closed[max(r - 2, 0) : r + 3, max(c - 2, 0) : c + 3]
            dry = opened[max(r - 2, 0) : r + 3, max(c - 2, 0) : c + 3]
            if (
                near.size
                and near.min() > 0.35
                and near.max() < 1.9
                and dry.max() < 0.01
                and lot.polygon.contains(Point(x, y))
                and lot.house.distance(Point(x, y)) > 3
            ):
                spots.append(np.array([x, y]))
    return spots


def dig_hollows(
    rng: np.random.Generator, ground: Ground, units: list[Unit], lots: list[Lot]
) -> None:
    """Kettles in fields and at a few houses, and shallow yards that hold water at the lid."""
    gy, gx = np.gradient(ndimage.gaussian_filter(ground.z, 4), FINE_M)
    steep = np.hypot(gx, gy)
    n = ground.z.shape[0]
    order = rng.permutation(len(units))
    kettles, yards = 0, 0
    dug: list[Polygon] = []

    def dig(centre: NDArray, radius: float, depth: float) -> None:
        ring = blob(
            rng, tuple(centre), (radius, radius * rng.uniform(0.75, 1.0)), rng.uniform(0, 3)
        )
        reach = int(radius * 2 / FINE_M)
        r, c = cell_of(*centre)
        rows, cols = slice(max(r - reach, 0), r + reach), slice(max(c - reach, 0), c + reach)
        picture = Image.new("1", (n, n))
        ImageDraw.Draw(picture).polygon([tuple(p / FINE_M - 0.5) for p in ring], fill=1)
        within = ndimage.distance_transform_edt(np.array(picture)[rows, cols])
        share = np.clip(within / max(within.max(), 1e-9), 0, 1)
        bowl = ndimage.gaussian_filter(1 - (1 - share) ** 2, max(1.0, radius / 12))
        ground.z[rows, cols] -= depth * bowl / max(bowl.max(), 1e-9)
        dug.append(Polygon(ring))

    for i in order:
        unit = units[i]
        r, c = cell_of(*unit.xy)
        flat = steep[r, c] < 0.034 and ground.to_channel_m[r, c] > 45 and in_county(unit.xy, 60)
        if unit.setting or not flat or ground.to_water_m[r, c] < 40:
            continue
        if kettles < 9 and ground.to_river_m[r, c] > 200:
            out = unit.xy - np.array(unit.lot.house.centroid.coords[0])
            radius = rng.uniform(19, 30)
            centre = unit.xy + out / np.hypot(*out) * radius * 0.42
            hole = Point(centre).buffer(radius)
            if any(hole.distance(d) < 60 for d in dug):
                continue
            if sum(hole.intersects(x.house) for x in lots if x.house is not None) > 1:
                continue
            dig(centre, radius, rng.uniform(0.9, 3.2) + radius * steep[r, c])
            unit.setting, kettles = "kettle", kettles + 1
        elif yards < 30:
            radius = rng.uniform(6.5, 11)
            dig(
                unit.xy + rng.normal(0, 1.2, 2),
                radius,
                rng.uniform(0.12, 0.6) + radius * steep[r, c],
            )
            unit.setting, yards = "yard", yards + 1
    houses = shapely.STRtree([x.polygon for x in lots])
    fields = 0
    for _ in range(4_000):
        centre = rng.uniform(COUNTY_LOW + 80, COUNTY_HIGH - 80, 2)
        radius = rng.uniform(13, 38)
        r, c = cell_of(*centre)
        if (
            fields >= 13
            or steep[r, c] > 0.03
            or ground.to_channel_m[r, c] < 70
            or ground.to_river_m[r, c] < 260
            or ground.to_water_m[r, c] < 90
            or len(houses.query(Point(centre).buffer(radius + 12), predicate="intersects"))
            or any(Point(centre).distance(d) < 90 for d in dug)
        ):
            continue
        dig(centre, radius, rng.uniform(0.5, 3.0) + radius * steep[r, c])
        fields += 1


def finish(rng: np.random.Generator, ground: Ground) -> NDArray[np.float64]:
    """Fine roughness away from water, then heights to the centimetre."""
    rough = fractal(rng, ground.z.shape[0], FINE_M, 2.6, 16)
    calm = np.clip((ground.to_channel_m - 4) / 6, 0, 1)
    calm *= np.clip((ground.to_river_m - 8) / 6, 0, 1) * np.clip(ground.to_water_m / 4, 0, 1)
    return np.round(ground.z + 0.022 * rough * calm, 2)


@dataclass
class Hydrology:
    """The finished ground with its culverts open: where water goes and where it stands."""

    z: NDArray[np.float64]
    water: Drainage
    pond_m: NDArray[np.float64]
    closed_pond_m: NDArray[np.float64]


def study(z: NDArray[np.float64], ground: Ground, culverts: list[Culvert]) -> Hydrology:
    """Route the finished ground with open culverts; hollows with culverts open and closed."""
    ocean = rim(z.shape) | (ground.to_river_m < 6)
    opened = open_culverts(z, culverts)
    water = drain(opened, ocean, FINE_M)
    return Hydrology(opened, water, fill(opened, ocean) - opened, fill(z, ocean) - z)


def find_outlets(
    rng: np.random.Generator,
    hydrology: Hydrology,
    ground: Ground,
    units: list[Unit],
    lots: list[Lot],
    roads: list[Road],
    reaches: list[Reach],
    sewers: list[LineString],
    tiles: list[LineString],
) -> None:
    """Lead each pipe by gravity to a draw, a ditch, a stream bank or a drain near the lot."""
    z, area = hydrology.z, hydrology.water.area_m2
    houses = shapely.STRtree([x.house for x in lots if x.house is not None])
    network = shapely.unary_union([r.line for r in roads])
    streams = shapely.unary_union([LineString(r.xy) for r in reaches if r.mapped])
    sewer, tile = shapely.unary_union(sewers), shapely.unary_union(tiles)
    reach = 41
    off = (np.arange(-reach, reach + 1)) * FINE_M
    dx, dy = np.meshgrid(off, off)
    away = np.hypot(dx, dy)
    for unit in units:
        place = Point(unit.xy)
        r, c = cell_of(*unit.xy)
        if not (reach < r < z.shape[0] - reach - 1 and reach < c < z.shape[1] - reach - 1):
            continue
        rows, cols = slice(r - reach, r + reach + 1), slice(c - reach, c + reach + 1)
        unit.pond_m = float(hydrology.pond_m[r, c])
        for pipes, kind, chance in ((sewer, "storm_sewer", 0.75), (tile, "field_tile", 0.7)):
            near = pipes.interpolate(pipes.project(place)) if not pipes.is_empty else place
            if 6 < near.distance(place) < 60 and rng.uniform() < chance:
                rr, cc = cell_of(near.x, near.y)
                if z[rr, cc] < z[r, c] - 0.1:
                    unit.outlet, unit.outlet_kind = np.array(near.coords[0]), kind
        if unit.outlet is not None:
            continue
        x, y = (
            (cols.start + np.arange(2 * reach + 1) + 0.5) * FINE_M,
            (rows.start + np.arange(2 * reach + 1) + 0.5) * FINE_M,
        )
        fall = z[r, c] - z[rows, cols]
        ok = (away >= 6) & (away <= 80) & (fall > 0.5 + 0.012 * away)
        ok &= (ground.to_river_m[rows, cols] > 7) & (ground.to_water_m[rows, cols] > 0.5)
        ok &= hydrology.pond_m[rows, cols] < 0.05
        wish = float(np.clip(rng.lognormal(np.log(24), 0.5), 8, 75))
        score = -np.abs(away - wish) / 16 + 0.55 * np.log10(area[rows, cols])
        score = np.where(ok, score + rng.normal(0, 0.12, score.shape), -np.inf)
        for k in np.argsort(score, axis=None)[::-1][:60]:
            i, j = divmod(int(k), 2 * reach + 1)
            if not np.isfinite(score[i, j]):
                break
            end = np.array([x[j], y[i]]) + rng.uniform(-0.8, 0.8, 2)
            pipe = LineString([unit.xy, end])
            if pipe.crosses(network) or Point(end).distance(network) < 5:
                continue
            if len(houses.query(pipe.buffer(1.0), predicate="intersects")):
                continue
            unit.outlet = end
            break
        if unit.outlet is None and rng.uniform() < 0.4:  # a pump may lift it over a rise
            for turn in rng.uniform(0, 2 * np.pi, 30):
                end = unit.xy + rng.uniform(15, 60) * np.array([np.cos(turn), np.sin(turn)])
                pipe = LineString([unit.xy, end]).buffer(1.0)
                if (
                    unit.lot.polygon.contains(Point(end))
                    and hydrology.pond_m[cell_of(*end)] < 0.05
                    and not len(houses.query(pipe, predicate="intersects"))
                ):
                    unit.outlet, unit.pumped = end, True
                    break
        if unit.outlet is None:
            continue
        end = Point(unit.outlet)
        if end.distance(streams) < 5:
            unit.outlet_kind = "stream"
        elif end.distance(network) < 9:
            unit.outlet_kind = "ditch"


def share_outlets(rng: np.random.Generator, units: list[Unit], z: NDArray[np.float64]) -> None:
    """A few neighbours send their water through one collector down to one outlet."""

    def runs_down(u: Unit, end: NDArray[np.float64]) -> bool:
        fall = z[cell_of(*u.xy)] - z[cell_of(*end)]
        return bool(fall > 0.5 + 0.01 * np.hypot(*(u.xy - end)))

    group = 0
    for unit in units:
        if group == 5:
            break
        if (
            unit.outlet is None
            or unit.pumped
            or unit.outlet_kind not in ("ground", "stream")
            or unit.setting
        ):
            continue
        near = [
            u
            for u in units
            if u is not unit
            and u.outlet is not None
            and u.collector < 0
            and u.outlet_kind != "storm_sewer"
            and not u.setting
            and not u.pumped
            and np.hypot(*(u.xy - unit.outlet)) < 105
            and unit.lot.road == u.lot.road
            and runs_down(u, unit.outlet)
        ]
        if len(near) >= 2 and rng.uniform() < 0.12 and in_county(unit.xy, 100):
            for u in [unit, *near[:3]]:
                u.collector, u.outlet, u.outlet_kind = group, unit.outlet, "shared_collector"
            group += 1


def sink_wells(
    rng: np.random.Generator, ground: Ground, units: list[Unit], wanted: int
) -> list[tuple[NDArray[np.float64], Unit]]:
    """A private well for most houses: upslope of the lid if the lot allows, not always."""
    wells = []
    for i in rng.permutation(len(units)):
        unit = units[i]
        if len(wells) == wanted:
            break
        careless = rng.uniform() < 0.2
        best, chosen = -np.inf, None
        middle = np.array(unit.lot.house.centroid.coords[0])
        for _ in range(24):
            turn = rng.uniform(0, 2 * np.pi)
            xy = middle + rng.uniform(10, 42) * np.array([np.cos(turn), np.sin(turn)])
            r, c = cell_of(*xy)
            if not unit.lot.polygon.buffer(-1.5).contains(Point(xy)):
                continue
            if unit.lot.house.distance(Point(xy)) < 3 or ground.to_channel_m[r, c] < 8:
                continue
            lid = np.hypot(*(xy - unit.xy))
            out = 60.0 if unit.outlet is None else np.hypot(*(xy - unit.outlet))
            worth = (
                min(lid, 35)
                + 0.6 * min(out, 50)
                + 3 * (ground.z[r, c] - ground.z[cell_of(*unit.xy)])
            )
            worth = rng.uniform() if careless else worth
            if worth > best:
                best, chosen = worth, xy
        if chosen is not None and in_county(chosen):
            wells.append((chosen, unit))
    return wells
