"""A base map from the network: what a page says of it, and whom it may ask."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from layers.base_map import MapSection
from layers.errors import RillmarkError


def base_map(run: Mapping[str, Any]) -> dict[str, Any] | None:
    """What ``page/base_map.js`` reads, from the settings of a run; None where there is no base map.

    Raises
    ------
    RillmarkError
        For settings that `MapSection` refuses: the folder was changed by hand.
    """
    given = (run.get("settings") or {}).get("map")
    if not given:
        return None
    try:
        section = MapSection.model_validate(given)
    except ValidationError as error:
        raise RillmarkError(
            f"the base map cannot be used: {error.errors()[0]['msg']}",
            where="settings, map, in run.json of the assessment",
            mend="put [map] of county.toml right and run 'rillmark assess' again",
        ) from error
    return {
        "address": section.base_map,
        "host": section.host,
        "attribution": section.attribution,
        "closest": section.closest_zoom,
    }


def asks(run: Mapping[str, Any]) -> list[str]:
    """When the page makes requests and to whom, as a note of the page; none without a base map."""
    told = base_map(run)
    if told is None:
        return []
    return [
        (
            f"Online base map: off when this map is opened. Switched on, it makes requests to "
            f"{told['host']}, which can tell from them what places are looked at. "
            f"Base map: {told['attribution']}"
        )
    ]
