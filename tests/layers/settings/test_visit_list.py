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
lines = ["Never enter a tank."]
last = "Lids back."
"""


def test_the_lists_own_cautions_name_what_kills():
    own = load_visit_list(None)
    text = " ".join(own.cautions.lines).lower()
    for word in ("never enter", "gases", "lid", "electric", "hands", "licensed", "local code"):
        assert word in text
    for word in ("lids back", "power on", "gate closed"):
        assert word in own.cautions.last.lower()
    assert all(item.source for item in own.items)


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
