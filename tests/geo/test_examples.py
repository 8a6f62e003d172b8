"""The examples in docstrings give what they say."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import geo.terrain

MODULES = [m.name for m in pkgutil.iter_modules(geo.terrain.__path__, "geo.terrain.")]


@pytest.mark.parametrize("name", [*MODULES, "geo.runoff"])
def test_examples_of(name):
    module = importlib.import_module(name)
    failed, _ = doctest.testmod(module, extraglobs={})
    assert failed == 0


def test_examples_are_found():
    found = doctest.DocTestFinder().find(importlib.import_module("geo.terrain.dinf"))
    assert sum(bool(test.examples) for test in found) == 2
