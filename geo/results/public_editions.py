"""The numbers of a public edition, held to those of the edition before it.

Whoever has two editions can subtract them. Were each counted anew, two that differ by one
household would tell its classes by the counts that moved, and its square by the outline that
shrank. So nothing in an edition moves for fewer than ``k`` households (`[public] least_change`):

- **Counts** are rounded to fives (`to_fives`), and stay as they were given out until they differ
  from what is true by k and the half of five that rounding may have taken: then k households at
  least have changed, and a reader does not know the number from which on it moves.
- **Shares** are told as one of five steps, so that neither none nor all of an area is told of. A
  step stays until the share lies k households beyond it. Where an area has come to hold fewer
  than the least group, its shares stay and its count goes no lower than that group.
- **Outlines** stay for ever: no area is cut, joined, shrunk or dropped. New ones are added at the
  sides of the block, where k more than the least group live outside all areas.
- **Rows of records**, of which one household may have any number, are not told.
- **What is told at all** (small groups joined, small areas pooled, "fewer than 11") is read off the
  numbers held, never off the true ones, so it moves only when they do. Neither none nor all is said
  of any group. What is not told keeps its number, so that left out and told again is no new count.

The same figures again are the same edition: map and report of an assessment agree in whichever
order they are made, and so does an old season's page made again.

These are known means of disclosure control, from memory: a least size of groups (the cell size
rule of the Centers for Medicare and Medicaid Services), rounding to a base and merging neighbors
(Hundepool and others, "Statistical Disclosure Control", 2012, chapter 5; Willenborg and de Waal,
"Elements of Statistical Disclosure Control", 2001), and against subtraction in time a value that
moves only by a whole group; the attack itself after Denning, Denning and Schwartz, "The Tracker",
ACM Transactions on Database Systems 4 (1979).

What this does not do: it is no differential privacy. Of editions that follow each other, one must
be the first in which a number moves; a reader who knows from elsewhere of every other household of
that number, and that only one changed since the edition before, learns how that one changed. No
rule that always gives the same answer, and ever lets numbers move, can hide that.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS

from geo.results.areas import (
    NOWHERE,
    ROUNDED_TO,
    STEP_EDGES,
    Box,
    cut,
    lids_reached,
    squares_of,
    step_of,
    to_fives,
)
from layers.fields.schemas import SCHEMAS
from layers.folders.public_ledger import Cell, Edition, public_section_on_record
from layers.outputs import AREAS, UNITS
from layers.settings.county_file import PublicSection
from layers.store import Assessment

STORM_YR: Final = 10
_OWN: Final = ("area:", "soon:")
Squares = NDArray[np.int64]
Marks = NDArray[np.bool_]


def edition_of(assessment: Assessment, given_out: Sequence[Edition] = ()) -> Edition:
    """The public numbers of an assessment, held to the last of the editions given out.

    Parameters
    ----------
    assessment
        A finished assessment; `[public]` of its settings says k and the least group.
    given_out
        Editions of the county so far, oldest first. One made from the same figures is given back
        as it is; with none, this is a first edition.
    """
    units, section = assessment.units, public_section_on_record(assessment.run)
    counts, shown = true_counts(assessment)
    is_first = _marked(units, "visit_class", ("first",))
    is_wet, of_lids = lids_reached(units)
    ranked = UNITS.values(units, "visit_class").notna().to_numpy()
    known = {"first": int(ranked.sum()), "wet": int(of_lids.sum())}
    made_from = _fingerprint(
        [
            assessment.run.as_of, section.model_dump(exclude={"last_edition"}),
            units.crs.to_string(), counts, shown, known,
            np.column_stack([squares_of(units), is_first, is_wet, of_lids]).tolist(),
        ]
    )  # fmt: skip
    for edition in given_out:
        if edition.made_from == made_from:
            return edition
    last = given_out[-1] if given_out else None
    crs = units.crs.to_string() if last is None else last.crs
    at = squares_of(units if units.crs == CRS(crs) else units.to_crs(crs))
    shares = {"first": (is_first, ranked), "wet": (is_wet, of_lids)}
    shares = {name: v for name, v in shares.items() if _is_shown(name, known[name], last, section)}
    return Edition(
        as_of=assessment.run.as_of,
        made_from=made_from,
        crs=crs,
        cells=held_cells(at, shares, last, section),
        shown=tuple(sorted([*shown, *shares])),
        counts=held_counts(counts, None if last is None else last.counts, k=section.least_change),
    )


def true_counts(assessment: Assessment) -> tuple[dict[str, int], list[str]]:
    """Everything the report counts, as it is, and which of its parts can be told.

    ``area:NAME`` and ``soon:NAME`` are units of a named area, and those of them to be visited
    first or next; without a name, of no named area.
    """
    run, units = assessment.run, assessment.units
    counts, shown = {"units": len(units)}, []
    if UNITS.is_known(units, "visit_class"):
        shown.append("classes")
        of_class = units["visit_class"].value_counts()
        counts |= {f"class:{name}": int(n) for name, n in of_class.items()}
        is_soon = units["visit_class"].isin(["first", "next"])
        counts["soon"] = int(is_soon.sum())
        names = _area_names(units, assessment.areas.small)
        if names is not None:
            shown.append("areas")
            counts |= {f"area:{name}": int(n) for name, n in names.value_counts().items()}
            counts |= {f"soon:{name}": int(n) for name, n in names[is_soon].value_counts().items()}
    if UNITS.is_known(units, "ranked_by"):
        shown.append("owed")
        counts["owed"] = int((units["ranked_by"] == "owed").sum())
    if UNITS.values(units, "outlet_state").notna().any():
        shown.append("outlet_unknown")
        counts["outlet_unknown"] = int((units["outlet_state"] == "unknown").sum())
    if UNITS.is_known(units, "lid_wet_state"):
        shown.append("wet_lids")
        counts["wet_lids"] = int((UNITS.numbers(units, "lid_wet_return_yr") <= STORM_YR).sum())
    for row in run.counts:
        if not is_of_households(row.layer):
            counts[f"layer:{row.layer}"] = row.used
    return counts, shown


def is_of_households(layer: str) -> bool:
    """Whether a layer holds records of units, any number of one unit: their rows are not told.

    >>> is_of_households("inspections"), is_of_households("units"), is_of_households("streams")
    (True, False, False)
    """
    known = SCHEMAS.get(layer)
    if layer == "units" or known is None:
        return layer != "units"
    return any(column.name == "unit_id" for column in known.columns)


def held_counts(
    true: Mapping[str, int], last: Mapping[str, int] | None, *, k: int
) -> dict[str, int]:
    """Counts in fives, each as it was until k households and more have changed it.

    What the last edition did not count it counted as none; what is counted no longer stays, but
    areas that are gone hold none.

    >>> [held_counts({"units": n}, {"units": 40}, k=5)["units"] for n in (46, 47)]
    [40, 45]
    """
    if last is None:
        return {name: to_fives(n) for name, n in sorted(true.items())}
    gone = {name: 0 for name in last if name.startswith(_OWN)}
    now = {n: _held(m, last.get(n, 0), k) for n, m in (gone | dict(true)).items()}
    return dict(sorted((dict(last) | now).items()))


def held_cells(
    at: Squares,
    marks: Mapping[str, tuple[Marks, Marks]],
    last: Edition | None,
    section: PublicSection,
) -> tuple[Cell, ...]:
    """The areas of the map: those of the last edition with what may move, and new ones.

    Parameters
    ----------
    at
        Column and row of each unit's square, in the system of the last edition.
    marks
        Of each share that is told: which units count, and of which it is known. A share that is
        not told keeps its step.
    """
    squares, of = np.unique(at, axis=0, return_inverse=True)
    sums = {
        name: np.bincount(of.ravel(), weights, minlength=len(squares)).astype(np.int64)
        for name, weights in {
            "units": np.ones(len(at)),
            **{name: some for name, (some, _) in marks.items()},
            **{f"{name}:known": of_all for name, (_, of_all) in marks.items()},
        }.items()
    }
    before = () if last is None else last.cells
    boxes = [cell.box for cell in before]
    new = _new_boxes(at, boxes, is_first_edition=last is None, section=section)
    cells = [_held_cell(cell, _within_box(squares, sums, cell.box), section) for cell in before]
    for box in new:
        some = _within_box(squares, sums, box)
        steps = {
            name: step_of(some[name], n)
            for name in marks
            if (n := some[f"{name}:known"]) >= section.least_units
        }
        cells.append(Cell(box=box, units=to_fives(some["units"]), **steps))
    return tuple(cells)


def _within_box(squares: Squares, sums: Mapping[str, Squares], box: Box) -> dict[str, int]:
    inside = _within(squares, box)
    return {name: int(n[inside].sum()) for name, n in sums.items()}


def _held(true: int, before: int, k: int) -> int:
    return before if abs(true - before) < k + ROUNDED_TO // 2 else to_fives(true)


def _held_cell(cell: Cell, some: Mapping[str, int], section: PublicSection) -> Cell:
    n, k = some["units"], section.least_change
    units = max(_held(n, cell.units, k), min(cell.units, to_fives(section.least_units)))
    if n < section.least_units:
        return cell.model_copy(update={"units": units})
    steps = {
        name: _held_step(getattr(cell, name), some[name], of_all, section)
        for name in Cell.model_fields
        if (of_all := some.get(f"{name}:known", 0)) >= section.least_units
    }
    return cell.model_copy(update={"units": units} | steps)


def _held_step(before: int | None, some: int, n: int, section: PublicSection) -> int | None:
    """A household that comes, goes or changes moves ``beyond`` by one at most.

    A first step waits until k more than the least group are known.
    """
    k = section.least_change
    if before is None:
        return step_of(some, n) if n >= section.least_units + k else None
    beyond = max(STEP_EDGES[before] * n - some, some - STEP_EDGES[before + 1] * n)
    return before if beyond < k else step_of(some, n)


def _new_boxes(
    at: Squares, boxes: list[Box], *, is_first_edition: bool, section: PublicSection
) -> list[Box]:
    """Areas where there were none: all in a first edition, else at the sides of the block.

    The areas together stay one rectangle without a gap.
    """
    enough = section.least_units + (0 if is_first_edition else section.least_change)
    new: list[Box] = []
    while True:
        for strip, members in _strips(at, [*boxes, *new]):
            if len(members) >= enough:
                parts = cut(at, members, strip, least=section.least_units)
                new += [box for box, _ in parts]
                break
        else:
            return new


def _strips(at: Squares, boxes: Sequence[Box]) -> Iterator[tuple[Box, NDArray[np.int64]]]:
    """The block of all units, or the strips beside a block there is, and the units in each."""
    placed = at[:, 0] > NOWHERE
    if not placed.any():
        return
    block = [*at[placed].min(axis=0).tolist(), *(at[placed].max(axis=0) + 1).tolist()]
    if not boxes:
        yield (block[0], block[1], block[2], block[3]), np.flatnonzero(placed)
        return
    sides = np.array(boxes)
    (w, s), (e, n) = sides[:, :2].min(axis=0).tolist(), sides[:, 2:].max(axis=0).tolist()
    strips: tuple[Box, ...] = (
        (min(block[0], w), s, w, n), (e, s, max(block[2], e), n),
        (w, min(block[1], s), e, s), (w, n, e, max(block[3], n)),
    )  # fmt: skip
    for strip in strips:
        members = np.flatnonzero(_within(at, strip))
        if len(members):
            yield _drawn_in(strip, at[members], (w, s, e, n)), members


def _drawn_in(strip: Box, at: Squares, block: Box) -> Box:
    """A strip no wider than its own units need."""
    west, south, east, north = strip
    if east == block[0]:
        west = int(at[:, 0].min())
    elif west == block[2]:
        east = int(at[:, 0].max()) + 1
    elif north == block[1]:
        south = int(at[:, 1].min())
    else:
        north = int(at[:, 1].max()) + 1
    return west, south, east, north


def _within(at: Squares, box: Box) -> Marks:
    west, south, east, north = box
    x, y = at.T
    return (x >= west) & (x < east) & (y >= south) & (y < north)


def _is_shown(name: str, known: int, last: Edition | None, section: PublicSection) -> bool:
    """Whether enough is known to tell of a share at all; once told or not, k must change that."""
    if last is None:
        return known >= section.least_units
    change = -section.least_change if name in last.shown else section.least_change
    return known >= section.least_units + change


def _marked(units: pd.DataFrame, column: str, codes: tuple[str, ...]) -> Marks:
    return np.isin(UNITS.values(units, column).astype(object).to_numpy(), codes)


def _area_names(units: pd.DataFrame, areas: pd.DataFrame) -> pd.Series | None:
    """The name of each unit's area, where the county gives some; squares would be positions."""
    if not AREAS.is_known(areas, "name"):
        return None
    names = areas.set_index("area_id")["name"]
    return UNITS.values(units, "area_id").map(names[names.notna()]).astype(object).fillna("")


def _fingerprint(made_from: Any) -> str:
    text = json.dumps(made_from, sort_keys=True, default=int)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
