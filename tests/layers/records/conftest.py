"""Invented records to test with."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from layers.records import Record, Visit
from support.made_day_files import day_bytes, visit, word


@pytest.fixture(name="word", scope="session")
def a_word() -> Callable[..., Record]:
    return word


@pytest.fixture(scope="session")
def a_visit() -> Callable[..., Visit]:
    return visit


@pytest.fixture(scope="session")
def a_day() -> Callable[..., bytes]:
    return day_bytes
