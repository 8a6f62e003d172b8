"""How sensitive the land is: what a discharge or an overflowing unit at a place could harm.

Every cell is measured and rated by the functions that measure and rate a unit, as one whose lid and
discharge point are both at the center of the cell, so that a unit's own parts and its cell's agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from numpy.typing import NDArray

from geo.measurements import Measured, at_lids, in_storms, in_swales, nearby
from geo.order.priorities import rate_part
from geo.waters.outlet_measures import measure_outlets
from layers.grid import Frame, Grid
from layers.outputs import UNITS
from layers.problems import ProblemLog
from layers.settings.priority_settings import Priorities, PriorityPart

NAME: Final = "sensitivity"
STEP_M: Final = 25.0  # common practice, no source
# Cells are measured this many at a time, so that what is held does not grow with the county.
BLOCK_CELLS: Final = 10_000
# More cells than these are not measured: the side is doubled until there are fewer. Without a
# terrain they cover all units, of which one may be far off.
MOST_CELLS: Final = 4_000_000
MOST_WITHOUT_TERRAIN: Final = 250_000
# Inputs measured on the land or water, wherever a unit is.
_OF_LAND: Final = ("geo.ponds.", "geo.receptors.", "geo.waters.", "geo.measurements.")
_OF_RUNS: Final = "geo.ponds.lid_chances."
# The layers that columns of the land are measured from, by how their names begin.
_WATER: Final = frozenset({"terrain", "streams", "water_bodies", "drains"})
MEASURED_FROM: Final[Mapping[str, frozenset[str]]] = {
    "well_": frozenset({"wells"}),
    "lid_well_": frozenset({"wells"}),
    "stream_": frozenset({"streams"}),
    "place_": frozenset({"protected_places"}),
    "path_": _WATER,
    "downstream_": _WATER | {"protected_places"},
    "parcels_crossed": _WATER | {"parcels"},
    "flood_": frozenset({"floodplain"}),
    "hand_": frozenset({"terrain", "streams"}),
    "lid_": frozenset({"terrain", "floodplain"}),
    "outlet_": frozenset({"terrain", "floodplain"}),
    "ground_m": frozenset({"terrain"}),
    "wells_downhill": _WATER | {"wells"},
    "storm_runoff_minutes": _WATER,
    "pipe_": frozenset(),
}


@dataclass(frozen=True)
class Sensitivity:
    """How sensitive each cell of the county is, 0 to 100, and why.

    Attributes
    ----------
    frame
        Where the cells lie.
    labels
        Of each part, in words.
    weights
        What each part adds at most; they sum to 100.
    parts
        By name, shape (rows, cols): what the part adds at each cell; the parts sum to ``total``.
        What is not known counts as the priorities say.
    is_unknown
        By name, shape (rows, cols): where a fact that decides the part is not known.
    not_given
        By name, the layers a part is measured from that the county does not have. What they would
        show may make the part worse anywhere.
    """

    frame: Frame
    labels: Mapping[str, str]
    weights: Mapping[str, float]
    parts: Mapping[str, NDArray[np.float32]]
    is_unknown: Mapping[str, NDArray[np.bool_]]
    not_given: Mapping[str, tuple[str, ...]]

    @property
    def total(self) -> Grid:
        """The parts' sum."""
        return self._grid(self.parts)

    @property
    def at_most(self) -> Grid:
        """The sum if all that is not known were as bad as can be; no layer left out lowers it."""
        worst = {
            name: np.where(
                self.is_unknown[name] | bool(self.not_given[name]),
                np.float32(self.weights[name]),
                part,
            )
            for name, part in self.parts.items()
        }
        return self._grid(worst)

    @property
    def unknown_share(self) -> Grid:
        """Of the weight of all parts, 0 to 1, how much is not known."""
        share = {
            name: np.float32(self.weights[name] / 100) * unknown
            for name, unknown in self.is_unknown.items()
        }
        return self._grid(share)

    @property
    def notes(self) -> list[str]:
        """What a reader should know of it, in sentences."""
        if self.rasters:
            return []
        return ["Sensitivity of the land is not calculated. No layer that decides it was given."]

    @property
    def rasters(self) -> dict[str, Grid]:
        """The total, what is not known and each part, by the name of a file without its ending.

        Empty where nothing is known of any cell.
        """
        if all(unknown.all() for unknown in self.is_unknown.values()):
            return {}
        parts = {f"{NAME}_{name}": self._grid({name: part}) for name, part in self.parts.items()}
        whole = {NAME: self.total, f"{NAME}_at_most": self.at_most}
        return {**whole, f"{NAME}_unknown": self.unknown_share, **parts}

    @property
    def section(self) -> dict[str, object]:
        """What a reader of the rasters needs to know, ready for JSON."""
        return {
            "cell_m": self.frame.cell_m[0],
            "parts": {
                name: {
                    "label": self.labels[name],
                    "weight": round(self.weights[name], 4),
                    "not_given": list(self.not_given[name]),
                }
                for name in self.parts
            },
        }

    def _grid(self, values: Mapping[str, NDArray]) -> Grid:
        total = np.zeros(self.frame.shape)
        for each in values.values():
            total += each
        return Grid(total.astype(np.float32), self.frame.transform, self.frame.crs)


