"""What a unit owes, as the panel of the map tells it."""

import pandas as pd

from geo.publish.facts import SECTIONS, fields_present, shown


def test_what_is_owed_is_told_in_whole_sentences_with_its_day():
    why = "Its permit ends on May 2, 2026. | The visit of May 1, 2025 found something to repair."
    units = pd.DataFrame(
        {
            "why_due": [why, None],
            "must_visit_by": pd.to_datetime(["2026-05-02", None]).astype("datetime64[ms]"),
        }
    )
    (section,) = [s for s in SECTIONS if fields_present(s, units.columns)]
    told = {f.label: shown(units[f.column], f) for f in fields_present(section, units.columns)}
    assert told == {
        "Owed because": [why.replace(" | ", " "), None],
        "Owed by": ["May 2, 2026", None],
    }
