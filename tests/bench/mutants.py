"""Small faults put into a copy of the inference and the planner, one at a time: which of them do the fast tests miss?

    python tests/bench/mutants.py --count 40 --seed 1

The copy lies in a folder for passing files; this checkout is only read. First the tests run once to see which of them
touch which line; then each mutant meets those that touch its line, the quickest first. It is killed when one fails, or
when they take longer than they may; those left are printed with their line. What is kept between tests is made by the
first that asks, so a mutant that is left may still be one that others would kill: ``--again`` lets it meet them all.
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
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
FOLDERS = ("leakinfer/inference", "leakinfer/planner")
TESTS = ["tests/inference", "tests/planner"]
PYTEST = ("pytest", "-q", "-p", "no:cacheprovider", "-m", "not slow")
LEFT = ("passed", "untouched")
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
    """A change: in which file, at which line of which statement, and what was there and is there now."""

    file: str
    statement: int
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
    starts = {line: node.lineno for node in _statements(tree) for line in range(node.lineno, _end(node) + 1)}
    skipped = {id(inner) for node in ast.walk(tree) for part in _types(node) for inner in ast.walk(part)}
    for parent, name, place, node in list(_spots(tree)):
        for new in () if id(node) in skipped else changes(node):
            ast.copy_location(new, node)
            _put(parent, name, place, new)
            told = (
                ast.unparse(node).split("\n")[0][:90],
                ast.unparse(ast.fix_missing_locations(new)).split("\n")[0][:90],
            )
            file = str(path.relative_to(ROOT))
            found.append(Mutant(file, starts[node.lineno], node.lineno, *told, ast.unparse(tree)))
            _put(parent, name, place, node)
    return found


def _statements(tree: ast.AST) -> list[ast.stmt]:
    """All statements, outer before inner."""
    return [node for node in ast.walk(tree) if isinstance(node, ast.stmt)]


def _end(node: ast.stmt) -> int:
    return node.end_lineno or node.lineno


def _types(node: ast.AST) -> list[ast.AST]:
    """Parts of a node that say types only: changes there change nothing."""
    parts = [getattr(node, "annotation", None), getattr(node, "returns", None), *getattr(node, "decorator_list", [])]
    return [part for part in parts if part is not None]


def _put(parent: ast.AST, name: str, place: int | None, node: ast.AST) -> None:
    if place is None:
        setattr(parent, name, node)
    else:
        getattr(parent, name)[place] = node


def around(copy: Path) -> dict[str, str]:
    """Names and values for a process that runs tests of the copy."""
    return os.environ | {"PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


def touched(copy: Path, tests: list[str]) -> dict[tuple[str, int], list[str]]:
    """By file and line the fast tests that touch it, the quickest first; all must pass as things are.

    What runs when a file is imported is touched by all.
    """
    told = copy / "touched.json"
    done = subprocess.run(
        [
            *(sys.executable, "-m", "coverage", "run", f"--source={','.join(FOLDERS)}", "-m"),
            *(*PYTEST, "-p", "tests.bench.touching", f"--touched={told}", *tests),
        ],
        cwd=copy,
        env=around(copy),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(f"the tests do not pass without any change:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    found = json.loads(told.read_text("utf-8"))
    seconds = found["seconds"]
    return {
        (str(Path(file).resolve().relative_to(copy.resolve())), int(line)): sorted(ids or seconds, key=seconds.get)
        for file, lines in found["lines"].items()
        for line, ids in lines.items()
    }


def touching(mutant: Mutant, tests: Mapping[tuple[str, int], list[str]]) -> list[str]:
    """The tests that touch its statement up to its line, those of its own line first."""
    lines = range(mutant.line, mutant.statement - 1, -1)
    return list(dict.fromkeys(test for line in lines for test in tests.get((mutant.file, line), [])))


def run_tests(copy: Path, tests: list[str], seconds: float) -> str:
    """``passed``, ``failed`` or ``too long``, of these tests in the copy."""
    listed = copy / "tests.txt"
    listed.write_text("\n".join(tests), "utf-8")
    told = [sys.executable, "-m", *PYTEST, "-x", f"@{listed}"]
    try:
        done = subprocess.run(told, cwd=copy, env=around(copy), capture_output=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return "too long"
    return "passed" if done.returncode == 0 else "failed"


def tried(copy: Path, mutant: Mutant, tests: list[str], seconds: float) -> str:
    """What the tests say of a mutant; the copy is as before afterwards."""
    if not tests:
        return "untouched"
    file = copy / mutant.file
    before = file.read_text("utf-8")
    file.write_text(mutant.text, "utf-8")
    try:
        return run_tests(copy, tests, seconds)
    finally:
        file.write_text(before, "utf-8")


def main() -> int:
    """Print what became of each mutant of the sample."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--count", type=int, default=40, help="of all files together")
    parser.add_argument("--each", type=int, help="so many of each file instead")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=600.0, help="longest run of the tests for one mutant")
    parser.add_argument("--again", action="store_true", help="let those that are left meet all tests")
    parser.add_argument("--only", default="", help="files whose path holds this")
    parser.add_argument("--tests", nargs="+", default=TESTS, help="files or folders of tests")
    asked = parser.parse_args()
    files = [path for folder in FOLDERS for path in sorted((ROOT / folder).glob("*.py")) if asked.only in str(path)]
    by_file = [mutants(path) for path in files]
    every = [mutant for found in by_file for mutant in found]
    drawn = random.Random(asked.seed)
    pools = [(every, asked.count)] if asked.each is None else [(found, asked.each) for found in by_file]
    sample = [one for pool, count in pools for one in drawn.sample(pool, min(count, len(pool)))]
    rows = []
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name)
        for part in COPIED:
            copied = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
            copied(ROOT / part, copy / part)
        by_line = touched(copy, asked.tests)
        for mutant in sample:
            told = tried(copy, mutant, touching(mutant, by_line), asked.seconds)
            if told in LEFT and asked.again:
                told = tried(copy, mutant, asked.tests, asked.seconds)
            row = {key: value for key, value in asdict(mutant).items() if key != "text"} | {"tests": told}
            rows.append(row)
            if not asked.json:
                print(f"{told:9} {mutant.file}:{mutant.line}  {mutant.before}  ->  {mutant.after}", flush=True)
    left = sum(row["tests"] in LEFT for row in rows)
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
