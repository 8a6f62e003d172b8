"""What people built in Larkmoor County: roads with their embankments, culverts, lots, houses."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from _ground import EXTENT_M, FINE_M, SIDE, River, nearest, paint
from _water import Ground, Reach, Water
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import CubicSpline
from shapely.geometry import LineString, Point, Polygon, box

COUNTY_LOW, COUNTY_HIGH = 180.0, EXTENT_M - 180.0

# name, points in local metres, share of its frontage that is built on
ROADS = (
    ("Larkmoor Pike", [(-80, 690), (498, 640), (898, 690), (1400, 560), (1900, 640), (2500, 560),
                       (3440, 700)], 0.70),
    ("Kettle Road", [(-80, 2900), (600, 2830), (1250, 2960), (1900, 2850), (2500, 2900),
                     (3440, 2790)], 0.62),
    ("Section Line Road", [(1060, -80), (1062, 300), (1046, 554), (923, 923), (785, 1231),
                           (692, 1477), (692, 1723), (661, 1908), (723, 2154), (692, 2462),
                           (738, 2769), (723, 3440)], 0.62),
    ("Heron Road", [(2616, -80), (2600, 246), (2646, 615), (2616, 923), (2569, 1231), (2462, 1446),
                    (2431, 1723), (2400, 2031), (2370, 2215), (2462, 2462), (2431, 2769),
                    (2446, 3440)], 0.60),
    ("River Road", [(692, 1440), (892, 1400), (1108, 1420), (1385, 1450), (1662, 1425),
                    (2000, 1480), (2215, 1620), (2431, 1723), (2769, 1846), (3108, 1985),
                    (3440, 2030)], 0.60),
    ("Lake Lane", [(1249, 2958), (1290, 2790), (1262, 2580), (1310, 2390), (1480, 2300),
                   (1690, 2360), (1775, 2530), (1760, 2700), (1840, 2862)], 0.92),
    ("Mill Lane", [(1400, 562), (1300, 800), (1270, 1000), (1350, 1230), (1385, 1448)], 0.72),
    ("Ridge Road", [(2210, 600), (2215, 923), (2330, 1170), (2460, 1445)], 0.60),
    ("Orchard Lane", [(3060, 622), (3030, 400), (2930, 185), (2900, -80)], 0.72),
    ("Draw Road", [(715, 2130), (460, 2270), (246, 2215), (-80, 2300)], 0.72),
    ("Fennel Road", [(2446, 2440), (2769, 2400), (2954, 2554), (3015, 2769), (3050, 2850)], 0.72),
    ("Sedge Court", [(2000, 645), (2010, 480), (1960, 330), (1990, 200)], 0.80),
    ("Plum Court", [(1660, 605), (1690, 760), (1650, 900)], 0.80),
    ("Teasel Lane", [(2960, 615), (2990, 860), (2920, 1100), (2960, 1330)], 0.72),
    ("Harrow Lane", [(723, 620), (560, 420), (600, 180), (590, -80)], 0.66),
    ("Thistle Court", [(2140, 2868), (2130, 3060), (2180, 3200)], 0.78),
    ("Burdock Lane", [(1000, 2905), (980, 3080), (1040, 3230)], 0.74),
    ("Alder Court", [(330, 2860), (310, 2690), (250, 2560)], 0.74),
)  # fmt: skip


@dataclass
class Road:
    """A road's middle line and the height of its surface along it."""

    name: str
    line: LineString
    built_share: float
    height_m: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    @property
    def xy(self) -> NDArray[np.float64]:
        """The points of its line."""
        return shapely.get_coordinates(self.line)


@dataclass
class Culvert:
    """A pipe under a road, from its upstream to its downstream end."""

    xy: NDArray[np.float64]
    diameter_m: float
    road: str


