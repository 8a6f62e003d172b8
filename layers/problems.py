"""One record per fault of the input, and the list of codes.

A row that cannot be used is set aside with a problem row, never dropped in silence; a row that
could be corrected is corrected with one; a row that is only doubtful is kept with one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from types import MappingProxyType
from typing import Final, Literal

import pandas as pd

Severity = Literal["error", "warning", "note"]
Action = Literal["set_aside", "corrected", "kept", "layer_left_out"]
ACTION_WORDS: Final = MappingProxyType(
    {
        "set_aside": "not used",
        "corrected": "corrected",
        "kept": "used with a warning",
        "layer_left_out": "layer not used",
    }
)
"""What was done, in words."""


@dataclass(frozen=True)
class Code:
    """What a problem code means and what the fault costs the result.

    Attributes
    ----------
    asks
        Whether the office has to answer: until it is fixed or accepted (`[[accepted]]` of the
        county file), commands that read the county end with status 1.
    """

    severity: Severity
    cost: str
    asks: bool = False


CODES: Final[dict[str, Code]] = {
    # reference systems and coordinates
    "crs_missing": Code("error", "the layer cannot be placed and is not used", asks=True),
    "crs_inferred": Code(
        "warning", "positions are right only if the assumed coordinate system is right"
    ),
    "crs_transform_coarse": Code(
        "warning", "positions were moved between datums without a shift grid"
    ),
    "coordinates_missing": Code("error", "the row has no position and is not used"),
    "coordinates_zero": Code("error", "a zero coordinate counts as blank; the row is not used"),
    "coordinates_swapped": Code("warning", "latitude and longitude were swapped back"),
    "coordinates_coarse": Code("warning", "its distances are only as exact as its decimals"),
    "outside_county": Code("error", "the row is far from the units and is not used"),
    "placed_at_parcel": Code("warning", "the position is only the middle of the parcel"),
    # ids
    "id_missing": Code("error", "the row goes by its row number; no other table can refer to it"),
    "id_duplicate": Code(
        "error", "an identical row is not used twice; a different one gets a numbered id"
    ),
    "id_spreadsheet_number": Code("warning", "an id like 12.0 was matched to 12"),
    # geometry
    "geometry_missing": Code("error", "the row has no shape and is not used"),
    "geometry_empty": Code("error", "the row has an empty shape and is not used"),
    "geometry_invalid": Code("warning", "the shape crossed itself and was repaired"),
    "geometry_unusable": Code("error", "the shape could not be repaired; the row is not used"),
    "geometry_wrong_kind": Code(
        "error", "the layer needs another kind of shape; the row is not used"
    ),
    "geometry_has_z": Code("note", "heights stored with the shape are not used"),
    "stream_outline": Code(
        "note", "distances are to the bank; a place inside the outline is at the water"
    ),
    "shared_position": Code("warning", "the point marks a section or parcel, not the well itself"),
    "nested_wells": Code("note", "they are treated as one place, as their rows say"),
    "outline_middle": Code("warning", "its position is only as exact as the size of the outline"),
    "geometry_duplicate": Code("note", "two rows have the same shape"),
    # values
    "code_unknown": Code("warning", "the value counts as not known"),
    "number_unreadable": Code("warning", "the value counts as not known"),
    "number_impossible": Code("warning", "the value counts as not known"),
    "date_unreadable": Code("warning", "the date counts as not known"),
    "date_in_future": Code("warning", "the date counts as not known"),
    "date_year_only": Code("note", "the date may be wrong by half a year"),
    "date_order_taken": Code(
        "note", "day and month are swapped if the column uses the other order"
    ),
    "unit_from_heading": Code("note", "its lengths are wrong if the heading is wrong"),
    "unit_contradicts_heading": Code("warning", "its lengths may be in the wrong unit"),
    "text_controls": Code("note", "control characters were removed"),
    "layer_columns_missing": Code("error", "what needs this layer is not calculated", asks=True),
    "column_wanted": Code("error", "the layer cannot be used for its purpose", asks=True),
    "code_unheard": Code(
        "error",
        "the county file does not explain the value; such rows count as not known",
        asks=True,
    ),
    "column_missing": Code("warning", "what the column holds is not known"),
    # published schemas
    "not_surface_water": Code("note", "it is not surface water; nothing is measured to it"),
    "artificial_path": Code(
        "note", "the line runs through the middle of a water body, not along its bank"
    ),
    "codes_disagree": Code("warning", "two codes disagree; one of them was used"),
    "flood_flag_contradicts": Code(
        "warning", "the zone was used; the hazard does not count as minimal"
    ),
    "land_cover_unknown": Code(
        "warning", "runoff there is calculated for the wettest ground it may be"
    ),
    "storms_unreadable": Code("error", "ponding after storms is not calculated", asks=True),
    "flood_datum_differs": Code("warning", "flood depth is not calculated there"),
    "flood_datum_unstated": Code("warning", "flood depth is not calculated there"),
    "flood_unit_unstated": Code("warning", "base flood elevations may be wrong by a factor of 3.3"),
    # links
    "discharge_point_without_unit": Code("warning", "no unit is linked to it"),
    "unit_unknown": Code("warning", "the row names a unit that is not in the list"),
    "discharge_point_missing": Code(
        "warning", "locate it first; the path of its discharge is not known"
    ),
    "link_unconfirmed": Code("note", "the discharge point is not confirmed until a visit"),
    "link_tied": Code("note", "two were equally near; the one with the first id was used"),
    "pipe_too_long": Code("warning", "the link may be wrong; it is used as not confirmed"),
    "discharge_point_uphill": Code(
        "warning", "the discharge point is above its unit, and the unit is not pumped"
    ),
    "outlet_kind_unknown": Code("note", "its discharge is traced over the ground"),
    "discharge_points_several": Code(
        "note", "distances and paths are for the one with the first id"
    ),
    # layers against each other
    "unit_on_water": Code("warning", "its position or the outline of the water is wrong"),
    "unit_off_parcels": Code("warning", "its position is wrong, or the parcels are incomplete"),
    "unit_off_its_parcel": Code("warning", "its position or its parcel is wrong"),
    "parcel_id_unknown": Code(
        "warning", "the parcel cannot give its position, or show what else is on it"
    ),
    "parcels_merged": Code(
        "warning", "the parcel cannot give its position, or show what else is on it"
    ),
    "discharge_point_off_parcel": Code("warning", "the link or one of the two positions is wrong"),
    "well_on_unit": Code("warning", "distances to the well cannot be trusted"),
    # rules
    "variance_incomplete": Code("warning", "the variance has no effect until this is known"),
    "variance_several": Code("warning", "the longer distance applies until one is withdrawn"),
    "tape_incomplete": Code("warning", "it counts only where it makes a verdict more severe"),
    "tape_unmatched": Code("note", "the map does not show what it was measured to; check the id"),
    "tape_contradicts_map": Code(
        "warning", "the more severe of the two applies until one is corrected"
    ),
    # terrain
    "terrain_missing": Code("warning", "ponding, flow paths and drops are not calculated"),
    "terrain_unreadable": Code(
        "error", "ponding, flow paths and drops are not calculated", asks=True
    ),
    "terrain_unit_unstated": Code("error", "heights may be wrong by a factor of 3.28"),
    "terrain_unit_doubtful": Code(
        "error", "heights, drops and depths may be wrong by a factor of 3.28"
    ),
    "terrain_accuracy_unstated": Code("note", "chances of ponding are not calculated"),
    "terrain_void": Code("note", "holes in the terrain were filled from the ground around them"),
    "terrain_off": Code(
        "warning", "the place is outside the terrain; nothing is known of its ground"
    ),
    "terrain_edge": Code("warning", "water over the place is not known and is scored as not known"),
    "permit_unknown": Code("warning", "which rules apply to the unit is not known"),
    "zones_overlap": Code("warning", "the most severe zone and the deepest water count"),
    "parcels_overlap": Code("warning", "which parcel a unit is on is not known"),
    "drawn_uphill": Code("warning", "its water is traced the other way, down the terrain"),
    "culvert_unusable": Code("warning", "the road fill above it holds water back in the model"),
    # records
    "record_unreadable": Code("error", "what it says is not known until a good copy is added"),
    "record_file_changed": Code("error", "nothing in it is used until a good copy is added"),
    "record_file_gone": Code("error", "what it said is not known until a copy is added"),
    "record_two_contents": Code("error", "the more severe one counts until one is withdrawn"),
    "record_conflict": Code("warning", "both are kept; the later one is used"),
    "record_loose": Code("note", "an entry about a record that is not on file changes nothing"),
    "record_position_doubtful": Code("warning", "the position on record is kept"),
    "record_position_taken": Code("note", "the position measured on site is used"),
    "crossing_closed": Code("warning", "the road holds water back in the model"),
    "water_sloping": Code("note", "it is treated as a river; its surface is not made level"),
    "water_past_outlet": Code("note", "its level is kept; the outline includes lower ground"),
    # layers and rules
    "layer_missing": Code("warning", "what needs this layer is not calculated"),
    "layer_empty": Code("warning", "what needs this layer is not calculated", asks=True),
    "layer_set_aside": Code("error", "what needs this layer is not calculated", asks=True),
    "file_remark": Code("warning", "the file may be damaged: rows may be missing or changed"),
    "layer_unreadable": Code("error", "what needs this layer is not calculated", asks=True),
    "rules_not_adopted": Code("note", "setbacks are measured, but no rule applies"),
    "accuracy_unstated": Code("note", "the position counts as only as good as an address"),
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
                message += f" ({one.by} accepted this until {one.until}, which has passed)"
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
