"""The house keeps its shape: imports go down only, rooms stay small, heavy guests stay outside."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest
from published import CHECKOUT

PACKAGE = CHECKOUT / "hairtone"
FLOORS = {
    "cli": 9, "__main__": 9,
    "report": 8,
    "study": 7,
    "pipeline": 6, "request": 6, "result": 6,
    "measures": 5,
    "hair": 4,
    "calibration": 3, "scene": 3,
    "chart": 2,
    "photo": 1, "spectra": 1,
    "errors": 0, "colorimetry": 0, "uncertainty": 0, "reference": 0,
}  # fmt: skip
GUESTS = {  # library -> rooms that may import it
    "cv2": {"photo", "chart", "hair"},
    "matplotlib": {"report"},
    "colour": {"spectra", "scene"},
    "statsmodels": {"measures"},
    "distributed": {"study"},
}
LONGEST_FILE, LONGEST_FUNCTION, MOST_PARAMETERS = 800, 40, 6
# the one look-up upwards: a result's .plot finds its figure when it is called
PLOT_LOOK_UP = "hairtone.report.figures"

FILES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports_of(path: Path) -> list[tuple[str, int]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            found.append((base, node.lineno))
            found += [(f"{base}.{alias.name}", node.lineno) for alias in node.names]
    return found


def test_every_module_has_a_floor():
    assert {room_of(path) for path in FILES} - {"__init__"} == set(FLOORS)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down_only(path):
    room = room_of(path)
    floor = FLOORS.get(room, 0)
    upwards = [
        f"line {line}: {name}"
        for name, line in imports_of(path)
        if name.startswith("hairtone.") and not name.startswith(PLOT_LOOK_UP)
        for target in [name.split(".")[1]]
        if target in FLOORS and target != room and FLOORS[target] >= floor and FLOORS[target] > 0
    ]
    if room in ("cli", "__main__", "request", "result", "pipeline"):
        upwards = [u for u in upwards if FLOORS[u.split("hairtone.")[1].split(".")[0]] > floor]

    assert not upwards


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_heavy_guests_stay_in_their_rooms(path):
    room = room_of(path)
    strangers = [
        f"line {line}: {name}"
        for name, line in imports_of(path)
        if name.split(".")[0] in GUESTS and room not in GUESTS[name.split(".")[0]]
    ]

    assert not strangers


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_functions_and_signatures_stay_small(path):
    text = path.read_text(encoding="utf-8")
    large = [f"{path.name}: {text.count(chr(10))} lines"] * (text.count("\n") > LONGEST_FILE)
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef):
            continue
        body = node.body[1:] if ast.get_docstring(node) else node.body
        lines = (body[-1].end_lineno - body[0].lineno + 1) if body else 0
        if lines > LONGEST_FUNCTION:
            large.append(f"{node.name}: {lines} lines")
        taken = [a.arg for a in node.args.posonlyargs + node.args.args + node.args.kwonlyargs]
        count = len([name for name in taken if name not in ("self", "cls")])
        if count > MOST_PARAMETERS:
            large.append(f"{node.name}: {count} parameters")

    assert not large


def test_importing_the_package_loads_no_heavy_library():
    code = (
        "import sys, hairtone, hairtone.cli; "
        "print([m for m in ('cv2','colour','matplotlib','pandas','scipy','skimage') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


def test_no_text_installs_the_unrelated_package_of_that_name():
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=CHECKOUT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    wrong = re.compile(
        r"(pip|pipx|uvx|uv)\s+(tool run\s+)?(install\s+)?['\"]?hairtone['\"]?(\s|$|`)"
    )
    found = []
    for name in filter(None, tracked):
        path = CHECKOUT / name
        if path.suffix not in (".py", ".md", ".toml", ".ipynb", ".sh", ".html", ".cff", ""):
            continue
        if path.is_file() and path != Path(__file__):
            text = path.read_text(encoding="utf-8", errors="ignore")
            found += [name for line in text.splitlines() if wrong.search(line)]

    assert not found
