"""The smaller tables of an assessment, by what they speak of; each is a table of the register."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

import pandas as pd

from layers.outputs import OUTPUTS


def table_field(name: str) -> Any:
    """A field of a data class that holds a table of the register, empty where none is given."""
    return field(default_factory=OUTPUTS[name].empty, metadata={"table": name})


@dataclass(frozen=True)
class Visits:
    """Visits.

    Those that are ``owed``, one row each, in the order in which they are due; what may ask for one,
    though nothing on record tells by which day (``unclear``); and how much of the county's total
    score the ``first`` of the order cover.
    """

    owed: pd.DataFrame = table_field("owed")
    unclear: pd.DataFrame = table_field("owed_unclear")
    first: pd.DataFrame = table_field("first_visits")


@dataclass(frozen=True)
class Water:
    """The way of the water.

    Mapped water in pieces that lead on to each other (``legs``) and where outlets come into it
    (``places``), as `geo.waters.waterways` says; the ground at ``wells`` near a way and at the way
    (`geo.waters.well_heights`); where ways over the ground end and run in draws of the terrain's
    error and of positions (``drawn_entries``, ``drawn_passes``; `geo.waters.way_draws`), empty
    where nothing was drawn; every culvert and every road over a mapped stream without one, and
    what was cut for it (``cuts``); what may come down from each small area (``loads``;
    `geo.waters.die_off`).
    """

    legs: pd.DataFrame = table_field("water_legs")
    places: pd.DataFrame = table_field("water_places")
    wells: pd.DataFrame = table_field("way_wells")
    drawn_entries: pd.DataFrame = table_field("drawn_entries")
    drawn_passes: pd.DataFrame = table_field("drawn_passes")
    cuts: pd.DataFrame = table_field("terrain_cuts")
    loads: pd.DataFrame = table_field("loads")


@dataclass(frozen=True)
class Search:
    """Outlets nobody knows.

    Where to look, most likely first (``candidates``, points), and the polygon searched for each
    unit (``areas``).
    """

    candidates: pd.DataFrame = table_field("outlet_candidates")
    areas: pd.DataFrame = table_field("outlet_search_areas")


@dataclass(frozen=True)
class Trust:
    """How far the order can be trusted.

    Troubles the first visits of past years would have come upon, by order (``replay``); what would
    settle most of which units belong in the first class, if it were known (``worth_knowing``);
    positions worth taking with a good receiver, most useful first (``worth_a_fix``).
    """

    replay: pd.DataFrame = table_field("replay")
    worth_knowing: pd.DataFrame = table_field("worth_knowing")
    worth_a_fix: pd.DataFrame = table_field("worth_a_fix")


@dataclass(frozen=True)
class Areas:
    """The county in parts.

    In ``small`` areas, catchments or squares; and in ``public_cells``, squares that may be shown to
    everybody, as a first public edition does. A later one is held to it:
    `geo.results.public_editions`. How sensitive the ``land`` of each parcel and catchment is; what
    fits on each of the ``lots``, where the county file asks.
    """

    small: pd.DataFrame = table_field("areas")
    public_cells: pd.DataFrame = table_field("public_cells")
    land: pd.DataFrame = table_field("land_areas")
    lots: pd.DataFrame = table_field("lots")


def tables_of(group: Any) -> dict[str, pd.DataFrame]:
    """The tables of a data class and of those inside it, by their names in the register."""
    found: dict[str, pd.DataFrame] = {}
    for each in fields(group):
        value = getattr(group, each.name)
        if is_dataclass(value):
            found |= tables_of(value)
        elif "table" in each.metadata:
            found[each.metadata["table"]] = value
    return found


def _is_group(kind: type[Any]) -> bool:
    return is_dataclass(kind) and all("table" in each.metadata for each in fields(kind))


def fields_from(kind: type[Any], tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """The fields of a data class that hold tables, and its groups of tables, from those given."""
    found: dict[str, Any] = {}
    for each in fields(kind):
        group: Any = each.default_factory
        if "table" in each.metadata:
            if each.metadata["table"] in tables:
                found[each.name] = tables[each.metadata["table"]]
        elif isinstance(group, type) and _is_group(group):
            found[each.name] = group(**fields_from(group, tables))
    return found
