"""Hair models, against measured hair."""

from dataclasses import replace

import numpy as np
import pytest
from published import shared_folder
from scipy.optimize import least_squares

from hairtone.colorimetry import DEFAULT_VIEWING, delta_e, xyz_to_lab
from hairtone.spectra.hair import (
    HAIR_CLASSES,
    VIVID_CLASSES,
    Dye,
    HairRecipe,
    draw_broad_hair,
    draw_hair,
    hair_reflectance,
)
from hairtone.spectra.lights import reference_light
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths


def lab_of(reflectance, wavelengths=None):
    grid = viewing_wavelengths() if wavelengths is None else wavelengths
    xyz = reflectance_to_xyz(reflectance, grid, viewing=DEFAULT_VIEWING)
    return xyz_to_lab(100 * xyz, white=DEFAULT_VIEWING.white)


def measured_hair():
    """Seven measured hairs: wavelengths (n,), reflectances (7, n)."""
    table = np.genfromtxt(shared_folder("spectra", "Hair_Vhrel.csv"), delimiter=",", skip_header=1)
    return table[:, 0], table[:, 1:].T


def draws(hair_class, count=150):
    return np.stack([hair_reflectance(draw_hair(hair_class, seed=k)) for k in range(count)])


def test_natural_hair_of_the_model_can_look_like_each_measured_hair():
    """A recipe without dye comes within 2 ΔE00 of each of seven measured hairs, 400 to 700 nm.

    2 ΔE00 is what the measurement itself may be off (no geometry is stated with it): our choice.
    The melanins' powers vary as `draw_hair` varies them, by two SDs at most.
    """
    wavelengths, measured = measured_hair()
    grid = viewing_wavelengths()

    def recipe(x):
        melanin, pheo, keratin, surface, power, eu_power, pheo_power = x
        return HairRecipe(
            melanin=10**melanin,
            pheo_share=pheo,
            keratin=10**keratin,
            surface=surface,
            scatter_power=power,
            eu_power=eu_power,
            pheo_power=pheo_power,
        )

    for hair in measured:
        wanted = np.interp(grid, wavelengths, hair)
        inside = (grid >= wavelengths[0]) & (grid <= wavelengths[-1])

        def misfit(x, wanted=wanted, inside=inside):
            return (np.log(hair_reflectance(recipe(x))) - np.log(wanted))[inside]

        low, high = [-1, 0, -3, 0.001, -0.5, 2.83, 4.15], [2.5, 1, 1, 0.03, 1.5, 3.83, 5.35]
        start = [1.0, 0.2, -1.5, 0.008, 0.3, 3.33, 4.75]
        best = least_squares(misfit, start, bounds=(low, high))
        near = hair_reflectance(recipe(best.x))
        near[~inside] = wanted[~inside]  # nothing was measured there
        assert delta_e(lab_of(near), lab_of(wanted)) < 2.0


def test_drawn_natural_hair_spans_the_measured_hair():
    """Lightness and hue of what we draw reach from below the darkest to above the lightest."""
    wavelengths, measured = measured_hair()
    seen = lab_of(measured, wavelengths)

    drawn = np.concatenate([lab_of(draws(c)) for c in ("dark natural", "light", "red")])

    assert (drawn.min(axis=0) < seen.min(axis=0) + 0.5).all()
    assert (drawn.max(axis=0) > seen.max(axis=0)).all()


def test_measured_hair_lies_inside_the_broad_family():
    """Each measured hair has a neighbour within 2 ΔE00 among 20 000 draws.

    The draws fill some 80 x 65 x 95 units of L*a*b*: about 3 units from one to the next.
    """
    wavelengths, measured = measured_hair()
    broad = lab_of(draw_broad_hair(20_000, seed=3)[0])

    nearest = [delta_e(hair, broad).min() for hair in lab_of(measured, wavelengths)]

    assert max(nearest) < 2.0


@pytest.mark.parametrize("hair_class", HAIR_CLASSES)
def test_reflectance_stays_between_the_surface_and_one(hair_class):
    drawn = draws(hair_class)

    assert drawn.shape == (150, 81)
    assert drawn.min() > 0.005
    assert drawn.max() < 1.0


def test_classes_are_ordered_by_lightness():
    middle = [np.median(lab_of(draws(c))[:, 0]) for c in ("dark natural", "light", "white")]

    assert middle == sorted(middle)


