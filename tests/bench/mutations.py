"""Change the package a little and see whether a test notices.

``nice python tests/bench/mutations.py --rooms calibration measures --count 15 --seed 7``

In a copy of the checkout, `count` places of each room are drawn at random (`--seed`) and changed
one at a time: a number, an operator, a condition, a call left out. For each the tests that ran the
changed line are run, quickest first, until one fails. Which tests ran which line is measured once
a room, by pytest-cov, with its own tests (``tests/ROOM``) and those that ``--tests`` adds.

A change is *killed* when a test fails, *survived* when none does. Of a survivor a person must say
whether it changes anything at all: it is printed with its line before and after. Words of messages
and docstrings are not changed. ``--only FILE:LINE`` tries every change of one line instead.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NoReturn

import numpy as np
import pytest

HERE = Path(__file__).resolve().parent
sys.path[:] = [p for p in sys.path if Path(p).resolve() != HERE]  # it holds a coverage.py, too
import coverage  # noqa: E402

CHECKOUT = HERE.parents[1]
COPIED = ("hairtone", "tests", "calibration", "demo", "notebooks", "shared")
FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md", "SECURITY.md", "CITATION.cff", "LICENSE")
LIBRARIES = (
    "scipy.stats", "scipy.optimize", "scipy.ndimage", "scipy.interpolate", "cv2", "pandas",
    "PIL.Image", "hypothesis", "openpyxl", "tifffile",
)  # fmt: skip
MOST_CPU_S = 240  # of the tests of one change; our choice
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
PASSED_OVER = (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any", "minimum": "maximum",
         "maximum": "minimum", "mean": "median", "sorted": "list", "floor": "ceil"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """One small change: which file and line, and the file's text before and after."""

    file: str
    line: int
    old: str
    new: str
    text: str

    @property
    def title(self) -> str:
        """Place, and the line before and after."""
        return f"{self.file}:{self.line}\n    - {self.old}\n    + {self.new}"


def changes_of(path: Path, *, root: Path) -> list[Change]:
    """Return every change of a file, in the order of its lines."""
    file = _File(path, root)
    return [change for place in file.places if (change := file.change(*place)) is not None]


class _File:
    """A source file and the places in it that can be changed."""

    def __init__(self, path: Path, root: Path) -> None:
        self.name = path.relative_to(root).as_posix()
        self.source = path.read_text(encoding="utf-8")
        self.tree = ast.parse(self.source)
        found = list(_replacements(self.tree))
        self.places = sorted(found, key=lambda place: place[0].lineno)

    @cached_property
    def _dumped(self) -> str:
        return ast.dump(self.tree)

    def change(self, node: ast.AST, replacement: str) -> Change | None:
        """Return the change of one node, or None where it is none."""
        start, stop = (_offset(self.source, *place) for place in _span(node))
        text = self.source[:start] + replacement + self.source[stop:]
        try:
            if ast.dump(ast.parse(text)) == self._dumped:
                return None
        except SyntaxError:
            return None
        line = node.lineno
        old, new = (lines.splitlines()[line - 1].strip() for lines in (self.source, text))
        return Change(self.name, line, old, new, text)


def _span(node: ast.AST) -> tuple[tuple[int, int], tuple[int, int]]:
    return (node.lineno, node.col_offset), (node.end_lineno, node.end_col_offset)  # type: ignore[attr-defined]


def _offset(source: str, line: int, column: int) -> int:
    lines = source.splitlines(keepends=True)
    head = lines[line - 1].encode()[:column].decode()  # columns are counted in bytes
    return sum(map(len, lines[: line - 1])) + len(head)


def _replacements(tree: ast.Module) -> Iterator[tuple[ast.AST, str]]:
    """Yield nodes with the text that stands in their place afterwards."""
    passed_over = _words_and_types(tree)
    for node in ast.walk(tree):
        if id(node) in passed_over or not hasattr(node, "lineno"):
            continue
        yield from ((node, text) for text in _texts(node))


def _words_and_types(tree: ast.Module) -> set[int]:
    """Nodes that are words, types or names for others: nothing in them is computed."""
    found: set[int] = set()

    def leave(node: ast.AST | None) -> None:
        if node is not None:
            found.update(id(each) for each in ast.walk(node))

    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign | ast.arg):
            leave(node.annotation)
        elif isinstance(node, ast.FunctionDef):
            leave(node.returns)
            for decorator in node.decorator_list:
                leave(decorator)
        elif isinstance(node, ast.ClassDef):
            for part in (*node.decorator_list, *node.bases):
                leave(part)
        elif isinstance(node, PASSED_OVER) or _is_for_types(node):
            leave(node)
    return found


