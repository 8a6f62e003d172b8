"""How often drawn ways of water come past a place: asked of what an assessment kept of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from geo.trace.graph import Spot, Upstream, WaterGraph, normal_chance
from geo.waters.drawn_passes import directions

Floats = NDArray[np.float64]


class DrawnWays:
    """Drawn ways and one place: by discharge point, the chance that its water comes past.

    The errors of the terrain and of the discharge point are in the draws; that of the place, and
    of the mapped line, comes on top of each draw as a normal error.
    """

    def __init__(self, graph: WaterGraph, spot: Spot, found: Upstream) -> None:
        self._graph, self._spot = graph, spot
        table = graph.assessment.water.drawn_entries
        self._made = (
            table.groupby("discharge_point_id")["draws"].sum()
            if len(table)
            else pd.Series(dtype=int)
        )
        drawn = graph.drawn
        ground = graph.layer[spot.legs] == "ground"
        rest = replace(spot, legs=spot.legs[~ground], measure=spot.measure[~ground])
        up = found.node_m if not ground.any() else graph.up(rest).node_m
        margin = _margins(graph, rest, up)
        hit = np.flatnonzero(np.isfinite(margin))
        self._hit = drawn.table.iloc[hit] if len(hit) else table.iloc[:0]
        self._margin_m = margin[hit]
        if ground.any() and len(
            table
        ):  # how far off the way from a drain's end drawn ones run is not kept
            on = replace(spot, legs=spot.legs[ground], measure=spot.measure[ground])
            past, _ = graph.lengths_from(drawn, on, graph.up_in_water(on))
            ids = drawn.table["discharge_point_id"][np.isfinite(past)].unique()
            self._made = self._made.drop(np.setdiff1d(ids, self._hit["discharge_point_id"]))

    def made(self, outlet: pd.Series) -> pd.Series:
        """How many draws there are of each of some discharge points; null for none."""
        return outlet.map(self._made).astype("Int64")

    def down_the_water(self, outlet: pd.Series, sd_m: float) -> Floats:
        """Chance that the mapped water that each comes into leads past; NaN where not drawn.

        ``sd_m``: how well the place is known along the water.
        """
        made = outlet.map(self._made).to_numpy(float)
        if not len(self._hit):
            return np.where(made > 0, 0.0, np.nan)
        weight = self._hit["draws"].to_numpy(float) * normal_chance(
            self._margin_m, np.full(len(self._hit), sd_m)
        )
        passing = pd.Series(weight).groupby(self._hit["discharge_point_id"].to_numpy(object)).sum()
        passed = outlet.map(passing).to_numpy(float)
        return np.where(made > 0, np.nan_to_num(passed) / made, np.nan)

    def over_ground(self, outlet: pd.Series, path: Floats, sd_m: float) -> Floats:
        """Chance that the water comes past over the ground; NaN where not drawn or no such way.

        Parameters
        ----------
        path
            Row of ``flow_paths`` that passes the place, NaN for none.
        sd_m
            How well the place is known, an axis.

        Notes
        -----
        Read at the nearest station of the way, where the draws' distances to its two sides are
        kept: a drawn way is taken to run beside the way as the terrain shows it.
        """
        chance = np.full(len(outlet), np.nan)
        spot, graph = self._spot, self._graph
        rows = np.flatnonzero(~np.isnan(path))
        made = outlet.map(self._made).to_numpy(float)
        passes = graph.assessment.water.drawn_passes
        if not rows.size or not len(passes):
            return chance
        passes = passes[passes["discharge_point_id"].isin(outlet.iloc[rows])]
        stations = dict(list(passes.groupby("discharge_point_id")))
        at = pd.Series(np.arange(len(spot.paths)), spot.paths)
        aside_m = self._aside()
        for k in rows:
            mine = stations.get(outlet.iloc[k])
            if mine is None:
                continue
            hit = int(at[int(path[k])])
            length = float(graph.paths["length_m"].iloc[int(path[k])])
            plane = shapely.length(graph.path_shapes[int(path[k])])
            along = spot.path_measure[hit] * (length / plane if plane > 0 else 1.0)
            near = int(np.argmin(np.abs(mine["along_m"].to_numpy(float) - along)))
            off, count = offsets_of(mine["offsets_m"].iloc[near])
            within = within_chance(off - aside_m[hit], spot.slack_m, np.full(len(off), sd_m))
            chance[k] = (count * within).sum() / made[k]
        return chance

    def _aside(self) -> Floats:
        """How far the place lies off each way that passes it, negative to the water's right."""
        spot, graph = self._spot, self._graph
        lines = graph.path_shapes[spot.paths]
        foot = shapely.get_coordinates(shapely.line_interpolate_point(lines, spot.path_measure))
        ahead, aside = directions(lines, spot.path_measure), np.array(spot.xy) - foot
        left = ahead[:, 0] * aside[:, 1] - ahead[:, 1] * aside[:, 0]
        return np.where(left >= 0, spot.path_off_m, -spot.path_off_m)


def _margins(graph: WaterGraph, spot: Spot, up: Floats) -> Floats:
    """How far the water of each drawn entry has gone past a spot; infinite where it does not pass.

    ``up``: length from every node down to the spot.
    """
    drawn = graph.drawn
    reach, _ = graph.lengths_from(drawn, spot, up)
    margin = reach + drawn.before_m
    on = np.flatnonzero(drawn.is_drawn_on)
    if len(on):  # out of the drain by the way drawn, not by the one the terrain shows
        piped, then = graph.drawn_on
        in_pipe, _ = graph.lengths_from(piped, spot, graph.up_in_water(spot))
        after, _ = graph.lengths_from(then, spot, up)
        reached = np.isfinite(in_pipe)
        margin[on] = np.where(reached, in_pipe + piped.before_m, after + then.before_m)
    return np.asarray(margin, float)


def offsets_of(text: str) -> tuple[Floats, Floats]:
    """Distances and in how many draws, from ``offsets_m`` of ``drawn_passes``."""
    pairs = np.array([pair.split(":") for pair in text.split()], float).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def within_chance(off_m: Floats, within_m: float, sd_m: Floats) -> Floats:
    """Chance that a place off a line by a distance known to a normal error is within another."""
    return np.asarray(
        normal_chance(within_m - off_m, sd_m) + normal_chance(within_m + off_m, sd_m) - 1
    )
