"""A photo taken stage by stage: chart, hair, profile, and the colour of any area."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import hairtone as ht
from hairtone.scene import random_scene, render_scene

SHORT_REPR = 250  # characters; one line of a notebook


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    made = tmp_path_factory.mktemp("photos") / "tress.jpg"
    made.write_bytes(render_scene(random_scene(3, tresses=1)).jpeg)
    return made


@pytest.fixture(scope="module")
def seen(path):
    return ht.calibrate(ht.read_photo(path))


def test_the_stages_give_what_the_short_form_gives(path, seen):
    (strand, *_) = seen.find_hair(roots="top")

    short = ht.measure(path, roots="top")

    assert np.array_equal(seen.profile(strand).lab, short.tresses[0].profile.lab)


def test_bytes_a_file_and_its_pixels_give_the_same_colours(path):
    photo = ht.read_photo(path)
    array = ht.read_photo(np.array(photo.pixels), encoding="sRGB", name="codes")

    by_bytes, by_codes, by_file = (
        ht.measure(source) for source in (path.read_bytes(), array, path)
    )

    assert by_bytes.to_dict()["tresses"] == by_file.to_dict()["tresses"]
    colours = [r.to_frame()[["L", "a", "b"]].to_numpy() for r in (by_codes, by_file)]
    assert colours[0] == pytest.approx(colours[1], abs=0.05)  # other seeds of the fibres' draws


def test_the_colour_of_a_patch_is_that_of_the_chart(seen):
    """White and greys lie within the calibration's own 95 % radius of their reference."""
    reference = seen.chart.reference.lab(seen.viewing)

    for patch in (19, 20, 21, 22):
        found = seen.lab(seen.chart.centres[patch])
        assert ht.delta_e(found.lab, reference[patch]) < found.u95 + 0.5


def test_a_polygon_and_its_mask_give_one_colour(seen):
    centre, half = seen.chart.centres[21], seen.chart.patch_px / 4
    corners = centre + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    width, height = seen.photo.size
    mask = np.zeros((height, width), bool)
    (x0, y0), (x1, y1) = np.ceil(corners[0]).astype(int), np.floor(corners[2]).astype(int)
    mask[y0 : y1 + 1, x0 : x1 + 1] = True

    assert seen.lab(corners).lab == pytest.approx(seen.lab(mask).lab, abs=0.1)


def test_the_mean_of_an_even_area_is_known_better_than_its_pixels(seen):
    rng = np.random.default_rng(5)
    noisy = np.clip(
        seen.photo.pixels.astype(float) + rng.normal(0, 4, seen.photo.pixels.shape), 0, 255
    ).astype(np.uint8)
    photo = dataclasses.replace(seen, photo=ht.read_photo(noisy, encoding="sRGB"))
    small, half = seen.chart.centres[21], seen.chart.patch_px / 3
    large = small + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])

    spread = [np.trace(photo.lab(area).sampling_covariance) for area in (small, large)]

    assert spread[1] < spread[0] / 4


@pytest.mark.parametrize(
    ("area", "error", "says"),
    [
        ((-50.0, -50.0), ht.HairtoneError, "no pixel"),
        ([(1.0, 2.0), (3.0, 4.0)], ValueError, "polygon of at least 3 points"),
    ],
)
def test_an_area_that_is_none_is_refused_with_the_remedy(seen, area, error, says):
    with pytest.raises(error, match=says):
        seen.lab(area)


def test_every_stage_has_a_short_repr_a_table_and_a_figure(path, seen):
    result = ht.measure(path)
    (strand, *_) = seen.find_hair()
    profile = seen.profile(strand)

    for stage in (seen, seen.photo, strand, profile, result, result.tresses[0], result.chart):
        assert len(repr(stage)) <= SHORT_REPR
    for stage in (seen, profile, result):
        assert len(stage.to_frame())
        assert stage.plot().svg().startswith("<?xml")
        assert "<table" in stage._repr_html_()


def test_a_refused_photo_shows_its_reason_everywhere():
    result = ht.measure(np.full((400, 600, 3), 128, np.uint8))

    assert result.status == "refused"
    assert result.error.says in repr(result)
    assert result.to_frame().empty
    assert result.plot().axes


def test_an_array_of_another_shape_or_encoding_is_a_slip():
    with pytest.raises(ValueError, match=r"shape \(4, 4\)"):
        ht.read_photo(np.zeros((4, 4), np.uint8))
    with pytest.raises(ValueError, match="choose one of sRGB"):
        ht.read_photo(np.zeros((400, 400, 3), np.uint8), encoding="CMYK")
    with pytest.raises(ValueError, match="for arrays only"):
        ht.read_photo(Path("tress.jpg"), encoding="sRGB")


def test_the_stages_are_logged_for_those_who_listen(path, caplog):
    with caplog.at_level("DEBUG", logger="hairtone"):
        ht.measure(path)

    assert any("measured" in record.message for record in caplog.records)