def land_parts(priorities: Priorities) -> dict[str, PriorityPart]:
    """The parts that the land alone decides: all of harm, and of likelihood the water at a lid.

    Without what only computer runs give: a unit is run, a cell is not.
    """
    found = {}
    for name, part in priorities.parts.items():
        makers = [UNITS.field(item.column).made_by for item in part.inputs]
        if all(maker.startswith(_OF_LAND) for maker in makers):
            inputs = zip(part.inputs, makers, strict=True)
            kept = [item for item, maker in inputs if not maker.startswith(_OF_RUNS)]
            found[name] = part.model_copy(update={"of": kept}) if part.of else part
    return found


def sensitivity(
    measured: Measured, priorities: Priorities | None = None, *, step_m: float = STEP_M
) -> Sensitivity:
    """The sensitivity of every cell of the county.

    Parameters
    ----------
    measured
        As `geo.measure` gives it.
    priorities
        Whose curves and weights rate the land; the county's own where None.
    step_m
        Side of a cell, doubled where there would be more than ``MOST_CELLS``.

    Raises
    ------
    ValueError
        If the step is not positive, or no part of the priorities speaks of the land.
    """
    if not step_m > 0:
        raise ValueError(f"a cell's side must be positive, not {step_m}")
    parts = land_parts(priorities or measured.county.priorities)
    if not parts:
        raise ValueError("no part of the priorities depends on the land alone")
    frame = _frame(measured, step_m)
    weight = sum(part.weight for part in parts.values())
    weights = {name: 100 * part.weight / weight for name, part in parts.items()}
    rows, cols = frame.shape
    values = {name: np.empty(rows * cols, np.float32) for name in parts}
    unknown = {name: np.empty(rows * cols, bool) for name in parts}
    for block, x, y in _blocks(frame):
        table = land_columns(measured, x, y)
        for name, part in parts.items():
            rating, deciding = rate_part(table, part)
            values[name][block] = weights[name] * rating
            unknown[name][block] = pd.isna(deciding)
    return Sensitivity(
        frame,
        {name: part.label for name, part in parts.items()},
        weights,
        {name: each.reshape(frame.shape) for name, each in values.items()},
        {name: each.reshape(frame.shape) for name, each in unknown.items()},
        {name: _not_given(part, measured) for name, part in parts.items()},
    )


def _not_given(part: PriorityPart, measured: Measured) -> tuple[str, ...]:
    """The layers that a part is measured from and the county does not have."""
    from_layers: set[str] = set()
    for item in part.inputs:
        begins = [begin for begin in MEASURED_FROM if item.column.startswith(begin)]
        from_layers |= MEASURED_FROM[max(begins, key=len)]
    given = {name for name, layer in measured.features.items() if layer is not None}
    given |= {"terrain"} if measured.terrain is not None else set()
    return tuple(sorted(from_layers - given))


