"""Faults of a photo file, through the whole measurement: the same colour, a flag, or a refusal."""

from __future__ import annotations

import json

import numpy as np
import pytest
from faults import make_faults

from hairtone.colorimetry import delta_e
from hairtone.pipeline import measure
from hairtone.scene import random_scene, render_scene, write_photo

CORRECT = ("COL-01", "COL-02", "COL-03", "PIX-04", "PIX-11", "PIX-12", "PIX-13", "PIX-14",
           "IMG-10", "IMG-12", "IMG-20")  # fmt: skip
DOUBTED = ("SCN-07", "SCN-08", "SCN-10", "SCN-11", "SCN-12", "SCN-14", "SCN-16", "SCN-17",
           "SCN-18", "SCN-24", "IMG-02", "COL-04", "PIX-05")  # fmt: skip
SAME = 0.5  # ΔE00; the catalogue's own tolerance for a scene stored in another encoding


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    """A folder per fault, from one rendered photo of a tress beside a chart."""
    folder = tmp_path_factory.mktemp("measured")
    write_photo(render_scene(random_scene(5, size=(1200, 900))), folder / "good.jpg")
    (folder / "sheet.csv").write_text("photo,subject,wash\nphotos/good.jpg,T1,0\n")
    files = [str(folder / name) for name in ("good.jpg", "sheet.csv", "studies")]
    assert make_faults.main([*files, "--only", ",".join((*CORRECT, *DOUBTED))]) == 0
    return folder / "studies"


@pytest.fixture(scope="module")
def good(studies):
    """The sound photo's result along the line found in it, and that line."""
    path = studies / CORRECT[0] / "photos" / "good.jpg"
    line = measure(path).to_dict()["tresses"][0]["line"]
    return measure(path, line=line), line


def bad_photo(folder):
    (path,) = [path for path in (folder / "photos").iterdir() if path.name != "good.jpg"]
    return path


def zone_labs(result):
    (tress,) = result.to_dict()["tresses"]
    return np.array([zone["lab"] for zone in tress["zones"].values()])


@pytest.mark.parametrize("row", CORRECT)
def test_the_same_scene_stored_otherwise_has_the_same_colour(row, studies, good):
    """Along one line, so that what the file changes is not mixed with where hair is found."""
    if not (studies / row).exists():
        pytest.skip(f"{row} was not made: the library that writes it is not installed")
    sound, line = good

    result = measure(bad_photo(studies / row), line=line)

    doubts = {flag.code for flag in result.flags if not flag.is_note}
    assert doubts <= {"colour-space-assumed"}  # the makers leave EXIF out
    assert delta_e(zone_labs(sound), zone_labs(result)).max() <= SAME


@pytest.mark.parametrize("row", DOUBTED)
def test_a_doubtful_file_is_doubted_by_the_measurement(row, studies):
    expected = json.loads((studies / row / "expect.json").read_text())

    result = measure(bad_photo(studies / row))

    assert (result.status == "refused") == (expected["outcome"] == "refused")
    flags = (*result.flags, *(flag for tress in result.tresses for flag in tress.flags))
    said = [result.error] if result.error else [flag for flag in flags if not flag.is_note]
    told = " ".join(f"{finding.code} {finding}" for finding in said).lower()
    names = told + bad_photo(studies / row).name
    assert all(word.lower() in names for word in expected["must_say"])
    assert all(finding.remedy for finding in said)