def _is_for_types(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"


def _texts(node: ast.AST) -> Iterator[str]:
    """Yield what may stand in a node's place."""
    if isinstance(node, ast.Constant):
        yield from _constant(node.value)
    elif isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        yield _swapped(node, SWAPS[type(node.op)]())
    elif isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in SWAPS:
        swapped = ast.Compare(node.left, [SWAPS[type(node.ops[0])]()], node.comparators)  # type: ignore[list-item]
        yield f"({ast.unparse(swapped)})"
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        yield ast.unparse(node.operand)
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield "pass"
    elif isinstance(node, ast.Name) and node.id in NAMES:
        yield NAMES[node.id]
    elif isinstance(node, ast.Attribute) and node.attr in NAMES:
        yield f"{ast.unparse(node.value)}.{NAMES[node.attr]}"
    elif isinstance(node, ast.Call) and node.keywords:
        for at in range(len(node.keywords)):
            left = [k for i, k in enumerate(node.keywords) if i != at]
            yield ast.unparse(ast.Call(node.func, node.args, left))
    elif isinstance(node, ast.IfExp):
        yield f"({ast.unparse(ast.IfExp(node.test, node.orelse, node.body))})"


def _constant(value: object) -> Iterator[str]:
    if isinstance(value, bool):
        yield repr(not value)
    elif isinstance(value, int):
        yield repr(value + 1)
    elif isinstance(value, float):
        yield repr(1.5 * value if value else 1.0)


def _swapped(node: ast.BinOp | ast.BoolOp, operator: ast.AST) -> str:
    if isinstance(node, ast.BoolOp):
        return f"({ast.unparse(ast.BoolOp(operator, node.values))})"  # type: ignore[arg-type]
    return f"({ast.unparse(ast.BinOp(node.left, operator, node.right))})"  # type: ignore[arg-type]


class Trial:
    """A copy of the checkout in which changes are tried.

    Parameters
    ----------
    folder : Path
        An empty folder for it.
    more : sequence of str
        Test files to run beside those of a room.
    """

    def __init__(self, folder: Path, more: Sequence[str]) -> None:
        self.root = folder / "checkout"
        self.root.mkdir()
        self.more = more
        for name in COPIED:
            if (CHECKOUT / name).exists():
                shutil.copytree(CHECKOUT / name, self.root / name, ignore=_no_rubbish)
        for name in FILES:
            shutil.copyfile(CHECKOUT / name, self.root / name)
        if (CHECKOUT.parent / "shared").exists():
            (folder / "shared").symlink_to((CHECKOUT.parent / "shared").resolve())

    def pytest(self, *arguments: str) -> tuple[int, str]:
        """Run pytest in the copy; its exit status and what it printed."""
        threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments],
            cwd=self.root, capture_output=True, text=True, check=False,
            env={**os.environ, **threads, "PYTHONPATH": str(self.root)},
        )  # fmt: skip
        return done.returncode, done.stdout + done.stderr

    def tests_by_line(self, room: str) -> tuple[dict[str, dict[int, list[str]]], dict[str, float]]:
        """Which tests run which line of a room's files, and how long each takes. [s]"""
        data = self.root / ".coverage-room"
        status, told = self.pytest(
            *self._tests_of(room), "--cov=hairtone", "--cov-context=test",
            "--cov-report=", "--durations=0", "--durations-min=0",
            f"--cov-config={self._settings(data)}", "-o", "addopts=--import-mode=importlib",
        )  # fmt: skip
        if status not in (0, 1):
            raise SystemExit(f"The tests of {room} could not be run:\n{told[-3000:]}")
        failed = set(re.findall(r"^FAILED (\S+)", told, re.MULTILINE))
        if failed:
            print(f"{len(failed)} tests fail without any change and are left out:", *failed)
        took: dict[str, float] = {}
        for seconds, name in re.findall(r"^\s*([\d.]+)s \w+\s+(\S.*)$", told, re.MULTILINE):
            took[name.strip()] = took.get(name.strip(), 0.0) + float(seconds)
        found = coverage.CoverageData(str(data))
        found.read()
        lines: dict[str, dict[int, list[str]]] = {}
        for file in found.measured_files():
            name = Path(file).resolve().relative_to(self.root.resolve()).as_posix()
            lines[name] = {
                line: sorted({c.partition("|")[0] for c in contexts if c} - failed)
                for line, contexts in found.contexts_by_lineno(file).items()
            }
        return lines, took

    def _tests_of(self, room: str) -> list[str]:
        own = f"tests/{room}" if (self.root / "tests" / room).is_dir() else f"tests/test_{room}.py"
        kept = "tests/golden/test_kept.py"  # three photos as kept: numbers that moved
        return [own, *([kept] if (self.root / kept).exists() else []), *self.more]

    def _settings(self, data: Path) -> Path:
        path = self.root / "coverage-settings"
        path.write_text(f"[run]\nbranch = False\ndata_file = {data}\n", encoding="utf-8")
        return path

    def is_killed(self, change: Change, tests: Sequence[str]) -> bool:
        """Whether a test fails, or hangs, when the change is made; the file is put back."""
        path = self.root / change.file
        before = path.read_text(encoding="utf-8")
        path.write_text(change.text, encoding="utf-8")
        try:
            child = os.fork()  # the libraries are loaded once, hairtone anew in each child
            if child == 0:
                _run_tests(self.root, tests)
            _, status = os.waitpid(child, 0)
        finally:
            path.write_text(before, encoding="utf-8")
        return status != 0


