"""The county file as one checked model, and the county it describes, read, checked and linked."""

from __future__ import annotations

import datetime as dt
import difflib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

import geopandas as gpd
import pandas as pd
from pydantic import AfterValidator, BeforeValidator, Field, field_validator, model_validator
from pyproj import CRS

from layers.base_map import MapSection
from layers.columns import PLACE_COLUMNS
from layers.grid import GridSource
from layers.limits import Limits
from layers.measures import spelled_out
from layers.priority_settings import Priorities
from layers.programme import ProgrammeSection
from layers.public_ledger import PublicSection
from layers.records.settings import RecordsSection
from layers.records.standing import Standing
from layers.schemas import ACCURACY95_M, SCHEMAS, LayerSchema
from layers.setback_tables import Setbacks
from layers.settings_file import LengthUnit, Model, plain_path

RETURN_PERIODS_YR = (1, 2, 5, 10, 25, 50, 100, 200, 500, 1000)


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
    ``measures`` gives the length unit of a column that is not in metres. ``vertical_datum`` is
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
        raise ValueError(f"layers.{name}.vertical_datum: only terrain and floodplain have one")
    if section.datum_shift_m is not None and name != "floodplain":
        raise ValueError(f"layers.{name}.datum_shift_m: only the floodplain's levels are shifted")
    if section.error_range_m is not None and name != "terrain":
        raise ValueError(f"layers.{name}.error_range_m: only the terrain's error is drawn")
    schema = SCHEMAS[name]
    _check_names(schema, section.columns, section.values, f"layers.{name}")
    lengths = [column.name for column in schema.columns if column.name.endswith("_m")]
    for ours in section.measures:
        _one_of(ours, lengths, f"layers.{name}.measures")


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
    hint = f"; perhaps {guess[0]!r} is meant" if guess else ""
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
            raise ValueError(f"0.2 or 0.05, not {ratio:g}: curve numbers are known for no other")
        return ratio

    @model_validator(mode="after")
    def _one_source(self) -> StormSection:
        if self.path is not None and self.depths_in:
            raise ValueError("give either 'path' or 'depths_in', not both")
        rising = sorted(self.depths_in.items())
        for (often, less), (seldom, more) in itertools.pairwise(rising):
            if more <= less:
                raise ValueError(
                    f"depths_in: the {seldom}-year storm has {more:g} in and the {often}-year storm"
                    f" {less:g} in; the rarer storm brings more rain"
                )
        if rising and rising[-1][1] > MOST_RAIN_IN:
            raise ValueError(
                f"depths_in: {rising[-1][1]:g} in of rain in a day is more than was ever measured;"
                " the depths are in inches, not millimetres"
            )
        if self.series == "annual_maximum" and min(self.depths_in, default=2) < 2:
            raise ValueError(
                "depths_in: an annual-maximum series has no 1-year storm (every year has a largest"
                ' one); leave it out, or say series = "partial_duration"'
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

    A pipe leaves the lid ``burial_m`` under the ground, falls by ``least_fall`` (a metre a metre)
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
    limits: Limits = Field(default_factory=Limits)
    map: MapSection | None = None
    public: PublicSection | None = None

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
            raise ValueError("[layers.units] is required; it is the only one that is")
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


@dataclass(frozen=True)
class County:
    """A county as read: what `geo.assess` takes.

    Attributes
    ----------
    layers
        Rows that can be used, by layer name, in our columns (all of the schema's, missing ones
        filled with nulls, codes with ``unknown``), in the working system; tables without places
        are plain DataFrames. Points carry ``accuracy95_m`` (95 %, by column, else by location
        basis). Every frame has a 0-based index in reading order and a ``source_row`` column.
    links
        One row per unit: ``unit_id, discharge_point_id, link_method, link_confirmed``.
    counts
        Per layer: rows read, used, corrected, set aside.
    terrain, land_cover
        Lazy sources in the working system, heights in metres; None when not given.
    """

    file: CountyFile
    path: Path
    crs: CRS
    as_of: dt.date
    layers: Mapping[str, gpd.GeoDataFrame | pd.DataFrame]
    links: pd.DataFrame
    terrain: GridSource | None
    land_cover: GridSource | None
    setbacks: Setbacks
    priorities: Priorities
    counts: pd.DataFrame
    problems: pd.DataFrame
    inputs: Mapping[str, str]
    """Every input file with its SHA-256, by path relative to the county file."""
    transforms: pd.DataFrame
    """How each layer was brought into the working system: ``layer, from_system, to_system,
    accuracy_m`` (NaN where the operation promises none)."""
    notes: tuple[str, ...]
    """What is missing or was chosen, in words, with what it costs."""
    completeness: Mapping[str, str]
    """By layer: what is on record, and what such a record often leaves out, in words."""
    set_aside: gpd.GeoDataFrame
    """Where rows set aside say they are: ``layer, source_row`` and a point or None."""
    records: Standing | None = None
    """What the county's records say, already part of the layers; None where none are named."""

    def layer(self, name: str) -> gpd.GeoDataFrame | None:
        """A layer's usable rows, or None when there are none."""
        frame = self.layers.get(name)
        return None if frame is None or len(frame) == 0 else frame


def read_county(path: str | Path, *, as_of: dt.date | str | None = None) -> County:
    """Read, check and link a county.

    Raises
    ------
    CountyFileError
        When `county.toml` or a file it names breaks its model.
    LayerError, ReferenceSystemError
        When the units cannot be read or placed; any other layer that cannot be read is left out
        with a problem row.
    """
    from layers.reading import read_county_file

    return read_county_file(path, as_of=as_of)
