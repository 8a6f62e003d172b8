"""What the records say: how old a unit is, when it was last visited, what was found."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from layers.fields.lookups import looked_up


def history_columns(
    units: pd.DataFrame, inspections: pd.DataFrame | None, *, as_of: dt.date
) -> pd.DataFrame:
    """``age_years``, ``days_since_inspection``, ``last_result`` of each unit.

    Parameters
    ----------
    units
        ``unit_id`` and ``installed`` (a date or null).
    inspections
        ``unit_id, date, outcome, result``; None when there are none.

    Only a completed visit counts; a visit after ``as_of`` does not. ``last_result`` is the
    result of the last completed visit that has one, ``unknown`` where there is none;
    ``days_since_inspection`` is null where no completed visit is on record.
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
    done = inspections[(inspections["outcome"] == "completed") & (when <= day)].assign(when=when)
    done = done.sort_values(["unit_id", "when", "inspection_id"], kind="stable")
    last = done.groupby("unit_id")["when"].last()
    out["days_since_inspection"] = (day - looked_up(units["unit_id"], last)).dt.days.astype(float)
    judged = done[done["result"] != "unknown"].groupby("unit_id")["result"].last()
    out["last_result"] = units["unit_id"].map(judged).astype(object).fillna("unknown")
    return out


def unit_days(units: pd.DataFrame, permits: pd.DataFrame | None, *, as_of: dt.date) -> pd.DataFrame:
    """The day whose rules apply to each unit: its first permit, else its installation.

    Parameters
    ----------
    units
        ``unit_id, permit_id, installed``.
    permits
        ``permit_id, unit_id, issued``; None when there are none.

    Returns
    -------
    On the same index: ``unit_day``, ``unit_day_basis`` (``permit``, ``installed``, or
    ``assessment`` where neither is on record), ``is_day_known`` (False where neither is, or a
    permit of the unit has no day) and ``as_of``.
    """
    day = pd.Series(pd.NaT, index=units.index, dtype="datetime64[us]")
    basis = pd.Series("assessment", index=units.index, dtype=object)
    is_known = np.ones(len(units), bool)
    if permits is not None and len(permits):
        lacks = permits[permits["issued"].isna()]
        is_known = ~(
            units["unit_id"].isin(lacks["unit_id"].dropna())
            | units["permit_id"].isin(lacks["permit_id"].dropna())
        ).to_numpy()
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
