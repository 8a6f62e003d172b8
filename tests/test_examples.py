"""The examples in docstrings give what they say."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import geo
import layers

ROOTS = [Path(str(package.__file__)).parent for package in (geo, layers)]
MODULES = sorted(
    ".".join(path.relative_to(root.parent).with_suffix("").parts)
    for root in ROOTS
    for path in root.rglob("*.py")
    if ">>>" in path.read_text("utf-8")
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_of(name):
    failed, tried = doctest.testmod(importlib.import_module(name.removesuffix(".__init__")))
    assert tried
    assert failed == 0


def test_examples_are_found():
    assert len(MODULES) > 40
    found = doctest.DocTestFinder().find(importlib.import_module("geo.terrain.dinf"))
    assert sum(bool(test.examples) for test in found) == 2
