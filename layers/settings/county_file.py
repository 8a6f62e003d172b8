"""The county file as one checked model."""

from __future__ import annotations

import datetime as dt
import difflib
import itertools
from collections.abc import Mapping, Sequence
from typing import Annotated, Final, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    field_serializer,
    field_validator,
    model_validator,
)

from layers.fields.column_names import PLACE_COLUMNS
from layers.fields.schemas import ACCURACY95_M, SCHEMAS, LayerSchema
from layers.fields.values import fold_code
from layers.measures import spelled_out
from layers.problems import ASKING, Acceptance
from layers.settings.limits import Limits
from layers.settings.map_section import MapSection
from layers.settings.programme import ProgrammeSection
from layers.settings.settings_file import LengthUnit, Model, Sentence, plain_path

RETURN_PERIODS_YR = (1, 2, 5, 10, 25, 50, 100, 200, 500, 1000)


def _as_a_cell(value: object) -> object:
    """A flag, number or day of a settings file as a cell of a table would have it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if isinstance(value, (int, float, dt.date)) else value


Constant = Annotated[str, Field(min_length=1, max_length=200), BeforeValidator(_as_a_cell)]
HeightUnit = Annotated[Literal["m", "ft", "us-ft"], BeforeValidator(spelled_out)]


class CountySection(Model):
    """`[county]`."""

    name: Annotated[str, Field(min_length=1)]
    as_of: dt.date | None = None
    crs: str | None = None
    show_units: Literal["us", "si"] = "us"
    invented: bool = False


class LayerSection(Model):
    """One `[layers.NAME]`.

    ``columns`` maps our column to theirs; ``values`` translates their codes, by our column;
    ``measures`` gives the length unit of a column that is not in meters; ``constants`` the value
    of a column the file does not have, the same for all its rows. ``vertical_datum`` is
    that of heights of the terrain, or of flood levels that state none; ``datum_shift_m`` is added
    to flood levels of another datum than the terrain's. ``error_range_m`` is how far the terrain's
    error is alike: the standard deviation of the Gaussian filter it is drawn with.
    """

    path: Annotated[str, Field(min_length=1), AfterValidator(plain_path)]
    layer: str | None = None
    crs: str | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    values: dict[str, dict[str, str]] = Field(default_factory=dict)
    measures: dict[str, LengthUnit] = Field(default_factory=dict)
    constants: dict[str, Constant] = Field(default_factory=dict)
    vertical_unit: Annotated[Literal["m", "ft", "us-ft"], BeforeValidator(spelled_out)] | None = (
        None
    )
    accuracy_m: Annotated[float, Field(gt=0)] | None = None
    allow_coarse_shift: bool = False
    vertical_datum: str | None = None
    datum_shift_m: Annotated[float, Field(ge=-10, le=10)] | None = None
    error_range_m: Annotated[float, Field(ge=0, le=1000)] | None = None


def check_section(name: str, section: LayerSection) -> None:
    """Refuse columns, codes and length units that the layer does not have.

    Raises
    ------
    ValueError
        The message names the key, what may stand there, and the nearest guess.
    """
    if section.vertical_datum is not None and name not in ("terrain", "floodplain"):
        raise ValueError(
            f"layers.{name}.vertical_datum: use it only in [layers.terrain] and [layers.floodplain]"
        )
    if section.datum_shift_m is not None and name != "floodplain":
        raise ValueError(f"layers.{name}.datum_shift_m: use it only in [layers.floodplain]")
    if section.error_range_m is not None and name != "terrain":
        raise ValueError(f"layers.{name}.error_range_m: use it only in [layers.terrain]")
    schema = SCHEMAS[name]
    _check_names(schema, section.columns, section.values, f"layers.{name}")
    _check_constants(name, schema, section)
    lengths = [column.name for column in schema.columns if column.name.endswith("_m")]
    for ours in section.measures:
        _one_of(ours, lengths, f"layers.{name}.measures")


def _check_constants(name: str, schema: LayerSchema, section: LayerSection) -> None:
    """Refuse constants of what differs from row to row, twice told, or of no known code."""
    columns = {column.name: column for column in schema.columns if column.kind != "id"}
    for ours, value in section.constants.items():
        _one_of(ours, list(columns), f"layers.{name}.constants")
        if ours in section.columns:
            raise ValueError(
                f"layers.{name}.constants: {ours} is also in 'columns'; use one of the two"
            )
        if columns[ours].kind == "code":
            _one_of(value, columns[ours].codes, f"layers.{name}.constants.{ours}")


def _check_names(
    schema: LayerSchema,
    theirs: Mapping[str, str],
    values: Mapping[str, Mapping[str, str]],
    where: str,
) -> None:
    """Refuse columns and codes that a schema does not have."""
    columns = {column.name: column for column in schema.columns}
    coordinates = tuple(PLACE_COLUMNS) if schema.shape == "point" else ()
    for ours in theirs:
        _one_of(ours, [*columns, *coordinates], f"{where}.columns")
    for ours, words in values.items():
        _one_of(ours, list(columns), f"{where}.values")
        if columns[ours].kind == "code":
            for code in words.values():
                _one_of(code, columns[ours].codes, f"{where}.values.{ours}")


def _one_of(word: str, choices: Sequence[str], where: str) -> None:
    if word in choices:
        return
    guess = difflib.get_close_matches(word, choices, n=1, cutoff=0.6)
    hint = f"; did you mean {guess[0]!r}?" if guess else ""
    raise ValueError(f"{where}: {word!r} is not one of {', '.join(choices) or 'none'}{hint}")


# The most rain measured in 24 hours, 1,825 mm at Foc-Foc (World Meteorological Organization, from
# memory), in inches.
MOST_RAIN_IN: Final = 71.9


class StormSection(Model):
    """`[storms]`: 24-hour rain by return period in years, or a point table of NOAA Atlas 14.

    ``antecedent`` is how wet the ground is when the rain begins, ``initial_abstraction`` the share
    of the storage that fills before any water runs. ``draws`` is how often the terrain's error is
    drawn for chances, where its accuracy is stated; 0: never.
    ``rainfall_type`` is the distribution of TR-55 for the peak of running water: II in most of
    the country, III along the Gulf and Atlantic coasts, I and IA on the Pacific side.
    """

    path: Annotated[str, AfterValidator(plain_path)] | None = None
    series: Literal["partial_duration", "annual_maximum"] = "partial_duration"
    depths_in: dict[int, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    antecedent: Literal["dry", "average", "wet"] = "average"
    initial_abstraction: float = 0.2
    rainfall_type: Literal["I", "IA", "II", "III"] = "II"
    draws: Annotated[int, Field(ge=0, le=10_000)] = 100

    @field_validator("initial_abstraction")
    @classmethod
    def _ratio_is_known(cls, ratio: float) -> float:
        if ratio not in (0.2, 0.05):
            raise ValueError(f"use 0.2 or 0.05, not {ratio:g}; curve numbers exist only for these")
        return ratio

    @model_validator(mode="after")
    def _one_source(self) -> StormSection:
        if self.path is not None and self.depths_in:
            raise ValueError("use either 'path' or 'depths_in', not both")
        rising = sorted(self.depths_in.items())
        for (often, less), (seldom, more) in itertools.pairwise(rising):
            if more <= less:
                raise ValueError(
                    f"depths_in: the {seldom}-year storm has {more:g} in and the {often}-year storm"
                    f" {less:g} in; a rarer storm must have more rain"
                )
        if rising and rising[-1][1] > MOST_RAIN_IN:
            raise ValueError(
                f"depths_in: {rising[-1][1]:g} in of rain in a day is more than ever measured;"
                " use inches, not millimeters"
            )
        if self.series == "annual_maximum" and min(self.depths_in, default=2) < 2:
            raise ValueError(
                "depths_in: an annual-maximum series has no 1-year storm; remove it, or set"
                ' series = "partial_duration"'
            )
        return self


class PathSection(Model):
    """A section that only names a file."""

    path: Annotated[str, AfterValidator(plain_path)]


class TerrainSection(Model):
    """`[terrain]`: how the terrain is made ready for water to run over it.

    Where a road crosses a mapped stream and no culvert is mapped within ``culvert_within_m``, the
    road is cut open, no longer than ``breach_length_m`` (0: never) and no deeper than
    ``breach_depth_m``. A water body whose ground falls by more than ``lake_fall_m`` is a river
    and keeps its slope. The numbers are common practice, no source.
    """

    culvert_within_m: Annotated[float, Field(ge=0)] = 15.0
    breach_length_m: Annotated[float, Field(ge=0)] = 60.0
    breach_depth_m: Annotated[float, Field(ge=0)] = 6.0
    lake_fall_m: Annotated[float, Field(ge=0)] = 0.5


class LinkSection(Model):
    """`[link]`: how far a discharge point may lie from its unit."""

    nearest_within_m: Annotated[float, Field(gt=0)] = 60.0
    pipe_longer_than_m: Annotated[float, Field(gt=0)] = 200.0


class OutletSection(Model):
    """`[outlets]`: where an outlet nobody knows is looked for.

    A pipe leaves the lid ``burial_m`` under the ground, falls by ``least_fall`` (a meter a meter)
    at least, is between ``shortest_m`` and ``longest_m`` long, lies no deeper than ``deepest_m``,
    and ends on the parcel or, no more than ``beyond_parcel_m`` outside it and not behind another
    parcel, at a stream, ditch, drain or road side, or in a draw that ``draw_m2`` and more drain to;
    ``at_most`` places are named. What known outlets look like is learned from
    ``learn_from_at_most`` of them, and not where there are fewer than ``least_known``. A fall of
    1/8 in a foot is the least of the International Plumbing Code for pipes of 3 to 6 in (table
    704.1, from memory); the other numbers are common practice, no source.
    """

    burial_m: Annotated[float, Field(ge=0, le=5)] = 0.4572
    least_fall: Annotated[float, Field(ge=0, le=0.2)] = 1 / 96
    shortest_m: Annotated[float, Field(gt=0)] = 3.0
    longest_m: Annotated[float, Field(gt=0, le=500)] = 91.44
    deepest_m: Annotated[float, Field(gt=0)] = 3.0
    beyond_parcel_m: Annotated[float, Field(ge=0)] = 45.72
    draw_m2: Annotated[float, Field(gt=0)] = 505.857
    at_most: Annotated[int, Field(ge=1, le=20)] = 5
    least_known: Annotated[int, Field(ge=10)] = 40
    learn_from_at_most: Annotated[int, Field(ge=10)] = 500


class LandSection(Model):
    """`[land]`: the side of the cells that the sensitivity of the land is measured on."""

    cell_m: Annotated[float, Field(ge=5, le=200)] = 25.0


class LotSection(Model):
    """`[lots]`: whether and how each lot is asked what fits on it, beside the setbacks.

    Only a county file with this section has it: it takes some seconds for each thousand lots.
    ``keep_out_pond_yr`` names one of the storms; ``steepest`` is a slope (0.3: 3 ft in 10 ft);
    pieces of land smaller than ``least_area_m2`` hold nothing. The two places of a unit to come are
    taken to be known as well as ``place95_m``, at 95 %. The numbers are common practice, no source.
    """

    keep_out_flood_zone: bool = False
    keep_out_floodway: bool = True
    keep_out_pond_yr: Annotated[int, Field(gt=0)] | None = None
    steepest: Annotated[float, Field(gt=0)] | None = None
    least_area_m2: Annotated[float, Field(ge=0)] = 20.0
    place95_m: Annotated[float, Field(ge=0)] = 10.0


Kept = Literal[
    "visit", "sample_result", "withdrawal", "extension", "closure", "hold", "hold_lifted"
]


class RecordsSection(Model):
    """Where the records lie, and how long they are kept.

    ``path`` is a folder. ``database`` is the address of a PostgreSQL database and comes first; it
    may also stand in the environment, as ``RILLMARK_RECORDS_DATABASE``. ``columns`` and
    ``values`` are those of past visits brought in from a CSV or a spreadsheet. No retention
    period is built in: it is set by law, and differs. How soon a finding must be followed up is
    said by ``reinspection_days`` of `[programme]`. ``release_words`` are names of things looked at
    or measured, and units of measure, that a release may hold beside those Rillmark knows.
    """

    path: Annotated[str, Field(min_length=1), AfterValidator(plain_path)] | None = None
    database: Annotated[str, Field(min_length=1)] | None = None
    columns: dict[str, str] = Field(default_factory=dict)
    values: dict[str, dict[str, str]] = Field(default_factory=dict)
    release_words: list[Annotated[str, Field(min_length=1, max_length=200)]] = Field(
        default_factory=list
    )
    keep_years: dict[Kept, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)

    @field_serializer("database")
    def _an_address_may_hold_a_password(self, address: str | None) -> str | None:
        """Settings go into `run.json` and onto a report's page; the address does not."""
        return None if address is None else "named in the county file, not shown"


