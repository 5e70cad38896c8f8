"""Rendered photographs, against closed forms."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from hairtone.chart.reference import load_reference
from hairtone.colorimetry import VIEWINGS, xyz_to_lab
from hairtone.scene import (
    ChartPlacement,
    Development,
    Jpeg,
    Lens,
    LightShape,
    Scene,
    Sensor,
    Shine,
    Tress,
    random_scene,
    render_scene,
    tress_hair,
    write_photo,
)
from hairtone.spectra.cameras import Camera
from hairtone.spectra.hair import HairRecipe, hair_reflectance
from hairtone.spectra.lights import Light, reference_light
from hairtone.spectra.viewing import quiet_colour, viewing_wavelengths

QUIET = Sensor(exposure=0.9, full_well=0.0)
HAIR = HairRecipe(melanin=4.0, pheo_share=0.3)


def observer_camera():
    """A camera whose channels are the CIE 1931 observer's, by colour-science."""
    observer = quiet_colour().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    grid = viewing_wavelengths()
    channels = [np.interp(grid, observer.wavelengths, observer.values[:, k]) for k in range(3)]
    return Camera(name="observer", sensitivities=np.stack(channels))


def scene(**changes):
    plain = {
        "light": reference_light("CIE D65"),
        "camera": observer_camera(),
        "size": (400, 300),
        "sensor": QUIET,
    }
    return Scene(**{**plain, **changes})


def lab_by_colour_science(reflectance):
    """L*a*b* for D65 and the 2 degree observer, colour-science from spectrum to Lab."""
    colour = quiet_colour()
    shape = colour.SpectralShape(380, 780, 5)
    sample = colour.SpectralDistribution(reflectance, shape)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    lamp = colour.SDS_ILLUMINANTS["D65"].copy().align(shape)
    white = colour.sd_to_XYZ(
        colour.SpectralDistribution(np.ones(81), shape), observer, lamp, method="Integration"
    )
    xyz = colour.sd_to_XYZ(sample, observer, lamp, method="Integration")
    return colour.XYZ_to_Lab(xyz / white[1], colour.XYZ_to_xy(white))


def straight_tress(**changes):
    plain = {
        "roots": (200.0, 60.0),
        "ends": (200.0, 260.0),
        "width_px": 60.0,
        "hair": tress_hair(HAIR, fibre_spread=0.0),
        "strand_shading": 0.0,
        "lock_shading": 0.0,
        "curvature": 0.0,
        "clamp": None,
    }
    return Tress(**{**plain, **changes})


def test_a_flat_board_through_the_observers_eyes_has_the_lab_of_its_reflectance():
    """Raw values of a camera with the observer's sensitivities are tristimulus values.

    Tolerance: 0.02, for 16-bit rounding (L* 30: 7e-6 in Y) and the white's printed digits.
    """
    board = hair_reflectance(HAIR)
    pixels = render_scene(scene(board=board)).pixels

    relative = pixels.reshape(-1, 3).mean(axis=0) / 65535 / QUIET.exposure

    found = xyz_to_lab(relative, white=np.ones(3))
    assert found == pytest.approx(lab_by_colour_science(board), abs=0.02)


def test_truth_of_a_plain_tress_is_the_lab_of_its_hair():
    photo = render_scene(scene(tresses=(straight_tress(),)))
    tress = photo.truth.tresses[0]

    found = tress.lab(VIEWINGS["D65/2"])

    expected = lab_by_colour_science(hair_reflectance(HAIR))
    assert found == pytest.approx(np.tile(expected, (60, 1)), abs=0.02)
    for zone in tress.zones(VIEWINGS["D65/2"]).values():
        assert zone == pytest.approx(expected, abs=0.02)


