"""Variances: what was allowed to single units in place of what a rule asks for."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geo.setbacks.inputs import SetbackInputs


def variances_in_effect(given: SetbackInputs) -> pd.DataFrame:
    """Variances that have an effect: of several for a unit and rule the longest distance."""
    columns = ["unit_id", "rule_id", "distance_m", "variance_id"]
    if given.variances is None or not len(given.variances):
        return pd.DataFrame({name: [] for name in columns}).astype({"distance_m": float})
    table = given.variances
    wanted = {"rule_id": "rule", "distance_m": "distance", "granted": "day"}
    table = table[~given.is_later(table["granted"])]
    lacks = table[list(wanted)].isna()
    for position in np.flatnonzero(lacks.any(axis=1)):
        row = table.iloc[position]
        text = " and ".join(word for name, word in wanted.items() if lacks[name].iloc[position])
        given.log.add(
            "variances", "variance_incomplete", f"its {text} is not on record", action="kept",
            row=int(row["source_row"]), feature_id=row["variance_id"],
        )  # fmt: skip
    usable = table[~lacks.any(axis=1)].sort_values("distance_m", ascending=False, kind="stable")
    several = usable[usable.duplicated(["unit_id", "rule_id"], keep="first")]
    for row in several.to_dict("records"):
        given.log.add(
            "variances", "variance_several", "another variance requires a longer distance",
            action="kept", row=int(row["source_row"]), feature_id=row["variance_id"],
        )  # fmt: skip
    return usable.drop_duplicates(["unit_id", "rule_id"])[columns]
