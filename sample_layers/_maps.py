"""The area layers of Larkmoor County: flood zones, soils, land cover, parcels, catchments."""

from __future__ import annotations

import numpy as np
import shapely
from _built import COUNTY_HIGH, COUNTY_LOW, Lot, Road
from _ground import FINE_M, MARGIN, SIDE, River, _order, fractal, nearest, paint
from _homes import Hydrology
from _water import Ground, Reach, Water
from numba import njit
from numpy.typing import NDArray
from rasterio.features import shapes
from rasterio.transform import Affine
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiPolygon, Polygon, box, shape
from shapely.geometry.base import BaseGeometry

COUNTY = box(COUNTY_LOW, COUNTY_LOW, COUNTY_HIGH, COUNTY_HIGH)
INSIDE = slice(MARGIN, SIDE - MARGIN)


def areas_of(
    classes: NDArray[np.int32], cell_m: float, tolerance_m: float
) -> list[tuple[int, Polygon]]:
    """Polygons of a county raster of classes that share their simplified edges."""
    grid = Affine(cell_m, 0, COUNTY_LOW, 0, cell_m, COUNTY_LOW)
    stairs = [(shape(g), int(v)) for g, v in shapes(classes.astype(np.int32), transform=grid)]
    edges = shapely.line_merge(shapely.unary_union([g.boundary for g, _ in stairs]))
    arcs = [a.simplify(tolerance_m) for a in shapely.get_parts(edges)]
    faces = shapely.get_parts(shapely.polygonize([shapely.unary_union(arcs)]))
    out = []
    for face in faces:
        if face.area < 2 * cell_m**2:
            continue
        x, y = face.representative_point().coords[0]
        r, c = int((y - COUNTY_LOW) // cell_m), int((x - COUNTY_LOW) // cell_m)
        out.append((int(classes[min(r, len(classes) - 1), min(c, len(classes) - 1)]), face))
    return out


def _smooth_mask(mask: NDArray[np.bool_], wide_m: float) -> BaseGeometry:
    """A mask of the county as one smooth polygon."""
    step = 2
    small = mask[::step, ::step].astype(np.uint8)
    grid = Affine(step * FINE_M, 0, COUNTY_LOW, 0, step * FINE_M, COUNTY_LOW)
    parts = [shape(g) for g, v in shapes(small, transform=grid) if v == 1]
    whole = shapely.unary_union([p for p in parts if p.area > 1_500])
    whole = whole.buffer(wide_m).buffer(-2 * wide_m).buffer(wide_m)
    filled = [Polygon(p.exterior, [h for h in p.interiors if Polygon(h).area > 1_500])
              for p in shapely.get_parts(whole)]  # fmt: skip
    return shapely.unary_union(filled).simplify(1.5).intersection(COUNTY)


def flood_zones(
    z: NDArray[np.float64], river: River, reaches: list[Reach], lake: Water
) -> list[dict]:
    """AE along the river in five stretches, A along big streams and the lake, X elsewhere."""
    n = z.shape[0]
    to_river, level = nearest(paint(river.xy, river.level_m, FINE_M, n), FINE_M)
    level = ndimage.gaussian_filter(level, 25)
    one = _smooth_mask(((z < level + 2.7) & (to_river < 420))[INSIDE, INSIDE], 6)
    rare = _smooth_mask(((z < level + 3.7) & (to_river < 460))[INSIDE, INSIDE], 6)
    rare = shapely.union(rare, one.buffer(3)).intersection(COUNTY)
    middle = LineString(river.axis)
    cuts = []
    for share in (0.22, 0.39, 0.56, 0.73):
        at = middle.length * share
        a, b = (np.array(middle.interpolate(at + d).coords[0]) for d in (-60, 60))
        across = np.array([-(b - a)[1], (b - a)[0]]) / np.hypot(*(b - a))
        cuts.append(LineString([(a + b) / 2 - 800 * across, (a + b) / 2 + 800 * across]))
    lines = shapely.unary_union([one.boundary, *[c.intersection(one.buffer(2)) for c in cuts]])
    pieces = [p for p in shapely.get_parts(shapely.polygonize([lines]))
              if one.buffer(0.01).contains(p.representative_point())]  # fmt: skip
    bounds = [0, *[middle.length * s for s in (0.22, 0.39, 0.56, 0.73)], middle.length]
    zones: list[dict] = []
    for k in range(5):
        mine = [p for p in pieces
                if bounds[k] <= middle.project(p.centroid) < bounds[k + 1]]  # fmt: skip
        if mine:
            upstream = np.array(middle.interpolate(max(bounds[k], COUNTY_LOW)).coords[0])
            at = int(np.argmin(np.hypot(*(river.xy - upstream).T)))
            zones.append({"zone": "AE", "subtype": "", "bfe_m": float(river.level_m[at]) + 2.6,
                          "geometry": shapely.unary_union(mine)})  # fmt: skip
    big = [LineString(r.xy).buffer(15) for r in reaches if r.area_m2 > 4.5e5]
    approximate = shapely.unary_union([*big, lake.polygon.buffer(9)]).intersection(COUNTY)
    approximate = approximate.difference(one)
    zones.append({"zone": "A", "subtype": "", "bfe_m": None, "geometry": approximate})
    shaded = rare.difference(shapely.union(one, approximate))
    zones.append({"zone": "X", "subtype": "0.2 PCT ANNUAL CHANCE FLOOD HAZARD", "bfe_m": None,
                  "geometry": shaded})  # fmt: skip
    rest = COUNTY.difference(shapely.unary_union([one, approximate, rare]))
    zones.append({"zone": "X", "subtype": "AREA OF MINIMAL FLOOD HAZARD", "bfe_m": None,
                  "geometry": rest})  # fmt: skip
    for zone in zones:
        parts = [p for p in shapely.get_parts(zone["geometry"]) if p.geom_type == "Polygon"]
        zone["geometry"] = MultiPolygon([p for p in parts if p.area > 4])
    return zones


SOILS = {
    1: ("TaB", "Tarn silt loam, frequently flooded", "B/D"),
    2: ("FeA", "Fennel silty clay loam, 0 to 3 percent slopes", "C/D"),
    3: ("LaB", "Larkmoor silt loam, 3 to 8 percent slopes", "B"),
    4: ("HaD", "Harrow clay loam, 12 to 25 percent slopes", "C"),
    5: ("OuB", "Outwold loamy sand, kettled", "A"),
    6: ("SeA", "Sedge muck, undrained", "D"),
    7: ("W", "Water", ""),
}


def soil_areas(
    rng: np.random.Generator, z: NDArray, ground: Ground, river: River
) -> list[tuple[int, Polygon]]:
    """Soil map units by slope, height above the river and a sandy corner."""
    step = 5
    here = slice(MARGIN + 2, SIDE - MARGIN, step)
    smooth = ndimage.gaussian_filter(z, 4)
    steep = np.hypot(*np.gradient(smooth, FINE_M))[here, here]
    _, level = nearest(paint(river.xy, river.level_m, FINE_M, z.shape[0]), FINE_M)
    height = (smooth - level)[here, here]
    patch = fractal(rng, 300, 10, 2.6, 600)
    soil = np.full(steep.shape, 3, np.int32)
    soil[steep + 0.008 * patch < 0.032] = 2
    soil[steep + 0.012 * patch > 0.115] = 4
    rows, cols = np.indices(soil.shape)
    sandy = (cols / 300 - rows / 300 + 0.12 * patch > 0.5) & (height > 6)
    soil[sandy] = 5
    soil[height < 4.2] = 1
    wet = (height < 4.2) & (patch > 1.15)
    soil[wet | (np.abs(ground.to_water_m[here, here] - 14) < 12 + 6 * patch) & (height > 8)] = 6
    share = np.stack([ndimage.gaussian_filter((soil == k).astype(float), 2.2) for k in SOILS])
    soil = (share.argmax(axis=0) + 1).astype(np.int32)
    soil[ground.to_water_m[here, here] < 0] = 7
    return areas_of(soil, 10.0, 9.0)


def land_cover(
    rng: np.random.Generator, z: NDArray, ground: Ground, lots: list[Lot], roads: list[Road]
) -> NDArray[np.uint8]:
    """Classes of the National Land Cover Database's legend, on a 10 m grid of the county."""
    step = 5
    here = slice(MARGIN + 2, SIDE - MARGIN, step)
    steep = np.hypot(*np.gradient(ndimage.gaussian_filter(z, 4), FINE_M))[here, here]
    channel, stream = ground.to_channel_m[here, here], ground.to_river_m[here, here]
    pond = ground.to_water_m[here, here]
    patch, other = (fractal(rng, 300, 10, 2.8, 500) for _ in range(2))
    y, x = (np.indices(steep.shape) + 0.5) * 10 + COUNTY_LOW
    plots = (np.indices((16, 16)).reshape(2, -1).T + rng.uniform(0, 1, (256, 2))) * 210 + 90
    crops = np.where(
        rng.uniform(size=256) < 0.5, 82, np.where(rng.uniform(size=256) < 0.85, 81, 71)
    )
    nearest_plot = cKDTree(plots).query(np.column_stack([x.ravel(), y.ravel()]), p=np.inf)[1]
    cover = crops[nearest_plot].reshape(steep.shape).astype(np.uint8)
    cover[(other < -1.5) | (steep > 0.13 + 0.03 * patch) | (channel < 18 + 9 * patch)] = 41
    cover[(cover == 41) & (patch < -1.1)] = 43
    cover[(stream < 30 + 22 * other) & (stream < 90)] = 90
    cover[(pond < 16) & (other > 0)] = 95
    points = shapely.points(x.ravel(), y.ravel())
    yards = shapely.STRtree([a.polygon for a in lots if a.house is not None])
    hit = np.zeros(cover.size, bool)
    hit[yards.query(points, predicate="within")[0]] = True
    hit = hit.reshape(cover.shape)
    near_house = shapely.STRtree([a.house.buffer(14) for a in lots if a.house is not None])
    house = np.zeros(cover.size, bool)
    house[near_house.query(points, predicate="within")[0]] = True
    paved = shapely.STRtree([r.line.buffer(8) for r in roads])
    road = np.zeros(cover.size, bool)
    road[paved.query(points, predicate="within")[0]] = True
    cover[hit & (other > -0.9)] = 21
    cover[house.reshape(cover.shape) | road.reshape(cover.shape)] = 22
    hamlet = np.hypot(x - 1_070, y - 640) < 120
    cover[hamlet & road.reshape(cover.shape)] = 23
    cover[(stream < 7) | (pond < 0)] = 11
    return cover


def farm_parcels(lots: list[Lot], roads: list[Road], waters: list[Water]) -> list[Polygon]:
    """What lies between the house lots, cut along section lines."""
    reach = COUNTY.buffer(60, join_style="mitre")
    gone = [a.polygon for a in lots] + [r.line.buffer(8) for r in roads]
    rest = reach.difference(shapely.unary_union([*gone, *[w.polygon for w in waters]]))
    rest = rest.buffer(-1.5).buffer(1.5)
    farms = []
    for i in range(6):
        for j in range(6):
            cell = box(120 + 520 * i, 120 + 520 * j, 640 + 520 * i, 640 + 520 * j)
            farms += [p for p in shapely.get_parts(rest.intersection(cell)) if p.area > 3_000]
    farms = [shapely.set_precision(p.simplify(0.5), 0.05) for p in farms]
    return [max(shapely.get_parts(p), key=lambda q: q.area) for p in farms]


@njit
def _spread(order, receiver, seed):
    """Each cell takes its own seed, else its receiver's label."""
    label = seed.copy()
    for k in range(order.size):
        i = order[k]
        if seed[i] == 0 and receiver[i] != i:
            label[i] = label[receiver[i]]
    return label


def catchments(
    hydrology: Hydrology, ground: Ground, reaches: list[Reach]
) -> list[tuple[int, Polygon]]:
    """Land that drains to each larger tributary's mouth (by reach number + 1), and the rest (0)."""
    receiver = hydrology.water.receiver.ravel()
    area = hydrology.water.area_m2
    seed = np.zeros(receiver.size, np.int32)
    for k, reach in enumerate(reaches):
        if reach.joins_river_at < 0 or reach.area_m2 < 2.2e5:
            continue
        x, y = LineString(reach.xy).interpolate(-16).coords[0]
        r, c = int(y // FINE_M), int(x // FINE_M)
        rows, cols = slice(r - 4, r + 5), slice(c - 4, c + 5)
        block = np.where(ground.to_river_m[rows, cols] > 7, area[rows, cols], 0)
        i, j = np.unravel_index(block.argmax(), block.shape)
        seed[(r - 4 + i) * SIDE + c - 4 + j] = k + 1
    label = _spread(_order(receiver), receiver, seed).reshape(hydrology.z.shape)
    label = ndimage.median_filter(label[INSIDE, INSIDE][2::5, 2::5], 5)
    found: dict[int, list[Polygon]] = {}
    for k, face in areas_of(label, 10.0, 9.0):
        found.setdefault(k, []).append(face)
    return [(k, shapely.unary_union(parts)) for k, parts in sorted(found.items())]
