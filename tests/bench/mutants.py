"""Small faults put into a copy of the inference and the planner, one at a time: which of them do the fast tests miss?

    python tests/bench/mutants.py --count 40 --seed 1

The copy lies in a folder for passing files; this checkout is only read. A mutant is killed when a test fails, or when
the tests take longer than they may; those left are printed with their line.
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
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
FOLDERS = ("leakinfer/inference", "leakinfer/planner")
TESTS = ["tests/inference", "tests/planner"]
COPIED = ("leakinfer", "tests", "priors", "data_demo", "pyproject.toml")
OPERATORS: dict[type[ast.AST], type[ast.AST]] = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt},  # on the limit
    **{
        ast.Eq: ast.NotEq,
        ast.NotEq: ast.Eq,
        ast.In: ast.NotIn,
        ast.NotIn: ast.In,
        ast.Is: ast.IsNot,
        ast.IsNot: ast.Is,
    },
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult},
    **{ast.And: ast.Or, ast.Or: ast.And, ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr},
}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True)
class Mutant:
    """A change: in which file, at which line, and what was there and is there now."""

    file: str
    line: int
    before: str
    after: str
    text: str


def changes(node: ast.AST) -> Iterator[ast.AST]:
    """What may stand in place of a node."""
    if isinstance(node, (ast.BinOp, ast.BoolOp, ast.AugAssign)) and type(node.op) in OPERATORS:
        yield _with(node, op=OPERATORS[type(node.op)]())
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in OPERATORS:
        yield _with(node, ops=[OPERATORS[type(node.ops[0])](), *node.ops[1:]])
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        yield node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Name) and node.id in NAMES:
        yield ast.Name(NAMES[node.id], node.ctx)
    elif isinstance(node, (ast.AugAssign, ast.Expr, ast.Raise, ast.Continue)) and not _is_text(node):
        yield ast.Pass()
    if isinstance(node, (ast.If, ast.IfExp)):
        yield _with(node, test=ast.Constant(False))


def _with(node: ast.AST, **parts: object) -> ast.AST:
    return type(node)(**{**dict(ast.iter_fields(node)), **parts})


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _spots(tree: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.expr | ast.stmt]]:
    """(parent, field, place in a list, node) of all that can be changed."""
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            listed = enumerate(value) if isinstance(value, list) else [(None, value)]
            yield from ((parent, name, place, node) for place, node in listed if isinstance(node, (ast.expr, ast.stmt)))


def mutants(path: Path) -> list[Mutant]:
    """All mutants of a file."""
    text = path.read_text("utf-8")
    tree, found = ast.parse(text), []
    skipped = {id(inner) for node in ast.walk(tree) for part in _types(node) for inner in ast.walk(part)}
    for parent, name, place, node in list(_spots(tree)):
        for new in () if id(node) in skipped else changes(node):
            ast.copy_location(new, node)
            _put(parent, name, place, new)
            told = (
                ast.unparse(node).split("\n")[0][:90],
                ast.unparse(ast.fix_missing_locations(new)).split("\n")[0][:90],
            )
            found.append(Mutant(str(path.relative_to(ROOT)), node.lineno, *told, ast.unparse(tree)))
            _put(parent, name, place, node)
    return found


def _types(node: ast.AST) -> list[ast.AST]:
    """Parts of a node that say types only: changes there change nothing."""
    parts = [getattr(node, "annotation", None), getattr(node, "returns", None), *getattr(node, "decorator_list", [])]
    return [part for part in parts if part is not None]


def _put(parent: ast.AST, name: str, place: int | None, node: ast.AST) -> None:
    if place is None:
        setattr(parent, name, node)
    else:
        getattr(parent, name)[place] = node


def run_tests(copy: Path, tests: list[str], seconds: float) -> str:
    """``passed``, ``failed`` or ``too long``, of the fast tests in the copy."""
    told = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-q",
        "-p",
        "no:cacheprovider",
        "-m",
        "not slow",
        *tests,
    ]
    around = os.environ | {"PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(told, cwd=copy, env=around, capture_output=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return "too long"
    return "passed" if done.returncode == 0 else "failed"


def tried(copy: Path, mutant: Mutant, tests: list[str], seconds: float) -> str:
    """What the tests say of a mutant; the copy is as before afterwards."""
    file = copy / mutant.file
    before = file.read_text("utf-8")
    file.write_text(mutant.text, "utf-8")
    try:
        return run_tests(copy, tests, seconds)
    finally:
        file.write_text(before, "utf-8")


def main() -> int:
    """Print what became of each mutant of the sample."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=600.0, help="longest run of the tests for one mutant")
    parser.add_argument("--only", default="", help="files whose path holds this")
    parser.add_argument("--tests", nargs="+", default=TESTS, help="files or folders of tests, the quickest first")
    asked = parser.parse_args()
    files = [path for folder in FOLDERS for path in sorted((ROOT / folder).glob("*.py")) if asked.only in str(path)]
    every = [mutant for path in files for mutant in mutants(path)]
    sample = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
    rows = []
    with tempfile.TemporaryDirectory() as name:
        for part in COPIED:
            copied = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
            copied(ROOT / part, Path(name) / part)
        if run_tests(Path(name), asked.tests, asked.seconds) != "passed":
            raise SystemExit("the tests do not pass in time without any change")
        for mutant in sample:
            told = tried(Path(name), mutant, asked.tests, asked.seconds)
            row = {key: value for key, value in asdict(mutant).items() if key != "text"} | {"tests": told}
            rows.append(row)
            if not asked.json:
                print(f"{told:9} {mutant.file}:{mutant.line}  {mutant.before}  ->  {mutant.after}", flush=True)
    left = sum(row["tests"] == "passed" for row in rows)
    if asked.json:
        print(
            json.dumps(
                {"all": len(every), "tried": len(rows), "left": left, "seed": asked.seed, "rows": rows}, indent=1
            )
        )
    else:
        print(f"{len(rows)} of {len(every)} mutants tried, {left} left")
    return 0


if __name__ == "__main__":
    sys.exit(main())
