"""How large things show themselves where somebody looks at them: in a line, and in a notebook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape


def in_short(title: str, counts: Mapping[str, int]) -> str:
    """A line: what it is, and how many rows of what it holds.

    >>> in_short("Assessment of Larkmoor", {"units": 402, "ponds": 1200})
    '<Assessment of Larkmoor: 402 units, 1,200 ponds>'
    """
    held = ", ".join(f"{n:,} {name}" for name, n in counts.items())
    return f"<{title}: {held or 'nothing'}>"


def as_html(title: str, heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A small table for a notebook.

    >>> as_html("<b>", ["table", "rows"], [("units", 4)]).count("&lt;b&gt;")
    1
    """
    lines = [("th", heads), *(("td", row) for row in rows)]
    body = "".join(
        "<tr>" + "".join(f"<{tag}>{escape(str(cell))}</{tag}>" for cell in cells) + "</tr>"
        for tag, cells in lines
    )
    return f"<p><b>{escape(title)}</b></p><table>{body}</table>"
