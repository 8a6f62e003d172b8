"""What the visits of a season cost, from the settings of `[programme]`; exact to the cent.

What a setting does not give is left out, in words. No cost is assumed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Final

from geo.publish.report.numbers import Due

SETTINGS: Final = {
    "visit_hours": "hours per visit",
    "hour_cost_usd": "hourly rate",
    "miles_per_visit": "miles per visit",
    "mile_cost_usd": "cost per mile",
    "sample_cost_usd": "cost per sample",
    "mailing_cost_usd": "mailing cost",
}
_CENT: Final = Decimal("0.01")


@dataclass(frozen=True)
class Visits:
    """How many visits, and how many samples on them, a cost is for."""

    label: str
    visits: int
    samples: int


@dataclass(frozen=True)
class Line:
    """One kind of cost: how it is calculated, and the amount for each number of visits.

    ``missing`` names the settings that are not given; the amounts are then None.
    """

    name: str
    how: str
    amounts: tuple[Decimal | None, ...]
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cost:
    """The lines, and the total of those that are calculated; ``said`` is what is left out."""

    of: tuple[Visits, ...]
    lines: tuple[Line, ...]
    total: tuple[Decimal, ...]
    said: tuple[str, ...]

    @property
    def is_calculated(self) -> bool:
        """Whether any line is."""
        return any(not line.missing for line in self.lines)


def cost_of(due: Due, settings: Mapping[str, Any]) -> Cost:
    """The cost of the visits due this season, and of all planned visits."""
    given = {name: _exact(settings.get(name)) for name in SETTINGS}
    of = []
    if due.is_known:
        of.append(Visits("Visits due", due.this_season, due.samples))
    if due.planned is not None:
        of.append(Visits("All planned visits", due.planned, due.samples))
    lines = [
        _line("Staff time", of, given, ("visit_hours", "hour_cost_usd"), "{} h × {}"),
        _line("Mileage", of, given, ("miles_per_visit", "mile_cost_usd"), "{} mi × {}"),
        _line("Samples", of, given, ("sample_cost_usd",), "{}"),
        _line("Mailing", of, given, ("mailing_cost_usd",), "{}"),
    ]
    is_idle = not due.samples
    lines = [line for line in lines if not (line.name == "Samples" and is_idle)]
    sums = zip(*(line.amounts for line in lines if not line.missing), strict=True)
    total = tuple(sum((n for n in amounts if n is not None), Decimal(0)) for amounts in sums)
    return Cost(tuple(of), tuple(lines), total, _said(of, lines))


def _line(
    name: str,
    of: list[Visits],
    given: Mapping[str, Decimal | None],
    needs: tuple[str, ...],
    how: str,
) -> Line:
    missing = tuple(need for need in needs if given[need] is None)
    if missing:
        return Line(name, "", tuple(None for _ in of), missing)
    rate = Decimal(1)
    for need in needs:
        rate *= given[need] or Decimal(0)
    is_samples = name == "Samples"
    amounts = tuple(
        ((each.samples if is_samples else each.visits) * rate).quantize(_CENT, ROUND_HALF_UP)
        for each in of
    )
    shown = [
        money(value) if need.endswith("_usd") else f"{value.normalize():f}"
        for need in needs
        if (value := given[need]) is not None
    ]
    per = "each sample due" if is_samples else "each visit"
    return Line(name, f"{how.format(*shown)} for {per}", amounts)


def _said(of: list[Visits], lines: list[Line]) -> tuple[str, ...]:
    if not of:
        return (
            (
                "Cost not calculated: no visit has a due date, and the county file gives no number"
                " of visits per year (visits_per_year)."
            ),
        )
    if all(line.missing for line in lines):
        return (
            "Cost not calculated: the county file gives no hourly rate.",
            f"Under [programme] it lacks {_named(tuple(SETTINGS), lines)}.",
        )
    return tuple(
        f"{line.name} not calculated: the county file gives no"
        f" {' and no '.join(f'{SETTINGS[n]} ({n})' for n in line.missing)}."
        for line in lines
        if line.missing
    )


def _named(names: tuple[str, ...], lines: list[Line]) -> str:
    missing = {name for line in lines for name in line.missing}
    return ", ".join(name for name in names if name in missing)


def _exact(value: Any) -> Decimal | None:
    """A number of the settings as written."""
    return None if value is None else Decimal(str(value))


def money(value: Decimal) -> str:
    """Dollars, with cents where there are any.

    >>> money(Decimal("15345.00")), money(Decimal("0.5")), money(Decimal("1.005"))
    ('$15,345', '$0.50', '$1.005')
    """
    if value == value.to_integral_value():
        return f"${value:,.0f}"
    if value == value.quantize(_CENT):
        return f"${value:,.2f}"
    return f"${value.normalize():,f}"
