"""What becomes of each row of a layer, so that rows read = rows used + rows set aside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from layers.problems import Action, ProblemLog

MANY: Final = 50  # of the shapes of a background layer: said once, with a count
SHOWN_ONCE: Final = frozenset({"date_year_only", "date_order_taken"})  # with a count


class Ledger:
    """Gathers what was met in the rows of one layer and writes it to the county's log.

    Parameters
    ----------
    layer
        The layer's name.
    rows
        Row numbers as a reader of the file would count.
    is_background
        Whether the rows are lines or areas of the country, of which a fault met in more than
        `MANY` rows is one problem with a count, and not rows somebody answers for.
    """

    def __init__(self, layer: str, rows: NDArray[np.int64], *, is_background: bool = False) -> None:
        self.layer = layer
        self.rows = rows
        self.is_background = is_background
        self.ids: list[str | None] = [None] * len(rows)
        self.is_set_aside = np.zeros(len(rows), bool)
        self.is_corrected = np.zeros(len(rows), bool)
        self._flagged: dict[tuple[str, Action], list[tuple[int, str]]] = {}

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def is_used(self) -> NDArray[np.bool_]:
        """Rows not set aside so far."""
        return ~self.is_set_aside

    def flag(
        self, where: ArrayLike, code: str, message: str | Callable[[int], str], action: Action
    ) -> None:
        """Record a fault of rows not yet set aside.

        Parameters
        ----------
        where
            A mask of rows.
        message
            In words; a function of the position where the words differ by row.
        """
        positions = np.flatnonzero(np.asarray(where, bool) & self.is_used)
        entries = self._flagged.setdefault((code, action), [])
        for position in positions.tolist():
            entries.append((position, message if isinstance(message, str) else message(position)))
        if action == "set_aside":
            self.is_set_aside[positions] = True
        elif action == "corrected":
            self.is_corrected[positions] = True

    def flag_row(self, position: int, code: str, message: str, action: Action) -> None:
        """Record a fault of one row, unless it is set aside already."""
        if self.is_set_aside[position]:
            return
        self._flagged.setdefault((code, action), []).append((position, message))
        if action == "set_aside":
            self.is_set_aside[position] = True
        elif action == "corrected":
            self.is_corrected[position] = True

    def reasons(self) -> dict[str, int]:
        """How many rows were set aside, by code, the most frequent first."""
        found = {c: len(entries) for (c, action), entries in self._flagged.items()
                 if action == "set_aside" and entries}  # fmt: skip
        return dict(sorted(found.items(), key=lambda item: (-item[1], item[0])))

    def counts(self) -> dict[str, object]:
        """Rows read, used, corrected (of those used) and set aside."""
        return {
            "layer": self.layer,
            "rows_read": len(self),
            "used": int(self.is_used.sum()),
            "corrected": int((self.is_corrected & self.is_used).sum()),
            "set_aside": int(self.is_set_aside.sum()),
        }

    def write(self, log: ProblemLog) -> None:
        """Write everything met to the log: one problem a row, or one where it is the same in all.

        A note that is the same for every row, and a fault of very many rows of a background
        layer, become one problem of the whole layer.
        """
        for (code, action), entries in self._flagged.items():
            same = len({message for _, message in entries}) == 1
            if (self.is_background and len(entries) > MANY) or (
                code in SHOWN_ONCE and len(entries) > 1
            ):
                first = ", ".join(str(self.rows[position]) for position, _ in entries[:5])
                message = f"{len(entries)} rows (first: {first}): {entries[0][1]}"
                log.add(self.layer, code, message, action=action)
            elif 1 < len(entries) == len(self) and (
                (action == "kept" and same) or code == "id_missing"
            ):
                log.add(self.layer, code, f"all rows: {entries[0][1]}", action=action)
            else:
                for position, message in entries:
                    log.add(
                        self.layer,
                        code,
                        message,
                        action=action,
                        row=int(self.rows[position]),
                        feature_id=self.ids[position],
                    )


def listed(names: Sequence[str], most: int = 5) -> str:
    """The first few names for a message."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
