"""Published tables that tests check against, and the folders they lie in."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest

CHECKOUT = Path(__file__).resolve().parents[1]


def read_shared(name: str) -> list[dict[str, Any]]:
    """Rows of a table of the project's own ``shared/``; ``#`` lines are notes."""
    text = (CHECKOUT / "shared" / name).read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in text if not line.startswith("#"))
    return [{key: _number(value) for key, value in row.items()} for row in rows]


def _number(text: str) -> float | str:
    try:
        return float(text)
    except (TypeError, ValueError):
        return text


def shared_folder(*parts: str) -> Path:
    """Real photographs and data beside the checkout; skips where they are absent."""
    folder = CHECKOUT.parent / "shared"
    path = folder.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"needs shared/{'/'.join(parts)} beside the checkout, which is not there")
    return path
