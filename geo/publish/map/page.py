"""The browser map of an assessment: a folium map that is one self-contained page."""

from __future__ import annotations

from types import MappingProxyType
from typing import Any, Final

import folium
from branca.element import CssLink, Element, Figure, JavascriptLink
from jinja2 import Template

from geo.publish.map.contents import Contents, contents
from geo.publish.map.public_map import public_contents
from geo.publish.map.units.moves import Earlier
from geo.publish.shared import assets, document
from geo.results.cautions import STAFF_ONLY
from layers.folders.public_ledger import Edition
from layers.store import Assessment

# In the order they are written into the page.
SCRIPTS: Final = (
    "shares.js",
    "unpack.js",
    "wording.js",
    "decode.js",
    "blocks.js",
    "dom.js",
    "screens.js",
    "choosing.js",
    "filtering.js",
    "searching.js",
    "comma_table.js",
    "address.js",
    "down_water.js",
    "marks.js",
    "canvas_layer.js",
    "place_names.js",
    "ground.js",
    "small_areas.js",
    "moves.js",
    "curve.js",
    "ponding.js",
    "storm_layer.js",
    "area_drawing.js",
    "outlet_places.js",
    "chosen_layer.js",
    "mark_sizes.js",
    "unit_layer.js",
    "unit_view.js",
    "checks_table.js",
    "field_pages.js",
    "panel.js",
    "finder.js",
    "filter_panel.js",
    "legend.js",
    "unit_signs.js",
    "unit_details.js",
    "model.js",
    "map_view.js",
    "furniture.js",
    "picture.js",
    "saving.js",
    "list_file.js",
    "printing.js",
    "sharing.js",
    "unit_address.js",
    "layer_choices.js",
    "view_acts.js",
    "unit_choice.js",
    "page_parts.js",
    "base_map.js",
    "county_page.js",
)
PUBLIC_SCRIPTS: Final = (
    "shares.js",
    "unpack.js",
    "wording.js",
    "decode.js",
    "blocks.js",
    "dom.js",
    "screens.js",
    "choosing.js",
    "address.js",
    "marks.js",
    "canvas_layer.js",
    "place_names.js",
    "ground.js",
    "ponding.js",
    "storm_layer.js",
    "legend.js",
    "model.js",
    "map_view.js",
    "furniture.js",
    "picture.js",
    "saving.js",
    "printing.js",
    "sharing.js",
    "layer_choices.js",
    "view_acts.js",
    "base_map.js",
    "public_model.js",
    "public_page.js",
)
STYLES: Final = (
    "colors.css",
    "layout.css",
    "parts.css",
    "choices.css",
    "base_map.css",
    "print.css",
)

AUDIENCES: Final = ("staff", "public")
_TITLES: Final = MappingProxyType(
    {"staff": f"inspection order. {STAFF_ONLY}", "public": "areas, public edition"}
)
_LEAFLET_LINKS: Final = ("leaflet.js", "leaflet.css")


def county_map(
    assessment: Assessment,
    audience: str = "staff",
    *,
    earlier: Earlier | None = None,
    edition: Edition | None = None,
) -> folium.Map:
    """The browser map of an assessment.

    Shown in a notebook, saved or rendered, it is one page that holds everything it needs and
    asks for nothing from any network, until a reader switches on the base map that ``[map]`` of
    the county file names, if it does. Elements of folium that need only Leaflet can be added to
    it; their text is then run as folium writes it, so add no text you did not write.

    Parameters
    ----------
    assessment
        A finished assessment.
    audience
        ``"staff"``, or ``"public"``: areas of many units instead of units, and no name, address,
        finding or place of a household in the file.
    earlier
        An earlier assessment whose movers the staff map shows.
    edition
        The numbers of a public map, held to what was given out before; where None, those of a
        first edition, which must not be given out where another was: `rillmark map` sees to it.

    Raises
    ------
    ValueError
        For another audience, or a public map with an earlier assessment.
    RillmarkError
        If the installed Leaflet is not the one this program was tried with.
    """
    if audience not in AUDIENCES:
        raise ValueError(
            f"audience {audience!r} is not known; choose one of {', '.join(AUDIENCES)}"
        )
    if earlier is not None and audience != "staff":
        raise ValueError("rank changes are of single units, so only the staff map shows them")
    return _CountyMap(assessment, audience, earlier, edition)


def map_page(
    assessment: Assessment,
    audience: str = "staff",
    *,
    earlier: Earlier | None = None,
    edition: Edition | None = None,
) -> str:
    """The map as the text of one self-contained HTML file; raises as `county_map` does."""
    made = county_map(assessment, audience, earlier=earlier, edition=edition)
    return made.get_root().render()


class _CountyMap(folium.Map):
    """A folium map whose figure is our page; Leaflet's map is made by the page's own script."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        'const {{ this.get_name() }} = countyPage.start("map");'
        "{% endmacro %}"
    )

    def __init__(
        self,
        assessment: Assessment,
        audience: str,
        earlier: Earlier | None,
        edition: Edition | None,
    ) -> None:
        super().__init__(tiles=None)
        self.default_js = self.default_css = []  # folium's own are written into the page
        self._id = "county"  # the same in every run: equal input gives equal bytes
        is_public = audience == "public"
        held = public_contents(assessment, edition) if is_public else contents(assessment, earlier)
        _PageFigure(held, audience).add_child(self)


class _PageFigure(Figure):
    """A figure that renders as one file under a policy that names each script by its hash."""

    def __init__(self, held: Contents, audience: str) -> None:
        name = held.data["county"]["name"]
        title = _TITLES[audience]
        title = f"{name}: {title}" if name else f"{title[0].upper()}{title[1:]}"
        super().__init__(height="720px", title=title)
        self.audience = audience
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
                assets.page_script(PUBLIC_SCRIPTS if self.audience == "public" else SCRIPTS),
                *(child.render(**kwargs) for child in self.script._children.values()),
            ],
            styles=[assets.leaflet_style(), assets.page_style(STYLES)],
            frame="public.html" if self.audience == "public" else "county.html",
            image_hosts=[shown["host"]] if (shown := self.held.data["baseMap"]) else [],
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
                "nothing from any network. Add only elements that need Leaflet alone"
            )
