"""The mapped water as a directed graph: how far down it the nearest of some goals lies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geo.waters.shortest import NOWHERE, shortest_ways
from layers.crs import ground_length_m, line_length_m

# Ends of lines no farther apart than this, or from another line, are one place; so are waters.
# Common practice, no source.
JOIN_WITHIN_M: Final = 2.0
# What the terrain and the place of a line leave open: a line is turned round only when it rises
# by more than this, and in a wide river water reaches nothing that lies higher by more than this.
# Common practice, no source.
RISE_M: Final = 0.5
_PAIRS_AT_ONCE: Final = 2_000_000

Heights = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Reach:
    """The way from each node down to the nearest goal, arrays of one length.

    Attributes
    ----------
    length_m
        Along the water; infinite where no goal is reached.
    goal
        The node of that goal, -1 where none is reached.
    onward
        The next node on the way; -1 at a goal and where none is reached.
    """

    length_m: Floats
    goal: Ints
    onward: Ints


@dataclass(frozen=True)
class Network:
    """Lines of water cut into edges that run down, and the waters they pass through.

    Attributes
    ----------
    lines
        Single lines, each in the direction in which its water runs.
    owner
        The position, among the lines given, of the one each was part of.
    is_turned
        Whether each runs against the order in which it was drawn.
    scale
        Length on the ellipsoid by length in the plane, of each line.
    cut_line, cut_m, cut_node
        Where the lines are cut, in order: line, measure from its start in the plane, node.
    xy
        A place of each node, shape (n, 2); the last nodes are the marks.
    marks
        Nodes of the marks, in the order given.
    edge, edge_m
        From node and to node, shape (n, 2), and how long the way is.
    waters, water_group
        Areas, and which belong together because they touch.
    inflow_group, inflow_node, inflow_xy
        Places where a line enters a group of waters.
    exit_group, exit_node, exit_xy
        Places to which what is in a group of waters can run: where a line leaves it, and marks.
    """

    crs: CRS
    lines: NDArray[np.object_]
    owner: Ints
    is_turned: NDArray[np.bool_]
    scale: Floats
    cut_line: Ints
    cut_m: Floats
    cut_node: Ints
    xy: Floats
    marks: Ints
    edge: Ints
    edge_m: Floats
    waters: NDArray[np.object_]
    water_group: Ints
    inflow_group: Ints
    inflow_node: Ints
    inflow_xy: Floats
    exit_group: Ints
    exit_node: Ints
    exit_xy: Floats
    heights_at: Heights | None

    @property
    def outfalls(self) -> Ints:
        """Nodes from which no line leads on."""
        lines = np.unique(self.cut_node)
        return np.setdiff1d(lines, self.edge[:, 0])

    def reach(self, goals: Ints) -> Reach:
        """The nearest of some nodes down the water from every node.

        Where the water parts, every way is taken to be open.
        """
        n = len(self.xy)
        if not len(goals) or not n:
            return Reach(np.full(n, np.inf), np.full(n, NOWHERE), np.full(n, NOWHERE))
        above, below = self.edge.T
        length_m, onward, goal = shortest_ways(below, above, self.edge_m, n, goals)
        return Reach(length_m, goal, onward)

    def from_lines(self, points: NDArray[np.object_], reach: Reach) -> tuple[Floats, Ints]:
        """Length down the lines to the nearest goal, and the goal, from points at a line.

        Infinite and -1 for points that lie at no line, and where no goal is reached.
        """
        length, goal = np.full(len(points), np.inf), np.full(len(points), NOWHERE)
        if not len(self.lines) or not len(points):
            return length, goal
        tree = shapely.STRtree(self.lines)
        at, line = tree.query_nearest(points, max_distance=JOIN_WITHIN_M)
        at, first = np.unique(at, return_index=True)
        line = line[first]
        measure = shapely.line_locate_point(self.lines[line], points[at])
        # lines laid end to end with a gap between, so that one search serves them all
        taken = shapely.length(self.lines) + 1.0
        start = np.cumsum(taken) - taken
        cuts = start[self.cut_line] + self.cut_m
        following = np.searchsorted(cuts, start[line] + measure - 1e-6)
        node = self.cut_node[following]
        rest = np.maximum(self.cut_m[following] - measure, 0.0) * self.scale[line]
        length[at], goal[at] = rest + reach.length_m[node], reach.goal[node]
        return length, goal

    def from_waters(self, points: NDArray[np.object_], reach: Reach) -> tuple[Floats, Ints]:
        """As `from_lines`, from points in or at a water body: straight across to where it leaves.

        That is never longer than the way the water takes.
        """
        length, goal = np.full(len(points), np.inf), np.full(len(points), NOWHERE)
        if not len(self.waters) or not len(points) or not len(self.exit_node):
            return length, goal
        tree = shapely.STRtree(self.waters)
        at, water = tree.query(points, predicate="dwithin", distance=JOIN_WITHIN_M)
        xy = shapely.get_coordinates(points[at])
        for pair, out, across in self._across(xy, self.water_group[water]):
            node = self.exit_node[out]
            whole = across + reach.length_m[node]
            order = np.lexsort([whole, at[pair]])
            who, first = np.unique(at[pair][order], return_index=True)
            best = order[first]
            nearer = whole[best] < length[who]
            length[who[nearer]] = whole[best][nearer]
            goal[who[nearer]] = reach.goal[node[best]][nearer]
        return length, goal

    def _across(self, xy: Floats, group: Ints) -> list[tuple[Ints, Ints, Floats]]:
        """Blocks of pairs (place, exit) of one group of waters, with the length between them."""
        blocks = []
        count = np.bincount(self.exit_group, minlength=int(self.water_group.max(initial=-1)) + 1)
        order = np.argsort(self.exit_group, kind="stable")
        begin = np.cumsum(count) - count
        pairs = np.cumsum(count[group])
        block = pairs // _PAIRS_AT_ONCE
        for number in np.unique(block):
            mine = np.flatnonzero(block == number)
            many = count[group[mine]]
            place = np.repeat(mine, many)
            step = np.arange(len(place)) - np.repeat(np.cumsum(many) - many, many)
            out = order[begin[group[place]] + step]
            to = self.exit_xy[out]
            keep = ~_is_higher(self.heights_at, xy[place], to)
            place, out, to = place[keep], out[keep], to[keep]
            x1, y1, x2, y2 = np.hstack([xy[place], to]).T
            across = ground_length_m(x1, y1, x2, y2, self.crs)
            blocks.append((place, out, across))
        return blocks


def build_network(
    lines: NDArray[np.object_],
    crs: CRS,
    *,
    waters: NDArray[np.object_] | None = None,
    marks: NDArray[np.object_] | None = None,
    marks_within_m: float = 0.0,
    heights_at: Heights | None = None,
    rise_m: float = RISE_M,
) -> Network:
    """Join lines where they touch, lead them through the waters they meet, and mark places.

    Parameters
    ----------
    lines
        Lines in ``crs``, drawn downstream. Where heights are known, one that rises by more than
        ``rise_m`` from first to last is turned round.
    waters
        Lakes, ponds and wide rivers. What enters one can leave it by every line that leads out,
        and reach every mark on it; not where the ground says that this lies higher. Waters that
        touch are one.
    marks
        Points. Each becomes a node that is reached from every line and water within
        ``marks_within_m`` of it.
    heights_at
        Heights of the water's surface at map coordinates; NaN where not known.
    """
    waters = np.empty(0, object) if waters is None else waters
    marks = np.empty(0, object) if marks is None else marks
    parts, owner = shapely.get_parts(lines, return_index=True)
    parts, is_turned = _downstream(parts, heights_at, rise_m)
    plane = shapely.length(parts)
    scale = line_length_m(parts, crs) / np.where(plane > 0, plane, 1.0)
    group = water_groups(waters)

    cuts = _Cuts(parts, plane)
    cuts.join_ends()
    inflow, inflow_group, outflow, outflow_group = cuts.shores(waters, group)
    mark_cut, mark = cuts.at_points(marks, marks_within_m)
    node_of, xy = cuts.nodes()
    mark_node = len(xy) + np.arange(len(marks))
    if len(marks):
        xy = np.concatenate([xy, shapely.get_coordinates(marks)])

    line, measure = np.concatenate(cuts.line), np.concatenate(cuts.measure)
    order = np.lexsort([measure, line])
    line, measure, node = line[order], measure[order], node_of[order]
    goes_on = np.flatnonzero(line[1:] == line[:-1])
    along = np.column_stack([node[goes_on], node[goes_on + 1]])
    along_m = (measure[goes_on + 1] - measure[goes_on]) * scale[line[goes_on]]

    shore_mark, shore = _near(marks, waters, marks_within_m)
    foot = shapely.get_point(shapely.shortest_line(waters[shore], marks[shore_mark]), 0)
    network = Network(
        crs=crs,
        lines=parts,
        owner=owner,
        is_turned=is_turned,
        scale=scale,
        cut_line=line,
        cut_m=measure,
        cut_node=node,
        xy=xy,
        marks=mark_node,
        edge=np.concatenate([along, np.column_stack([node_of[mark_cut], mark_node[mark]])]),
        edge_m=np.concatenate([along_m, np.zeros(len(mark_cut))]),
        waters=waters,
        water_group=group,
        inflow_group=inflow_group,
        inflow_node=node_of[inflow],
        inflow_xy=cuts.places(inflow),
        exit_group=np.concatenate([outflow_group, group[shore]]),
        exit_node=np.concatenate([node_of[outflow], mark_node[shore_mark]]),
        exit_xy=np.concatenate([cuts.places(outflow), shapely.get_coordinates(foot)]),
        heights_at=heights_at,
    )
    return _through_waters(network)


def _through_waters(network: Network) -> Network:
    """The network with edges from where lines enter a water to where its water can go."""
    edges, lengths = [network.edge], [network.edge_m]
    for place, out, across in network._across(network.inflow_xy, network.inflow_group):
        edges.append(np.column_stack([network.inflow_node[place], network.exit_node[out]]))
        lengths.append(across)
    edge, edge_m = np.concatenate(edges), np.concatenate(lengths)
    leads_on = edge[:, 0] != edge[:, 1]
    return Network(**{**vars(network), "edge": edge[leads_on], "edge_m": edge_m[leads_on]})


def _downstream(
    lines: NDArray[np.object_], heights_at: Heights | None, rise_m: float
) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Lines turned to run down, and which were turned."""
    first, last = (shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1))
    is_turned = _is_higher(heights_at, first, last, rise_m)
    return np.where(is_turned, shapely.reverse(lines), lines), is_turned


