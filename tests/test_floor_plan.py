"""The house keeps its shape: imports go down only, rooms stay small, heavy guests stay outside."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from published import CHECKOUT

PACKAGE = CHECKOUT / "hairtone"
FLOORS = {
    "cli": 9, "__main__": 9, "desk": 9,
    "report": 8,
    "study": 7,
    "pipeline": 6, "request": 6, "result": 6, "calibrated": 6,
    "measures": 5,
    "hair": 4,
    "calibration": 3, "scene": 3,
    "chart": 2,
    "photo": 1, "spectra": 1,
    "errors": 0, "colorimetry": 0, "uncertainty": 0, "locations": 0, "showing": 0,
}  # fmt: skip
GUESTS = {  # library -> rooms that may import it
    "cv2": {"photo", "chart", "hair"},
    "matplotlib": {"report"},
    "colour": {"spectra", "scene"},
    "statsmodels": set(),
    "distributed": {"study"},
}
MAX_FILE_LINES, MAX_FUNCTION_LINES, MAX_PARAMETERS, MAX_FILES = 800, 40, 6, 15
# modules that one neighbour of their own folder imports and nobody else, each with its reason
LONE_NEIGHBOURS = {
    "hairtone.calibration.level2": "as large as level1, which many import",
    "hairtone.calibration.light": "the light field, beside the calibration of colours",
    "hairtone.calibration.posterior": "the mathematics behind level 2, 480 lines",
    "hairtone.chart.judge": "doubts about patches, 360 lines",
    "hairtone.desk.acts": "what buttons do, apart from how they are asked",
    "hairtone.desk.answer": "loaded by the child process that measures alone",
    "hairtone.desk.handlers": "what each address answers; app.py starts the server",
    "hairtone.desk.looking": "loaded by the child process that looks at photos alone",
    "hairtone.hair.doubts": "flags apart from figures, 450 lines",
    "hairtone.measures.mixed": "the mathematics of comparisons, 330 lines",
    "hairtone.photo.heic": "one decoder a format, loaded only when asked for",
    "hairtone.photo.metadata": "what the camera wrote",
    "hairtone.photo.raster": "one decoder a format, loaded only when asked for",
    "hairtone.photo.raw": "one decoder a format, loaded only when asked for",
    "hairtone.report.figures_over_washes": "drawn figures, 640 lines",
    "hairtone.report.pictures": "photographs, apart from the text of cards",
    "hairtone.scene.development": "what a camera does to light",
    "hairtone.study.table": "CSV and workbook, 540 lines",
}

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
    floor = FLOORS.get(room, 10)
    upwards = [
        f"line {line}: {name}"
        for name, line in imports_of(path)
        if name.startswith("hairtone.")
        for target in [name.split(".")[1]]
        if target in FLOORS and target != room and FLOORS[target] >= floor and FLOORS[target] > 0
    ]
    if room in ("cli", "__main__", "request", "result", "pipeline", "calibrated"):
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
    large = [f"{path.name}: {text.count(chr(10))} lines"] * (text.count("\n") > MAX_FILE_LINES)
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef):
            continue
        body = node.body[1:] if ast.get_docstring(node) else node.body
        lines = (body[-1].end_lineno - body[0].lineno + 1) if body else 0
        if lines > MAX_FUNCTION_LINES:
            large.append(f"{node.name}: {lines} lines")
        taken = [a.arg for a in node.args.posonlyargs + node.args.args + node.args.kwonlyargs]
        count = len([name for name in taken if name not in ("self", "cls")])
        if count > MAX_PARAMETERS:
            large.append(f"{node.name}: {count} parameters")

    assert not large


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(CHECKOUT).with_suffix("").parts)


def imported_modules() -> dict[str, set[str]]:
    """Modules of the package that each of its modules imports, wherever the import stands."""
    modules = {module_of(path) for path in FILES}
    return {module_of(path): {name for name, _ in imports_of(path)} & modules for path in FILES}


def circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Strongly connected components of more than one module (Tarjan 1972, from memory)."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(module: str) -> None:
        order[module] = low[module] = len(order)
        stack.append(module)
        for other in graph[module]:
            if other not in order:
                visit(other)
                low[module] = min(low[module], low[other])
            elif other in stack:
                low[module] = min(low[module], order[other])
        if low[module] == order[module]:
            component = stack[stack.index(module) :]
            del stack[stack.index(module) :]
            if len(component) > 1:
                found.append(sorted(component))

    for module in graph:
        if module not in order:
            visit(module)
    return found


def test_a_circle_of_modules_is_seen():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == [["a", "b", "c"]]


def test_no_modules_import_each_other_in_a_circle():
    assert not circles(imported_modules())


def test_a_folder_holds_few_files():
    count = Counter(path.parent.name for path in FILES if path.name != "__init__.py")

    assert not {name: n for name, n in count.items() if n > MAX_FILES}


def test_file_names_and_class_names_stand_once():
    files = Counter(p.name for p in FILES if p.name not in ("__init__.py", "types.py"))
    classes = Counter(
        node.name
        for path in FILES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef)
    )

    assert not [name for name, n in (files + classes).items() if n > 1]


def test_no_module_serves_a_single_neighbour():
    graph = imported_modules()
    lone = set()
    for module in graph:
        users = {user for user, used in graph.items() if module in used}
        if len(users) == 1 and users.pop().rpartition(".")[0] == module.rpartition(".")[0]:
            lone.add(module)

    assert {m for m in lone if m.count(".") > 1} == set(LONE_NEIGHBOURS)


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
