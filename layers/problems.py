"""One record per fault of the input, and the list of codes.

A row that cannot be used is set aside with a problem row, never dropped in silence; a row that
could be mended is corrected with a problem row; a row that is only doubtful is kept with one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Final, Literal

import pandas as pd

Severity = Literal["error", "warning", "note"]
Action = Literal["set_aside", "corrected", "kept", "layer_left_out"]


@dataclass(frozen=True)
class Code:
    """What a problem code means and what the fault costs the result.

    Attributes
    ----------
    asks
        Whether the office has to answer: until it is mended or accepted (`[[accepted]]` of the
        county file), commands that read the county end with status 1.
    """

    severity: Severity
    cost: str
    asks: bool = False


CODES: Final[dict[str, Code]] = {
    # reference systems and coordinates
    "crs_missing": Code("error", "the layer cannot be placed and is left out", asks=True),
    "crs_inferred": Code("warning", "places are right only if the system taken is right"),
    "crs_transform_coarse": Code("warning", "positions moved between datums without a shift grid"),
    "coordinates_missing": Code("error", "the row has no place and is set aside"),
    "coordinates_zero": Code("error", "a zero coordinate is a blank; the row is set aside"),
    "coordinates_swapped": Code("warning", "latitude and longitude were exchanged and put right"),
    "coordinates_coarse": Code("warning", "its distances are no better than its decimals"),
    "outside_county": Code("error", "the row lies far from the units and is set aside"),
    "placed_at_parcel": Code("warning", "the place is only that of the parcel"),
    # ids
    "id_missing": Code("error", "the row is called by its number, and nothing can refer to it"),
    "id_duplicate": Code(
        "error", "a row that says the same is not used twice; another gets a numbered id"
    ),
    "id_spreadsheet_number": Code("warning", "an id like 12.0 was matched to 12"),
    # geometry
    "geometry_missing": Code("error", "the row has no shape and is set aside"),
    "geometry_empty": Code("error", "the row has an empty shape and is set aside"),
    "geometry_invalid": Code("warning", "the shape crosses itself and was mended"),
    "geometry_unusable": Code("error", "the shape could not be mended and is set aside"),
    "geometry_wrong_kind": Code("error", "the shape is of another kind than the layer needs"),
    "geometry_has_z": Code("note", "heights stored with the shape are not used"),
    "stream_outline": Code("note", "distances are to the bank; a place inside it is at the water"),
    "shared_position": Code("warning", "the point stands for a section or parcel, not for a well"),
    "nested_wells": Code("note", "they are taken to stand at one place, as they say"),
    "outline_middle": Code("warning", "its place is good to the size of the outline"),
    "geometry_duplicate": Code("note", "two rows have the same shape"),
    # values
    "code_unknown": Code("warning", "the value is taken as unknown"),
    "number_unreadable": Code("warning", "the value is taken as unknown"),
    "number_impossible": Code("warning", "the value is taken as unknown"),
    "date_unreadable": Code("warning", "the date is taken as unknown"),
    "date_in_future": Code("warning", "the date is taken as unknown"),
    "date_year_only": Code("note", "the date may be off by half a year"),
    "date_order_taken": Code("note", "day and month are exchanged if they were written otherwise"),
    "unit_from_heading": Code("note", "its lengths are wrong if the heading is"),
    "unit_contradicts_heading": Code("warning", "its lengths may be wrong by the units' ratio"),
    "text_controls": Code("note", "control characters were removed"),
    "layer_columns_missing": Code("error", "the part this layer serves is not computed", asks=True),
    "column_wanted": Code("error", "the layer cannot answer what it is read for", asks=True),
    "code_unheard": Code(
        "error", "the county file does not explain a code; such rows count as not known", asks=True
    ),
    "column_missing": Code("warning", "what the column would tell is unknown"),
    # published schemas
    "not_surface_water": Code("note", "no water at the surface: nothing is measured to it"),
    "artificial_path": Code("note", "the middle of a water body is not its bank"),
    "codes_disagree": Code("warning", "one of two codes that disagree was believed"),
    "flood_flag_contradicts": Code("warning", "the zone was believed; it is not taken as minimal"),
    "land_cover_unknown": Code(
        "warning", "runoff there is taken as that of the wettest ground it may be"
    ),
    "storms_unreadable": Code("error", "no water of a storm can be computed", asks=True),
    "flood_datum_differs": Code("warning", "no depth of flood is computed there"),
    "flood_datum_unstated": Code("warning", "no depth of flood is computed there"),
    "flood_unit_unstated": Code("warning", "base flood elevations may be wrong by a factor of 3.3"),
    # links
    "discharge_point_without_unit": Code("warning", "nobody answers for what runs out there"),
    "unit_unknown": Code("warning", "the row names a unit that is not in the list"),
    "discharge_point_missing": Code("warning", "locate first: the way of the water is unknown"),
    "link_unconfirmed": Code("note", "the discharge point is a guess until a visit confirms it"),
    "link_tied": Code("note", "two candidates were equally near; the first id was taken"),
    "pipe_too_long": Code("warning", "the link may be wrong; it is kept unconfirmed"),
    "discharge_point_uphill": Code("warning", "the outlet is above its unit, which is not pumped"),
    "outlet_kind_unknown": Code("note", "its water is followed over the ground"),
    "discharge_points_several": Code("note", "distances and paths are those of the first by id"),
    # layers against each other
    "unit_on_water": Code("warning", "its place, or the outline of the water, is wrong"),
    "unit_off_parcels": Code("warning", "its place is wrong, or the parcels are not complete"),
    "unit_off_its_parcel": Code("warning", "its place, or its parcel, is wrong"),
    "parcel_id_unknown": Code("warning", "its parcel cannot place it, nor tell who else is on it"),
    "parcels_merged": Code("warning", "its parcel cannot place it, nor tell who else is on it"),
    "discharge_point_off_parcel": Code("warning", "the link, or one of the two places, is wrong"),
    "well_on_unit": Code("warning", "distances to the well are not to be trusted"),
    # rules
    "variance_incomplete": Code("warning", "the variance has no effect until that is known"),
    "variance_several": Code("warning", "the longer distance holds until one is withdrawn"),
    "tape_incomplete": Code("warning", "it counts only where it makes a verdict graver"),
    "tape_unmatched": Code("note", "the map does not show what it was taped to: look at its id"),
    "tape_contradicts_map": Code("warning", "the graver of the two holds until one is put right"),
    # terrain
    "terrain_missing": Code("warning", "no ponding, no flow path, no drop can be computed"),
    "terrain_unreadable": Code(
        "error", "no ponding, no flow path, no drop can be computed", asks=True
    ),
    "terrain_unit_unstated": Code("error", "heights may be wrong by a factor of 3.28"),
    "terrain_unit_doubtful": Code("error", "heights, drops and depths may be wrong by 3.28"),
    "terrain_accuracy_unstated": Code("note", "chances of ponding cannot be computed"),
    "terrain_void": Code("note", "holes inside the terrain were closed by interpolation"),
    "terrain_off": Code("warning", "the place lies off the terrain: nothing known of its ground"),
    "terrain_edge": Code("warning", "water over the place is not known, and it is rated so"),
    "permit_unknown": Code("warning", "by which rules to judge the unit is not known"),
    "zones_overlap": Code("warning", "the gravest zone and the deepest water count"),
    "parcels_overlap": Code("warning", "which of them a unit stands on is not known"),
    "drawn_uphill": Code("warning", "its water is followed the other way, down the terrain"),
    "culvert_unusable": Code("warning", "the embankment above stays closed in the terrain"),
    # records
    "record_unreadable": Code("error", "what it says is not known until a sound copy is added"),
    "record_file_changed": Code("error", "nothing in it is used until a sound copy is added"),
    "record_file_gone": Code("error", "what it said is not known until a copy is added"),
    "record_two_contents": Code("error", "the graver one counts until one of them is withdrawn"),
    "record_conflict": Code("warning", "both are kept; the later one is used"),
    "record_loose": Code("note", "a word about a record nobody has changes nothing"),
    "record_position_doubtful": Code("warning", "the place on record is kept"),
    "record_position_taken": Code("note", "its place is the one taken on site"),
    "crossing_closed": Code("warning", "the road holds water back in the terrain"),
    "water_sloping": Code("note", "it is taken for a river: its surface is not made flat"),
    "water_past_outlet": Code("note", "its level is kept; the outline takes in lower ground"),
    # layers and rules
    "layer_missing": Code("warning", "the part this layer serves is not computed"),
    "layer_empty": Code("warning", "the part this layer serves is not computed", asks=True),
    "layer_set_aside": Code("error", "the part this layer serves is not computed", asks=True),
    "file_remark": Code("warning", "the file may be damaged: rows may be missing or changed"),
    "layer_unreadable": Code("error", "the part this layer serves is not computed", asks=True),
    "rules_not_adopted": Code("note", "setbacks are measured but no rule is in force"),
    "accuracy_unstated": Code("note", "the position is taken as no better than an address"),
}


@dataclass(frozen=True)
class Problem:
    """One thing wrong or missing in the input.

    Attributes
    ----------
    layer
        The layer as `county.toml` names it.
    row
        The row as its reader would count it: for a spreadsheet or CSV the line number with the
        header as line 1, else the feature's position from 1; None for a whole layer.
    feature_id
        The row's id as it is used afterwards, or None.
    code
        A key of `CODES`.
    message
        What was met, in words, with the value.
    action
        What was done about it.
    accepted_until
        The last day on which the office lives with a fault that asks for an answer; it clears
        nothing by that. None where it does not.
    """

    layer: str
    row: int | None
    feature_id: str | None
    code: str
    severity: Severity
    message: str
    action: Action
    accepted_until: dt.date | None = None


@dataclass(frozen=True)
class Acceptance:
    """A fault an office lives with for a time: which, and until when.

    Attributes
    ----------
    column
        Ours, where the fault is one of a column.
    words
        The unexplained words it stands for; one more and the fault asks again.
    """

    layer: str
    code: str
    column: str
    words: frozenset[str]
    by: str
    until: dt.date

    def covers(self, layer: str, code: str, column: str, words: frozenset[str]) -> bool:
        """Whether a fault is the one that was accepted, whatever the day."""
        return (self.layer, self.code, self.column) == (layer, code, column) and (
            words <= self.words
        )


PLACELESS: Final = (
    "coordinates_missing", "coordinates_zero", "geometry_missing", "geometry_empty",
    "geometry_unusable", "geometry_wrong_kind",
)  # fmt: skip
"""Codes of rows set aside because nobody knows where they are."""
NOT_GIVEN: Final = ("layer_missing", "terrain_missing")
"""Codes of layers that the county does not have, which is no fault."""
ASKING: Final = tuple(code for code, means in CODES.items() if means.asks)
"""Codes of faults the office has to answer."""
COLUMNS: Final = [
    "layer", "row", "feature_id", "code", "severity", "message", "action", "accepted_until"
]  # fmt: skip


@dataclass
class ProblemLog:
    """Gathers problems while a county is read and assessed.

    Attributes
    ----------
    accepted
        Faults the office lives with.
    as_of
        The day on which it does; None where nothing is accepted.
    """

    problems: list[Problem] = field(default_factory=list)
    accepted: Sequence[Acceptance] = ()
    as_of: dt.date | None = None
    seen: set[Acceptance] = field(default_factory=set)

    def add(
        self,
        layer: str,
        code: str,
        message: str,
        *,
        action: Action,
        row: int | None = None,
        feature_id: str | None = None,
        column: str = "",
        words: Sequence[str] = (),
    ) -> None:
        """Record one fault; the severity is the code's own.

        Parameters
        ----------
        column, words
            Our column and what was heard in it, where the fault is one of a column.

        Raises
        ------
        KeyError
            For a code that is not in `CODES`.
        """
        severity = CODES[code].severity
        row = row or None  # rows are counted from 1; what comes from a record has none
        until = None
        for one in self.accepted:
            if not one.covers(layer, code, column, frozenset(words)):
                continue
            self.seen.add(one)
            if self.as_of is not None and self.as_of <= one.until:
                until = max(one.until, until or one.until)
            else:
                message += f" ({one.by} accepted this until {one.until}, which is past)"
        self.problems.append(
            Problem(layer, row, feature_id, code, severity, message, action, until)
        )

    def frame(self) -> pd.DataFrame:
        """All problems, in a stable order: layer, row, code."""
        return problem_frame(self.problems)


def problem_frame(problems: list[Problem]) -> pd.DataFrame:
    """Problems as a table with the columns of `COLUMNS`; ``row`` is a nullable integer."""
    ordered = sorted(
        problems,
        key=lambda p: (p.layer, p.row if p.row is not None else -1, p.code, p.feature_id or ""),
    )
    frame = pd.DataFrame([asdict(p) for p in ordered], columns=COLUMNS)
    return frame.astype({"row": "Int64", "accepted_until": "datetime64[ms]"})


def is_accepted(problems: pd.DataFrame) -> pd.Series:
    """Which problems the office lives with for now; none in tables of before it could."""
    if "accepted_until" not in problems:
        return pd.Series(data=False, index=problems.index, dtype=bool)
    return problems["accepted_until"].notna()


def unanswered(problems: pd.DataFrame) -> pd.DataFrame:
    """Problems that ask for an answer and have none: with them commands end with status 1."""
    return problems[problems["code"].isin(ASKING) & ~is_accepted(problems)]


def merge_problems(*frames: pd.DataFrame) -> pd.DataFrame:
    """Problem tables as one, in the order of `problem_frame`."""
    records = [Problem(**row) for frame in frames for row in frame.to_dict("records")]
    plain = [
        replace(
            p,
            row=None if pd.isna(p.row) else p.row,
            feature_id=None if pd.isna(p.feature_id) else p.feature_id,
            accepted_until=_day(p.accepted_until),
        )
        for p in records
    ]
    return problem_frame(plain)


def _day(value: object) -> dt.date | None:
    return None if pd.isna(value) else pd.Timestamp(str(value)).date()
