"""Fade of a zone: colour left, its interval, dye by Kubelka-Munk, tone in words."""

from __future__ import annotations

import numpy as np
import pytest
from measures.made import DYE, NATURAL, estimate_of
from published import read_shared

from hairtone.colorimetry import delta_e, delta_e_ab, lab_to_xyz, lch_difference, xyz_to_lab
from hairtone.errors import MeasureError
from hairtone.measures.fade import (
    LIGHTENED,
    absorption,
    brown_axis,
    describe_drift,
    dye_left,
    measure_fade,
)

WHITE = (94.811, 100.0, 107.304)  # ISO 105-J03, D65/10
LEFT = (1.0, 0.82, 0.68, 0.5, 0.36, 0.1)
NO_RELAYING = np.zeros((3, 3))


def series(rng=None, *, noise=0.5, left=LEFT, dye=DYE, drift=0.0):
    """Before and washes whose colour left is known; each photo with its own error."""

    def photo(lab, number):
        seen = lab if rng is None else lab + rng.normal(0, noise, 3)
        return estimate_of(seen, noise=noise, seed=number)

    before = photo(NATURAL, 99)
    washes = {n: photo(NATURAL + r * dye + (n > 0) * drift, n) for n, r in enumerate(left)}
    return before, washes


def test_colour_left_is_the_share_of_the_way_back():
    before, washes = series(noise=1e-3)

    found = measure_fade(before, washes, relaying=NO_RELAYING)

    assert [s.colour_left for s in found.steps] == pytest.approx([100 * r for r in LEFT], abs=0.01)
    assert found.uptake == pytest.approx(np.linalg.norm(DYE))


def test_differences_are_from_wash_0():
    before, washes = series(noise=0.1)
    first, last = washes[0].lab, washes[5].lab

    step = measure_fade(before, washes).steps[-1]

    assert step.difference.delta_e == pytest.approx(float(delta_e(first, last)))
    assert step.difference_ab.delta_e == pytest.approx(float(delta_e_ab(first, last)))
    assert (step.dL, step.dC, step.dH) == pytest.approx(tuple(lch_difference(first, last)))


@pytest.mark.parametrize("noise", [0.5, 1.0])
def test_colour_left_is_right_on_average_and_covered(noise):
    """Uptake 20.4 ΔE*ab, 250 noisy series. Asked: 4 points on average, 90 % covered.

    Errors of three photos along the dye add to noise · sqrt(1 + R² + (1 - R)²) / uptake; 10 % more
    is allowed for what the ratio bends.

    Bias: 3 standard errors of 250 series plus 0.5 points for the curvature of a ratio.
    """
    rng = np.random.default_rng(int(10 * noise))
    true = 100 * np.array(LEFT[1:])
    left, inside = [], []
    for _ in range(250):
        found = measure_fade(*series(rng, noise=noise), relaying=NO_RELAYING)
        left.append([s.colour_left for s in found.steps[1:]])
        inside.append([s.colour_left_low <= t <= s.colour_left_high
                       for s, t in zip(found.steps[1:], true, strict=True)])  # fmt: skip

    errors = np.array(left) - true
    share = np.array(LEFT[1:])
    closed = 100 * noise * np.sqrt(1 + share**2 + (1 - share) ** 2) / np.linalg.norm(DYE)
    assert np.abs(errors).mean() < 1.1 * np.sqrt(2 / np.pi) * closed.mean()
    assert noise > 0.5 or np.abs(errors).mean() < 4
    bias = np.abs(errors.mean(axis=0))
    assert (bias < 3 * errors.std(axis=0) / np.sqrt(250) + 0.5).all()
    assert np.mean(inside, axis=0).min() > 0.90


def test_little_left_is_not_read_as_more():
    """Uptake of 6 noise SDs, true 10 %: uncorrected, noise common to both factors reads 14 %."""
    rng = np.random.default_rng(0)
    dye = 6 * np.sqrt(2) * DYE / np.linalg.norm(DYE)  # SD of a difference is sqrt(2)
    found = [
        measure_fade(*series(rng, noise=1.0, left=(1.0, 0.5, 0.1), dye=dye), relaying=NO_RELAYING)
        for _ in range(250)
    ]
    left = np.array([f.steps[2].colour_left for f in found if f.has_colour_left])

    assert np.median(left) == pytest.approx(10, abs=2.5)