def sample(z: NDArray[np.float64], xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights at points, between cell centres."""
    at = np.asarray(xy)[:, ::-1].T / FINE_M - 0.5
    return ndimage.map_coordinates(z, at, order=1, mode="nearest")


def cell_of(x: float, y: float) -> tuple[int, int]:
    """Row and column of the fine cell at a place."""
    row, col = int(y // FINE_M), int(x // FINE_M)
    return min(max(row, 0), SIDE - 1), min(max(col, 0), SIDE - 1)


def lay_roads() -> list[Road]:
    """Each road as a smooth line through its points, a vertex every 5 m."""
    roads = []
    for name, points, share in ROADS:
        xy = np.array(points, float)
        run = np.r_[0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T) ** 0.5)]
        curve = CubicSpline(run, xy, bc_type="natural")(np.linspace(0, run[-1], 900))
        line = LineString(curve)
        n = max(2, round(line.length / 5))
        even = [line.interpolate(k / n, normalized=True) for k in range(n + 1)]
        roads.append(Road(name, LineString(even), share))
    return roads


def grade_roads(ground: Ground, roads: list[Road], reaches: list[Reach], bank: Point) -> None:
    """Cut and fill the ground to the roads' smoothed profiles; bridges leave the river open.

    At ``bank`` the road stands on a high embankment across a draw.
    """
    network = shapely.STRtree([LineString(r.xy) for r in reaches])
    for road in roads:
        natural = sample(ground.z, road.xy)
        wide = ndimage.grey_closing(natural, 5)  # ditch beds do not pull the profile down
        profile = ndimage.gaussian_filter1d(wide, 6.0, mode="nearest") + 0.25
        run = np.arange(len(profile)) * road.line.length / (len(profile) - 1)
        for i in network.query(road.line, predicate="intersects"):
            for point in shapely.get_parts(road.line.intersection(LineString(reaches[i].xy))):
                if point.geom_type != "Point":
                    continue
                at = road.line.project(point)
                bed = np.interp(
                    LineString(reaches[i].xy).project(point),
                    np.r_[0, np.cumsum(np.hypot(*np.diff(reaches[i].xy, axis=0).T))],
                    reaches[i].bed_m,
                )
                high = 5.2 if point.distance(bank) < 40 else 1.9
                length = 45 if point.distance(bank) < 40 else 20
                hump = (bed + high) - 0.5 * ((run - at) / length) ** 2
                profile = np.maximum(profile, hump)
        road.height_m = ndimage.gaussian_filter1d(profile, 1.5, mode="nearest")

    n = ground.z.shape[0]
    painted = np.full((n, n), np.nan)
    for road in roads[::-1]:
        line = paint(road.xy, road.height_m, FINE_M, n)
        painted = np.where(np.isfinite(line), line, painted)
    away, height = nearest(painted, FINE_M)
    height = ndimage.gaussian_filter(height, 1.5)
    beyond = np.maximum(away - 4.0, 0)
    ditch = np.where((away > 4.0) & (away < 7.5), 0.35, 0.0)
    z = np.clip(ground.z, height - 0.5 * beyond, height + 0.5 * beyond)
    z = np.where((away > 4.0) & (away < 7.5) & (z > height - ditch), height - ditch, z)
    z = np.where(away <= 4.0, height, z)
    keep_out = (ground.to_river_m < 22) | (ground.to_water_m < 3) | (away > 30)
    ground.z = np.where(keep_out, ground.z, z)


def lay_culverts(
    before: NDArray[np.float64], ground: Ground, roads: list[Road], reaches: list[Reach]
) -> list[Culvert]:
    """A pipe wherever a channel meets a road: from toe to toe of the fill, along the channel."""
    culverts = []
    for reach in reaches:
        line = LineString(reach.xy)
        steps = np.arange(0, line.length, 1.0)
        if len(steps) < 20:
            continue
        along = shapely.get_coordinates(line.interpolate(steps))
        raised = sample(ground.z, along) - sample(before, along) > 0.12
        for road in roads:
            for point in shapely.get_parts(line.intersection(road.line)):
                if point.is_empty or point.geom_type != "Point":
                    continue
                r, c = cell_of(point.x, point.y)
                if ground.to_river_m[r, c] < 24:
                    continue  # a bridge
                at = min(int(line.project(point)), len(steps) - 1)
                up, down = at, at
                while up > 0 and (raised[up] or at - up < 5):
                    up -= 1
                while down < len(steps) - 1 and (raised[down] or down - at < 5):
                    down += 1
                up, down = max(up - 2, 0), min(down + 2, len(steps) - 1)
                if down - up > 90 or not np.isfinite(ground.z[r, c]):
                    continue
                size = 0.45 if reach.area_m2 < 9e4 else 0.9 if reach.area_m2 < 4e5 else 1.5
                culverts.append(Culvert(along[[up, at, down]], size, road.name))
    return culverts


def open_culverts(z: NDArray[np.float64], culverts: list[Culvert]) -> NDArray[np.float64]:
    """The ground with each culvert cut as an open slot from end to end."""
    out = z.copy()
    for culvert in culverts:
        line = LineString(culvert.xy)
        at = np.arange(0, line.length + 0.5, 0.5)
        xy = shapely.get_coordinates(line.interpolate(at))
        row, col = (xy[:, 1] // FINE_M).astype(int), (xy[:, 0] // FINE_M).astype(int)
        ok = (row >= 0) & (col >= 0) & (row < out.shape[0]) & (col < out.shape[1])
        row, col = row[ok], col[ok]
        slot = np.linspace(z[row[0], col[0]], z[row[-1], col[-1]], len(row))
        np.minimum.at(out, (row, col), slot)
    return out


@dataclass
class Lot:
    """A house lot on a road, with its house if it is built on."""

    polygon: Polygon
    road: str
    number: int
    along_m: float
    house: Polygon | None = None
    facing: NDArray[np.float64] | None = None


def divide_lots(
    rng: np.random.Generator, ground: Ground, roads: list[Road], waters: list[Water], river: River
) -> list[Lot]:
    """House lots along both sides of each road, and a house on most of them."""
    county = box(COUNTY_LOW - 140, COUNTY_LOW - 140, COUNTY_HIGH + 140, COUNTY_HIGH + 140)
    taken = [LineString(r.xy).buffer(9) for r in roads]
    taken += [w.polygon.buffer(4) for w in waters]
    taken.append(LineString(river.xy).buffer(12))
    gy, gx = np.gradient(ndimage.gaussian_filter(ground.z, 2), FINE_M)
    steep = np.hypot(gx, gy)
    lots: list[Lot] = []
    for road in roads:
        length = road.line.length
        dense = ndimage.gaussian_filter1d(rng.standard_normal(400), 12, mode="wrap")
        dense = dense / dense.std()
        for side in (1, -1):
            at = rng.uniform(5, 30)
            while at < length - 30:
                tight = road.built_share > 0.7
                width = float(np.clip(rng.lognormal(np.log(43 if tight else 52), 0.3), 28, 120))
                depth = float(np.clip(rng.lognormal(np.log(100 if tight else 125), 0.3), 60, 230))
                lot = _lot(road, at, width, depth, side)
                at += width
                middle = lot.representative_point()
                if not county.contains(middle):
                    continue
                for other in taken:
                    if lot.intersects(other):
                        lot = lot.difference(other)
                lot = shapely.set_precision(lot.buffer(-0.4).buffer(0.4, join_style="mitre"), 0.05)
                if lot.geom_type == "MultiPolygon":
                    lot = max(lot.geoms, key=lambda p: p.area)
                if lot.area < 0.72 * width * (depth - 9) or lot.area < 1_000:
                    continue
                wanted = road.built_share + 0.16 * dense[int(at / length * 399)]
                if rng.uniform() > wanted - 0.08:
                    continue  # still farm land
                number = 100 + 2 * round(at / 12) + (1 if side > 0 else 0)
                new = Lot(lot, road.name, number, at)
                if rng.uniform() < 0.96:
                    _build(rng, new, road, at - width / 2, side, depth, ground, steep)
                taken.append(lot)
                lots.append(new)
    return lots


def _lot(road: Road, at: float, width: float, depth: float, side: int) -> Polygon:
    """The strip of land behind a stretch of road."""
    stops = np.linspace(at, min(at + width, road.line.length), 6)
    xy = shapely.get_coordinates(road.line.interpolate(stops))
    ahead = shapely.get_coordinates(road.line.interpolate(np.minimum(stops + 1, road.line.length)))
    back = shapely.get_coordinates(road.line.interpolate(stops - 1))
    heading = (ahead - back).sum(axis=0)
    heading /= np.hypot(*heading)
    across = side * np.array([-heading[1], heading[0]])
    return Polygon(np.vstack([xy, (xy + depth * across)[[-1, 0]]])).buffer(0)


def _build(
    rng: np.random.Generator,
    lot: Lot,
    road: Road,
    at: float,
    side: int,
    depth: float,
    ground: Ground,
    steep: NDArray[np.float64],
) -> None:
    """Set a house on a lot where the ground allows it."""
    a, b = (np.array(road.line.interpolate(at + d).coords[0]) for d in (-3, 3))
    heading = (b - a) / np.hypot(*(b - a))
    across = side * np.array([-heading[1], heading[0]])
    long, short = rng.uniform(11, 19), rng.uniform(7.5, 10.5)
    for back in (rng.uniform(18, 38), 50.0, 26.0, 70.0):
        middle = (a + b) / 2 + across * (9 + back) + heading * rng.uniform(-5, 5)
        r, c = cell_of(*middle)
        if (
            steep[r, c] > 0.17
            or ground.to_channel_m[r, c] < 16
            or ground.to_river_m[r, c] < 34
            or ground.to_water_m[r, c] < 14
        ):
            continue
        twist = rng.normal(0, 0.04)
        u = np.cos(twist) * heading + np.sin(twist) * across
        v = np.array([-u[1], u[0]])
        corners = [middle + i * u * long / 2 + j * v * short / 2
                   for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]  # fmt: skip
        if rng.uniform() < 0.35:  # an ell
            wing = rng.uniform(3, 5)
            corners[2:3] = [middle + u * long / 2 + v * (short / 2 + wing),
                            middle + u * (long / 2 - 6) + v * (short / 2 + wing),
                            middle + u * (long / 2 - 6) + v * short / 2]  # fmt: skip
        house = Polygon(corners)
        if house.is_valid and lot.polygon.buffer(-2).contains(house) and back < depth - 20:
            lot.house, lot.facing = house, across
            return
