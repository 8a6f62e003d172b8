"""Shortest ways over the edges of a graph."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

NOWHERE: Final = -1


def shortest_ways(
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    length_m: NDArray[np.float64],
    nodes: int,
    sources: NDArray[np.int64],
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """The way to every node from the nearest of some nodes, along edges from begin to end.

    Parameters
    ----------
    begin, end, length_m
        Edges: their nodes, and how long they are, above 0; of several between two the shortest
        counts.
    nodes
        How many there are.
    sources
        At least one.

    Returns
    -------
    To each node the length (infinite where no way leads), the node before it, and the source;
    `NOWHERE` where there is none.
    """
    order = np.lexsort([length_m, end, begin])  # a matrix would add up several edges
    a, b = begin[order], end[order]
    first = np.ones(len(a), bool)
    first[1:] = (a[1:] != a[:-1]) | (b[1:] != b[:-1])
    edges = (length_m[order][first], (a[first], b[first]))
    far, before, source = dijkstra(
        csr_matrix(edges, shape=(nodes, nodes)),
        indices=np.unique(sources),
        min_only=True,
        return_predecessors=True,
    )
    before, source = (np.where(x < 0, NOWHERE, x).astype(np.int64) for x in (before, source))
    return far, before, source
