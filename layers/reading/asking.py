"""What an office is asked about its layers: columns they lack, words nobody knows, layers unused.

Unknown is never shown as fine: what a question is about clears nothing until it is answered in
the county file, and an accepted one (`[[accepted]]`) clears nothing either.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Mapping
from typing import Final

import pandas as pd

from layers.fields.column_names import LayerColumns, Recognized, columns_line
from layers.fields.ledger import listed
from layers.fields.schemas import ALWAYS
from layers.fields.values import clean_column, fold_code, is_blank
from layers.problems import Acceptance, ProblemLog
from layers.public.flood_zones import is_known_zone
from layers.public.soil_survey import soil_group
from layers.reading.drafts import Draft
from layers.settings.programme import ProgrammeSection

_SHOWN: Final = 20  # columns or words in one message
_MISFITS: Final = 0.1  # of the cells of a column that may be the one; common practice, no source
_KNOWN: Final[dict[tuple[str, str], Callable[[str], object]]] = {
    ("floodplain", "zone"): is_known_zone,
    ("soils", "hydrologic_group"): soil_group,
}


def layer_columns(draft: Draft, programme: ProgrammeSection) -> LayerColumns:
    """What became of a layer's columns, and which of those it wants are not there."""
    recognized = tuple(
        Recognized(ours, theirs, _by(draft, ours, theirs)) for ours, theirs in draft.columns.items()
    )
    taken = {*draft.columns.values(), *draft.published}
    ignored = tuple(name for name in draft.raw.columns if name not in taken)
    wanted = tuple(
        column.name
        for column in draft.schema.columns
        if column.name not in draft.columns
        and (column.name in draft.ruled or _is_wanted(column.wanted, programme))
    )
    return LayerColumns(recognized, ignored, wanted)


def _by(draft: Draft, ours: str, theirs: str) -> str:
    if ours in draft.section.constants:
        return "a constant of the county file"
    if ours in draft.section.columns:
        return "the county file"
    return "a published schema" if ours in draft.published and ours == theirs else "its name"


def _is_wanted(when: tuple[str, ...], programme: ProgrammeSection) -> bool:
    if when == ALWAYS:
        return True
    return any(getattr(programme, key) not in (None, {}) for key in when)


def ask(drafts: Mapping[str, Draft], programme: ProgrammeSection, log: ProblemLog) -> None:
    """Log what the office has to answer, a problem for each layer and column."""
    for name, draft in drafts.items():
        columns = layer_columns(draft, programme)
        for ours in columns.wanted:
            _ask_for_column(draft, ours, columns.ignored, log)
        for ours, words in draft.unexplained.items():
            text = listed([f"{word!r} {n}" for word, n in words.most_common()], _SHOWN)
            choices = ", ".join(draft.schema.column(ours).codes)
            pairs = ", ".join(f'{_quoted(word)} = "..."' for word, _ in words.most_common(_SHOWN))
            message = (
                f"{ours} has values that are not recognized (rows of each): {text}."
                f" Fix: add values = {{ {ours} = {{ {pairs} }} }}"
                + (f", each ... being one of {choices}" if choices else "")
            )
            folded = [fold_code(word) for word in words]
            log.add(name, "code_unheard", message, action="kept", column=ours, words=folded)
        reasons = draft.ledger.reasons()
        if len(draft.ledger) and not draft.ledger.is_used.any() and "crs_missing" not in reasons:
            _ask_for_layer(draft, reasons, columns, log)


def _ask_for_column(draft: Draft, ours: str, ignored: tuple[str, ...], log: ProblemLog) -> None:
    there = listed([repr(name) for name in ignored], _SHOWN) or "none"
    fitting = listed([repr(name) for name in ignored if _fits(draft, ours, name)], _SHOWN)
    by_values = f" Likely, by its values: {fitting}." if fitting else ""
    message = (
        f"no column is recognized as {ours}. It is needed for {draft.schema.serves}."
        f" Columns not used: {there}.{by_values} Fix: add {columns_line({ours: '...'})}"
    )
    if draft.schema.column(ours).kind != "id":
        message += f'; or, if all rows have the same value, constants = {{ {ours} = "..." }}'
    log.add(draft.schema.name, "column_wanted", message, action="kept", column=ours)


def _fits(draft: Draft, ours: str, theirs: str) -> bool:
    """Whether most cells of a column that is not used could be what is asked for.

    Of numbers, ids and free text nothing can be said.
    """
    column = draft.schema.column(ours)
    cells = pd.Series(
        [cell for cell in draft.raw.texts(theirs) if not is_blank(cell)], dtype=object
    )
    known: Callable[[str], object] | None = _KNOWN.get((draft.schema.name, ours))
    if known is not None:
        wrong = sum(not known(cell) for cell in cells)
    elif column.kind in ("code", "date", "flag"):
        wrong = len(clean_column(cells, column, as_of=dt.date.max, factor=1.0, theirs={})[1])
    else:
        return False
    return len(cells) > 0 and wrong <= _MISFITS * len(cells)


def _ask_for_layer(
    draft: Draft, reasons: Mapping[str, int], columns: LayerColumns, log: ProblemLog
) -> None:
    why = ", ".join(f"{code} {n}" for code, n in reasons.items())
    taken = listed([f"{one.theirs!r} as {one.ours}" for one in columns.recognized], _SHOWN)
    there = listed([repr(name) for name in columns.ignored], _SHOWN)
    message = (
        f"none of the {len(draft.ledger)} rows can be used ({why})."
        f" Columns used: {taken or 'none'}. Columns not used: {there or 'none'}"
    )
    log.add(draft.schema.name, "layer_set_aside", message, action="layer_left_out")


def silent_codes(
    drafts: Mapping[str, Draft], layers: Mapping[str, pd.DataFrame], programme: ProgrammeSection
) -> list[str]:
    """Notes on columns of words that a layer lacks, or that say nothing in any row."""
    notes = []
    for name, draft in drafts.items():
        wanted = layer_columns(draft, programme).wanted
        never = [
            column.name
            for column in draft.schema.columns
            if column.kind == "code" and column.name not in wanted and name in layers
            and len(layers[name]) and (layers[name][column.name] == "unknown").all()
        ]  # fmt: skip
        if never:
            layer = name.replace("_", " ")
            notes.append(f"Not on record for any row of {layer}: {', '.join(never)}.")
    return notes


def not_found(log: ProblemLog) -> list[str]:
    """Notes on accepted faults that are no longer there."""
    return [
        f"{one.by} accepted {_called(one)}, which no longer occurs. Remove it from [[accepted]]."
        for one in log.accepted
        if one not in log.seen
    ]


def _called(one: Acceptance) -> str:
    of = f"{one.layer}.{one.column}" if one.column else one.layer
    return f"{one.code} in {of}"


def _quoted(word: str) -> str:
    return json.dumps(word, ensure_ascii=False)
