"""The benchmark commands run, small, and print what they promise; their figures are not judged."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).resolve().parent


def run(name, *arguments):
    done = subprocess.run(
        [sys.executable, BENCH / name, *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1", "PYTHONIOENCODING": "utf-8"},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.slow
@pytest.mark.parametrize("kind", [(), ("--raw",)])
def test_accuracy_prints_errors_peers_and_coverage(tmp_path, kind):
    first = run("accuracy.py", "--photos", "2", "--cache", str(tmp_path), *kind)

    assert "hairtone, hair found" in first
    assert "OpenCV + 3×3 + scikit-image" in first
    assert "95 %: hair found" in first
    assert len(list(tmp_path.glob("*.pickle"))) == 2


@pytest.mark.slow
def test_along_prints_places_patchiness_and_patches(tmp_path):
    told = run("along.py", "--photos", "2", "--cache", str(tmp_path))

    assert "2 of 2 hairs measured" in told
    assert "patchiness held in" in told
    assert "patches told" in told


@pytest.mark.slow
def test_gradients_prints_a_row_of_each_kind_asked_for(tmp_path):
    told = run(
        "gradients.py", "--photos", "1", "--rows", "neutral ramp", "gradual uptake",
        "--cache", str(tmp_path),
    )  # fmt: skip

    assert "neutral ramp" in told
    assert "gradual uptake" in told
    assert len(list(tmp_path.glob("*.pickle"))) == 2


@pytest.mark.slow
def test_parts_prints_each_truth_in_turn(tmp_path):
    told = run("parts.py", "--photos", "2", "--cache", str(tmp_path))

    for row in ("as found", "true light", "true outline", "no highlights", "all of these"):
        assert row in told


@pytest.mark.slow
@pytest.mark.parametrize("world", ["scene", "readings"])
def test_coverage_prints_coverage_by_class_and_light(world):
    told = run("coverage.py", "--draws", "4", "--world", world)

    assert "equal colours called different" in told
    for row in ("dark natural", "fashion", "tungsten", "white LED"):
        assert row in told


@pytest.mark.slow
def test_series_prints_the_change_photo_by_photo_and_pooled():
    told = run("series.py", "--series", "1", "--kind", "varied", "--alone")

    assert "varied: charts misread alike" in told
    for row in ("photo by photo", "one posterior"):
        assert row in told


@pytest.mark.slow
def test_outlines_prints_leaks_and_colours(tmp_path):
    told = run("outlines.py", "--photos", "2", "--cache", str(tmp_path))

    for row in ("grey board: 2 outlines", "skin and cloth: 2 outlines", "leaked", "outline grown"):
        assert row in told


@pytest.mark.slow
def test_science_prints_rates_coverage_and_errors():
    told = run("science.py", "--studies", "10")

    for row in ("equal treatments", "colour left", "half-life", "porous onset", "false patch"):
        assert row in told


@pytest.mark.slow
def test_speed_prints_ratios_with_spread_and_writes_tables(tmp_path):
    small = ("--repeats", "1", "--megapixels", "2", "--growth", "2", "--photos", "2")
    told = run("speed.py", *small, "--studies", "10", "--out", str(tmp_path))

    for row in ("2 MP, very many", "OpenCV + scikit-image", "--help", "gain"):
        assert row in told
    assert (tmp_path / "speed.md").read_text(encoding="utf-8").count("**") == 14
    ratios = (tmp_path / "ratios.csv").read_text(encoding="utf-8").splitlines()
    assert ratios[0].startswith("photo,")
    assert len(ratios) == 4


def test_distinct_colours_are_as_exact_as_plain_numbers():
    """Tolerance: 1e-3; scikit-image's matrix and white have six digits."""
    told = run("exactness.py", "--every", "4099")

    gaps = [float(line.split()[-1]) for line in told.splitlines()[1:]]
    assert len(gaps) == 3
    assert max(gaps) < 1e-3
