"""Where compiled kernels are kept between runs, and under which names."""

from __future__ import annotations

import hashlib
import os
import pickle
import sys
import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import numba
import platformdirs
from numba.core.serialize import dumps


class KeptCode:
    """The machine code of one kernel: a file for each kind of arguments, named by that kind.

    It stands where numba puts an index of numbered files. Two processes that compile one kernel
    for different arguments at the same time can both take the same number there, and the next
    run is then given code for arguments it does not have. Files named by what they hold can't
    be mixed up, and need no index. What can't be written is compiled again in the next run.
    """

    def __init__(self, folder: Path, kernel: str):
        self.folder = folder
        self.kernel = kernel

    def file_of(self, key: Any) -> Path:
        """The file for this kind of arguments, this numba and this Python."""
        shown = repr((key, numba.__version__, sys.implementation.cache_tag))
        digest = hashlib.sha256(shown.encode()).hexdigest()[:32]
        return self.folder / f"{self.kernel}-{digest}.code"

    def load(self, key: Any) -> Any:
        """What was kept for this kind of arguments, or None."""
        try:
            return pickle.loads(self.file_of(key).read_bytes())  # noqa: S301  written by `save`
        except (OSError, EOFError, pickle.UnpicklingError):
            return None

    def save(self, key: Any, data: Any) -> None:
        """Keep ``data`` for this kind of arguments; the file appears whole or not at all."""
        with suppress(OSError):
            unfinished, path = tempfile.mkstemp(dir=self.folder)
            try:
                with os.fdopen(unfinished, "wb") as file:
                    file.write(dumps(data))
                Path(path).replace(self.file_of(key))
            except OSError:
                Path(path).unlink(missing_ok=True)
                raise


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
