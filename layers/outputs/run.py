"""What is told of a run beside its tables: how a result came to be, and what it cannot know."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, Final, Self

from layers.measures import ShowUnits

Section = Mapping[str, Any]


@dataclass(frozen=True)
class RunCounty:
    """The county: its name, whether it is invented, the units it is shown in (``us``, ``si``)."""

    name: str = ""
    invented: bool = False
    show_units: ShowUnits = "us"


@dataclass(frozen=True)
class RunSeason:
    """The season the visit classes were sized to; days as ISO dates, visits None for no limit."""

    first_day: str = ""
    last_day: str = ""
    visits: int | None = None


@dataclass(frozen=True)
class LayerCounts:
    """How many rows of a layer were read, used, corrected and set aside."""

    layer: str
    rows_read: int = 0
    used: int = 0
    corrected: int = 0
    set_aside: int = 0


@dataclass(frozen=True)
class Run:
    """A run. What a folder of an earlier version does not tell is empty.

    Attributes
    ----------
    county, season, counts
        As their classes say; ``counts`` has one entry a layer.
    as_of, seed, crs
        The day looked at (ISO date, "" when not told), the seed of all draws, the working system.
    settings
        The county file, with what it leaves out filled in.
    setback_tables, parts, visit_classes, not_scored
        The rule tables without their rules; the priorities as `Priorities` reads them.
    chance_of_short, line_accuracy95_m
        Which form of the chance each shape has; by layer how far its lines may lie off.
    inputs, transforms, completeness
        By file its SHA-256; one row a change of coordinates; by layer how much of it is filled.
    notes
        What the reader of any page should know, in sentences.
    steadiness, learned, replay, draws, way_draws, outlet_candidates, loads, land
        What the stages say of themselves: `geo.order.steadiness`, `geo.past.review`,
        `geo.ponds.lid_chances`, `geo.waters.way_chances`, `geo.outlets.search`,
        `geo.waters.die_off`, `geo.land.sensitivity`.
    context, rasters
        Names of the layers and rasters kept.
    versions, timings_s
        Of the libraries; seconds by step.
    format, contents, files
        Of the folder it was read from: see `layers.folders.run_file`.
    others
        Entries that this version has no name for, as a folder of another holds them.
    """

    county: RunCounty = RunCounty()
    as_of: str = ""
    seed: int | None = None
    crs: str = ""
    settings: Section = field(default_factory=dict)
    setback_tables: Sequence[Section] = ()
    chance_of_short: Mapping[str, str] = field(default_factory=dict)
    parts: Mapping[str, Section] = field(default_factory=dict)
    visit_classes: Section = field(default_factory=dict)
    not_scored: Mapping[str, Sequence[str]] = field(default_factory=dict)
    line_accuracy95_m: Mapping[str, float] = field(default_factory=dict)
    inputs: Mapping[str, str] = field(default_factory=dict)
    transforms: Sequence[Section] = ()
    completeness: Mapping[str, str] = field(default_factory=dict)
    counts: Sequence[LayerCounts] = ()
    notes: Sequence[str] = ()
    season: RunSeason = RunSeason()
    steadiness: Section = field(default_factory=dict)
    learned: Section = field(default_factory=dict)
    replay: Section = field(default_factory=dict)
    draws: Section = field(default_factory=dict)
    way_draws: Section = field(default_factory=dict)
    outlet_candidates: Section = field(default_factory=dict)
    loads: Section = field(default_factory=dict)
    land: Section = field(default_factory=dict)
    context: Sequence[str] = ()
    rasters: Sequence[str] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    timings_s: Mapping[str, float] = field(default_factory=dict)
    format: int | None = None
    contents: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)
    others: Section = field(default_factory=dict)

    @classmethod
    def of(cls, plain: Section) -> Self:
        """From plain data, as `run.json` holds it."""
        given = {name: plain[name] for name in _NAMES if plain.get(name) is not None}
        if "county" in given:
            county = _known(RunCounty, given["county"])
            is_si = county.show_units == "si"
            given["county"] = replace(county, show_units="si" if is_si else "us")
        if "season" in given:
            given["season"] = _known(RunSeason, given["season"])
        if "counts" in given:
            given["counts"] = tuple(_known(LayerCounts, row) for row in given["counts"])
        return cls(**given, others={k: v for k, v in plain.items() if k not in _NAMES})

    def plain(self) -> dict[str, Any]:
        """As plain data, without what is not told."""
        empty = type(self)()
        told = {name: getattr(self, name) for name in _NAMES}
        told = {name: value for name, value in told.items() if value != getattr(empty, name)}
        for name in {"county", "season"} & set(told):
            told[name] = asdict(told[name])
        if "counts" in told:
            told["counts"] = [asdict(row) for row in told["counts"]]
        return told | dict(self.others)


_NAMES: Final = tuple(each.name for each in fields(Run) if each.name != "others")


def _known(kind: type[Any], plain: Section) -> Any:
    """A part of a run from plain data; what this version has no name for is left out."""
    return kind(**{f.name: plain[f.name] for f in fields(kind) if f.name in plain})