class PublicSection(Model):
    """`[public]`: what holds a public edition to the one before it.

    A group of fewer than ``least_units`` is not told. A number stays as it was given out until
    ``least_change`` households or more have changed it. ``last_edition`` is the file that keeps
    what was given out, in place of ``public_edition.json`` beside the folder of the assessment.
    """

    last_edition: Annotated[str, Field(min_length=1), AfterValidator(plain_path)] | None = None
    least_change: Annotated[int, Field(ge=3, le=1000)] = 5
    least_units: Annotated[int, Field(ge=5, le=10_000)] = 11

    @model_validator(mode="after")
    def _group_outlasts_a_change(self) -> PublicSection:
        if self.least_change >= self.least_units:
            raise ValueError(
                f"least_change ({self.least_change}) must be less than least_units"
                f" ({self.least_units}), so that one change never shows a whole group"
            )
        return self


class AcceptedSection(Model):
    """One `[[accepted]]`: a fault that asks for an answer, and that the office lives with.

    It clears nothing: what is unknown by it stays unknown. Until and on ``until`` it no longer
    makes commands end with status 1. ``column`` is ours, where the fault is one of a column;
    ``words`` are the unexplained words meant, and one more asks again.
    """

    layer: str
    fault: str
    column: str = ""
    words: list[Sentence] = Field(default_factory=list)
    why: Sentence
    by: Sentence
    until: dt.date

    @model_validator(mode="after")
    def _is_a_fault_that_asks(self) -> AcceptedSection:
        _one_of(self.layer, [*SCHEMAS, "storms"], "accepted.layer")
        _one_of(self.fault, ASKING, "accepted.fault")
        if self.fault in ("column_wanted", "code_unheard"):
            names = [column.name for column in SCHEMAS[self.layer].columns]
            _one_of(self.column, names, "accepted.column")
        elif self.column:
            raise ValueError(f"accepted.column: remove it; {self.fault} is about a whole layer")
        if (self.fault == "code_unheard") != bool(self.words):
            raise ValueError(
                "accepted.words: list the values that 'check' names; only for code_unheard"
            )
        return self

    @property
    def acceptance(self) -> Acceptance:
        """As the log of problems takes it."""
        words = frozenset(fold_code(word) for word in self.words)
        return Acceptance(self.layer, self.fault, self.column, words, self.by, self.until)


