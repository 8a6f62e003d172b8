"""Where compiled kernels are kept between runs."""

from __future__ import annotations

import hashlib
import os
from functools import cache
from pathlib import Path

import platformdirs


@cache
def kernel_cache_folder(sources: Path) -> Path | None:
    """The folder for the machine code of the modules in ``sources``, or None to keep none.

    The first that is set of ``RILLMARK_CACHE_DIR``, ``NUMBA_CACHE_DIR`` and the user's own cache
    folder. Below it stands one folder for each state of the sources, so that another version
    never meets old code, and another for code with bounds checks (``NUMBA_BOUNDSCHECK``). A
    folder that cannot be written is no fault: the kernels are then compiled anew in each run.
    """
    base = (
        os.environ.get("RILLMARK_CACHE_DIR")
        or os.environ.get("NUMBA_CACHE_DIR")
        or platformdirs.user_cache_dir("rillmark", appauthor=False)
    )
    digest = hashlib.sha256()
    try:
        for module in sorted(sources.glob("*.py")):
            digest.update(module.read_bytes())
        checked = os.environ.get("NUMBA_BOUNDSCHECK", "0") not in ("", "0")
        name = f"kernels-{digest.hexdigest()[:12]}{'-checked' if checked else ''}"
        folder = Path(base).expanduser() / name
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return folder if os.access(folder, os.W_OK | os.X_OK) else None
