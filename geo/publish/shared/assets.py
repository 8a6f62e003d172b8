"""The scripts and styles a page is made of, each a known string.

Leaflet comes from the installed package ``django-js-lib-leaflet`` and is checked byte for byte;
the rest are our own files, each in the room of its page.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import metadata, resources
from importlib.resources.abc import Traversable
from typing import Final

import rcssmin
import rjsmin
from jinja2 import Environment, StrictUndefined, Template, select_autoescape

from layers.errors import RillmarkError

# SHA-256 of the files of Leaflet 1.9.4; another release is read and tried before its hashes go here
_LEAFLET_SHA256: Final = {
    "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
    "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
    "images/layers.png": "1dbbe9d028e292f36fcba8f8b3a28d5e8932754fc2215b9ac69e4cdecf5107c6",
    "images/layers-2x.png": "066daca850d8ffbef007af00b06eac0015728dee279c51f3cb6c716df7c42edf",
    "images/marker-icon.png": "574c3a5cca85f4114085b6841596d62f00d7c892c7b03f28cbfa301deb1dc437",
}
_IMAGES: Final = ("images/layers.png", "images/layers-2x.png", "images/marker-icon.png")


def leaflet_file(name: str) -> bytes:
    """A file of Leaflet, as released.

    Raises
    ------
    RillmarkError
        If the installed file is missing or is not the one this program was tried with.
    """
    try:
        content = (
            resources.files("js_lib_leaflet")
            .joinpath("static", "js_lib_leaflet", *name.split("/"))
            .read_bytes()
        )
    except (ModuleNotFoundError, OSError) as error:
        raise RillmarkError(
            f"Leaflet's file {name} is not there",
            where="the installed package django-js-lib-leaflet",
            hint="install it again: python -m pip install --force-reinstall django-js-lib-leaflet",
        ) from error
    digest = hashlib.sha256(content).hexdigest()
    if digest != _LEAFLET_SHA256[name]:
        raise RillmarkError(
            f"Leaflet's file {name} is another one than this map was made and tried with "
            f"(SHA-256 {digest[:12]}…, wanted {_LEAFLET_SHA256[name][:12]}…)",
            where="the installed package django-js-lib-leaflet",
            hint="install the release named in requirements.txt",
        )
    return content


@cache
def leaflet_script() -> str:
    """Leaflet's script under its license, without the pointer to a source map."""
    text = _plain(leaflet_file("leaflet.js")).replace("//# sourceMappingURL=leaflet.js.map", "")
    return f"/*\n{leaflet_license()}*/\n{text}"


@cache
def leaflet_style() -> str:
    """Leaflet's style sheet with its pictures written into it."""
    text = _plain(leaflet_file("leaflet.css"))
    for name in _IMAGES:
        text = text.replace(f"url({name})", f"url({data_uri(leaflet_file(name), 'image/png')})")
    return text


def leaflet_license() -> str:
    """The license of the Leaflet package, which travels with every copy."""
    for path in metadata.files("django-js-lib-leaflet") or []:
        if path.name == "LICENSE":
            text = path.read_text(encoding="utf-8")
            if "*/" not in text and "</" not in text:  # it stands in a comment of the script
                return text
    raise RillmarkError(
        "Leaflet's license is not there, or is no plain text",
        where="the installed package django-js-lib-leaflet",
        hint="install it again: python -m pip install --force-reinstall django-js-lib-leaflet",
    )


@cache
def page_script(names: tuple[str, ...]) -> str:
    """Our own scripts as one, in their written order, without what only their readers need."""
    scripts = (rjsmin.jsmin(page_file(name)).strip() for name in names)
    return "\n".join(['"use strict";', *scripts])


@cache
def page_style(names: tuple[str, ...]) -> str:
    """Our own style sheets as one, in their written order, without what only readers need."""
    return "\n".join(rcssmin.cssmin(page_file(name)).strip() for name in names)


def page_file(name: str) -> str:
    """The text of a page's file, by its name alone: no two rooms have one of the same name.

    Raises
    ------
    KeyError
        If no room has it.
    """
    return _plain(_page_files()[name].read_bytes())


@cache
def _page_files() -> dict[str, Traversable]:
    found: dict[str, Traversable] = {}
    rooms = [resources.files("geo.publish")]
    for room in rooms:
        for path in room.iterdir():
            if path.is_dir():
                rooms.append(path)
            elif path.name.endswith((".html", ".css", ".js", ".txt")):
                assert path.name not in found, path.name
                found[path.name] = path
    return found


@cache
def page_template(name: str) -> Template:
    """A page's file to be filled; what is put in is escaped."""
    environment = Environment(
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        lstrip_blocks=True,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.from_string(page_file(name))


def data_uri(content: bytes, media_type: str) -> str:
    """Bytes as a ``data:`` address (RFC 2397)."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"


def _plain(content: bytes) -> str:
    """Text with line feeds only: a browser reads CR LF as LF, and a hash would not fit."""
    return content.decode("utf-8").replace("\r\n", "\n").replace("\r", "\n")
