"""Real photographs: measured, flagged or refused, each for the reason one sees in it.

Photos lie beside the checkout under their own licences; without them these tests skip. What each
shows was seen by eye: patches drawn into the photo lie on the chart's own, and the clipped ones
are white in the photo.
"""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import pytest
from chart.drawn import REFERENCE
from published import shared_folder

from hairtone.chart.finder import find_chart
from hairtone.errors import HairtoneError
from hairtone.photo.reader import read_photo

TABLE = Path(__file__).with_name("real_photos.csv")
ROWS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()[2:]))
KINDS = {".jpg", ".png", ".tif"}
WITHOUT_CHART = 106  # photos of `lights_nonuniform`: grids of nine patches, no 24-patch chart


def outcome(path: Path) -> tuple[str, str]:
    """Status and codes of the chart in a photo."""
    try:
        reading = find_chart(read_photo(path), reference=REFERENCE)
    except HairtoneError as error:
        return "refused", error.code
    codes = sorted(flag.code for flag in reading.flags if not flag.is_note)
    return ("flagged" if codes else "measured"), " ".join(codes)


@pytest.fixture(scope="module")
def photos() -> dict[str, Path]:
    """Every photo outside `lights_nonuniform`, by the first 12 digits of its SHA-256."""
    paths = [
        path
        for path in sorted(shared_folder("photos").rglob("*"))
        if path.suffix.lower() in KINDS and "lights_nonuniform" not in path.parts
    ]
    return {hashlib.sha256(path.read_bytes()).hexdigest()[:12]: path for path in paths}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['sha256']} {row['shows']}")
def test_a_real_photo_is_measured_flagged_or_refused_for_the_right_reason(row, photos):
    assert outcome(photos[row["sha256"]]) == (row["status"], row["codes"])


def test_every_photo_is_in_the_table(photos):
    assert set(photos) == {row["sha256"] for row in ROWS}


@pytest.mark.parametrize("part", range(4))
def test_nine_patch_grids_are_not_taken_for_a_chart(part):
    paths = sorted(shared_folder("photos", "lights_nonuniform").glob("*.jpg"))
    assert len(paths) == WITHOUT_CHART

    found = {path.name: outcome(path) for path in paths[part::4]}

    assert set(found.values()) == {("refused", "chart-not-found")}
