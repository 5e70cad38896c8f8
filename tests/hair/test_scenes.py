"""Hair in rendered photographs of known truth, calibration and chart taken as known.

The photo is raw, its colour model exact but for a 3 × 3 fit: what is judged is the hair room.
"""

import dataclasses
from functools import cache

import numpy as np
import pytest
from hair.tress import light_field, reading_of

from hairtone.calibration.types import Calibration, LightField
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import DEFAULT_VIEWING, delta_e, xyz_to_lab
from hairtone.errors import HairError
from hairtone.hair.profile import measure_profile
from hairtone.hair.strands import find_strands, strand_along
from hairtone.photo.types import Encoding, Photo
from hairtone.scene import Shine, Wish, random_scene, render_scene
from hairtone.scene.render import camera_weights
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

SCENES = [("careful", seed) for seed in (0, 3, 7, 8, 10)] + [
    ("ordinary", seed) for seed in (101, 103, 109, 114, 124, 137)
]


class CameraModel:
    """Linear camera light by one matrix to XYZ."""

    def __init__(self, matrix):
        self.matrix = matrix

    def linear(self, encoded):
        return np.asarray(encoded, float)

    def lab(self, linear):
        return xyz_to_lab(100 * np.asarray(linear) @ self.matrix, white=DEFAULT_VIEWING.white)

    def hair_spread(self, linear):
        return None

    def lab_draws(self, linear):
        return np.repeat(self.lab(linear)[None], 4, axis=0)


@cache
def photographed(protocol, seed):
    """Photo, reading, calibration, light, the tress's truth and its L*a*b* through the model."""
    return shot(random_scene(seed, protocol=protocol, encoded=False), name=f"{protocol}-{seed}")


def shot(scene, *, name, has_flare=False):
    """The same of any scene."""
    if not has_flare:
        scene = dataclasses.replace(scene, lens=dataclasses.replace(scene.lens, flare=0.0))
    rendered = render_scene(scene)
    truth = rendered.truth
    weights = camera_weights(scene.camera, scene.light)
    weights = weights * scene.sensor.exposure * np.array(scene.sensor.white_balance)
    surface = truth.chart_reflectance
    xyz = reflectance_to_xyz(surface, viewing_wavelengths(), viewing=DEFAULT_VIEWING)
    model = CameraModel(np.linalg.lstsq(surface @ weights, xyz, rcond=None)[0])
    table = np.repeat((np.arange(1 << 16) / 65535)[:, None], 3, axis=1)
    photo = Photo(
        name=name,
        sha256=f"{scene.seed + 1:064x}",
        pixels=rendered.pixels,
        encoding=Encoding(name="linear raw", table=table, to_xyz=np.eye(3), is_linear=True),
        format="RAW",
    )
    known = Calibration(
        model=model, method="level 1", reference="", viewing=DEFAULT_VIEWING,
        residual=np.zeros(24), held_out=np.zeros(24),
    )  # fmt: skip
    reading = _reading(truth)
    lab = model.lab(truth.tresses[0].reflectance @ weights)
    return photo, reading, known, _light(truth, scene.size), truth.tresses[0], lab


def _reading(truth):
    side = np.linalg.norm(truth.centres[1] - truth.centres[0])
    known = reading_of()
    return ChartReading(
        reference=None, corners=truth.corners, centres=truth.centres, patch_px=0.85 * side,
        encoded=known.encoded, covariance=known.covariance, clipped=known.clipped,
        usable=known.usable,
    )  # fmt: skip


def _light(truth, size):
    """The true light as the quadratic that fits it best."""
    rows, columns = np.mgrid[: truth.light.shape[0], : truth.light.shape[1]]
    places = np.stack([columns.ravel(), rows.ravel()], axis=1) * 16 + 7.5
    known = light_field(size)
    origin, scale = truth.centres.mean(axis=0), known.scale
    x, y = ((places - origin) / scale).T
    terms = np.stack([x, y, x * x, x * y, y * y], axis=1)
    fitted = np.linalg.lstsq(terms, np.log(truth.light.ravel()), rcond=None)[0]
    return LightField(
        coefficients=fitted, covariance=np.eye(5) * 1e-8, origin=origin, scale=scale,
        source="board", fall=0.0, residual_slope=0.0, residual_sd=0.0,
    )  # fmt: skip


@cache
def measured(protocol, seed):
    photo, reading, known, light, truth, lab = photographed(protocol, seed)
    strands = find_strands(photo, reading, known, light)
    return strands, measure_profile(photo, known, light, strands[0]), truth, lab


def zones(lab):
    return np.stack([part.mean(axis=-2) for part in np.split(np.asarray(lab), 3, axis=-2)])


