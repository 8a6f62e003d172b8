"""Ids as parts of file names."""

from __future__ import annotations

import ntpath
from pathlib import PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geo.publish.shared.file_names import LONGEST, file_names


@given(st.lists(st.text(min_size=1), unique=True, max_size=8))
def test_no_two_ids_share_a_file_and_none_leaves_its_folder(unit_ids):
    names = file_names(unit_ids)
    assert len({name.casefold() for name in names.values()}) == len(unit_ids)
    for name in names.values():
        assert name.isascii()
        assert not set(name) & set('/\\:*?"<>|')
        assert not name.startswith(".")
        assert len(name) <= LONGEST + 9


@pytest.mark.parametrize("name", ["con", "NUL", "com1", "aux.1"])
def test_no_name_is_one_that_windows_keeps_for_a_device(name):
    """The standard library's own test, the published list in code; it moved in Python 3.13."""
    is_reserved = getattr(ntpath, "isreserved", None) or (
        lambda path: PureWindowsPath(path).is_reserved()
    )
    assert is_reserved(name)
    assert not is_reserved(file_names([name])[name])


def test_ids_that_would_meet_in_one_file_are_told_apart_and_others_stay_plain():
    names = file_names(["a/b", "a_b", "A b", "00109"])
    assert names["00109"] == "00109"
    assert len({name.casefold() for name in names.values()}) == 4
    assert file_names(["a_b", "00109"])["a_b"] == "a_b"
