"""Joins a page into one file that asks for nothing and runs nothing but the scripts it names."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType
from typing import Any, Final

from jinja2 import Environment, FunctionLoader, select_autoescape
from markupsafe import Markup

from geo.publish.packing import pack
from geo.publish.shared import assets

_CLOSES: Final = re.compile(r"</(script|style)|<!--", re.IGNORECASE)
_IS_PACKED: Final = re.compile(f"[{re.escape(pack.LETTERS)}]*")


def join(
    *,
    title: str,
    data: Any,
    blocks: Mapping[str, str] = MappingProxyType({}),
    scripts: Sequence[str],
    styles: Sequence[str],
    frame: str,
    image_hosts: Sequence[str] = (),
) -> str:
    """One HTML file.

    Parameters
    ----------
    title
        Plain text of the title bar.
    data
        What the scripts show, as lists, dicts, texts and finite numbers.
    blocks
        Packed data by name (`pack.pack`, `pack.written`), each read only when it is needed.
    scripts, styles
        Known strings, in the order in which they run or apply; the page's policy names their
        hashes and lets nothing else run.
    frame
        The file that is filled.
    image_hosts
        Hosts whose pictures the page may show, asked by https; checked by the caller.

    Raises
    ------
    ValueError
        If a script or style would end its own element, ``data`` holds an infinite number, or a
        block holds other signs than packed data does.
    """
    return _frame(frame).render(
        title=title,
        policy=policy(scripts, styles, image_hosts),
        styles=[_known(text) for text in styles],
        data=json_block(data),
        blocks={name: _packed(text) for name, text in blocks.items()},
        scripts=[_known(text) for text in scripts],
    )


def policy(scripts: Sequence[str], styles: Sequence[str], image_hosts: Sequence[str] = ()) -> str:
    """The content security policy that allows just these scripts, styles, hosts (CSP 2)."""
    return "; ".join(
        [
            "default-src 'none'",
            " ".join(["script-src", *(source_hash(text) for text in scripts)]),
            " ".join(["style-src", *(source_hash(text) for text in styles)]),
            " ".join(["img-src data: blob:", *(f"https://{host}" for host in image_hosts)]),
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )


def source_hash(text: str) -> str:
    """The policy's name for an inline script or style."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def json_block(data: Any) -> Markup:
    """Data as JSON that cannot end or open an element of the page.

    Raises
    ------
    ValueError
        For NaN or an infinite number.
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.encode("utf-8", "replace").decode("utf-8")  # a lone surrogate cannot be saved
    return Markup(text.replace("<", "\\u003c"))  # noqa: S704  nothing that opens is left


def _known(text: str) -> Markup:
    found = _CLOSES.search(text)
    if found:
        raise ValueError(f"a script or style of a page must not hold {found.group()!r}")
    return Markup(text)  # noqa: S704  a known string, named by its hash


def _packed(text: str) -> Markup:
    if not _IS_PACKED.fullmatch(text):
        raise ValueError("a block of a page must be packed")
    return Markup(text)  # noqa: S704  signs that open nothing


@cache
def _frame(name: str) -> Any:
    environment = Environment(
        autoescape=select_autoescape(default=True),
        keep_trailing_newline=True,
        loader=FunctionLoader(assets.page_file),  # frames take parts of each other in
    )
    return environment.get_template(name)
