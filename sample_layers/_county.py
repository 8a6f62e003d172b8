"""The true county in memory, built step by step, before any office wrote it down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from _built import (
    Culvert,
    Lot,
    Road,
    divide_lots,
    grade_roads,
    lay_culverts,
    lay_roads,
    sample,
)
from _ground import FINE_M, MID_M, SIDE, River, evolve, make_river
from _homes import (
    Hydrology,
    Unit,
    dig_hollows,
    find_outlets,
    finish,
    level_pads,
    place_lids,
    share_outlets,
    study,
)
from _water import Ground, Reach, Water, blob, cut_channels, make_network, make_oxbow, shore
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry import LineString, Point

SEED = 11
EMBANKMENT = Point(915, 2925)  # where Kettle Road stands high across a draw


@dataclass
class Land:
    """Everything that is where it is, in local metres."""

    river: River
    waters: list[Water]
    reaches: list[Reach]
    ground: Ground
    z: NDArray[np.float64]
    hydrology: Hydrology
    roads: list[Road]
    culverts: list[Culvert]
    lots: list[Lot]
    units: list[Unit]
    sewers: list[LineString]
    tiles: list[LineString]


def build() -> Land:
    """Land, water, roads, houses, units and their outlets, in the order they came to be."""
    rng = np.random.default_rng(SEED)
    river = make_river(rng)
    middle = evolve(rng, river)
    lake = Water("Sedge Lake", blob(rng, (1_525, 2_510), (150, 92), 0.6), 204.2)
    middle = shore(middle, lake, MID_M)
    reaches = make_network(rng, middle, river, lake)
    waters = [lake, make_oxbow(river, (2_050, 1_890), (70, -135))]
    ground = cut_channels(rng, middle, river, reaches, waters)
    before = ground.z.copy()
    roads = lay_roads()
    grade_roads(ground, roads, reaches, EMBANKMENT)
    culverts = lay_culverts(before, ground, roads, reaches)
    lots = divide_lots(rng, ground, roads, waters, river)
    ground.z = level_pads(ground.z, lots)
    units = place_lids(rng, ground, lots, culverts, roads)
    dig_hollows(rng, ground, units, lots)
    z = finish(rng, ground)
    hydrology = study(z, ground, culverts)
    sewers, tiles = lay_sewers(roads, reaches, hydrology), lay_tiles(hydrology)
    find_outlets(rng, hydrology, ground, units, lots, roads, reaches, sewers, tiles)
    share_outlets(rng, units, z)
    return Land(
        river, waters, reaches, ground, z, hydrology, roads, culverts, lots, units, sewers, tiles
    )


def lay_sewers(roads: list[Road], reaches: list[Reach], hydrology: Hydrology) -> list[LineString]:
    """Storm sewers along two roads, from inlets on both sides down to an outfall at a channel."""
    sewers = []
    for name, start in (("Larkmoor Pike", (1_400, 560)), ("Lake Lane", (1_330, 2_370))):
        line = next(r.line for r in roads if r.name == name)
        at = line.project(Point(start))
        stops = np.arange(at - 240, at + 241, 20)
        heights = sample(hydrology.z, shapely.get_coordinates(line.interpolate(stops)))
        xy = shapely.get_coordinates(line.interpolate(stops))
        if heights[-1] > heights[0]:
            xy = xy[::-1]
        heading = np.gradient(xy, axis=0)
        across = np.column_stack([-heading[:, 1], heading[:, 0]])
        across *= 5.5 / np.hypot(*across.T)[:, None]
        main, last = xy + across, Point(xy[-1] + across[-1])
        channels = [LineString(r.xy) for r in reaches]
        outfall = min((c.interpolate(c.project(last)) for c in channels), key=last.distance)
        sewers.append(LineString([*main[::3], main[-1], outfall]))
        sewers += [LineString([xy[k] - across[k], main[k]]) for k in range(0, len(xy), 6)]
    return sewers


def lay_tiles(hydrology: Hydrology) -> list[LineString]:
    """Two field tiles down the swales of fields, with arms like a herring's bones."""
    tiles = []
    receiver = hydrology.water.receiver.ravel()
    for x, y in ((1_985, 2_760), (560, 760)):
        cell, path = int(y // FINE_M) * SIDE + int(x // FINE_M), []
        while len(path) < 170 and receiver[cell] != cell:
            path.append(((cell % SIDE + 0.5) * FINE_M, (cell // SIDE + 0.5) * FINE_M))
            cell = receiver[cell]
        main = LineString(ndimage.gaussian_filter1d(np.array(path), 9, axis=0, mode="nearest"))
        tiles.append(main.simplify(1.0))
        for share in (0.2, 0.4):
            foot = np.array(main.interpolate(share, normalized=True).coords[0])
            ahead = np.array(main.interpolate(share + 0.05, normalized=True).coords[0]) - foot
            ahead /= np.hypot(*ahead)
            for turn in (0.9, -0.9):
                c, s = np.cos(np.pi + turn), np.sin(np.pi + turn)
                arm = 62 * np.array([c * ahead[0] - s * ahead[1], s * ahead[0] + c * ahead[1]])
                tiles.append(LineString([foot + arm, foot]))
    return tiles
