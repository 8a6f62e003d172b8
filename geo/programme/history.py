"""What the records say: how old a unit is, when it was last visited, what was found."""

from __future__ import annotations

import datetime as dt
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from geo.programme.unit_records import LOOKED
from layers.fields.lookups import looked_up

_BY_GRAVITY: Final = ("good", "minor", "repair", "danger")


def history_columns(
    units: pd.DataFrame,
    inspections: pd.DataFrame | None,
    *,
    as_of: dt.date,
    strays: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """``age_years``, ``days_since_inspection``, ``last_result`` of each unit.

    Parameters
    ----------
    units
        ``unit_id`` and ``installed`` (a date or null).
    inspections
        ``unit_id, date, outcome, result``; None when there are none.
    strays
        The same of visits whose unit is not on the list.

    ``days_since_inspection`` counts from the last completed visit, null where none is on record; a
    visit after ``as_of``, or without a day, is none. ``last_result`` is the newest result known:
    ``good`` only of a completed visit, anything else of any visit; of one day the worst, and a bad
    one of an unknown day until its day is found. A good result is no longer known once a
    later visit, or one of an unknown day, looked and did not say what it found, or a visit as late
    that found something worse names a unit that is not on the list and one letter off this one.
    """
    day = pd.Timestamp(as_of)
    installed = pd.to_datetime(units["installed"])
    age = (day - installed).dt.days / 365.2425
    out = pd.DataFrame({"age_years": age.where(age >= 0)}, index=units.index)
    out["days_since_inspection"] = np.nan
    out["last_result"] = "unknown"
    if inspections is None or not len(inspections):
        return out
    when = pd.to_datetime(inspections["date"])
    done = inspections["outcome"] == "completed"
    last = when[done & (when <= day)].groupby(inspections["unit_id"]).max()
    out["days_since_inspection"] = (day - looked_up(units["unit_id"], last)).dt.days.astype(float)
    result = _last_results(inspections[~(when > day)])
    out["last_result"] = units["unit_id"].map(result).astype(object).fillna("unknown")
    if strays is not None:
        worse = strays[~(strays["result"] == "good") & ~(pd.to_datetime(strays["date"]) > day)]
        worse = worse.assign(date=pd.to_datetime(worse["date"]).fillna(day))
        newest = worse.sort_values("date").groupby("unit_id")["date"].last()
        found = looked_up(units["unit_id"], one_letter_off(units["unit_id"], newest))
        last_day = looked_up(units["unit_id"], last)
        doubted = (out["last_result"] == "good") & found.notna() & ~(found < last_day)
        out.loc[doubted, "last_result"] = "unknown"
    return out


def one_letter_off(ids: pd.Series, days: pd.Series) -> pd.Series:
    """The newest day of the ids in the index of ``days`` that are one letter off each of ``ids``.

    One letter off is another letter, one more, one less, or two turned.

    >>> days = pd.Series(pd.to_datetime(["2020-01-01"]), ["U0"])
    >>> sorted(one_letter_off(pd.Series(["U07", "U70", "U12"]), days).index)
    ['U07', 'U70']
    """
    there = set(ids.dropna().astype(str))
    letters = sorted(set().union(*there)) if there else []
    found: dict[str, pd.Timestamp] = {}
    for other, day in days.sort_values().items():
        text = str(other)
        ends = [(text[:k], text[k:]) for k in range(len(text) + 1)]
        near = {a + b[1:] for a, b in ends if b}
        near |= {a + b[1] + b[0] + b[2:] for a, b in ends if len(b) > 1}
        near |= {a + c + b[keep:] for a, b in ends for c in letters for keep in (0, 1)}
        found |= dict.fromkeys(near & there, day)
    return pd.Series(found, dtype="datetime64[us]")


def _last_results(inspections: pd.DataFrame) -> pd.Series:
    """By unit: the newest result that is known, as `history_columns` says."""
    gravity = {name: float(k) for k, name in enumerate(_BY_GRAVITY)}
    table = pd.DataFrame(
        {
            "unit_id": inspections["unit_id"],
            "when": pd.to_datetime(inspections["date"]),
            "gravity": inspections["result"].map(gravity).astype(float),
            "done": inspections["outcome"] == "completed",
            "looked": inspections["outcome"].isin(LOOKED),
        }
    )
    is_shown = table["gravity"].notna() & (table["done"] | (table["gravity"] > gravity["good"]))
    shown, silent = table[is_shown], table[table["gravity"].isna() & table["looked"]]
    dated = shown[shown["when"].notna()].sort_values(["when", "gravity"], kind="stable")
    newest = dated.groupby("unit_id")[["when", "gravity"]].last()
    undated = shown[shown["when"].isna()].groupby("unit_id")["gravity"].max()
    undated = undated[undated > gravity["good"]]
    worst = pd.concat([newest["gravity"], undated]).groupby(level=0).max()
    since = looked_up(silent["unit_id"], newest["when"])
    silent = silent[silent["when"].isna() | ~(silent["when"] < since)]
    doubted = worst.index.isin(silent["unit_id"]) & (worst == gravity["good"]).to_numpy(bool)
    return worst[~doubted].map({value: name for name, value in gravity.items()})


def unit_days(
    units: pd.DataFrame,
    permits: pd.DataFrame | None,
    *,
    as_of: dt.date,
    is_renamed: NDArray[np.bool_] | None = None,
    strays: pd.DataFrame | None = None,
    are_lost: bool = False,
) -> pd.DataFrame:
    """The day whose rules apply to each unit: its first permit, else its installation.

    Parameters
    ----------
    units
        ``unit_id, permit_id, installed``.
    permits
        ``permit_id, unit_id, issued``; None when there are none.
    is_renamed
        Units whose own id is not known, and with it their permits; left out: none.
    strays
        Permits whose unit is not on the list: one may be that of a unit one letter off.
    are_lost
        Whether a table of permits was named of which no row can be used.

    Returns
    -------
    On the same index: ``unit_day``, ``unit_day_basis`` (``permit``, ``installed``, or
    ``assessment`` where neither is on record), ``is_day_known`` (False where neither is, or a
    permit of the unit has no day, or it may have one that is not found) and ``as_of``.
    """
    day = pd.Series(pd.NaT, index=units.index, dtype="datetime64[us]")
    basis = pd.Series("assessment", index=units.index, dtype=object)
    is_known = np.full(len(units), not are_lost)
    if permits is not None and len(permits):
        lacks = permits[permits["issued"].isna()]
        is_known &= ~(
            units["unit_id"].isin(lacks["unit_id"].dropna())
            | units["permit_id"].isin(lacks["permit_id"].dropna())
        ).to_numpy()
        of_permit = units["permit_id"].isin(permits["permit_id"].dropna())
        of_unit_too = units["unit_id"].isin(permits["unit_id"].dropna())
        is_known &= ~(units["permit_id"].notna() & ~of_permit & of_unit_too).to_numpy()
        if is_renamed is not None:
            is_known &= ~is_renamed
        if strays is not None and len(strays):
            on_strays = pd.Series(pd.Timestamp(as_of), strays["unit_id"].dropna().unique())
            near = one_letter_off(units["unit_id"], on_strays)
            is_known &= ~units["unit_id"].isin(near.index).to_numpy()
        issued = permits.assign(issued=pd.to_datetime(permits["issued"])).dropna(subset="issued")
        first = issued.groupby("permit_id")["issued"].min()
        of_unit = issued.groupby("unit_id")["issued"].min()
        day = looked_up(units["permit_id"], first).fillna(looked_up(units["unit_id"], of_unit))
        basis = basis.mask(day.notna(), "permit")
    installed = pd.to_datetime(units["installed"])
    basis = basis.mask(day.isna() & installed.notna(), "installed")
    is_known &= (basis != "assessment").to_numpy()
    return pd.DataFrame(
        {
            "unit_day": day.fillna(installed).fillna(pd.Timestamp(as_of)),
            "unit_day_basis": basis,
            "is_day_known": is_known,
            "as_of": pd.Timestamp(as_of),
        },
        index=units.index,
    )
