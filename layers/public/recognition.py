"""Which published schema a layer is of, known by its fields."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from layers.fields.raw import RawLayer
from layers.public.flood_hazard import read_flood_hazard
from layers.public.hydrography import read_hydrography
from layers.public.published import Published
from layers.public.soil_survey import read_soil_survey

_READERS: Final[Mapping[str, Callable[[RawLayer, str], Published | None]]] = {
    "floodplain": read_flood_hazard,
    "streams": read_hydrography,
    "water_bodies": read_hydrography,
    "soils": read_soil_survey,
}


def read_published(raw: RawLayer, layer: str) -> Published | None:
    """What a published schema says of a layer in our columns; None where none is recognized."""
    reader = _READERS.get(layer)
    return None if reader is None else reader(raw, layer)
