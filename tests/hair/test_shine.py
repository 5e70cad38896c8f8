"""Highlights told from hair that is lighter in itself, on rendered tresses of known truth."""

import dataclasses
from functools import cache

import numpy as np
import pytest
from hair.test_scenes import shot, zones

from hairtone.colorimetry import delta_e
from hairtone.hair.bands import find_bands
from hairtone.hair.cells import strand_cells
from hairtone.hair.colours import cell_sums
from hairtone.hair.finder import strand_along
from hairtone.hair.lamp import lamp_white
from hairtone.hair.profile import measure_profile
from hairtone.hair.shine import fit_shine
from hairtone.scene import Shine, Wish, random_scene
from hairtone.scene.hairs import AlongHair, tress_hair
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


@pytest.mark.parametrize("bend", [1, 3])
def test_two_bands_are_told_with_what_is_not_known_of_them(bend):
    """A strong and a faint band on a body that follows its chroma, which bends along the hair.

    The truth lies within two SDs everywhere, the hundredth of scatter that a body is granted among
    them, and the strong band's light is right to a tenth.
    """
    chroma = 0.1 * np.tanh(bend * PLACES)
    true = 0.3 * np.exp(-0.5 * ((np.arange(60) - 14) / 4) ** 2)
    true += 0.08 * np.exp(-0.5 * ((np.arange(60) - 45) / 6) ** 2)
    seen = 1 + 0.8 * chroma + true
    scale = np.median(seen)

    bands = find_bands(seen / scale, np.stack([chroma, -0.5 * chroma], axis=1) / scale)

    found, sd = scale * bands.light.sum(axis=0), scale * np.sqrt(bands.variance.sum(axis=0))
    assert (np.abs(found - true) < 2 * np.hypot(sd, 0.01)).all()
    assert found[:30].sum() == pytest.approx(true[:30].sum(), rel=0.1)
    assert (bands.absent < 0.5).sum() >= 2


def test_a_body_without_bands_leaves_none():
    chroma = 0.1 * np.tanh(3 * PLACES)
    rng = np.random.default_rng(5)
    seen = (1 + 0.8 * chroma) * (1 + 0.005 * rng.standard_normal(60))

    bands = find_bands(seen, np.stack([chroma, -0.5 * chroma], axis=1))

    assert bands.light.sum(axis=0).max() < 0.01
    assert bands.absent.min() > 0.5


def test_places_without_light_leave_the_bands_finite():
    """Black things across the hair, a strip on a chart: no light there, and no sum fails."""
    seen = np.ones(60)
    seen[20:24], seen[40:] = 1e-7, 3.0

    bands = find_bands(seen, np.stack([0.1 * seen, -0.1 * seen], axis=1))

    assert np.isfinite(bands.light).all()
    assert np.isfinite(bands.rest).all()
    assert (bands.variance >= 0).all()
