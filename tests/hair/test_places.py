"""What each place along a hair is: hair, board between it, something over it, or no hair at all."""

import dataclasses

import numpy as np
import pytest
from hair.tress import Tress, calibration, draw, light_field, photo_of, reading_of

from hairtone.errors import HairError
from hairtone.hair.cells import BINS, CellSums
from hairtone.hair.content import laid_over, see_fibres
from hairtone.hair.places import Cover, drift_to_board, hair_alone, part_pixels, shaken_by_cover
from hairtone.hair.shine import lamp_white
from hairtone.hair.strands import find_strands, refuse_without_fibres, strand_along

LINE = np.array([(700.0, 130.0), (690.0, 800.0)])
HAIR, BOARD = np.array([0.06, 0.035, 0.02]), np.array([0.2, 0.2, 0.2])
LANES, PIXELS = 15, 60
FIELD = np.ones((BINS, LANES))


def sums_of(share, *, gain=1.0, seed=0, spread=0.15):
    """Cells of even hair whose pixels hold a share of board each, shape (60, 15, 60)."""
    rng = np.random.default_rng(seed)
    fibre = np.repeat(rng.standard_normal((BINS // 5, LANES, PIXELS)), 5, axis=0)
    light = HAIR * np.exp(spread * fibre)[..., None] * np.reshape(gain, (-1, 1, 1, 1))
    mixed = (1 - share)[..., None] * light + share[..., None] * BOARD
    order = np.argsort(mixed.sum(axis=-1), axis=2)
    mixed = np.take_along_axis(mixed, order[..., None], axis=2)
    return CellSums(count=np.ones(mixed.shape[:3]), light=mixed, clipped=np.zeros(BINS))


def mean_light(sums):
    return sums.light.sum(axis=(1, 2)) / sums.count.sum(axis=(1, 2))[:, None]


def test_gaps_that_pixels_show_are_parted_from_the_hair():
    rng = np.random.default_rng(3)
    share = np.where(rng.random((BINS, LANES, PIXELS)) < 0.2, rng.uniform(0.5, 1.0), 0.0)
    full = mean_light(sums_of(0 * share)).mean(axis=0)

    sums = sums_of(share)
    alone, found = part_pixels(sums, FIELD, BOARD)

    before, after = (np.abs(mean_light(s).mean(axis=0) / full - 1).max() for s in (sums, alone))
    assert before > 0.5
    assert after < 0.1  # a tenth of the light is 1 L* at L* 20
    assert found.mean() == pytest.approx(share.mean(), abs=0.05)


def test_full_hair_is_left_as_it_is():
    sums = sums_of(np.zeros((BINS, LANES, PIXELS)))

    alone, cover = hair_alone(sums, FIELD, BOARD)

    assert alone is sums
    assert not cover.share.any()


def test_ends_that_thin_out_finer_than_pixels_are_told_by_their_drift_to_the_board():
    run = np.clip((np.arange(BINS) - 40) / 20, 0, 1)
    share = np.repeat(0.5 * run[:, None], LANES * PIXELS, axis=1).reshape(BINS, LANES, PIXELS)

    found, sd = drift_to_board(sums_of(share), FIELD, BOARD)

    assert found[-4:].mean() == pytest.approx(share[-4:].mean(), abs=2 * sd[-4:].max())
    assert found[-4:].mean() > 0.3
    assert found[:30].max() < 0.01


def test_hair_that_is_lighter_at_its_ends_in_its_own_colour_is_not_taken_for_board():
    run = np.clip((np.arange(BINS) - 40) / 20, 0, 1)

    found, _ = drift_to_board(sums_of(np.zeros((BINS, LANES, PIXELS)), gain=1 + run), FIELD, BOARD)

    assert found.max() < 0.05


def test_what_is_not_known_of_the_board_is_in_the_draws():
    cover = Cover(share=np.full(BINS, 0.3), sd=np.full(BINS, 0.03), board=BOARD)
    draws = np.broadcast_to(HAIR, (4000, BINS, 3))

    shaken = shaken_by_cover(draws, cover, seed=1)

    # hair = (seen - share x board) / (1 - share): its slope by the share, closed form
    slope = np.abs(HAIR - BOARD) / (1 - 0.3)
    assert shaken[:, 50].std(axis=0) == pytest.approx(0.03 * slope, rel=0.05)


def over(photo, strand):
    model = calibration().model
    light = light_field((1200, 900))
    return np.flatnonzero(laid_over(photo, model, light, strand, white=lamp_white(model)))


@pytest.fixture(scope="module")
def drawn():
    photo, _, _ = draw([Tress(line=LINE.tolist(), labs=[(30.0, 22.0, 12.0), (45.0, 25.0, 30.0)])])
    return photo, strand_along(photo, LINE, width=80)


def test_nothing_lies_over_hair_that_changes_along_its_length(drawn):
    assert not len(over(*drawn))


@pytest.mark.parametrize("code", [(40, 60, 140), (200, 200, 200), (12, 12, 12)])
def test_a_ribbon_straight_across_is_found_where_it_lies(drawn, code):
    photo, strand = drawn
    pixels = np.array(photo.pixels)
    pixels[400:430, 640:750] = code  # rows 0.403 to 0.448 of the line

    places = over(photo_of(pixels), strand)

    assert set(range(24, 27)) <= set(places)  # the places that lie wholly under it
    assert places.min() >= 22
    assert places.max() <= 28


def test_fibres_run_on_along_hair_and_not_across_it(drawn):
    photo, _ = drawn

    assert see_fibres(photo, LINE, width=80).run > 0.5
    assert see_fibres(photo, np.array([(655.0, 400.0), (735.0, 402.0)]), width=80).run < 0.2


def test_a_line_on_the_bare_board_is_refused_where_fibres_would_show(drawn):
    photo, _ = drawn
    sharp, blurred = (dataclasses.replace(reading_of(), edge_px=px) for px in (2.0, 9.0))
    bare = strand_along(photo, np.add(LINE, [300, 0]), width=80)

    with pytest.raises(HairError, match="no fibres") as refusal:
        refuse_without_fibres(photo, bare, sharp)
    told = refuse_without_fibres(photo, bare, blurred)

    assert refusal.value.code == "no-fibres"
    assert [flag.code for flag in told.flags][-1] == "fibres-unseen"


def test_a_strip_of_card_beside_hair_does_not_count_as_one():
    photo, _, _ = draw([Tress(line=LINE.tolist())])
    pixels = np.array(photo.pixels)
    pixels[150:780, 900:980] = (150, 90, 60)
    reading = dataclasses.replace(reading_of(), edge_px=2.0)

    strands = find_strands(photo_of(pixels), reading, calibration(), light_field((1200, 900)))

    assert len(strands) == 1
    assert abs(strands[0].line[:, 0].mean() - 695) < 10
