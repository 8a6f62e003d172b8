"""What stops the work. Every message says what is wrong, where, and how to fix it."""

from __future__ import annotations


class RillmarkError(Exception):
    """The call or the input is unusable; the command line ends with exit status 2.

    Parameters
    ----------
    what
        What is wrong, with the value that was met.
    where
        The file, table, key or layer it was met in.
    hint
        What the reader can do about it.
    """

    def __init__(self, what: str, *, where: str, hint: str) -> None:
        super().__init__(f"{what}\n  Where: {where}\n  Fix: {hint}")
        self.what = what
        self.where = where
        self.hint = hint


class CountyFileError(RillmarkError):
    """``county.toml``, ``setbacks.toml`` or ``priorities.toml`` is not as it must be."""


class LayerError(RillmarkError):
    """A layer's file cannot be read as the layer it is said to be."""


class ReferenceSystemError(RillmarkError):
    """A coordinate reference system is missing, ambiguous or unfit for measuring."""


class TerrainError(RillmarkError):
    """The terrain cannot be used: its shape, values, unit or size."""


class AssessmentFolderError(RillmarkError):
    """An assessment folder cannot be read or written."""


class RecordError(RillmarkError):
    """A record, a day file or the county's records folder cannot be used."""


class ComparisonError(RillmarkError):
    """Two assessments that cannot be compared."""


class TraceError(RillmarkError):
    """A place or an id from which no water can be traced."""


class PublicLedgerError(RillmarkError):
    """The file that keeps what was published cannot be used."""
