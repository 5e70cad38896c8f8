"""Where the files that a measurement needs at run time lie."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType

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


@cache
def read_limits(table: str) -> Mapping[str, float]:
    """Acceptance limits of one room, by name, from ``limits.toml``; the file says their sources.

    Parameters
    ----------
    table : str
        Name of the room's table, such as ``"photo"``.
    """
    limits = tomllib.loads(reference_path("limits.toml").read_text(encoding="utf-8"))
    return MappingProxyType({name: float(value) for name, value in limits[table].items()})
