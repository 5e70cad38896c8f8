"""Highlights told from hair that is lighter in itself, on rendered tresses of known truth."""

import dataclasses
from functools import cache

import numpy as np
import pytest
from hair.test_scenes import shot, zones

from hairtone.colorimetry import delta_e
from hairtone.hair.cells import cell_sums, strand_cells
from hairtone.hair.profile import measure_profile
from hairtone.hair.shine import fit_shine, lamp_white
from hairtone.hair.strands import strand_along
from hairtone.scene import Shine, Wish, random_scene
from hairtone.scene.layout import AlongHair, tress_hair
from hairtone.spectra.hair import draw_hair

PLACES = np.linspace(-1, 1, 60)
BUMP = 1 + 0.2 * np.exp(-0.5 * (np.arange(60) - 30.0) ** 2 / 16)


def scene_of(hair_class, seed, *, shines=()):
    scene = random_scene(seed, encoded=False, wish=Wish(hair_class=hair_class))
    return dataclasses.replace(
        scene, tresses=(dataclasses.replace(scene.tresses[0], shines=shines),)
    )


@cache
def bins_without_shine(hair_class, seed):
    """Pixels and light of each bin by brightness, of hair that has no highlights."""
    photo, _, known, _, truth, _ = shot(scene_of(hair_class, seed), name=f"{hair_class}-{seed}")
    strand = strand_along(photo, truth.line, width=0.7 * truth.width)
    cells = strand_cells(strand, size=photo.size)
    sums = cell_sums(photo, known.model, cells, white=lamp_white(known.model))
    return sums.count.sum(axis=1), sums.light.sum(axis=1)


def taken_off(hair_class, seed, factor):
    """Share of the light taken for highlights in each bin of hair made lighter by a factor."""
    count, light = bins_without_shine(hair_class, seed)
    return fit_shine(count, light * factor[:, None, None]).share


@pytest.mark.parametrize("hair_class", ["light", "white"])
def test_a_faint_band_that_hardly_widens_the_spread_is_taken_out(hair_class):
    """A band of 0.05 over the ends of pale hair. Asked: half of its effect at most is left.

    The effect is on the difference of roots and ends, in L*; the same fibres without the band are
    the truth, and all their light, band and all, is what it does if left in.
    """
    left, whole = [], []
    for seed in range(501, 507):
        band = Shine(position=0.82, width=0.08, strength=0.05, back_face=0.3)
        gaps, plain = [], []
        for shines in ((), (band,)):
            scene = scene_of(hair_class, seed, shines=shines)
            photo, _, known, light, truth, _ = shot(scene, name="faint")
            strand = strand_along(photo, truth.line, width=0.7 * truth.width)
            profile = measure_profile(photo, known, light, strand)
            gaps.append(rise(profile.lab))
            cells = strand_cells(strand, size=photo.size)
            sums = cell_sums(photo, known.model, cells, white=1.0)
            mean = sums.light.sum(axis=(1, 2)) / sums.count.sum(axis=(1, 2))[:, None]
            plain.append(rise(known.model.lab(mean)))
        left.append(abs(gaps[1] - gaps[0]))
        whole.append(abs(plain[1] - plain[0]))
    assert np.mean(left) < 0.5 * np.mean(whole)


def rise(lab):
    """L* of the ends less L* of the roots."""
    return lab[40:, 0].mean() - lab[:20, 0].mean()


@pytest.mark.parametrize("hair_class", ["dark natural", "red", "light", "white"])
def test_a_lighter_band_of_the_hair_itself_stays(hair_class):
    """Hair a fifth lighter over an eighth of its length, all channels and fibres alike.

    Lamp light would part bright fibres from dull ones there. Asked: on average two thirds stay.
    """
    around = slice(20, 40)
    off = [
        taken_off(hair_class, seed, BUMP)[around].mean() / (1 - 1 / BUMP[around]).mean()
        for seed in range(501, 507)
    ]
    assert np.mean(off) < 1 / 3


@pytest.mark.parametrize("shape", ["even", "step"])
def test_hair_that_grows_lighter_without_change_of_chroma_keeps_it(shape):
    """Ends a tenth lighter than the roots, evenly or at a step: a tenth of it is lost at most."""
    factor = np.exp(0.05 * (PLACES if shape == "even" else np.tanh(10 * PLACES)))
    lost = []
    for hair_class in ("dark natural", "red", "light", "white"):
        for seed in range(501, 507):
            kept = [np.log1p(-taken_off(hair_class, seed, f)) for f in (np.ones(60), factor)]
            change = kept[1] - kept[0]
            lost.append(change[:20].mean() - change[40:].mean())
    whole = np.log(factor)[40:].mean() - np.log(factor)[:20].mean()
    assert abs(np.mean(lost)) < 0.1 * whole


