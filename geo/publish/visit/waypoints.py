"""The places of a list of visits for a receiver or a map program: GPX 1.1 and KML 2.2."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final
from xml.etree import ElementTree as ET

from geo.results.visit_plan import VisitPlan
from layers.crs.coordinates import Place

_GPX: Final = "http://www.topografix.com/GPX/1/1"
_KML: Final = "http://www.opengis.net/kml/2.2"
# characters XML 1.0 has no way to hold
_NO_XML: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def gpx(plans: Sequence[VisitPlan], *, name: str) -> str:
    """Waypoints of lids and outlets, in visiting order (GPX 1.1, WGS 84)."""
    root = ET.Element("gpx", {"version": "1.1", "creator": "Rillmark", "xmlns": _GPX})
    _add(ET.SubElement(root, "metadata"), "name", name)
    for plan in plans:
        for what, place in _places(plan):
            lon = place.lon if place.lon < 180 else -180.0
            point = ET.SubElement(root, "wpt", {"lat": f"{place.lat:.7f}", "lon": f"{lon:.7f}"})
            _add(point, "name", f"{plan.unit['unit_id']} {what}")
            _add(point, "desc", _about(plan))
    return _text(root)


def kml(plans: Sequence[VisitPlan], *, name: str) -> str:
    """Placemarks of lids and outlets, in visiting order (OGC KML 2.2)."""
    root = ET.Element("kml", {"xmlns": _KML})
    document = ET.SubElement(root, "Document")
    _add(document, "name", name)
    for plan in plans:
        for what, place in _places(plan):
            mark = ET.SubElement(document, "Placemark")
            _add(mark, "name", f"{plan.unit['unit_id']} {what}")
            _add(mark, "description", _about(plan))
            point = ET.SubElement(mark, "Point")
            _add(point, "coordinates", f"{place.lon:.7f},{place.lat:.7f}")
    return _text(root)


def _places(plan: VisitPlan) -> Iterator[tuple[str, Place]]:
    yield "lids", plan.lid
    if plan.outlet is not None:
        yield "discharge point", plan.outlet


def _about(plan: VisitPlan) -> str:
    return f"Rank {plan.unit['rank']:.0f}. Position on record. Confirm on site."


def _add(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = _NO_XML.sub("\ufffd", text)


def _text(root: ET.Element) -> str:
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
