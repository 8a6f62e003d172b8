"""One word for one thing, in plain American English, wherever a person reads.

The left side is searched by whole word in every piece of text a person can see: pages, messages,
help, templates, documents. Codes, columns, commands and options are no such text.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from support.shown_text import READERS, ROOT, files, shown_in

# what is not written -> what is
GLOSSARY = {
    # things
    r"outlets?": "discharge point",
    r"what (?:it|they) lets? out|what runs out|runs? out|lets? out": "discharge",
    r"hollows?|brim": "low spot, filled to overflow",
    r"floodplains?": "flood zone",
    r"bathing places?|bathing": "swimming area",
    r"embankments?": "road fill",
    r"ways? of (?:its |the )?water|down the water|up the water|on its way": "path, downstream",
    r"draws?|drawn": "computer run; picked at random; shown on the map",
    r"by lot": "at random",
    r"another look|looks? again": "reinspection",
    r"programmes?": "program, visit schedule",
    # what people do
    r"told|tells of|retold": "say, give, show",
    r"mend(?:s|ed|ing)?|put right": "fix, correct, repair",
    r"reckon(?:s|ed|ing)?": "calculate",
    r"ow(?:e|es|ed|ing)": "due, late",
    r"(?:see|sees|seen|saw) to": "follow up, repair",
    r"settl(?:e|es|ed|ing)": "decide, answer",
    r"give up": "cancel",
    r"set(?:s|ting)? aside": "not used",
    r"taped": "measured by tape",
    r"ask(?:s|ed)? (?:for )?(?:\d|\{)": "require",
    # how things are
    r"lies|lie|lay|lain": "is",
    r"stands?|stood": "is, ranks, holds",
    r"in force": "required, that apply",
    r"appears? short|likely short|that is short|are short": "inside its setback",
    r"close to call|cannot be told": "too close to tell",
    r"perhaps": "likely, may",
    r"off by|known (?:only )?to (?:about|within|±|\d|\{)": "give or take",
    r"owed now": "due now",
    r"grave|gravest|graver": "severe",
    r"vanish(?:es|ed)?": "is lost",
    r"nobody answers for|nobody knows|anybody's": "not known",
    # old or foreign
    r"whom": "who",
    r"anew": "again",
    r"torch(?:es)?": "flashlight",
    r"(?:kilo|centi|milli)?metres?": "meter",
    r"grey|neighbours?|colours?|odours?|favour\w*|sulphi\w+|sulpha\w+": "American spelling",
    r"digitis\w+|recognis\w+|organis\w+|summaris\w+|generalis\w+|normalis\w+": "American spelling",
    r"cent(?:re|red|res)|licence|judgement": "American spelling",
    r"(?:cancel|label|travel|model)led": "American spelling",
    r"per cent": "%",
    r"\d %": "no space before %",
}
# what the left side may still stand for: removed before the search, each with its reason
ALLOWED = {
    r"\[programme\]|programme of county\.toml|section `?programme": "the section of county.toml",
    r"outlet (?:baffle|tee|pipe of the tank)|inlet and outlet": "inside a tank, a trade term",
    r"tank outlet|outlet pipe of the tank|settling chambers?": "inside a tank, a trade term",
    r"standing water|long-standing": "trade terms",
    r"stand-in": "an everyday word",
    r"layer '?floodplain'?|floodplain layer|layers\.floodplain": "the name of a layer",
    r"floodplain administrator": "the title of a local official, a trade term",
    r"hand-drawn|draw(?:s|n)? a line|drawing": "of a picture",
    r"(?:coastal|riverine) floodplain": "zone names of the flood map itself",
    r"(?:power|electric\w*|wall) outlets?": "a socket",
}
_FINDS = re.compile(
    "|".join(rf"(?<![\w-])(?P<w{n}>{word})(?![\w-])" for n, word in enumerate(GLOSSARY)), re.I
)
_ALLOWS = re.compile("|".join(ALLOWED), re.I)
_USE = list(GLOSSARY.values())


def _faults(path: Path) -> list[str]:
    found = []
    for shown in shown_in(path):
        text = _ALLOWS.sub(" ", " ".join(shown.text.split()))
        for each in _FINDS.finditer(text):
            use = _USE[int(each.lastgroup[1:])]
            near = text[max(each.start() - 40, 0) : each.end() + 30]
            found.append(f"{shown.path}:{shown.line}: {each[0]!r} in ...{near}... use: {use}")
    return found


@pytest.mark.parametrize("path", files(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_page_says_one_thing_by_one_word(path):
    faults = _faults(path)
    assert not faults, "\n".join(faults)


def test_the_search_reads_pages_scripts_messages_and_help():
    """Each kind of file is read: a word planted in text is found, one in code is not."""
    planted = {
        "a.py": '"""A lid mended."""\nimport click\nX = "mended_rows"\nY = "a row is mended"\n',
        "b.py": '@click.command()\ndef f():\n    """Mend a row."""\n',
        "c.js": "// mended\nconst mended = `the row ${mended} is mended`;\n",
        "d.html": '<p class="mended">{{ mended }} is <b title="mended">mended</b></p>',
        "e.md": "`mended` and mended\n",
        "f.toml": "# mended\nmended = 1\n",
    }
    expected = {"a.py": 1, "b.py": 1, "c.js": 1, "d.html": 2, "e.md": 1, "f.toml": 1}
    for name, source in planted.items():
        texts = [text for _, text in READERS[Path(name).suffix](source)]
        found = sum(len(_FINDS.findall(text)) for text in texts)
        assert found == expected[name], (name, texts)