@pytest.mark.parametrize("onset", [0.0, 0.45])
def test_bleached_lengths_are_no_highlights(onset):
    """Melanin falls to a sixteenth towards the ends, up to six times the light, and nothing shines.

    Pale hair hardly changes its chroma by that: only the spread tells it from highlights. Asked:
    the difference of roots and ends is right to a tenth of itself, in each of 8 tresses.
    """
    for seed in (803, 804, 805, 807, 808, 809, 811, 812):
        hair_class = ("dark natural", "red", "fashion", "light")[seed % 4]
        scene = scene_of(hair_class, seed)
        along = AlongHair(melanin_at_ends=1 / 16, onset=onset)
        hair = tress_hair(draw_hair(hair_class, seed=seed), along)
        tress = dataclasses.replace(scene.tresses[0], hair=hair)
        photo, _, known, light, truth, lab = shot(
            dataclasses.replace(scene, tresses=(tress,)), name="bleached"
        )
        strand = strand_along(photo, truth.line, width=0.7 * truth.width)

        found = zones(measure_profile(photo, known, light, strand).lab)

        true = zones(lab)
        change = delta_e(true[0], true[2])
        assert delta_e(found[0], found[2]) == pytest.approx(change, rel=0.1, abs=0.3)


def pixels_of(own, glare, *, colour=(1.2, 1.0, 0.8), texture=0.2, glints=1.0, seed=0):
    """Pixels by brightness of 60 places whose fibres are drawn one by one: (60, 40), (60, 40, 3).

    `own` multiplies the light of all fibres of a place; `glare` adds lamp light to some.
    """
    rng = np.random.default_rng(seed)
    fibres = 400
    own_light = np.exp(texture * rng.standard_normal((60, fibres)) - texture**2 / 2)
    extra = rng.gamma(glints, 1 / glints, (60, fibres)) * glare[:, None]
    light = 0.05 * ((own[:, None] * own_light)[..., None] * np.array(colour) + extra[..., None])
    level = np.clip(np.round((np.log(light.mean(axis=2)) + 5.0) / 0.1), 0, 39).astype(int)
    count, summed = np.zeros((60, 40)), np.zeros((60, 40, 3))
    place = np.broadcast_to(np.arange(60)[:, None], level.shape)
    np.add.at(count, (place, level), 1.0)
    np.add.at(summed, (place, level), light)
    return count, summed


GREY = (1.01, 1.0, 0.99)


@pytest.mark.parametrize("colour", [GREY, (1.3, 1.0, 0.7)], ids=["grey", "red"])
@pytest.mark.parametrize("factor", [0.6, 1.6])
def test_hair_that_grows_lighter_is_no_glare(colour, factor):
    """A matte slope over the whole length, up to 1.6 times: at most 2 % of the light is taken."""
    own = factor ** np.linspace(0, 1, 60)

    shine = fit_shine(*pixels_of(own, np.zeros(60), colour=colour))

    assert shine.share.max() < 0.02


@pytest.mark.parametrize("colour", [GREY, (1.3, 1.0, 0.7)], ids=["grey", "red"])
def test_glare_that_some_fibres_catch_is_taken_out(colour):
    """A band of up to a third of the light: within a quarter of itself where it is strongest."""
    glare = 0.5 * np.exp(-0.5 * ((np.arange(60) - 20) / 5.0) ** 2)

    shine = fit_shine(*pixels_of(np.ones(60), glare, colour=colour, texture=0.1))

    assert shine.share[20] == pytest.approx(glare[20] / (1 + glare[20]), rel=0.25)
    assert shine.share[45:].max() < 0.02


def test_where_nothing_tells_glare_from_the_hair_both_stay_possible():
    """Grey hair, glare as even as the light of its fibres: two SDs of the draws reach the truth."""
    glare = 0.15 * np.exp(-0.5 * ((np.arange(60) - 50) / 12.0) ** 2)
    misses = 0
    for seed in range(8):
        count, light = pixels_of(np.ones(60), glare, colour=GREY, glints=4.0, seed=seed)
        shine = fit_shine(count, light)
        mean = 0.05 * (1 + glare)
        drawn = np.log1p(-shine.draws / mean).reshape(-1, 3, 20).mean(axis=2)
        true = np.log(1 / (1 + glare)).reshape(3, 20).mean(axis=1)
        off = np.log1p(-shine.luminance / mean).reshape(3, 20).mean(axis=1) - true
        misses += abs(off[2] - off[0]) > 2 * max((drawn[:, 2] - drawn[:, 0]).std(), 0.01)
    assert misses <= 2


def test_places_without_light_leave_everything_finite():
    """Black things across the hair: no light there, and no sum fails."""
    count, light = pixels_of(np.ones(60), np.zeros(60))
    light[20:24] = 0.0

    shine = fit_shine(count, light)

    assert np.isfinite(shine.draws).all()
    assert np.isfinite(shine.luminance).all()
    assert (shine.luminance >= 0).all()


def test_the_draws_repeat_with_their_seed():
    pixels = pixels_of(np.ones(60), 0.2 * np.ones(60))

    assert np.array_equal(fit_shine(*pixels, seed=3).draws, fit_shine(*pixels, seed=3).draws)
