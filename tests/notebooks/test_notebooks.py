"""Every notebook is thin, stored clean, and runs in a fresh kernel with other parameters."""

from __future__ import annotations

import ast

import nbformat
import pytest
from published import CHECKOUT

from hairtone.study.analysis import COLUMNS

NOTEBOOKS = sorted((CHECKOUT / "notebooks").glob("*.ipynb"))
ONES_WITHOUT_A_STUDY = {"photo_and_calibration", "validation"}
LONGEST_CELL = 14  # lines; more is logic that belongs into the package


def read(path):
    return nbformat.read(path, as_version=4)


def named(path):
    return path.stem


def test_each_question_has_its_notebook():
    assert {path.stem for path in NOTEBOOKS} == {
        "start",
        "tutorial",
        "photo_and_calibration",
        "evenness_and_porous_lengths",
        "fade_across_washes",
        "comparing_products_and_methods",
        "repeats_and_how_many",
        "validation",
    }


@pytest.mark.parametrize("path", NOTEBOOKS, ids=named)
def test_a_notebook_is_stored_clean_with_a_kernel_and_one_parameters_cell(path):
    book = read(path)
    code = [cell for cell in book.cells if cell.cell_type == "code"]

    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert book.metadata.kernelspec.name == "python3"  # without it a dialog blocks the browser
    assert sum("parameters" in cell.metadata.get("tags", []) for cell in code) == 1
    nbformat.validate(book)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=named)
def test_a_notebook_is_thin(path):
    for cell in read(path).cells:
        if cell.cell_type == "code":
            tree = ast.parse(cell.source)
            assert cell.source.count("\n") < LONGEST_CELL
            assert not any(isinstance(n, ast.FunctionDef | ast.ClassDef) for n in ast.walk(tree))


def with_parameters(book, values):
    """The notebook with the values of its parameters cell replaced."""
    cell = next(c for c in book.cells if "parameters" in c.metadata.get("tags", []))
    names = [node.targets[0].id for node in ast.parse(cell.source).body]
    assert set(values) <= set(names)
    cell.source += "\n" + "\n".join(f"{name} = {value!r}" for name, value in values.items())
    return book


def run(book, folder):
    from nbclient import NotebookClient

    NotebookClient(book, timeout=240, resources={"metadata": {"path": str(folder)}}).execute()
    return book


def text_of(book):
    """All that the notebook shows, as text."""
    shown = []
    for cell in book.cells:
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            shown.append(output.get("text", "") or data.get("text/html") or "")
            shown.append(data.get("text/plain", ""))
    return "\n".join(shown)


@pytest.mark.notebook
@pytest.mark.parametrize(
    "path",
    [p for p in NOTEBOOKS if p.stem not in {*ONES_WITHOUT_A_STUDY, "start"}],
    ids=named,
)
def test_a_study_notebook_writes_its_report(path, small_study, tmp_path):
    out = tmp_path / "out"

    book = run(with_parameters(read(path), {"STUDY": str(small_study), "OUT": str(out)}), tmp_path)

    assert "Written: report.html" in text_of(book)
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Lengths and leveller" in page
    assert {path.stem for path in out.glob("*.csv")} == set(COLUMNS)


@pytest.mark.notebook
def test_the_photo_notebook_shows_verdict_and_patches(small_study, tmp_path):
    path = CHECKOUT / "notebooks" / "photo_and_calibration.ipynb"
    photo = small_study / "photos" / "T1_wash0.jpg"

    book = run(with_parameters(read(path), {"PHOTO": str(photo), "OUT": str(tmp_path)}), tmp_path)

    assert "T1_wash0.jpg" in text_of(book)
    assert (tmp_path / "T1_wash0.json").stat().st_size > 1000
    pictures = [
        o for c in book.cells for o in c.get("outputs", []) if "image/svg+xml" in o.get("data", {})
    ]
    assert len(pictures) == 2  # patches, and the profile of its one tress


@pytest.mark.notebook
def test_the_validation_notebook_passes_every_published_check(tmp_path):
    path = CHECKOUT / "notebooks" / "validation.ipynb"
    values = {"TABLES": str(CHECKOUT / "shared"), "OUT": str(tmp_path)}

    book = run(with_parameters(read(path), values), tmp_path)

    assert "0 outside their tolerance" in text_of(book)
    assert len((tmp_path / "validation.csv").read_text(encoding="utf-8").splitlines()) > 100


@pytest.mark.notebook
def test_the_start_notebook_measures_a_photo_in_three_lines(small_study, tmp_path):
    path = CHECKOUT / "notebooks" / "start.ipynb"
    photo = small_study / "photos" / "T1_wash0.jpg"

    book = run(with_parameters(read(path), {"PHOTO": str(photo)}), tmp_path)

    assert "T1_wash0.jpg" in text_of(book)
    assert "roots" in text_of(book)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=named)
def test_notebooks_use_the_public_names_alone(path):
    if path.stem == "validation":
        return  # it recomputes published tables, room by room
    code = "\n".join(c.source for c in read(path).cells if c.cell_type == "code")

    assert "from hairtone" not in code