def test_too_little_uptake_is_said_and_the_change_still_given():
    before, washes = series(noise=1.0, dye=np.array([-3.0, 1.0, 0.0]))

    found = measure_fade(before, washes, zone="mid_lengths")

    assert not found.has_colour_left
    assert found.steps[3].colour_left is None
    assert found.steps[3].difference.delta_e > 0
    assert str(found.missing[0]).startswith("too little uptake to know the colour left")
    assert "(mid-lengths 3.2 ΔE*ab at a noise of" in str(found.missing[0])
    assert found.steps[3].words == "cannot tell from these photos"


def test_without_a_photo_before_the_change_is_given():
    _, washes = series(noise=0.2)

    found = measure_fade(None, washes)

    assert found.uptake is None
    assert found.steps[5].difference.is_resolved
    assert "no photo before colouring" in str(found.missing[0])
    assert len(found.to_frame()) == 6


def test_without_wash_0_the_sentence_says_what_is_missing():
    before, washes = series()
    del washes[0]

    with pytest.raises(MeasureError, match=r"no measured photo of wash 0 \(washes measured: 1, 2"):
        measure_fade(before, washes)


def test_an_unwashed_tress_does_not_fade():
    """The same colour in every photo: nothing resolved, all fresh."""
    before, washes = series(noise=0.3, left=(1.0, 1.0, 1.0))

    found = measure_fade(before, washes)

    assert not any(s.difference.is_resolved for s in found.steps[1:])
    assert all(s.colour_left_low <= 100 <= s.colour_left_high for s in found.steps)


def test_a_shared_camera_narrows_the_interval():
    """All photos of one pool: row k of the draws is one camera, its error mostly cancels."""
    before, washes = (
        estimate_of(NATURAL, noise=0.1, seed=0, calibration=1.5),
        {n: estimate_of(NATURAL + r * DYE, noise=0.1, seed=0, calibration=1.5)
         for n, r in enumerate(LEFT)},
    )  # fmt: skip

    apart = measure_fade(before, washes, relaying=NO_RELAYING).steps[3]
    pooled = measure_fade(before, washes, paired=True, relaying=NO_RELAYING).steps[3]

    assert pooled.colour_left_high - pooled.colour_left_low < 0.3 * (
        apart.colour_left_high - apart.colour_left_low
    )


@pytest.mark.parametrize("row", read_shared("kubelka_munk_DERIVED.csv"))
def test_absorption_agrees_with_the_closed_form(row):
    """K/S = (1 - R)²/(2R), 8 decimals."""
    found = absorption(np.array([row["R_inf"]]))[0]

    assert found == pytest.approx(row["K_over_S"], abs=1e-8)


def test_dye_left_finds_the_share_of_dye_on_a_grey():
    """Dye that adds K/S to a grey in proportion: half, a tenth, none, exactly."""
    own = absorption(np.array([0.35]))[0]
    shares = np.array([1.0, 0.5, 0.1, 0.0])
    total = own + 2.0 * shares
    reflectance = 1 + total - np.sqrt(total**2 + 2 * total)  # inverse of K/S
    states = xyz_to_lab(reflectance[:, None] * np.array(WHITE), white=WHITE)
    before = xyz_to_lab(0.35 * np.array(WHITE), white=WHITE)

    found = dye_left(before, states, white=WHITE)

    assert found == pytest.approx(100 * shares, abs=1e-6)
    lightness = states[:, 0]
    shown = (lightness[1] - lightness[3]) / (lightness[0] - lightness[3])
    assert 0.60 < shown < 0.80  # light hair: half the dye gone, L* still shows 69 to 79 % here


def test_light_of_dye_is_taken_per_tristimulus_value():
    """A dye that takes blue light only: Z tells it, X and Y do not."""
    own = np.array([0.35, 0.30, 0.25])
    full, half = (absorption(own) + amount * np.array([0, 0, 3.0]) for amount in (1.0, 0.5))
    light = [1 + k - np.sqrt(k**2 + 2 * k) for k in (full, half)]
    states = xyz_to_lab(np.array(light) * WHITE, white=WHITE)

    found = dye_left(xyz_to_lab(own * WHITE, white=WHITE), states, white=WHITE)

    assert found == pytest.approx([100.0, 50.0], abs=1e-6)
    assert lab_to_xyz(states[0], white=WHITE)[0] == pytest.approx(own[0] * WHITE[0])


def drift_of(**towards):
    """Drift of 5 ΔE*ab towards warm, red or light."""
    warm, red = brown_axis(NATURAL)
    tone = towards.get("warm", 0.0) * warm + towards.get("red", 0.0) * red
    return 5 * np.array([towards.get("light", 0.0), *tone])


