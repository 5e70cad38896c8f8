"""The real measuring under the study: rendered photos with known truth, through child processes."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from hairtone.colorimetry import delta_e
from hairtone.locations import demo_path
from hairtone.measures.zones import zone_estimates
from hairtone.pipeline import measure_photo
from hairtone.request import HairRequest, PhotoRequest
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


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """A rendered photo of the same hair twice, side by side, and its truth."""
    path = tmp_path_factory.mktemp("pair") / "pair.jpg"
    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    row = next(csv.DictReader(demo_path("photos.csv").read_text(encoding="utf-8").splitlines()))
    scene = demo_scene(scenario, row | {"wash": "0"}, number=1)
    tress = scene.tresses[0]
    aside = np.array([-1.6 * tress.width_px, 0.0])
    other = replace(
        tress,
        roots=tuple(np.add(tress.roots, aside)),
        ends=tuple(np.add(tress.ends, aside)),
    )
    photo = render_scene(replace(scene, tresses=(other, tress)))
    write_photo(photo, path)
    return path, photo.truth.tresses


def measured_with(path, lab, place=1):
    """Hair 2 of a photo measured, hair 1 stated as known to be `lab` (None: not stated)."""
    hairs = (HairRequest(place=place, known_lab=lab, known_u95=0.3), HairRequest(place=2))
    result = measure_photo(PhotoRequest(path=path, hairs=hairs))
    zones = zone_estimates(result.tresses[1].profile)
    return {flag.code for flag in result.flags}, zones["roots"], result.chart.facts


def test_a_known_tress_sharpens_what_stands_beside_it(pair):
    """The hair beside it is the same: it must come nearer, to what the known colour is known to."""
    path, truth = pair
    lab = truth[0].lab().mean(axis=0)

    _, plain, _ = measured_with(path, None)
    codes, sharpened, facts = measured_with(path, tuple(lab))

    assert "known-tress" in codes
    assert facts["known_tresses_off"][0] > 0
    roots = truth[1].zones()["roots"]
    assert sharpened.u95 < plain.u95
    assert delta_e(sharpened.lab, roots) < max(float(delta_e(plain.lab, roots)), sharpened.u95)


def test_a_wrong_statement_is_doubted_and_moves_no_number(pair):
    path, truth = pair
    wrong = np.add(truth[0].lab().mean(axis=0), (15, 0, 0))

    _, plain, _ = measured_with(path, None)
    codes, doubted, _ = measured_with(path, tuple(wrong))

    assert "known-tress-off" in codes
    assert doubted.lab == pytest.approx(plain.lab)


def test_a_known_tress_that_is_not_there_is_a_note(pair):
    path, truth = pair

    codes, _, _ = measured_with(path, tuple(truth[0].lab().mean(axis=0)), place=5)

    assert "known-tress-unread" in codes


def test_a_missed_hair_leaves_none_to_be_taken_for_its_neighbour(pair):
    """Two hairs lie there and the sheet names a third: left to right no longer tells which."""
    path, _ = pair
    hairs = tuple(HairRequest(place=place) for place in (1, 2, 3))

    result = measure_photo(PhotoRequest(path=path, hairs=hairs))

    assert [tress.error.code for tress in result.tresses] == ["place-not-found"] * 3
    assert "hair 3, but 2 hairs were found" in result.tresses[0].error.says


@pytest.mark.parametrize(
    ("listed", "told"), [((1,), [True]), ((2,), [False]), ((1, 2), [False] * 2)]
)
def test_a_hair_that_nobody_listed_is_told_as_it_may_shift_the_count(pair, listed, told):
    """Two hairs lie there; a strip of card on the left would be counted as one, too."""
    path, _ = pair
    hairs = tuple(HairRequest(place=place) for place in listed)

    result = measure_photo(PhotoRequest(path=path, hairs=hairs))

    codes = [{flag.code for flag in tress.flags} for tress in result.tresses]
    assert ["hair-not-listed" in each for each in codes] == told


def test_a_line_by_hand_is_measured_whatever_was_missed(pair):
    path, _ = pair
    found = measure_photo(PhotoRequest(path=path)).tresses[0]
    hairs = (HairRequest(place=1, line=found.line), HairRequest(place=9))

    by_line, missed = measure_photo(PhotoRequest(path=path, hairs=hairs)).tresses

    assert by_line.error is None
    assert missed.error.code == "place-not-found"