def test_pixels_of_a_tress_average_to_its_truth_fibres_and_strands_included():
    """Uneven fibres and strand shading: the mean of the raw pixels is the truth's mean.

    The board has the hair's mean colour, so that pixels on the outline do not matter. Tolerance:
    0.05 in L*a*b*, for those pixels' missing strand shading (3 % of the area at 15 % shading).
    """
    hair = tress_hair(HAIR, fibre_spread=0.3)
    tress = straight_tress(hair=hair, strand_shading=0.15, lock_shading=0.05, raggedness=0.0)
    photo = render_scene(scene(tresses=(tress,), board=hair.mean(axis=(0, 1))))
    truth = photo.truth.tresses[0]

    x0, y0, x1, y1 = truth.box
    inside = photo.pixels[y0:y1, x0:x1][truth.mask]
    found = xyz_to_lab(inside.mean(axis=0) / 65535 / QUIET.exposure, white=np.ones(3))

    whole = truth.span_lab(0, 1, VIEWINGS["D65/2"])
    assert found == pytest.approx(whole, abs=0.05)


def test_shine_and_curvature_change_the_photo_and_not_the_truth():
    plain = render_scene(scene(tresses=(straight_tress(),)))
    shaped = render_scene(
        scene(tresses=(straight_tress(curvature=0.3, shines=(Shine(position=0.5),)),))
    )

    assert not np.array_equal(plain.pixels, shaped.pixels)
    assert np.array_equal(plain.truth.tresses[0].reflectance, shaped.truth.tresses[0].reflectance)


def test_the_chart_shows_its_reference_at_its_centres():
    """Raw patch values are exposure × reflectance through the camera, for all 24."""
    placement = ChartPlacement(centre=(200.0, 150.0), width_px=300.0, turn_deg=12.0, tilt_deg=15.0)
    photo = render_scene(scene(chart=placement))
    reference = load_reference(placement.reference)
    weights = (observer_camera().sensitivities * reference_light("CIE D65").spectrum).T
    expected = QUIET.exposure * (reference.reflectance @ (weights / weights.sum(axis=0)))

    x, y = np.round(photo.truth.centres).astype(int).T
    found = photo.pixels[y, x] / 65535

    assert found == pytest.approx(expected, abs=1e-5)  # half a 16-bit step is 8e-6


def test_a_turned_chart_turns_its_corners_clockwise():
    """A quarter turn brings the corner beside dark skin from top left to top right."""
    corners = render_scene(
        scene(chart=ChartPlacement(centre=(200.0, 150.0), width_px=180.0, turn_deg=90.0))
    ).truth.corners

    half_long, half_short = 90.0, 90.0 * 3.86 / 5.86
    expected = [[half_short, -half_long], [half_short, half_long]]
    expected += [[-half_short, half_long], [-half_short, -half_long]]
    assert corners == pytest.approx(np.array([200.0, 150.0]) + expected)


def test_a_tilted_chart_obeys_the_pinhole():
    """Tilted 30° about the upright axis: half widths d·w·cos/(d ± w·sin), d the lens distance."""
    placement = ChartPlacement(
        centre=(200.0, 150.0), width_px=200.0, tilt_deg=30.0, tilt_axis_deg=90.0
    )
    corners = render_scene(scene(chart=placement)).truth.corners

    distance = 1.4 * 400
    near_and_far = sorted(
        distance * 100 * np.cos(np.pi / 6) / (distance + side * 100 * np.sin(np.pi / 6))
        for side in (-1, 1)
    )
    found = sorted(np.abs(corners[:2, 0] - 200.0))
    assert found == pytest.approx(near_and_far)


def test_a_mirrored_chart_is_the_mirror_image():
    plain = ChartPlacement(centre=(199.5, 150.0), width_px=240.0, turn_deg=20.0)
    mirrored = ChartPlacement(
        centre=(199.5, 150.0), width_px=240.0, turn_deg=20.0, is_mirrored=True
    )

    found = [render_scene(scene(chart=chart)).pixels for chart in (plain, mirrored)]

    assert np.abs(found[0][:, ::-1].astype(int) - found[1]).max() <= 1


