"""What a proposed unit would meet: made by `geo.proposal`, shown by `geo.publish`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import shapely

from geo.results import cautions
from layers.store import Assessment

CAUTION: Final = f"{cautions.SCREENING} {cautions.PROPOSAL}"


@dataclass(frozen=True)
class Proposal:
    """What a proposed unit would meet.

    Attributes
    ----------
    result
        The assessment of a county with this one unit.
    parcel
        The parcel that holds the lid; None where none does.
    allowed
        By part (tank, discharge_point): where on the parcel every adopted setback of today holds
        if all positions are as drawn.
    surely
        The same where it holds with the accuracy of the features and of the place as well.
    edges
        Lines around both: ``part``, ``held`` (as_drawn, surely) and ``rule_id`` of the rule that
        limits there, ``parcel line`` where none does.
    doubts
        What is odd about the places typed in, and what is not known of them, in words.
    notes
        How to read the figures, in words.
    """

    result: Assessment
    parcel: shapely.Geometry | None
    allowed: Mapping[str, shapely.Geometry]
    surely: Mapping[str, shapely.Geometry]
    edges: gpd.GeoDataFrame
    doubts: tuple[str, ...]
    notes: tuple[str, ...]
    caution: str = CAUTION

    def share(self, part: str, *, surely: bool = False) -> float | None:
        """Of the parcel, where a part is allowed; None without a parcel."""
        if self.parcel is None or not self.parcel.area:
            return None
        of = (self.surely if surely else self.allowed)[part]
        return round(float(of.area / self.parcel.area), 4)

    def areas(self) -> gpd.GeoDataFrame:
        """The allowed shapes and their edges in one table: ``part, held, rule_id``.

        ``rule_id`` is null for the areas themselves.
        """
        rows = [
            (part, held, None, shape)
            for held, of in (("as_drawn", self.allowed), ("surely", self.surely))
            for part, shape in of.items()
        ]
        rows += list(self.edges[["part", "held", "rule_id", "geometry"]].itertuples(index=False))
        return gpd.GeoDataFrame(
            {name: [row[k] for row in rows] for k, name in enumerate(("part", "held", "rule_id"))},
            geometry=[row[3] for row in rows],
            crs=self.edges.crs,
        )
