"""Where the files that a measurement needs at run time lie."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def reference_path(name: str) -> Path:
    """A file of ``calibration/``: beside the package when installed, else in the checkout."""
    return _first(_PACKAGE / "_reference" / name, _PACKAGE.parent / "calibration" / name)


def demo_path(name: str) -> Path:
    """A file of ``demo/``: beside the package when installed, else in the checkout."""
    return _first(_PACKAGE / "_demo" / name, _PACKAGE.parent / "demo" / name)


def _first(*candidates: Path) -> Path:
    for path in candidates:
        if path.exists():
            return path
    raise FileNotFoundError(
        f"{candidates[0].name} is missing from this installation of hairtone; install it again."
    )