def test_noise_has_the_variance_of_shot_and_read_noise():
    """Grey 0.3 of a 10 000 electron pixel: variance (N + read²)/10⁸ + (0.3 %·v)².

    Tolerance: 3 %, five standard errors of a variance from 120 000 samples (0.4 %) in its ratio
    and the least-sensitive channel's own full well, left out by looking at the best channel.
    """
    flat = np.full(81, 0.3)
    sensor = Sensor(exposure=1.0, full_well=10_000.0, read_noise=5.0)
    equal = Light(name="equal energy", family="daylight", spectrum=np.ones(81))
    camera = Camera(name="flat", sensitivities=np.ones((3, 81)))
    photo = render_scene(scene(board=flat, sensor=sensor, light=equal, camera=camera))

    found = (photo.pixels / 65535).reshape(-1, 3)

    expected = 0.3 / 10_000 + (5.0 / 10_000) ** 2 + (0.003 * 0.3) ** 2
    assert found.mean(axis=0) == pytest.approx(np.full(3, 0.3), abs=1e-4)
    assert found.var(axis=0) == pytest.approx(np.full(3, expected), rel=0.03)


def test_veiling_light_adds_its_share_of_the_mean():
    """A flat board of 0.2 under a 5 % veil reads 0.21, wherever the veil comes from."""
    board = np.full(81, 0.2)

    photo = render_scene(scene(board=board, lens=Lens(flare=0.05)))

    assert photo.pixels / 65535 == pytest.approx(0.9 * 0.2 * 1.05, rel=1e-4)


def test_light_falls_as_told_and_is_one_at_the_chart():
    shape = LightShape(gradient=(0.2, -0.1), vignetting=0.1)
    placement = ChartPlacement(centre=(120.0, 100.0), width_px=100.0)
    board = np.full(81, 0.2)
    truth = render_scene(scene(light_shape=shape, chart=placement)).truth
    bare = render_scene(scene(light_shape=shape, board=board)).pixels[:, :, 1] / 65535

    def told(x, y):
        across, down = (x + 0.5) / 400 - 0.5, (y + 0.5) / 300 - 0.5
        radius2 = ((across * 400) ** 2 + (down * 300) ** 2) / (200**2 + 150**2)
        return np.exp(0.2 * across - 0.1 * down) * (1 - 0.1 * radius2)

    assert bare[10, 30] / bare[280, 350] == pytest.approx(told(30, 10) / told(350, 280), rel=1e-3)
    assert truth.light[2, 5] == pytest.approx(told(87.5, 39.5) / told(120, 100), rel=1e-5)


def test_a_shadow_takes_its_share_behind_its_edge():
    shape = LightShape(shadow_depth=0.3, shadow_at=0.0, shadow_deg=0.0, shadow_soft=0.01)
    pixels = render_scene(scene(light_shape=shape)).pixels[:, :, 0].astype(float)

    assert pixels[150, 390] / pixels[150, 5] == pytest.approx(0.7, rel=1e-3)


def test_the_same_scene_gives_the_same_bytes_and_another_seed_others():
    first, again = (render_scene(random_scene(5, size=(320, 240))) for _ in range(2))
    other = render_scene(random_scene(6, size=(320, 240)))

    assert first.jpeg == again.jpeg
    assert np.array_equal(first.pixels, again.pixels)
    assert first.jpeg != other.jpeg


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_photo_stored_turned_is_upright_by_its_exif(orientation):
    """Turned back by Pillow, the stored pixels are those of the upright photo."""
    upright = scene(
        development=Development(), jpeg=Jpeg(quality=98), light_shape=LightShape(gradient=(1, 0.6))
    )
    turned = scene(
        development=Development(),
        jpeg=Jpeg(quality=98, orientation=orientation, taken="2026-03-04T10:00:00"),
        light_shape=LightShape(gradient=(1, 0.6)),
    )
    stored = Image.open(io.BytesIO(render_scene(turned).jpeg))
    found = np.asarray(ImageOps.exif_transpose(stored), int)

    expected = render_scene(upright).pixels.astype(int)
    assert stored.getexif().get_ifd(0x8769)[0x9003] == "2026:03:04 10:00:00"
    assert found.shape == expected.shape
    assert np.abs(found - expected).mean() < 1.0  # what compression does to a smooth slope


def test_a_raw_scene_has_no_file():
    photo = render_scene(scene())

    assert photo.pixels.dtype == np.uint16
    assert photo.jpeg == b""
    with pytest.raises(ValueError, match="raw scene has pixels only"):
        write_photo(photo, Path("a.jpg"))