def _is_higher(
    heights_at: Heights | None, here: Floats, there: Floats, by_m: float = RISE_M
) -> NDArray[np.bool_]:
    """Whether the second of two places is known to lie higher."""
    if heights_at is None or not len(here):
        return np.zeros(len(here), bool)
    return heights_at(*there.T) - heights_at(*here.T) > by_m


def water_groups(waters: NDArray[np.object_]) -> Ints:
    """The number of the water that each area belongs to: those that touch are one."""
    one, other = _near(waters, waters, JOIN_WITHIN_M)
    return _components(one, other, len(waters))


def _components(one: Ints, other: Ints, count: int) -> Ints:
    if not count:
        return np.empty(0, np.int64)
    joined = coo_matrix((np.ones(len(one), bool), (one, other)), shape=(count, count))
    return connected_components(joined, directed=False)[1].astype(np.int64)


def _near(
    one: NDArray[np.object_], other: NDArray[np.object_], within_m: float
) -> tuple[Ints, Ints]:
    """Pairs of two sets of shapes within a distance."""
    if not len(one) or not len(other):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    first, second = shapely.STRtree(other).query(one, predicate="dwithin", distance=within_m)
    return first, second


class _Cuts:
    """Gathers where lines are cut, and which cuts are one place.

    Cuts are numbered as they come: the starts of all lines, their ends, then others.
    """

    def __init__(self, lines: NDArray[np.object_], length: Floats) -> None:
        self.lines, self.length = lines, length
        n = len(lines)
        self.line = [np.arange(n), np.arange(n)]
        self.measure = [np.zeros(n), length]
        self.count = 2 * n
        nothing = np.empty(0, np.int64)
        self.joined: list[tuple[Ints, Ints]] = [(nothing, nothing)]

    def _add(self, line: Ints, measure: Floats) -> Ints:
        self.line.append(line)
        self.measure.append(measure)
        self.count += len(line)
        return np.arange(self.count - len(line), self.count)

    def places(self, cut: Ints) -> Floats:
        """Coordinates of cuts, shape (n, 2)."""
        line, measure = np.concatenate(self.line)[cut], np.concatenate(self.measure)[cut]
        return shapely.get_coordinates(shapely.line_interpolate_point(self.lines[line], measure))

    def join_ends(self) -> None:
        """Ends that touch are one place; an end that touches another line cuts it there."""
        if not len(self.lines):
            return
        ends = self.places(np.arange(self.count))
        pairs = cKDTree(ends).query_pairs(JOIN_WITHIN_M, output_type="ndarray")
        self.joined.append((pairs[:, 0], pairs[:, 1]))
        points = shapely.points(ends)
        end, line = _near(points, self.lines, JOIN_WITHIN_M)
        other = line != end % len(self.lines)  # every end lies on its own line
        end, line = end[other], line[other]
        cut = self._add(line, shapely.line_locate_point(self.lines[line], points[end]))
        self.joined.append((end, cut))

    def at_points(self, points: NDArray[np.object_], within_m: float) -> tuple[Ints, Ints]:
        """Cuts at the nearest place of every line within reach of a point, and which point."""
        point, line = _near(points, self.lines, within_m)
        return self._add(line, shapely.line_locate_point(self.lines[line], points[point])), point

    def shores(self, waters: NDArray[np.object_], group: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        """Cuts where lines enter waters and where they leave them, each with the water's group."""
        line, water = _near(self.lines, waters, JOIN_WITHIN_M)
        parts, pair = shapely.get_parts(
            shapely.intersection(self.lines[line], waters[water]), return_index=True
        )
        kept = ~shapely.is_empty(parts)
        parts, pair = parts[kept], pair[kept]
        xy, part = shapely.get_coordinates(parts, return_index=True)
        firsts = np.searchsorted(part, np.arange(len(parts)))
        lasts = np.searchsorted(part, np.arange(len(parts)), side="right") - 1
        of = self.lines[line[pair]]
        measures = [shapely.line_locate_point(of, shapely.points(xy[k])) for k in (firsts, lasts)]
        # an end that stops just short of the shore touches it too
        at_end = [
            shapely.dwithin(shapely.get_point(self.lines[line], k), waters[water], JOIN_WITHIN_M)
            for k in (0, -1)
        ]
        start, stop = (np.flatnonzero(hit) for hit in at_end)
        pair = np.concatenate([pair, start, stop])
        whole = self.length[line[pair]]
        zero, end = np.zeros(len(start)), self.length[line[stop]]
        low = np.concatenate([np.minimum(*measures), zero, end])
        high = np.concatenate([np.maximum(*measures), zero, end])
        stays = high >= whole - JOIN_WITHIN_M  # a mouth is no way out, which spares many edges
        into = np.concatenate([pair, pair[stays]])
        into_m = np.concatenate([low, whole[stays]])
        out, out_m = pair[~stays], high[~stays]
        return (
            self._add(line[into], into_m),
            group[water[into]],
            self._add(line[out], out_m),
            group[water[out]],
        )

    def nodes(self) -> tuple[Ints, Floats]:
        """The node of every cut, and a place of each node."""
        one, other = (np.concatenate([pair[k] for pair in self.joined]) for k in (0, 1))
        node = _components(one, other, self.count)
        _, first = np.unique(node, return_index=True)
        return node, self.places(first)
