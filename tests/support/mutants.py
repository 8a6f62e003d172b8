"""Small faults planted one at a time in copies of the project: which of them the tests notice.

    python tests/support/mutants.py --count N [--seed S] [--only PATH] [--json FILE]

A fault is one change of one expression or statement of a core module: a comparison turned, a sign,
a constant off by a hundredth, a statement left out, two arguments exchanged, `and` for `or`. The
tests of the module's own file run first, then the digest of the sample assessment, then the tests
of the module's room, then whole runs of invented counties. What none of them notices is listed to
be looked at by a person; what was found to change nothing stands in `EQUIVALENT` and is not
counted.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from queue import SimpleQueue

ROOT = Path(__file__).resolve().parents[2]
# What shows and prints is tried by its pages; these reckon or decide.
CORE = (
    "geo/kernels", "geo/order", "geo/outlets", "geo/past", "geo/ponds", "geo/programme",
    "geo/results", "geo/runoff", "geo/setbacks", "geo/terrain", "geo/trace", "geo/waters",
    "geo/measurements.py", "geo/meetings.py", "geo/proposal.py", "geo/ranking.py",
    "geo/receptors.py", "geo/uncertainty.py", "geo/visits.py",
    "layers/crs", "layers/fields", "layers/public", "layers/reading", "layers/records",
    "layers/measures.py", "layers/grid.py",
)  # fmt: skip
DIGEST = "tests/test_digest.py"  # every value of the sample assessment
EXAMPLES = "tests/test_examples.py"  # those in docstrings
WHOLE_RUNS = {
    "geo": (
        "tests/geo/test_assessment.py", "tests/geo/test_proposal.py",
        "tests/test_compare_command.py", "tests/test_units_alone.py",
    ),
    "layers": (
        "tests/layers/reading/test_planted_faults.py", "tests/layers/reading/test_check.py",
        "tests/test_check_command.py", "tests/test_findings_command.py",
    ),
}  # fmt: skip
# exchanging what these take changes nothing
_EITHER_WAY = {"min", "max", "maximum", "minimum", "fmax", "fmin", "hypot", "union", "isclose"}
PATIENCE_S = 900.0
# module, the line as it was, kind: looked at, and nothing a user could see is changed by it
EQUIVALENT: frozenset[tuple[str, str, str]] = frozenset()

_TURNED = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_OTHER_SIGN = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One change: where it stands, what it is, and the module as it then reads."""

    module: str
    line: int
    kind: str
    was: str
    text: str


@dataclass(frozen=True)
class Verdict:
    """Whether a fault was noticed, and by which tests."""

    module: str
    line: int
    kind: str
    was: str
    noticed_by: str | None
    seconds: float


def modules() -> list[str]:
    """The core modules, by path below the project."""
    found: list[str] = []
    for name in CORE:
        place = ROOT / name
        found += [str(p.relative_to(ROOT)) for p in sorted(place.rglob("*.py"))] or [name]
    return [name for name in found if not name.endswith("__init__.py")]


@dataclass(frozen=True)
class Spot:
    """Where a fault can be planted: the node's number in its module, and what can be done to it."""

    node: int
    kind: str


def spots(tree: ast.Module) -> list[Spot]:
    """Every fault that can be planted in a module; annotations are never read, so none is there."""
    outside = {id(n) for top in tree.body for n in _outside_functions(top)}
    unread = {id(n) for note in _annotations(tree) for n in ast.walk(note)}
    return [
        Spot(number, kind)
        for number, node in enumerate(ast.walk(tree))
        if isinstance(node, (ast.expr, ast.stmt))
        and (id(node) not in outside or isinstance(node, ast.Constant))
        and id(node) not in unread
        for kind in _kinds(node)
    ]


def planted(module: str, spot: Spot) -> Fault:
    """The module with one fault."""
    source = (ROOT / module).read_text("utf-8")
    tree = ast.parse(source)
    node = next(n for number, n in enumerate(ast.walk(tree)) if number == spot.node)
    assert isinstance(node, (ast.expr, ast.stmt))
    line = node.lineno
    changed = _Planter(node).visit(tree)
    was = source.splitlines()[line - 1].strip()
    return Fault(module, line, spot.kind, was, ast.unparse(ast.fix_missing_locations(changed)))


def _annotations(tree: ast.Module) -> Iterator[ast.expr]:
    for node in ast.walk(tree):
        for name in ("annotation", "returns"):
            note = getattr(node, name, None)
            if note is not None:
                yield note


def _outside_functions(node: ast.AST) -> Iterator[ast.AST]:
    """What runs when a module is read: imports, types, constants."""
    if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        for one in (*node.decorator_list, *getattr(node, "bases", ())):
            yield from ast.walk(one)
        for one in node.body if isinstance(node, ast.ClassDef) else ():
            yield from _outside_functions(one)
    else:
        yield from ast.walk(node)


def _kinds(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Compare) and type(node.ops[0]) in _TURNED:
        yield "comparison"
    elif isinstance(node, ast.BinOp) and type(node.op) in _OTHER_SIGN:
        yield "sign"
    elif isinstance(node, ast.BoolOp):
        yield "and or"
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.Invert, ast.USub)):
        yield "not"
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield "constant"
    elif isinstance(node, ast.Call):
        first = node.args[:2]
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        is_told_apart = len(first) == 2 and ast.dump(first[0]) != ast.dump(first[1])
        if is_told_apart and name not in _EITHER_WAY:
            yield "arguments"
    elif isinstance(node, (ast.AugAssign, ast.Continue)) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
    ):
        yield "statement"