@pytest.mark.parametrize(("protocol", "seed"), SCENES)
def test_the_tress_is_found_where_it_lies(protocol, seed):
    """Ends within 3 % of the length, width within 6 %, outline nine tenths the same."""
    strands, _, truth, _ = measured(protocol, seed)

    (strand,) = strands
    length = np.linalg.norm(np.diff(truth.line, axis=0), axis=1).sum()
    assert np.linalg.norm(strand.line[0] - truth.line[0]) < 0.03 * length
    assert np.linalg.norm(strand.line[-1] - truth.line[-1]) < 0.03 * length
    assert strand.width == pytest.approx(truth.width, rel=0.06)
    assert _overlap(strand, truth) > 0.9


def _overlap(strand, truth):
    size = np.maximum(strand.box[2:], truth.box[2:])
    both = np.zeros((2, size[1], size[0]), bool)
    for plane, (mask, box) in zip(
        both, [(strand.mask, strand.box), (truth.mask, truth.box)], strict=True
    ):
        plane[box[1] : box[3], box[0] : box[2]] = mask
    return (both[0] & both[1]).sum() / (both[0] | both[1]).sum()


def test_zones_are_inside_their_stated_intervals():
    """11 photos x 3 zones x 3 axes: of 99 normal values 5 lie beyond 1.96 SD, 12 in no 1000.

    Neighbouring zones and axes err together, so that a whole photo may: 15 is asked for.
    """
    out = 0
    for scene in SCENES:
        _, profile, _, lab = measured(*scene)
        sd = zones(profile.sampling_draws.astype(float)).std(axis=1)
        off = np.abs(zones(profile.lab) - zones(lab))
        out += int((off > 1.96 * np.hypot(sd, 0.05)).sum())  # 0.05: the matrix is a fit
    assert out <= 15


def test_zones_and_their_differences_are_near_the_truth():
    """Mean errors in ΔE00; the plain mean of all pixels, highlights in it, is off by 1.3 and 1.4.

    Asked: half of that at most, which 100 such scenes hold with 0.35 and 0.3.
    """
    colour, ends = [], []
    for scene in SCENES:
        _, profile, _, lab = measured(*scene)
        found, true = zones(profile.lab), zones(lab)
        colour.append(delta_e(found, true).mean())
        ends.append(abs(delta_e(found[0], found[2]) - delta_e(true[0], true[2])))
    assert np.mean(colour) < 0.65
    assert np.mean(ends) < 0.7


def test_an_even_shiny_tress_is_not_resolved_as_uneven():
    """The gap of roots to ends less the true gap stays inside what noise explains, in most."""
    beyond = 0
    for scene in SCENES:
        _, profile, _, lab = measured(*scene)
        draws = zones(profile.sampling_draws.astype(float))
        spread = np.cov((draws[2] - draws[0]).T) + 0.05**2 * np.eye(3)
        gap = (zones(profile.lab)[2] - zones(profile.lab)[0]) - (zones(lab)[2] - zones(lab)[0])
        beyond += gap @ np.linalg.solve(spread, gap) > 7.815  # 95 % of chi-square, 3 d.o.f.
    assert beyond <= 3  # of 11; 0.6 expected


@pytest.mark.parametrize("clamp", [0.8, 1.0, 1.2, 1.35])
def test_a_clamp_about_as_light_as_board_and_hair_is_no_hair(clamp):
    """Board and hair of one luminance, a clamp of `clamp` times it; it is 0.35 widths long."""
    scene = random_scene(304, encoded=False, wish=Wish(hair_class="light"))
    tress = scene.tresses[0]
    light = float(np.mean(tress.hair))
    scene = dataclasses.replace(
        scene,
        board=scene.board / scene.board.mean() * light,
        board_texture=0.004,
        tresses=(dataclasses.replace(tress, clamp=clamp * light),),
    )
    photo, reading, known, light, truth, _ = shot(scene, name="clamp")

    (strand,) = find_strands(photo, reading, known, light)

    assert np.linalg.norm(strand.line[0] - truth.line[0]) < 0.12 * truth.width


def test_the_first_and_last_places_are_hair_and_not_board():
    """Errors of bins 1 and 60 beyond those of the hair between, RMS over scenes and axes.

    Asked: no more than half again the error of the places inside (3 to 58), where no board is.
    """
    off = []
    for scene in SCENES:
        _, profile, _, lab = measured(*scene)
        error = profile.lab - lab
        off.append(error - error[6:54].mean(axis=0))
    rms = np.sqrt((np.array(off) ** 2).mean(axis=(0, 2)))
    assert rms[[0, -1]].max() < 1.5 * np.sqrt((rms[2:58] ** 2).mean())


