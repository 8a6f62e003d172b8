"""One file, closed to everything it does not name."""

from __future__ import annotations

import json
import re

import pytest

from geo.publish.map.page import PUBLIC_SCRIPTS, SCRIPTS, STYLES
from geo.publish.record import page as record_page
from geo.publish.shared import assets, document
from layers.errors import RillmarkError


def test_hash_is_the_one_the_standard_gives() -> None:
    # W3C, Content Security Policy Level 3, 8.3: the hash of alert('Hello, world.');
    wanted = "'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"
    assert document.source_hash("alert('Hello, world.');") == wanted


def test_policy_names_every_script_and_style_and_nothing_else() -> None:
    rules = dict(
        rule.split(" ", 1) for rule in document.policy(["let a = 1;"], ["b {}"]).split("; ")
    )
    assert rules == {
        "default-src": "'none'",
        "script-src": document.source_hash("let a = 1;"),
        "style-src": document.source_hash("b {}"),
        "img-src": "data: blob:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_policy_hashes_fit_what_the_file_holds() -> None:
    page = document.join(
        title="t", data={}, scripts=["let a = 1 < 2;"], styles=["b {}"], frame="county.html"
    )
    scripts = re.findall(r"<script>(.*?)</script>", page, re.S)
    styles = re.findall(r"<style>(.*?)</style>", page, re.S)
    policy = re.search(r'Policy" content="([^"]+)"', page)
    assert policy is not None
    named = policy.group(1).replace("&#39;", "'")
    assert [document.source_hash(text) in named for text in scripts + styles] == [True, True]


@pytest.mark.parametrize("text", ["x = '</script>'", "</STYLE>", "<!-- x"])
def test_a_script_that_would_end_itself_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="must not hold"):
        document.join(title="", data={}, scripts=[text], styles=[], frame="county.html")


def test_data_cannot_open_or_close_an_element() -> None:
    hostile = "</script><script>alert(1)</script><!-- \ud800 \u2028 &lt;"
    block = str(document.json_block({"a": hostile}))
    assert "<" not in block
    assert json.loads(block)["a"] == hostile.replace("\ud800", "?")


def test_infinite_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        document.json_block([float("inf")])


def test_title_is_text() -> None:
    page = document.join(title="<b>&", data={}, scripts=[], styles=[], frame="county.html")
    assert "<title>&lt;b&gt;&amp;</title>" in page


def test_leaflet_is_whole_and_asks_for_nothing() -> None:
    assert 'version="1.9.4"' in assets.leaflet_script()
    assert "sourceMappingURL" not in assets.leaflet_script()
    addresses = re.findall(r"url\(([^)]*)\)", assets.leaflet_style())
    assert len(addresses) == 4
    assert all(a.startswith("data:image/png;base64,") or a == "#default#VML" for a in addresses)


def test_another_leaflet_fails_loudly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(assets._LEAFLET_SHA256, "leaflet.css", "0" * 64)
    with pytest.raises(RillmarkError, match=r"leaflet\.css is another one.*wanted 000000000000"):
        assets.leaflet_file("leaflet.css")


def test_license_travels_along() -> None:
    assert "BSD 2-Clause" in assets.leaflet_license()
    assert assets.leaflet_license() in assets.leaflet_script()


def test_our_scripts_and_styles_stay_short_and_readable() -> None:
    scripts = (*SCRIPTS, *PUBLIC_SCRIPTS, *record_page.SCRIPTS)
    for name in (*scripts, *STYLES):
        lines = assets.page_file(name).splitlines()
        assert len(lines) <= 200, name
    for name in scripts:
        text = assets.page_file(name)
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", text)


def test_a_lean_script_says_the_same() -> None:
    quoted = re.compile(r'"(?:[^"\\\n]|\\.)*"|`[^`\n]*`')
    for name in {*SCRIPTS, *PUBLIC_SCRIPTS, *record_page.SCRIPTS}:
        text = assets.page_file(name)
        # a template within a template is no template to what makes scripts lean
        assert not re.search(r"`[^`]*\$\{[^}`]*`[^`]*\}", text), name
        lean = assets.page_script((name,))
        code = [re.sub(r"^ *//.*$| // [^\"`]*$|/\* .*? \*/", "", line) for line in text.split("\n")]
        bare = re.sub(r"\s", "", "".join(code))
        assert re.sub(r"\s", "", lean) == '"usestrict";' + bare, name
        for line in code:
            if "/" not in line:  # no regular expression with a quote in it
                assert all(part in lean for part in quoted.findall(line)), line
        assert len(lean) < len(text)