@pytest.mark.parametrize(
    ("towards", "words"),
    [
        ({"warm": 1}, "warmer"),
        ({"warm": -1}, "cooler"),
        ({"red": -1}, "greener; the red leaves first"),
        ({"red": 1}, "redder"),
        ({"light": 1}, "lighter"),
        ({"warm": 0.7, "light": -0.7}, "warmer and darker"),
    ],
)
def test_tone_drift_is_told_against_the_hairs_own_brown(towards, words):
    red_dye = np.array([-10.0, *(15 * brown_axis(NATURAL)[1])])

    found = describe_drift(NATURAL, red_dye, drift_of(**towards), critical=1.0, least=2.0)

    assert found == words


def test_a_drift_within_the_noise_is_not_told():
    found = describe_drift(NATURAL, DYE, drift_of(warm=1), critical=6.0, least=2.0)

    assert "no drift" in found


def test_a_small_drift_that_is_sure_is_called_held():
    found = describe_drift(NATURAL, DYE, 0.2 * drift_of(warm=1), critical=0.5, least=2.0)

    assert found == "tone held"


def test_grey_hair_has_a_brown_axis_all_the_same():
    warm, red = brown_axis(np.array([70.0, 0.2, -0.3]))

    assert warm[1] > 0.8  # towards yellow
    assert red[0] > 0.8  # towards red
    assert warm @ red == pytest.approx(0)


def test_drift_of_a_series_reaches_the_words():
    before, washes = series(noise=0.2, drift=drift_of(red=-1))

    found = measure_fade(before, washes, relaying=NO_RELAYING).steps[3]

    assert "greener" in found.tone_words
    assert found.tone_drift == pytest.approx(5, abs=2)  # its part along the dye is colour left


def test_tone_leads_where_it_drifts():
    before, washes = series(noise=0.2, drift=drift_of(red=-1))

    found = measure_fade(before, washes, relaying=NO_RELAYING).steps[3]

    assert found.words.startswith(found.tone_words)
    assert found.words != found.tone_words


def test_little_colour_left_is_not_called_back_to_before():
    """A tenth of the dye along the way, but off to the side: still far from the hair's own."""
    before, washes = series(noise=0.2, drift=2 * drift_of(red=1))

    last = measure_fade(before, washes, relaying=NO_RELAYING).steps[-1]

    assert last.from_before.is_resolved
    assert last.from_before.delta_e == pytest.approx(
        float(delta_e(before.lab, washes[5].lab)), abs=1e-9
    )
    assert "redder" in last.words


def test_dye_left_has_an_interval_that_holds():
    """Dye put on a brown in known shares, 300 noisy series. 99.9 % of a true 95 % lies above
    91 %."""
    own = absorption(np.array([0.10, 0.08, 0.05]))
    shares = np.array([1.0, 0.6, 0.25])
    total = own + shares[:, None] * np.array([2.0, 4.0, 3.0])
    light = 1 + total - np.sqrt(total**2 + 2 * total)
    states = xyz_to_lab(light * WHITE, white=WHITE)
    before = xyz_to_lab(np.array([0.10, 0.08, 0.05]) * WHITE, white=WHITE)
    rng, held, given = np.random.default_rng(0), 0, 0
    for _ in range(300):
        photos = [estimate_of(c + rng.normal(0, 0.3, 3), noise=0.3) for c in (before, *states)]
        found = measure_fade(photos[0], dict(enumerate(photos[1:])), relaying=NO_RELAYING)
        for step, true in zip(found.steps[1:], 100 * shares[1:], strict=True):
            if step.dye_left_estimate is not None:
                given += 1
                held += step.dye_left_low <= true <= step.dye_left_high

    assert given > 500
    assert held / given > 0.91


def test_dye_left_that_says_nothing_is_withheld_with_the_reason():
    """Dark hair: noise of 0.6 at L* 3 is a quarter of all the light there is."""
    dark, dye = np.array([9.0, 1.0, 1.0]), np.array([-6.0, 2.0, 0.0])
    photos = [estimate_of(dark + r * dye, noise=0.6) for r in (0, 1, 0.6, 0.3)]

    found = measure_fade(photos[0], dict(enumerate(photos[1:])), relaying=NO_RELAYING)

    assert found.has_colour_left
    assert found.steps[1].dye_left_estimate is None
    assert found.steps[1].colour_left is not None
    assert any("dye left is not given" in str(one) for one in found.missing)


def test_hair_lightened_after_the_photo_before_has_no_colour_left_and_the_reason():
    _, washes = series(noise=0.2)

    found = measure_fade(LIGHTENED, washes, zone="ends")

    assert not found.has_colour_left
    assert "lightened after the photo before colouring" in str(found.missing[0])
    assert found.steps[5].difference.is_resolved