@pytest.mark.parametrize("above", [0.0, 0.004, 0.01])
def test_a_light_clamp_in_the_first_place_does_not_hide_the_shine(above):
    """A line drawn `above` (share of its length) into a light clamp, over hair with a highlight.

    Asked: the error over the highlight stays under a tenth of the 22 L* that it adds.
    """
    scene = random_scene(304, encoded=False, wish=Wish(hair_class="dark natural"))
    shine = Shine(position=0.35, width=0.08, strength=0.12, back_face=0.3)
    tress = dataclasses.replace(scene.tresses[0], clamp=0.75, shines=(shine,))
    photo, _, known, light, truth, lab = shot(
        dataclasses.replace(scene, tresses=(tress,)), name="clamped"
    )
    line = np.array(truth.line)
    line[0] -= above * (line[-1] - line[0])
    strand = strand_along(photo, line, width=0.8 * truth.width)

    profile = measure_profile(photo, known, light, strand)

    over = np.abs(profile.position - 0.35) < 0.1
    assert abs((profile.lab - lab)[over, 0].mean()) < 2.0
    assert np.abs((profile.lab - lab)[:3, 0]).max() < 3.0
    assert ("ends-left-out" in {flag.code for flag in profile.flags}) or above == 0.0


def test_a_clamp_as_light_as_the_hair_is_taken_off_whole():
    """White hair in a white clamp: from the board to the clamp it steps more than to the hair."""
    wish = Wish(hair_class="white", light_family="tungsten")
    scene = random_scene(50_007, protocol="ordinary", encoded=False, wish=wish)
    photo, reading, known, light, truth, _ = shot(scene, name="white", has_flare=True)

    (strand,) = find_strands(photo, reading, known, light)

    assert np.linalg.norm(strand.line[0] - truth.line[0]) < 0.12 * truth.width


@pytest.mark.parametrize("what", ["clamp", "growth"])
def test_what_differs_at_one_step_near_an_end_is_told(what):
    """A line drawn into a clamp by 5 % of its length, and red hair whose first 8 % are dark."""
    scene = random_scene(304, encoded=False, wish=Wish(hair_class="red"))
    hair = np.array(scene.tresses[0].hair)
    if what == "growth":
        dark = random_scene(305, wish=Wish(hair_class="dark natural")).tresses[0].hair
        hair[:3] = np.asarray(dark)[:3]
    tress = dataclasses.replace(scene.tresses[0], hair=hair, clamp=0.04)
    photo, _, known, light, truth, _ = shot(
        dataclasses.replace(scene, tresses=(tress,)), name="step"
    )
    line = np.array(truth.line)
    line[0] -= (0.05 if what == "clamp" else 0.0) * (line[-1] - line[0])
    strand = strand_along(photo, line, width=0.8 * truth.width)

    flags = {f.code: f for f in measure_profile(photo, known, light, strand).flags}

    assert "end-step" in flags
    assert "first" in flags["end-step"].says
    assert "Mark" in flags["end-step"].remedy


def test_no_step_is_told_of_hair_that_shines_or_changes_along():
    told = {f.code for scene in SCENES for f in measured(*scene)[1].flags}
    assert "end-step" not in told


def test_the_clamp_of_hair_that_the_board_hides_is_no_hair():
    """A board of the hair's very colour: only the clamp stands out, and no colour is told of it."""
    scene = random_scene(22, encoded=False, wish=Wish(hair_class="red"))
    hair = np.asarray(scene.tresses[0].hair)
    board = hair.reshape(-1, hair.shape[-1]).mean(axis=0)
    photo, reading, known, light, _, _ = shot(dataclasses.replace(scene, board=board), name="lost")

    with pytest.raises(HairError) as refusal:
        find_strands(photo, reading, known, light)

    assert refusal.value.code == "hair-not-found"


@pytest.mark.parametrize("hair_class", ["red", "dark natural"])
def test_sheen_alike_over_the_whole_length_is_flagged(hair_class):
    """Wet hair: every place has mirror highlights, fibre by fibre; dry hair of the scene has none.

    Nine equal highlights side by side add light that no place of the hair is free of.
    """
    codes = []
    for strength in (0.0, 0.12):
        scene = random_scene(308, encoded=False, wish=Wish(hair_class=hair_class))
        wet = tuple(
            Shine(position=place, width=0.12, strength=strength, back_face=0.1)
            for place in np.linspace(0.0, 1.0, 9)
        )
        tress = dataclasses.replace(scene.tresses[0], shines=wet if strength else ())
        photo, _, known, light, truth, _ = shot(
            dataclasses.replace(scene, tresses=(tress,)), name="wet"
        )
        strand = strand_along(photo, truth.line, width=0.8 * truth.width)
        profile = measure_profile(photo, known, light, strand)
        codes.append({flag.code for flag in profile.flags})

    dry, wet_codes = codes
    assert "sheen" not in dry
    assert "sheen" in wet_codes
