"""The real measuring under the study: rendered photos with known truth, through child processes."""

from __future__ import annotations

import csv
import tomllib

import numpy as np
import pytest

from hairtone.colorimetry import delta_e
from hairtone.reference import demo_path
from hairtone.scene.demo import demo_scene
from hairtone.scene.render import render_scene, write_photo
from hairtone.study.analysis import analyse
from hairtone.study.run import measure_study
from hairtone.study.sheet import read_study

NUMBERS = (0, 1)  # rows of the demo's sheet: T1 before and just coloured


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    """Two photos of the demo, with their sheet, settings and truth."""
    folder = tmp_path_factory.mktemp("whole")
    (folder / "photos").mkdir()
    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    rows = list(csv.DictReader(demo_path("photos.csv").read_text(encoding="utf-8").splitlines()))
    chosen, truths = [rows[number] for number in NUMBERS], []
    for number, row in zip(NUMBERS, chosen, strict=True):
        photo = render_scene(demo_scene(scenario, row, number=number))
        write_photo(photo, folder / row["photo"])
        truths.append(photo.truth)
    with (folder / "photos.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(chosen)
    (folder / "study.toml").write_bytes(demo_path("study.toml").read_bytes())
    return folder, truths


def test_children_measure_rendered_photos_near_their_truth_and_alike(rendered, tmp_path):
    """Each zone within its own u95 of the truth, twice over; two children as one.

    Twice: six zones of two photos share two calibrations, and u95 is passed once in twenty.
    """
    folder, truths = rendered
    outcome = measure_study(read_study(folder), workers=2, progress=False)
    for path in (folder / "results").glob("*.sqlite"):
        path.unlink()
    again = measure_study(read_study(folder), workers=1, progress=False)

    assert again.to_json() == outcome.to_json()
    assert outcome.counts["refused"] == 0
    frames = analyse(outcome).frames
    table = frames["measurements"].set_index(["wash", "zone"])
    for wash, truth in zip(("before", "0"), truths, strict=True):
        for zone, lab in truth.tresses[0].zones().items():
            row = table.loc[wash, zone]
            assert delta_e(np.array([row.L, row.a, row.b]), lab) < 2 * row.u95
    assert list(frames["uptake"].zone) == ["roots", "mid_lengths", "ends"]