def load_libraries() -> None:
    """Load what the tests need beside hairtone, so that no child has to."""
    for name in LIBRARIES:
        with contextlib.suppress(ImportError), warnings.catch_warnings(action="ignore"):
            importlib.import_module(name)


def _run_tests(root: Path, tests: Sequence[str]) -> NoReturn:
    """Run tests in this child until one fails, and end it with pytest's status."""
    status = 1
    try:
        _limit(MOST_CPU_S)
        os.chdir(root)
        sys.path.insert(0, str(root))
        os.environ |= {"PYTHONPATH": str(root), "OMP_NUM_THREADS": "1"}
        hidden = os.open(os.devnull, os.O_WRONLY)
        for handle in (1, 2):
            os.dup2(hidden, handle)
        options = ["-x", "-q", "-p", "no:cacheprovider", "-o", "addopts=--import-mode=importlib"]
        status = int(pytest.main([*options, *tests]))
    finally:
        os._exit(status)


def _no_rubbish(folder: str, names: list[str]) -> set[str]:
    return {name for name in names if name in ("__pycache__", ".pytest_cache", "kept-before")}


def _limit(seconds: float) -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds) + 5))


def covering(change: Change, lines: dict[int, list[str]], took: dict[str, float]) -> list[str]:
    """Return the tests that run the changed line, quickest first.

    A line that is run when the module is loaded, such as a constant, has all tests of the module.
    """
    tests = lines.get(change.line, [])
    if not tests:
        tests = sorted({test for each in lines.values() for test in each})
    return sorted(tests, key=lambda test: took.get(test, 0.0))


def sample(room: Path, *, root: Path, count: int, seed: int) -> list[Change]:
    """Return `count` changes of a room, drawn line by line so that long lines count once."""
    paths = [room] if room.suffix == ".py" else sorted(room.rglob("*.py"))
    files = [_File(path, root) for path in paths]
    by_line: dict[tuple[int, int], list[tuple[ast.AST, str]]] = {}
    for number, file in enumerate(files):
        for place in file.places:
            by_line.setdefault((number, place[0].lineno), []).append(place)
    rng = np.random.default_rng(seed)
    keys, found = list(by_line), list[Change]()
    for key in rng.permutation(len(keys)):
        if len(found) == count:
            break
        number, line = keys[key]
        places = by_line[number, line]
        change = files[number].change(*places[int(rng.integers(len(places)))])
        found += [] if change is None else [change]
    return sorted(found, key=lambda change: (change.file, change.line))


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; exit status 1 where fewer than nine in ten changes were killed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rooms", nargs="+", default=["calibration", "chart", "measures", "study"])
    parser.add_argument("--count", type=int, default=15, help="changes of each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tests", nargs="*", default=[], metavar="FILE", help="more tests to run")
    parser.add_argument("--only", metavar="FILE:LINE", help="every change of one line")
    chosen = parser.parse_args(argv)
    killed = total = 0
    survivors: list[Change] = []
    load_libraries()
    with tempfile.TemporaryDirectory(prefix="mutations-") as folder:
        trial = Trial(Path(folder), chosen.tests)
        for room in chosen.rooms:
            place = trial.root / "hairtone" / room
            place = place if place.exists() else place.with_suffix(".py")
            lines, took = trial.tests_by_line(room)
            for change in _wanted(chosen, place, trial.root):
                tests = covering(change, lines.get(change.file, {}), took)
                is_killed = bool(tests) and trial.is_killed(change, tests)
                total, killed = total + 1, killed + is_killed
                survivors += [] if is_killed else [change]
                word = "killed  " if is_killed else "SURVIVED" if tests else "UNTESTED"
                print(f"{word} by {len(tests):>3} tests  {change.title}", flush=True)
    print(
        f"\n{killed} of {total} changes killed ({killed / max(total, 1):.0%}), seed {chosen.seed}."
    )
    if survivors:
        print("Survived; which of these change anything is for a person to say:")
        print("\n".join(change.title for change in survivors))
    return 0 if killed >= 0.9 * total else 1


def _wanted(chosen: argparse.Namespace, room: Path, root: Path) -> list[Change]:
    if not chosen.only:
        return sample(room, root=root, count=chosen.count, seed=chosen.seed)
    file, _, line = chosen.only.rpartition(":")
    return [c for c in changes_of(root / file, root=root) if c.line == int(line)]


if __name__ == "__main__":
    sys.exit(main())