class CountyFile(Model):
    """`county.toml`."""

    county: CountySection
    layers: dict[str, LayerSection]
    accuracy_m: dict[str, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    storms: StormSection | None = None
    rules: PathSection | None = None
    priorities: PathSection | None = None
    programme: ProgrammeSection = ProgrammeSection()
    records: RecordsSection | None = None
    link: LinkSection = LinkSection()
    terrain: TerrainSection = TerrainSection()
    outlets: OutletSection = OutletSection()
    land: LandSection = LandSection()
    lots: LotSection | None = None
    limits: Limits = Field(default_factory=Limits)
    map: MapSection | None = None
    public: PublicSection | None = None
    accepted: list[AcceptedSection] = Field(default_factory=list)

    @property
    def public_section(self) -> PublicSection:
        """`[public]`, or its defaults."""
        return self.public or PublicSection()

    @field_validator("layers")
    @classmethod
    def _layers_are_known(cls, layers: dict[str, LayerSection]) -> dict[str, LayerSection]:
        for name in layers:
            _one_of(name, list(SCHEMAS), "layers")
        if "units" not in layers:
            raise ValueError("[layers.units] is required; all other layers are optional")
        for name, section in layers.items():
            check_section(name, section)
        return layers

    @field_validator("records")
    @classmethod
    def _past_visits_are_known(cls, records: RecordsSection | None) -> RecordsSection | None:
        if records is not None:
            _check_names(SCHEMAS["inspections"], records.columns, records.values, "records")
        return records

    @field_validator("accuracy_m")
    @classmethod
    def _bases_are_known(cls, table: dict[str, float]) -> dict[str, float]:
        for basis in table:
            if basis not in ACCURACY95_M:
                choices = ", ".join(ACCURACY95_M)
                raise ValueError(f"location basis {basis!r} is not one of {choices}")
        return table
