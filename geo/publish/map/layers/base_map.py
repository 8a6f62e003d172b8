"""A base map from the network: what a page says of it, and which host it may ask."""

from __future__ import annotations

from typing import Any

from layers.outputs.run import Run
from layers.settings.map_section import base_map_on_record


def base_map(run: Run) -> dict[str, Any] | None:
    """What ``page/base_map.js`` reads, from the settings of a run; None where there is no base map.

    Raises
    ------
    RillmarkError
        For settings that `MapSection` refuses: the folder was changed by hand.
    """
    section = base_map_on_record(run.settings)
    if section is None:
        return None
    return {
        "address": section.base_map,
        "host": section.host,
        "attribution": section.attribution,
        "closest": section.closest_zoom,
    }


def asks(run: Run) -> list[str]:
    """When the page makes requests and to whom, as a note of the page; none without a base map."""
    shown = base_map(run)
    if shown is None:
        return []
    return [
        (
            f"The online base map is off until you turn it on. It then makes requests to "
            f"{shown['host']}, which can see what places you view. "
            f"Base map: {shown['attribution']}"
        )
    ]
