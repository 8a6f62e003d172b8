"""The browser map of an assessment: a folium map that is one self-contained page."""

from __future__ import annotations

from typing import Any, Final

import folium
from branca.element import CssLink, Element, Figure, JavascriptLink
from jinja2 import Template

from geo.publish import assets, document
from geo.publish.contents import Contents, contents
from layers.store import Assessment

_LEAFLET_LINKS: Final = ("leaflet.js", "leaflet.css")


def county_map(assessment: Assessment, audience: str = "staff") -> folium.Map:
    """The browser map of an assessment.

    Shown in a notebook, saved or rendered, it is one page that holds everything it needs and
    asks for nothing from any network. Elements of folium that need only Leaflet can be added to
    it; their text is then run as folium writes it, so add no text you did not write.

    Parameters
    ----------
    assessment
        A finished assessment.
    audience
        ``"staff"``; the public edition is not drawn yet.

    Raises
    ------
    ValueError
        For another audience.
    RillmarkError
        If the installed Leaflet is not the one this program was tried with.
    """
    if audience != "staff":
        raise ValueError(
            f"audience {audience!r} cannot be drawn; only 'staff' can. A staff map holds places "
            "and findings of households and must not be handed out as a public one"
        )
    return _CountyMap(assessment)


def map_page(assessment: Assessment, audience: str = "staff") -> str:
    """The map as the text of one self-contained HTML file; raises as `county_map` does."""
    return county_map(assessment, audience).get_root().render()


class _CountyMap(folium.Map):
    """A folium map whose figure is our page; Leaflet's map is made by the page's own script."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        'const {{ this.get_name() }} = countyPage.start("map");'
        "{% endmacro %}"
    )

    def __init__(self, assessment: Assessment) -> None:
        super().__init__(tiles=None)
        self.default_js = self.default_css = []  # folium's own are written into the page
        self._id = "county"  # the same in every run: equal input gives equal bytes
        _PageFigure(contents(assessment)).add_child(self)


class _PageFigure(Figure):
    """A figure that renders as one file under a policy that names each script by its hash."""

    def __init__(self, held: Contents) -> None:
        name = held.data["county"]["name"]
        super().__init__(
            height="720px", title=f"{name}: inspection order" if name else "Inspection order"
        )
        self._id = "page"
        self.held = held

    def render(self, **kwargs: Any) -> str:
        """The whole file."""
        self.header, self.html, self.script = (self._empty() for _ in range(3))
        for child in self._children.values():
            child.render(**kwargs)
        _refuse_links(self.header)
        return document.join(
            title=self.title or "",
            data=self.held.data,
            blocks=self.held.blocks,
            scripts=[
                assets.leaflet_script(),
                assets.page_script(),
                *(child.render(**kwargs) for child in self.script._children.values()),
            ],
            styles=[assets.leaflet_style(), assets.page_style()],
            frame="county.html",
        )

    def _empty(self) -> Element:
        element = Element()
        element._parent = self
        return element


def _refuse_links(header: Element) -> None:
    """Leaflet's own addresses are written into the page already; any other would ask a network."""
    for name, child in header._children.items():
        if not isinstance(child, JavascriptLink | CssLink):
            continue
        if not child.url.rsplit("/", 1)[-1].startswith(_LEAFLET_LINKS):
            raise ValueError(
                f"an element added to the map needs {name!r} from {child.url}; this map asks for "
                "nothing from any network. Add only elements that Leaflet alone can draw"
            )
