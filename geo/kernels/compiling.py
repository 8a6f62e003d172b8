"""The one way a kernel is compiled."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from numba import njit
from numba.core import config as numba_config

from geo.kernels.compile_cache import KeptCode, kernel_cache_folder

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile at the first call of each kind of arguments, and keep the machine code on disk.

    The interpreter lock is released while a kernel runs; division follows numpy (no exception).
    Nothing calls a kernel from C, so no entry for C is made. numba's own cache setting is changed
    only while the function is wrapped, so that other packages of the same process keep theirs.
    """
    options: Any = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
    folder = kernel_cache_folder(Path(__file__).parent)
    config: Any = numba_config  # its settings are made at run time, unknown to type checkers
    before = config.CACHE_DIR
    if folder is not None:
        config.CACHE_DIR = str(folder)
    try:
        wrapped: Any = njit(cache=folder is not None, **options)(function)
    finally:
        config.CACHE_DIR = before
    if folder is not None and not config.DISABLE_JIT:
        # the one place that numba offers no setting for
        wrapped._cache._cache_file = KeptCode(folder, f"{function.__module__}.{function.__name__}")
    return wrapped
