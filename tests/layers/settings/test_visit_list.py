"""The list of what to look at, and the table of contacts."""

from __future__ import annotations

import pytest

from layers.errors import CountyFileError, LayerError
from layers.reading.contacts import contacts_of, read_contacts
from layers.settings.visit_list import load_visit_list

LIST = """
[[items]]
key = "lid"
title = "Lid"
good = "closed"
departure = "open"
source = "common practice, no source"
{more}
[cautions]
lines = ["Mind the bull."]
"""
BEFORE = """
[cautions]
lines = [
  "Two people lift lids. Never leave an open lid, not for a minute: children, pets, you.",
  "You look and write down. Repair, pumping and wiring are licensed work; the local code governs.",
  "Two people lift lids. Three lift the old ones at the mill.",
]
last = "Before you leave: lids back and fastened, power on, gate closed."
"""


def test_the_template_leaves_cautions_to_the_office_and_names_its_sources():
    own = load_visit_list(None)
    assert (own.cautions.lines, own.cautions.last) == ([], "")
    assert all(item.source for item in own.items)


def test_cautions_an_earlier_template_wrote_are_not_there_twice(tmp_path):
    path = tmp_path / "visit.toml"
    path.write_text(LIST.split("[cautions]")[0].format(more="") + BEFORE)
    cautions = load_visit_list(path).cautions
    # what the office wrote stays, to the letter
    assert cautions.lines == ["Two people lift lids. Three lift the old ones at the mill."]
    assert cautions.last == ""
    path.write_text(LIST.split("[cautions]")[0].format(more=""))
    assert load_visit_list(path).cautions.lines == []


@pytest.mark.parametrize(
    ("more", "word"),
    [('for_kinds = ["pool"]', "pool"), ('when = "raining"', "when"), ("color = 1", "color")],
)
def test_a_list_that_is_wrong_names_its_key(tmp_path, more, word):
    path = tmp_path / "visit.toml"
    path.write_text(LIST.format(more=more))
    with pytest.raises(CountyFileError, match=word):
        load_visit_list(path)
    path.write_text(LIST.format(more=""))
    assert load_visit_list(path).items[0].key == "lid"


def test_contacts_are_found_though_a_spreadsheet_took_the_zeros(tmp_path):
    path = tmp_path / "contacts.csv"
    path.write_text("Unit No,Name,Dog\n109,A. Invented,yes\n110,,\n110,B. Invented,\n")
    found = contacts_of(read_contacts(path), ["00109", "00110", "00111"])
    assert found == {
        "00109": {"contact": "A. Invented", "dog": "yes"},
        "00110": {"contact": "B. Invented"},
    }


def test_contacts_without_ids_are_refused(tmp_path):
    path = tmp_path / "contacts.csv"
    path.write_text("Name,Dog\nA. Invented,yes\n")
    with pytest.raises(LayerError, match="unit's id"):
        read_contacts(path)