class _Planter(ast.NodeTransformer):
    """Puts the fault in the place of one node."""

    def __init__(self, node: ast.AST) -> None:
        self.node = node

    def visit(self, node: ast.AST) -> ast.AST:
        return _faulty(node) if node is self.node else self.generic_visit(node)


def _faulty(node: ast.AST) -> ast.AST:
    if isinstance(node, ast.Compare):
        node.ops[0] = _TURNED[type(node.ops[0])]()
    elif isinstance(node, ast.BinOp):
        node.op = _OTHER_SIGN[type(node.op)]()
    elif isinstance(node, ast.BoolOp):
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.UnaryOp):
        return node.operand
    elif isinstance(node, ast.Constant):
        value = node.value
        assert isinstance(value, (int, float))
        node.value = value * 1.01 if isinstance(value, float) and value else value + 1
    elif isinstance(node, ast.Call):
        node.args[:2] = reversed(node.args[:2])
    else:
        return ast.Pass()
    return node


def tests_of(module: str) -> list[list[str]]:
    """Tests in the order they are asked: the module's own, all values, its room's, whole runs."""
    path = Path(module)
    own = ROOT / "tests" / path.parent / f"test_{path.name}"
    room = ROOT / "tests" / path.parent
    rings = [[own], [ROOT / DIGEST]] if own.exists() else [[ROOT / DIGEST]]
    if len(path.parts) > 2:
        rings.append([p for p in sorted(room.glob("test_*.py")) if p != own])
    if path.parent.name == "kernels":  # most are tried through what they serve
        rings += [[ROOT / "tests/geo" / name] for name in ("terrain", "ponds", "waters")]
    rings.append([ROOT / name for name in (EXAMPLES, *WHOLE_RUNS[path.parts[0]])])
    return [[str(p.relative_to(ROOT)) for p in ring] for ring in rings if ring]


def tried(fault: Fault, place: Path) -> Verdict:
    """A fault planted in a copy of the project, and what its tests say."""
    target, began = place / fault.module, time.monotonic()
    sound = target.read_bytes()
    target.write_text(fault.text, "utf-8")
    environment = {
        **os.environ,
        "PYTHONPATH": str(place),
        "PYTHONDONTWRITEBYTECODE": "1",
        "RILLMARK_CACHE_DIR": str(place.parent / "cache"),
    }
    noticed = None
    try:
        for ring in tests_of(fault.module):
            environment["NUMBA_DISABLE_JIT"] = str(int("kernels" in ring[0]))
            command = [
                sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-m",
                "not long and not browser and not wheel", *ring,
            ]  # fmt: skip
            try:
                done = subprocess.run(
                    command, cwd=place, env=environment, capture_output=True, timeout=PATIENCE_S
                )
            except subprocess.TimeoutExpired:
                noticed = f"{ring[0]} (never ended)"
                break
            if done.returncode not in (0, 5):
                noticed = ring[0] if len(ring) == 1 else str(Path(ring[0]).parent)
                break
    finally:
        target.write_bytes(sound)
    seconds = time.monotonic() - began
    return Verdict(fault.module, fault.line, fault.kind, fault.was, noticed, seconds)


def chosen(count: int, seed: int, only: str = "") -> list[Fault]:
    """Faults by lot: a module first, so that a long one does not get most of them."""
    lot = random.Random(seed)
    names = [name for name in modules() if only in name]
    left = {name: spots(ast.parse((ROOT / name).read_text("utf-8"))) for name in names}
    found: dict[str, Fault] = {}
    while len(found) < count and (names := [name for name in names if left[name]]):
        name = lot.choice(names)
        fault = planted(name, left[name].pop(lot.randrange(len(left[name]))))
        if (name, fault.was, fault.kind) not in EQUIVALENT:
            found.setdefault(fault.text, fault)
    return list(found.values())


def campaign(faults: list[Fault], workers: int = 2) -> list[Verdict]:
    """Every fault tried, each worker in a copy of its own."""
    places: SimpleQueue[Path] = SimpleQueue()
    with tempfile.TemporaryDirectory() as folder:
        for k in range(workers):
            place = Path(folder) / str(k)
            for name in ("geo", "layers", "tests", "sample_layers"):
                shutil.copytree(
                    ROOT / name, place / name, ignore=shutil.ignore_patterns("__pycache__")
                )
            for name in ("pyproject.toml", "README.md", "requirements.txt", "Makefile"):
                shutil.copy(ROOT / name, place / name)
            places.put(place)

        def one(fault: Fault) -> Verdict:
            place = places.get()
            try:
                verdict = tried(fault, place)
            finally:
                places.put(place)
            mark = verdict.noticed_by or "NOT NOTICED"
            print(f"{verdict.module}:{verdict.line} {verdict.kind}: {mark}", flush=True)
            return verdict

        with ThreadPoolExecutor(workers) as pool:
            return list(pool.map(one, faults))


def main() -> None:
    """Run a campaign from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", help="modules whose path holds this")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    verdicts = campaign(chosen(asked.count, asked.seed, asked.only))
    caught = sum(v.noticed_by is not None for v in verdicts)
    print(f"{caught} of {len(verdicts)} faults were noticed")
    for verdict in verdicts:
        if verdict.noticed_by is None:
            print(f"  {verdict.module}:{verdict.line} {verdict.kind}: {verdict.was}")
    if asked.json:
        asked.json.write_text(json.dumps([asdict(v) for v in verdicts], indent=1), "utf-8")


if __name__ == "__main__":
    main()
