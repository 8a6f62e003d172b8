"""Text a spreadsheet program might run as a formula is told from text that it does not."""

import unicodedata

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.files.formulas import is_like_formula
from layers.files.tables import read_table, write_csv

SIGNS = ["=", "+", "-", "@", "＝", "＋", "－", "＠", "﹦", "﹢", "﹣", "﹫", "⁼", "−"]
BEFORE = ["", " ", "\u00a0", "\u3000", "\ufeff", "\u200b", "\u2060", "\x00", "\x0b", "\n",
          " \ufeff ", "\u202e", "\t", "\r"]  # fmt: skip


@pytest.mark.parametrize("sign", SIGNS)
@pytest.mark.parametrize("before", BEFORE)
def test_every_sign_behind_anything_unseen_is_neutralised(tmp_path, sign, before):
    text = f"{before}{sign}HYPERLINK(1)"
    assert is_like_formula(text)
    write_csv(pd.DataFrame({"a": [text], text: ["plain"]}), tmp_path / "a.csv")
    written = pd.read_csv(tmp_path / "a.csv", dtype=str, keep_default_na=False)
    safe = "'" + text.replace("\r", "\n")
    assert written.columns.tolist() == ["a", safe]
    assert written["a"].tolist() == [safe]


@pytest.mark.parametrize(
    "text", ["", " ", "\ufeff", "a=1", "12", "1-2", "(=1)", "'=1", "é-", "水", "/"]
)
def test_other_text_stays_as_it_is(tmp_path, text):
    assert not is_like_formula(text)
    write_csv(pd.DataFrame({"a": [text, "b"]}), tmp_path / "a.csv")
    assert "'" + text not in (tmp_path / "a.csv").read_text("utf-8") or text == ""


def test_numbers_are_never_touched(tmp_path):
    write_csv(pd.DataFrame({"a": [-1.5, 2.0]}), tmp_path / "a.csv")
    assert read_table(tmp_path / "a.csv").columns["a"].tolist() == ["-1.5", "2.0"]


@given(st.text(max_size=8))
def test_what_is_left_alone_shows_no_sign_first(text):
    """The slow way: everything that shows nothing taken away, wide forms made plain."""
    if not is_like_formula(text):
        shown = [c for c in text if unicodedata.category(c)[0] not in "ZC"]
        plain = unicodedata.normalize("NFKC", "".join(shown))
        assert not plain.startswith(("=", "+", "-", "@", "−"))
