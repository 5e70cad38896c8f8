"""Build the reference: guides, notebooks and every public docstring, as pages to read offline.

``python notebooks/build_reference.py [FOLDER]`` writes HTML to ``build/reference`` unless told
otherwise. Needs the extra ``docs``. Notebooks are shown as they are stored, not executed.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from sphinx.application import Sphinx

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


def modules() -> list[str]:
    """Dotted names of every module, rooms in the order data flows."""
    order = ("", "photo", "chart", "calibration", "hair", "measures", "study", "report",
             "spectra", "scene")  # fmt: skip
    found = []
    for room in order:
        folder = CHECKOUT / "hairtone" / room
        for path in sorted(folder.glob("*.py")):
            if path.stem not in ("__init__", "__main__"):
                found.append(".".join(filter(None, ("hairtone", room, path.stem))))
    return found


def write_pages(folder: Path) -> None:
    """Guides, notebooks and one page a module, in a folder Sphinx can read."""
    for name in ("README.md", "DEVELOPERS.md", "SECURITY.md"):
        shutil.copyfile(CHECKOUT / name, folder / name)
    shutil.copyfile(CHECKOUT / "calibration" / "protocol.md", folder / "protocol.md")
    shutil.copyfile(CHECKOUT / "notebooks" / "large_studies.md", folder / "large_studies.md")
    shutil.copytree(CHECKOUT / "demo" / "pictures", folder / "demo" / "pictures")
    notebooks = sorted((CHECKOUT / "notebooks").glob("*.ipynb"))
    for path in notebooks:
        shutil.copyfile(path, folder / path.name)
    for name in modules():
        title = f"{name}\n{'=' * len(name)}\n\n"
        text = f"{title}.. automodule:: {name}\n   :members:\n   :show-inheritance:\n"
        (folder / f"{name}.rst").write_text(text, encoding="utf-8")
    parts = {
        "Guides": ["README", "protocol", "large_studies", "DEVELOPERS", "SECURITY"],
        "Notebooks": [path.stem for path in notebooks],
        "Modules": modules(),
    }
    index = ["hairtone", "========", ""]
    for caption, names in parts.items():
        index += [".. toctree::", "   :maxdepth: 1", f"   :caption: {caption}", ""]
        index += [f"   {name}" for name in names] + [""]
    (folder / "index.rst").write_text("\n".join(index), encoding="utf-8")


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
