"""`[map]` of the county file: a base map from the network, where the county wants one."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Final

from pydantic import Field, ValidationError, field_validator

from layers.errors import RillmarkError
from layers.settings.settings_file import Model, Sentence

# A host's name or number with its port; nothing of it may end a policy or hide another host.
_TILES: Final = re.compile(
    r"https://(?P<host>[a-z0-9](?:[a-z0-9.-]{0,251}[a-z0-9])?(?::[0-9]{1,5})?)"
    r"/[A-Za-z0-9._~%/?&=+@,:{}-]*",
    re.ASCII,
)
_PLACES: Final = ["{x}", "{y}", "{z}"]


class MapSection(Model):
    """`[map]`.

    ``base_map`` is the address of square pictures in web Mercator, 256 pixels a side, by zoom,
    column and row; ``attribution`` is what their maker wants said beside them. ``closest_zoom`` is
    the closest there are pictures for; nearer ones are made larger.
    """

    base_map: str
    attribution: Annotated[Sentence, Field(max_length=300)]
    closest_zoom: Annotated[int, Field(ge=1, le=22)] = 18

    @field_validator("base_map")
    @classmethod
    def _address_is_plain(cls, address: str) -> str:
        if not _TILES.fullmatch(address) or sorted(re.findall(r"\{[^}]*\}?", address)) != _PLACES:
            raise ValueError(
                "the address must start with https:// and a lower-case host, and have {z}, {x} and "
                "{y} once each, such as https://tiles.example/{z}/{x}/{y}.png"
            )
        return address

    @property
    def host(self) -> str:
        """Whom the page asks."""
        found = _TILES.fullmatch(self.base_map)
        return found["host"] if found else ""


def base_map_on_record(settings: Mapping[str, Any]) -> MapSection | None:
    """The base map among the settings of a run, checked anew; None where there is none.

    Raises
    ------
    RillmarkError
        For settings that `MapSection` refuses: the folder was changed by hand.
    """
    given = settings.get("map")
    if not given:
        return None
    try:
        return MapSection.model_validate(given)
    except ValidationError as error:
        raise RillmarkError(
            f"the base map cannot be used: {error.errors()[0]['msg']}",
            where="settings, map, in run.json of the assessment",
            hint="correct [map] in county.toml and run 'rillmark assess' again",
        ) from error
