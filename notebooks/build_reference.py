"""Build the reference: guides, notebooks, tables and docstrings, as pages to read offline.

``python notebooks/build_reference.py [FOLDER]`` writes HTML to FOLDER, or to ``build/reference``.
The pages of tables are written from the code itself by reference_pages.py. Needs the
extra ``docs``. Notebooks are shown as they are stored, not executed.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from reference_pages import PAGES, ROOMS, STAGES, stage_page
from sphinx.application import Sphinx

import hairtone

CHECKOUT = Path(__file__).resolve().parents[1]
SETTINGS = {
    "project": "hairtone",
    "copyright": "hairtone contributors",
    "extensions": ["sphinx.ext.autodoc", "numpydoc", "myst_nb"],
    "nb_execution_mode": "off",
    "numpydoc_show_class_members": False,
    "autodoc_mock_imports": ["rawpy", "pillow_heif", "distributed"],
    "html_theme": "alabaster",
    "suppress_warnings": ["myst.header", "myst.xref_missing", "ref.python", "ref.citation"],
}


GUIDES = ("README.md", "DEVELOPERS.md", "SECURITY.md", "calibration/protocol.md",
          "notebooks/large_studies.md")  # fmt: skip


def write_pages(folder: Path) -> None:
    """Write guides, notebooks, the code's own tables and its docstrings for Sphinx to read."""
    for name in GUIDES:
        shutil.copyfile(CHECKOUT / name, folder / Path(name).name)
    shutil.copytree(CHECKOUT / "demo" / "pictures", folder / "demo" / "pictures")
    notebooks = sorted((CHECKOUT / "notebooks").glob("*.ipynb"))
    for path in notebooks:
        shutil.copyfile(path, folder / path.name)
    for name, write in PAGES.items():
        (folder / f"{name}.md").write_text(write(), encoding="utf-8")
    stages = [write_stage_page(folder, stage) for stage in STAGES]
    rooms = [write_room_page(folder, room) for room in ROOMS]
    parts = {
        "Guides": [Path(name).stem for name in GUIDES],
        "Notebooks": [path.stem for path in notebooks],
        "Tables": list(PAGES),
        "In Python": stages,
        "Inside, room by room": rooms,
    }
    index = ["hairtone", "========", ""]
    for caption, names in parts.items():
        index += [".. toctree::", "   :maxdepth: 1", f"   :caption: {caption}", ""]
        index += [f"   {name}" for name in names] + [""]
    (folder / "index.rst").write_text("\n".join(index), encoding="utf-8")


def write_stage_page(folder: Path, stage: str) -> str:
    """Write the page of one stage's public names and return its file name without ending."""
    lines = [stage, "=" * len(stage), ""]
    for name in STAGES[stage]:
        is_class = isinstance(getattr(hairtone, name), type)
        lines.append(f".. auto{'class' if is_class else 'function'}:: hairtone.{name}")
        lines += ["   :members:", ""] if is_class else [""]
    (folder / f"{stage_page(stage)}.rst").write_text("\n".join(lines), encoding="utf-8")
    return stage_page(stage)


def write_room_page(folder: Path, room: str) -> str:
    """Write the page of every module of a room and return its file name without ending."""
    title = ROOMS[room]
    lines = [title, "=" * len(title), ""]
    for path in sorted((CHECKOUT / "hairtone" / room).glob("*.py")):
        if path.stem not in ("__init__", "__main__"):
            name = ".".join(filter(None, ("hairtone", room, path.stem)))
            lines += [name, "-" * len(name), "", f".. automodule:: {name}", "   :members:", ""]
    page = f"room_{room or 'top'}"
    (folder / f"{page}.rst").write_text("\n".join(lines), encoding="utf-8")
    return page


def main() -> int:
    out = Path(sys.argv[1] if len(sys.argv) > 1 else CHECKOUT / "build" / "reference").resolve()
    with tempfile.TemporaryDirectory() as scratch:
        source = Path(scratch) / "source"
        source.mkdir()
        write_pages(source)
        builder = Sphinx(
            srcdir=source,
            confdir=None,
            outdir=out,
            doctreedir=Path(scratch) / "trees",
            buildername="html",
            confoverrides=SETTINGS,
            status=None,
        )
        builder.build()
    print(f"Reference: {out / 'index.html'}")
    return builder.statuscode


if __name__ == "__main__":
    sys.exit(main())