def land_columns(
    measured: Measured, x: NDArray[np.float64], y: NDArray[np.float64]
) -> pd.DataFrame:
    """What is measured of a unit whose lid and discharge point are at a place, for each place.

    Columns as `geo.measurements.Measured.columns` names them; places are exact, and nothing is
    computed of the error of the terrain.
    """
    county, log = measured.county, ProblemLog()
    points = shapely.points(x, y)
    ids = np.array([str(number) for number in range(len(points))], object)
    known = {"accuracy95_m": 0.0, "source_row": 0, "unit_id": ids}
    units = _rows(
        county.layers["units"],
        {**known, "kind": "surface_discharge", "status": "active", "pumped": False},
        points,
    )
    outlets = gpd.GeoDataFrame(
        {
            "discharge_point_id": ids,
            "unit_id": ids,
            "outlet_kind": "ground",
            "accuracy95_m": 0.0,
            "invert_height_m": np.nan,
            "source_row": 0,
        },
        geometry=points,
        crs=county.crs,
    )
    links = pd.DataFrame(
        {"unit_id": ids, "discharge_point_id": ids, "link_confirmed": True, "outlet_state": "known"}
    ).reindex(columns=county.links.columns)
    here = replace(
        county,
        layers={**county.layers, "units": units, "discharge_points": outlets},
        links=links,
    )
    features = {**measured.features, "units": units, "discharge_points": outlets}
    terrain, storms = measured.terrain, measured.storms
    found = measure_outlets(here, units, terrain, features, measured.line95_m, log)
    lids = at_lids(here, units, terrain, features, log)
    wet = in_storms(
        units, found.points, lids.join(found.columns), storms, log,
        are_zones_given=features.get("floodplain") is not None,
    )  # fmt: skip
    swales = in_swales(here, units, found.points, terrain, storms)
    near = nearby(here, units, found, features)
    links = links.drop(columns="unit_id").set_axis(units.index)
    return pd.concat([units, links, found.columns, lids, wet, swales, near], axis=1)


def _rows(
    like: gpd.GeoDataFrame, known: Mapping[str, object], points: NDArray[np.object_]
) -> gpd.GeoDataFrame:
    """A row for each point with the columns and types of a layer, null but for what is known."""
    columns = {
        name: pd.Series(
            np.broadcast_to(np.asarray(known.get(name), object), len(points)),
            dtype=like[name].dtype,
        )
        for name in like.columns.drop("geometry")
    }
    return gpd.GeoDataFrame(columns, geometry=points, crs=like.crs)


def _frame(measured: Measured, step_m: float) -> Frame:
    """Whole steps of the working system over the terrain, or over all units where there is none."""
    terrain = measured.terrain
    if terrain is None:
        bounds, most = measured.county.layers["units"].total_bounds, MOST_WITHOUT_TERRAIN
    else:
        bounds, most = terrain.frame.bounds, MOST_CELLS
    wide, high = bounds[2] - bounds[0], bounds[3] - bounds[1]
    while (wide / step_m + 1) * (high / step_m + 1) > most:
        step_m *= 2
    west, south = np.floor(np.asarray(bounds[:2]) / step_m).astype(int)
    east, north = np.ceil(np.asarray(bounds[2:]) / step_m).astype(int)
    shape = (max(int(north - south), 1), max(int(east - west), 1))
    transform = Affine(step_m, 0, west * step_m, 0, -step_m, north * step_m)
    return Frame(shape, transform, measured.county.crs)


def _blocks(
    frame: Frame,
) -> Iterator[tuple[slice, NDArray[np.float64], NDArray[np.float64]]]:
    rows, cols = frame.shape
    for begin in range(0, rows * cols, BLOCK_CELLS):
        block = slice(begin, min(begin + BLOCK_CELLS, rows * cols))
        row, col = np.divmod(np.arange(block.start, block.stop), cols)
        yield block, *frame.centers(row, col)