def test_dye_darkens_and_never_lightens():
    recipe = draw_hair("fashion", seed=5)

    undyed, dyed = hair_reflectance(recipe, dye=0.0), hair_reflectance(recipe, dye=1.0)

    assert (dyed <= undyed).all()


def test_factors_broadcast_to_positions_and_kinds():
    recipe = draw_hair("red", seed=2)

    found = hair_reflectance(recipe, dye=np.ones((5, 1)), melanin=np.full(3, 2.0))

    assert found.shape == (5, 3, 81)
    assert found[0, 0] == pytest.approx(hair_reflectance(recipe, melanin=2.0))


def test_an_unknown_class_is_a_slip_that_lists_the_known_ones():
    with pytest.raises(ValueError, match=r"'blue'.*dark natural"):
        draw_hair("blue", seed=0)


def test_the_same_seed_draws_the_same_hair():
    assert draw_hair("red", seed=9) == draw_hair("red", seed=9)
    assert draw_hair("red", seed=9) != draw_hair("red", seed=10)
    assert np.array_equal(draw_broad_hair(5, seed=1)[0], draw_broad_hair(5, seed=1)[0])


def test_dyes_that_do_not_glow_reflect_alike_in_every_light():
    recipe = draw_hair("narrow", seed=3)
    lamp = reference_light("CIE A").spectrum

    assert np.array_equal(hair_reflectance(recipe, light=lamp), hair_reflectance(recipe))


@pytest.mark.parametrize("seed", range(6))
def test_fluorescence_gives_back_the_stated_share_of_photons_at_most(seed):
    """Photons out, those lost on the way out included, over photons that the dye takes in."""
    recipe = draw_hair("fluorescent", seed=seed)
    lamp = reference_light("CIE D65").spectrum
    given = hair_reflectance(recipe, light=lamp) - hair_reflectance(recipe)
    photons = lamp * viewing_wavelengths()
    without = replace(recipe, dyes=tuple(replace(d, amount=0.0) for d in recipe.dyes))
    taken = (hair_reflectance(without) - hair_reflectance(recipe)) @ photons
    most = max(dye.glow for dye in recipe.dyes)

    assert (given >= 0).all()
    assert 0 < given @ photons < 2 * most * taken  # light scattered inside meets the dye again


def test_fluorescence_follows_the_light_that_excites_it():
    """A lamp without the light that a dye takes makes nothing of it glow."""
    glowing = Dye(amount=2.0, peak_nm=450.0, width_nm=25.0, glow=0.1)
    recipe = HairRecipe(melanin=0.2, dyes=(glowing,))
    daylight = reference_light("CIE D65").spectrum
    is_left = viewing_wavelengths() > 525  # part of the glow lies there, none of what excites it
    filtered = np.where(is_left, daylight, 0.0)

    lit, unlit = (
        (hair_reflectance(recipe, light=lamp) - hair_reflectance(recipe)) @ filtered
        for lamp in (daylight, filtered)
    )

    assert lit > 0
    assert unlit < 0.05 * lit


@pytest.mark.parametrize("kind", VIVID_CLASSES)
def test_vivid_classes_are_as_narrow_or_as_glowing_as_they_say(kind):
    dyes = [dye for k in range(60) for dye in draw_hair(kind, seed=k).dyes]

    if kind == "narrow":
        assert all(12 <= dye.width_nm <= 25 and not dye.glow for dye in dyes)
    else:
        glow = [dye.glow for dye in dyes if dye.glow]
        assert len(glow) == 60
        assert 0.09 < np.mean(glow) < 0.11


def test_white_hair_is_light_and_nearly_without_colour():
    """Common practice: white hair holds hardly any melanin; no draw is darker than light blond.

    L* over 60 and C* under 20 in every draw, on average over 70 and under 13: our choice of what
    a person would still call white.
    """
    lab = lab_of(draws("white"))
    chroma = np.hypot(lab[:, 1], lab[:, 2])

    assert lab[:, 0].min() > 60
    assert chroma.max() < 20
    assert lab[:, 0].mean() > 70
    assert chroma.mean() < 13


def test_classes_of_hair_differ_as_their_names_say():
    """Median lightness: white over light over red, and dark hair darkest."""
    order = ("white", "light", "red", "dark natural")

    lightness = [np.median(lab_of(draws(name, 60))[:, 0]) for name in order]

    assert lightness == sorted(lightness, reverse=True)
