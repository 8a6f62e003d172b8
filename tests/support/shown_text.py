"""Every piece of text a person can see, as it stands in the files it comes from."""

from __future__ import annotations

import ast
import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
CODE = re.compile(r"[\w.\-/:*%#]*")  # a name, a path, a key: nothing a person reads as words
_SCRIPT = re.compile(
    r"""//[^\n]*|/\*.*?\*/|(?P<text>"(?:\\.|[^"\\\n])*"|'(?:\\.|[^'\\\n])*'|`(?:\\.|[^`\\])*`)""",
    re.S,
)
_NOT_TEXT = re.compile(
    r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}|<(style|script)\b.*?</\1>|<!--.*?-->", re.S
)
_SHOWN_ATTRIBUTE = re.compile(r'\b(?:title|aria-label|placeholder|alt|content)="([^"]*)"')
_HOLDS_CODES = {"key", "when"}  # of a settings file, a name and a choice
_CODE_SPAN = re.compile(r"```.*?```|`[^`\n]*`", re.S)


class Shown(NamedTuple):
    """A piece of text and where it stands."""

    path: str
    line: int
    text: str


def files() -> list[Path]:
    """The files that hold text for people."""
    found = [
        *ROOT.glob("geo/**/*"),
        *ROOT.glob("layers/**/*"),
        *ROOT.glob("notebooks/*.ipynb"),
        *(ROOT / name for name in ("README.md", "RELIABILITY.md", "DEVELOPERS.md")),
        ROOT / "sample_layers" / "README.md",
    ]
    kept = [path for path in found if path.suffix in READERS and "_cache" not in str(path)]
    return sorted(path for path in kept if "ipynb_checkpoints" not in str(path))


def shown_in(path: Path) -> Iterator[Shown]:
    """The pieces of text of one file."""
    name = path.relative_to(ROOT).as_posix()
    for line, text in READERS[path.suffix](path.read_text("utf-8")):
        yield Shown(name, line, text)


def _of_python(source: str) -> Iterator[tuple[int, str]]:
    tree = ast.parse(source)
    unseen: set[int] = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            shown = _is_command(node)
            for each in body:
                # strings that are statements: docstrings, seen only as the help of a command
                is_text = isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant)
                if is_text and not shown:
                    unseen.add(id(each.value))
        if isinstance(node, ast.Call) and _named(node.func) in {"getLogger", "compile"}:
            unseen |= {id(each) for each in ast.walk(node)}
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Constant) and isinstance(node.value, str)):
            continue
        if id(node) not in unseen and not CODE.fullmatch(node.value):
            yield node.lineno, node.value


def _is_command(node: ast.AST) -> bool:
    decorators = getattr(node, "decorator_list", [])
    calls = [each.func if isinstance(each, ast.Call) else each for each in decorators]
    return any(_named(call) in {"command", "group"} for call in calls)


def _named(node: ast.expr) -> str:
    return getattr(node, "attr", getattr(node, "id", ""))


def _of_script(source: str) -> Iterator[tuple[int, str]]:
    for found in _SCRIPT.finditer(source):
        text = found["text"]
        if text and not CODE.fullmatch(text[1:-1]):
            yield _line(source, found.start()), re.sub(r"\$\{[^{}]*\}", "{}", text[1:-1])


def _of_html(source: str) -> Iterator[tuple[int, str]]:
    for found in _SHOWN_ATTRIBUTE.finditer(source):
        yield _line(source, found.start()), _NOT_TEXT.sub("{}", found[1])
    bare = _NOT_TEXT.sub(lambda m: "\n" * m[0].count("\n") if m[0][1] in "#!" else _gap(m), source)
    bare = re.sub(r"<[^>]*>", lambda m: "\0" + "\n" * m[0].count("\n"), bare)
    at = 0
    for piece in bare.split("\0"):
        if piece.strip():
            yield _line(bare, at), html.unescape(piece)
        at += len(piece) + 1


def _gap(found: re.Match[str]) -> str:
    return ("{}" if found[0].startswith("{{") else "") + "\n" * found[0].count("\n")


def _of_prose(source: str) -> Iterator[tuple[int, str]]:
    bare = _CODE_SPAN.sub(lambda m: "\n" * m[0].count("\n") or "``", source)
    bare = re.sub(r"\]\([^)]*\)", "]", bare)
    for paragraph in re.finditer(r"(?:[^\n]+\n?)+", bare):
        yield _line(bare, paragraph.start()), paragraph[0]


def _of_settings(source: str) -> Iterator[tuple[int, str]]:
    for line, text in enumerate(source.splitlines(), 1):
        key, sign, value = text.partition("=")
        bare = value if sign and re.fullmatch(r"#?\s*[\w.\"-]+\s*", key) else text
        is_code = key.strip() in _HOLDS_CODES and CODE.fullmatch(value.strip().strip('"'))
        if not is_code and not re.fullmatch(r"#?\s*\[.*\]\s*", bare):
            yield line, _CODE_SPAN.sub("``", bare)


def _of_notebook(source: str) -> Iterator[tuple[int, str]]:
    for number, cell in enumerate(json.loads(source)["cells"], 1):
        if cell["cell_type"] == "markdown":
            for _, text in _of_prose("".join(cell["source"])):
                yield number, text


def _line(source: str, at: int) -> int:
    return source.count("\n", 0, at) + 1


READERS = {
    ".py": _of_python,
    ".js": _of_script,
    ".html": _of_html,
    ".txt": _of_prose,
    ".md": _of_prose,
    ".toml": _of_settings,
    ".ipynb": _of_notebook,
}
