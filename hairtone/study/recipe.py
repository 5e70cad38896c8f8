"""What a stored result depends on besides the photo itself, as one hash."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import numpy as np

from hairtone import __version__
from hairtone.reference import reference_path
from hairtone.request import PhotoRequest
from hairtone.result import SCHEMA
from hairtone.study.files import sha256_of

_LIBRARIES: Final = (
    "numpy", "scipy", "opencv-python", "simplejpeg", "pillow", "pillow-heif", "rawpy",
)  # fmt: skip
_NOT_MEASURING: Final = ("study", "report", "cli.py", "__main__.py")


@cache
def versions() -> dict[str, str]:
    """Versions that a number may depend on: ours, the libraries', and a hash of our own text."""
    found = {"hairtone": __version__, "schema": str(SCHEMA), "text": _own_text()}
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = ""
    return found


def _own_text() -> str:
    """Hash of the modules that measure and of calibration/: changed text, changed results."""
    package = Path(__file__).resolve().parents[1]
    files = [
        path
        for path in package.rglob("*.py")
        if path.relative_to(package).parts[0] not in _NOT_MEASURING
    ]
    reference = reference_path("limits.toml").parent
    files += [p for p in reference.rglob("*") if p.suffix in (".toml", ".csv", ".npz", ".json")]
    digest = hashlib.sha256()
    for path in sorted(files, key=lambda path: path.as_posix()):
        digest.update(f"{path.name}\0{sha256_of(path)}\n".encode())
    return digest.hexdigest()[:16]


def recipe_of(request: PhotoRequest, *, card_sha256: str, chart_sha256: str) -> str:
    """Hash of everything that a photo's result depends on but the photo.

    Parameters
    ----------
    request : PhotoRequest
        The photo and how it is to be measured.
    card_sha256, chart_sha256 : str
        Of the plain-card photo and of a chart file inside the study; empty without.
    """
    facts: dict[str, Any] = {
        "versions": versions(),
        "viewing": request.viewing.name,
        "chart": [request.chart, request.chart_is_stated, chart_sha256],
        "card": card_sha256,
        "corners": _plain(request.corners),
        "zones": list(request.zones),
        "chart_mm": _plain(request.chart_mm),
        "hairs": [
            [hair.place, _plain(hair.line), hair.width, hair.roots]
            + ([{"regrowth": _plain(hair.regrowth)}] if hair.regrowth is not None else [])
            + ([{"white": hair.white_percent}] if hair.white_percent else [])
            + ([_plain(hair.known_lab), hair.known_u95] if hair.known_lab else [])
            for hair in request.hairs
        ],
    }
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(values: Any) -> Any:
    return None if values is None else np.asarray(values, np.float64).tolist()
