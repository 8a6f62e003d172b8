"""``priorities.xlsx``: the score once more, as formulas a skeptic can check and change.

Four sheets: what is known of each unit, the parts with their weights and curves, the score of
each unit calculated from the two by the spreadsheet program itself, and what the columns are.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from geo.publish.shared import words
from geo.publish.tables.spreadsheet_values import ScoreInput, ScoreValues, score_values
from geo.results import cautions
from layers.files.workbook import Cell, Changeable, Formula, Heading, Sheet, workbook_bytes
from layers.outputs import UNITS
from layers.store import Assessment

_AXES: Final = ("likelihood", "harm")
_BELOW: Final = -1e300  # lower than any value: a curve is level before its first point
_RANKED_UP_TO: Final = 5_000  # ranking again takes a spreadsheet the square of this
_FIRST_ROW: Final = 2
LACKING: Final = "not known"
_READ_ME: Final = (
    "Change a yellow cell, then look at the sheet 'Score'. Its formulas check each score.",
    "If the scores do not change, your program only shows the file. Turn on editing.",
    "Score = 100 x likelihood x harm. Each of the two is a sum of weight x rating, from 0 to 1.",
    (
        "A likelihood part adds 50 x weight x rating x harm points. A harm part adds 50 x weight x"
        " rating x likelihood. All parts add up to the score."
    ),
    "A part's curve gives the rating: straight between its points, level beyond them.",
    "If a part has several inputs, only the highest rating counts.",
    (
        "If no input is known, the rating for unknown counts. If an important input is not known,"
        " the rating is never below the rating for unknown."
    ),
    cautions.NO_SOURCE,
    cautions.SCREENING,
)


def score_workbook(assessment: Assessment) -> bytes:
    """The spreadsheet of an assessment: sheets ``Units``, ``Parts``, ``Score`` and ``Columns``.

    Raises
    ------
    ValueError
        When the run does not hold the parts with their curves.
    """
    run = assessment.run
    parts: Mapping[str, Mapping[str, Any]] = run.parts
    inputs = _inputs(parts)
    if not parts or {item.part for item in inputs} != set(parts):
        raise ValueError(
            "this assessment does not hold the curves of its parts; run the assessment again"
        )
    units = assessment.units
    not_scored = run.not_scored
    columns = _input_columns(units, inputs, not_scored)
    values = score_values(units, parts, inputs, not_scored)
    off = float(abs(values.score - units["score"].to_numpy(float)).max(initial=0.0))
    method = _Method(parts, inputs, not_scored, units=len(units), off=off)
    county = run.county.name
    return workbook_bytes(
        [
            Sheet("Units", _unit_rows(units, columns), [14] + [13] * len(columns), "B2"),
            Sheet("Parts", method.rows(county, run.as_of), [26, 34, *[14] * 5], ""),
            Sheet(
                "Score",
                _score_rows(units, columns, method, values),
                [14] + [12] * (7 + 2 * len(parts) + len(inputs)),
                "B2",
            ),
            Sheet("Columns", _column_rows(columns), [52, 30, 8, 60, 60], "A2"),
        ],
        title=f"{county}: inspection order as formulas",
        day=dt.date.fromisoformat((run.as_of or "2000-01-01")[:10]),
        names=method.names,
    )


def _inputs(parts: Mapping[str, Mapping[str, Any]]) -> list[ScoreInput]:
    found: list[ScoreInput] = []
    for name, part in parts.items():
        for item in part.get("of") or [part]:
            if item.get("curve") or item.get("ratings"):
                found.append(
                    ScoreInput(
                        number=len(found) + 1,
                        part=name,
                        column=item["column"],
                        unit=item.get("unit", ""),
                        unless=item.get("unless", ""),
                        weighty=bool(item.get("weighty", True)),
                        curve=[(float(x), float(y)) for x, y in item.get("curve") or []],
                        ratings=item.get("ratings") or {},
                    )
                )
    return found


def _input_columns(
    units: pd.DataFrame, inputs: Sequence[ScoreInput], not_scored: Mapping[str, Any]
) -> list[str]:
    """Columns the formulas read, those that are there; one that is not is unknown for all."""
    wanted = [
        *not_scored,
        *(
            column
            for item in inputs
            for column in (item.column, item.unless, *UNITS.field(item.column).none_where)
            if column
        ),
    ]
    return [name for name in dict.fromkeys(wanted) if name in units]


# ------------------------------------------------------------------------------------------ units


def _unit_rows(units: pd.DataFrame, columns: Sequence[str]) -> Iterator[list[Cell]]:
    yield [Heading(UNITS.field(name).heading) for name in ("unit_id", *columns)]
    values = [_cells(units[name]) for name in columns]
    for unit, *row in zip(units["unit_id"].astype(str), *values, strict=True):
        yield [unit, *row]


def _column_rows(columns: Sequence[str]) -> Iterator[list[Cell]]:
    """What each column of the sheet of units is, and its name in the files."""
    yield [Heading(text) for text in ("column", "name in files", "unit", "empty means", "codes")]
    for name in ("unit_id", *columns):
        field = UNITS.field(name)
        codes = "; ".join(f"{code}: {words}" for code, words in field.codes.items())
        yield [field.heading, name, field.unit, field.null or "never empty", codes]


def _cells(column: pd.Series) -> list[Cell]:
    """A column as cells: numbers as numbers, days as ISO text, all else as text; null is empty."""
    kind = getattr(column.dtype, "kind", "O")
    if kind == "M":
        days = column.dt.strftime("%Y-%m-%d")
        return [None if pd.isna(day) else day for day in days]
    return [_cell(value) for value in column.tolist()]


def _cell(value: Any) -> Cell:
    if value is None or value is pd.NA:
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return value if math.isfinite(value) else None
    return str(value)


# ------------------------------------------------------------------------------------------ parts


class _Method:
    """The sheet of parts, and the names by which formulas reach into it."""

    def __init__(
        self,
        parts: Mapping[str, Mapping[str, Any]],
        inputs: Sequence[ScoreInput],
        not_scored: Mapping[str, Sequence[str]],
        *,
        units: int,
        off: float,
    ) -> None:
        self.parts, self.inputs, self.not_scored = parts, inputs, not_scored
        self.last_row, self.off = units + 1, off
        self.names: dict[str, str] = {}
        self._rows: list[list[Cell]] = []

    def rows(self, county: str, as_of: str) -> list[list[Cell]]:
        """All rows; fills `names` on the way."""
        if not self._rows:
            self._write(county, as_of)
        return self._rows

    def number(self, part: str) -> int:
        """The place of a part among all, which names its cells."""
        return list(self.parts).index(part) + 1

    def _add(self, *cells: Cell) -> int:
        self._rows.append(list(cells))
        return len(self._rows)

    def _write(self, county: str, as_of: str) -> None:
        self._add(Heading(f"{county}: how the score works, as of {words.date(as_of)}"))
        for line in _READ_ME:
            self._add(line)
        self._add()
        largest = f"MAX(MAX(Score!D2:D{self.last_row}),-MIN(Score!D2:D{self.last_row}))"
        self._add(
            "Largest difference from Rillmark's own score, with this file as it is now",
            None,
            Formula(f"={largest}", self.off),
        )
        self._add()
        self._add(
            *(Heading(h) for h in ("part", "label", "weight", "rating if unknown", "axis")),
            Heading("source"),
            Heading("why it counts"),
        )
        first = len(self._rows) + 1
        for i, (name, part) in enumerate(self.parts.items(), start=1):
            row = self._add(
                name,
                str(part.get("label", name)),
                Changeable(part["weight"]),
                Changeable(part["unknown"]),
                str(part["axis"]),
                str(part.get("source", "")),
                str(part.get("reason", "")),
            )
            self.names[f"weight_{i}"] = f"Parts!$C${row}"
            self.names[f"unknown_{i}"] = f"Parts!$D${row}"
        last = len(self._rows)
        for axis in _AXES:
            self._add(
                f"sum of {axis} weights (must be 1)",
                None,
                Formula(
                    f'=SUMIF(E{first}:E{last},"{axis}",C{first}:C{last})',
                    sum(part["weight"] for part in self.parts.values() if part["axis"] == axis),
                ),
            )
        self._not_scored()
        for item in self.inputs:
            self._add()
            label = str(self.parts[item.part].get("label", item.part))
            measure = f" ({item.unit})" if item.unit else ""
            self._add(
                Heading(f"{UNITS.field(item.column).alias}{measure}"),
                f"input {item.number}: {label}",
            )
            if item.unless:
                self._add(f"not used when this is known: {UNITS.field(item.unless).alias}")
            if item.curve:
                self._curve(item)
            else:
                self._words(item)

    def _not_scored(self) -> None:
        for i, (column, listed) in enumerate(self.not_scored.items(), start=1):
            if not listed:
                continue
            self._add()
            self._add(Heading(f"{UNITS.field(column).alias}: no score, ranked last"))
            rows = [self._add(str(word)) for word in listed]
            self.names[f"left_out_{i}"] = f"Parts!$A${rows[0]}:$A${rows[-1]}"

    def _curve(self, item: ScoreInput) -> None:
        """Rating = base + slope x value from each point on; the first row is what lies below."""
        self._add(*(Heading(h) for h in ("from", "rating at this point", "slope", "base")))
        first = item.curve[0][1]
        top = self._add(_BELOW, Formula(f"=B{len(self._rows) + 2}", first), 0, None)
        self._rows[-1][3:] = [Formula(f"=B{top}", first), "below the first point"]
        for k, (x, y) in enumerate(item.curve):
            after = item.curve[min(k + 1, len(item.curve) - 1)]
            slope = (after[1] - y) / (after[0] - x) if after[0] > x else 0.0
            row = len(self._rows) + 1
            last = k == len(item.curve) - 1
            self._add(
                Changeable(x),
                Changeable(y),
                0 if last else Formula(f"=(B{row + 1}-B{row})/(A{row + 1}-A{row})", slope),
                Formula(f"=B{row}-C{row}*A{row}", y - slope * x),
            )
        bottom = len(self._rows)
        for name, column in (("from", "A"), ("slope", "C"), ("base", "D")):
            self.names[f"{name}_{item.number}"] = f"Parts!${column}${top}:${column}${bottom}"

    def _words(self, item: ScoreInput) -> None:
        self._add(Heading("word"), Heading("rating"))
        rows = [self._add(str(word), Changeable(r)) for word, r in item.ratings.items()]
        self.names[f"word_{item.number}"] = f"Parts!$A${rows[0]}:$A${rows[-1]}"
        self.names[f"rating_{item.number}"] = f"Parts!$B${rows[0]}:$B${rows[-1]}"


# ------------------------------------------------------------------------------------------ score


def _score_rows(
    units: pd.DataFrame, columns: Sequence[str], method: _Method, values: ScoreValues
) -> Iterator[list[Cell]]:
    places = {name: _letters(i) for i, name in enumerate(columns, start=2)}
    parts, inputs = list(method.parts), method.inputs
    ranked = len(units) <= _RANKED_UP_TO
    heads = ["unit_id", "score by Rillmark", "score by these formulas", "difference", "likelihood",
             "harm", *(["rank by score alone"] if ranked else [])]  # fmt: skip
    at_share = len(heads) + 1
    at_part = at_share + len(parts)
    at_input = at_part + len(parts)
    labels = [str(method.parts[name].get("label", name)) for name in parts]
    yield [
        Heading(text)
        for text in (
            *heads,
            *(f"points: {label}" for label in labels),
            *(f"rating: {label}" for label in labels),
            *(f"rating: {UNITS.field(item.column).alias}" for item in inputs),
        )
    ]
    share = {name: _letters(at_share + i) for i, name in enumerate(parts)}
    rating = {name: _letters(at_part + i) for i, name in enumerate(parts)}
    of_input = {item.number: _letters(at_input + i) for i, item in enumerate(inputs)}
    templates = [
        *_score_formulas(method, places, rating, ranked=ranked),
        *(_share_formula(method, name, rating) for name in share),
        *(_part_formula(method, name, of_input) for name in parts),
        *(_input_formula(item, places) for item in inputs),
    ]
    pieces = [template.split("{r}") for template in templates]
    results = _results(units, method, values, ranked=ranked)
    ids, scores = units["unit_id"].astype(str), _cells(units["score"])
    for row, (unit, score, *given) in enumerate(
        zip(ids, scores, *results, strict=True), start=_FIRST_ROW
    ):
        r = str(row)
        yield [
            unit,
            score,
            *(
                Formula(r.join(p), "" if v != v else v) if p[0].startswith("=") else None
                for p, v in zip(pieces, given, strict=True)
            ),
        ]


def _results(
    units: pd.DataFrame, method: _Method, values: ScoreValues, *, ranked: bool
) -> list[list[Any]]:
    """What the formulas of `_score_rows` give, column by column; NaN where one gives nothing."""
    off = values.score - units["score"].to_numpy(float)
    columns = [values.score, off, values.likelihood, values.harm]
    if ranked:
        columns.append(pd.Series(values.score).rank(method="min", ascending=False).to_numpy())
    columns += [values.share[name] for name in method.parts]
    columns += [values.of_part[name] for name in method.parts]
    of_inputs = [
        np.where(values.lacking[item.number], LACKING, values.of_input[item.number].astype(object))
        for item in method.inputs
    ]
    return [column.tolist() for column in (*columns, *of_inputs)]


def _score_formulas(
    method: _Method, places: Mapping[str, str], rating: Mapping[str, str], *, ranked: bool
) -> list[str]:
    sums = {
        axis: "+".join(
            f"weight_{method.number(name)}*{rating[name]}{{r}}"
            for name, part in method.parts.items()
            if part["axis"] == axis
        )
        for axis in _AXES
    }
    left_out = [
        f"SUMPRODUCT(EXACT(left_out_{i},Units!{places[column]}{{r}})*1)"
        for i, (column, listed) in enumerate(method.not_scored.items(), start=1)
        if column in places and listed
    ]
    likelihood = f"IF({'+'.join(left_out)}>0,0,{sums['likelihood']})"
    formulas = [
        "=100*E{r}*F{r}",
        "=C{r}-B{r}",
        f"={likelihood if left_out else sums['likelihood']}",
        f"={sums['harm']}",
    ]
    if ranked:
        formulas.append(f'=COUNTIF(C$2:C${method.last_row},">"&C{{r}})+1')
    return formulas


def _share_formula(method: _Method, name: str, rating: Mapping[str, str]) -> str:
    """A likelihood part of a row that is left out has no share: its likelihood is 0."""
    own = f"50*weight_{method.number(name)}*{rating[name]}{{r}}"
    if method.parts[name]["axis"] == "harm":
        return f"={own}*E{{r}}"
    return f"=IF(E{{r}}=0,0,{own}*F{{r}})"


def _part_formula(method: _Method, name: str, of_input: Mapping[int, str]) -> str:
    """The largest rating of the known inputs; no lower than that for unknown if one is lacking."""
    own = [of_input[item.number] for item in method.inputs if item.part == name]
    unknown = f"unknown_{method.number(name)}"
    if len(own) == 1:
        return f"=IF(ISNUMBER({own[0]}{{r}}),{own[0]}{{r}},{unknown})"
    cells = f"{own[0]}{{r}}:{own[-1]}{{r}}"
    lacks = f'OR(COUNT({cells})=0,COUNTIF({cells},"{LACKING}")>0)'
    return f"=IF({lacks},MAX({unknown},{cells}),MAX({cells}))"


def _input_formula(item: ScoreInput, places: Mapping[str, str]) -> str:
    """The rating of one input; an empty text where it is passed over or does not weigh.

    `LACKING` where it weighs and is not known; 0 where it is known that there is none.
    """
    lacking = f'"{LACKING}"' if item.weighty else '""'
    better = f"Units!{places[item.unless]}{{r}}" if item.unless in places else ""
    if item.column not in places:
        return f'=IF({_is_open(better, item.unless)},{lacking},"")' if better else f"={lacking}"
    cell, n = f"Units!{places[item.column]}{{r}}", item.number
    if item.curve:
        known = f"ISNUMBER({cell})"
        value = f"LOOKUP({cell},from_{n},base_{n})+{cell}*LOOKUP({cell},from_{n},slope_{n})"
    else:
        known = f"SUMPRODUCT(EXACT(word_{n},{cell})*1)>0"
        value = f"SUMPRODUCT(EXACT(word_{n},{cell})*rating_{n})"
    nothing = [
        f'EXACT(Units!{places[column]}{{r}},"{code}")'
        for column, codes in UNITS.field(item.column).none_where.items()
        if column in places
        for code in codes
    ]
    unknown = f'IF({_is_open(cell, item.column)},{lacking},"")'
    if nothing:
        unknown = f'IF(AND({cell}="",OR({",".join(nothing)})),0,{unknown})'
    found = f"IF({known},{value},{unknown})"
    if not better:
        return f"={found}"
    is_needed = f"OR({_is_open(better, item.unless)},{_is_left_open(cell, item.column)})"
    return f'=IF({is_needed},{found},"")'


def _is_open(cell: str, column: str) -> str:
    """Whether what a cell of a column holds is not known."""
    return f'OR({cell}="",{_is_left_open(cell, column)})'


def _is_left_open(cell: str, column: str) -> str:
    """Whether a cell of a column says itself that it is not known."""
    tests = [f'EXACT({cell},"{code}")' for code in UNITS.field(column).open_codes]
    return f"OR({','.join(tests)})"


def _letters(column: int) -> str:
    """A column's letters: 1 is A, 27 is AA."""
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text
