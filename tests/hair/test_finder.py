"""Tresses found on a board, against their known outline."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hair.tress import BOARD, Tress, calibration, draw, light_field, reading_of

from hairtone.colorimetry import delta_e
from hairtone.errors import HairError
from hairtone.hair.section import outline_on_chart, refuse_on_chart
from hairtone.hair.strands import find_strands, strand_along
from hairtone.photo.reader import read_photo_bytes
from hairtone.pipeline import calibrate_photo, measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.scene import random_scene, render_scene

RED, DARK, WHITE, BLUE = (30.0, 22.0, 12.0), (18.0, 3.0, 4.0), (72.0, 1.0, 8.0), (40.0, -5.0, -30.0)
SHARE = 0.03  # of the length by which an end may be off: what a profile's first bin spans twice


def found(tresses, *, roots=None, size=(1200, 900), slope=(0.0, 0.0), **more):
    photo, masks, _ = draw(tresses, size=size, slope=slope, **more)
    strands = find_strands(
        photo, reading_of(), calibration(), light_field(size, slope=slope), roots=roots
    )
    return strands, masks


def ends_off(strand, line):
    """Distance of either end from the true one, in lengths."""
    line = np.asarray(line, float)
    length = np.linalg.norm(np.diff(line, axis=0), axis=1).sum()
    return [np.linalg.norm(strand.line[k] - line[k]) / length for k in (0, -1)]


def overlap(strand, mask):
    x0, y0, x1, y1 = strand.box
    full = np.zeros_like(mask)
    full[y0:y1, x0:x1] = strand.mask
    return (full & mask).sum() / (full | mask).sum()


@pytest.mark.parametrize("lab", [RED, DARK, WHITE, BLUE], ids=["red", "dark", "white", "blue"])
def test_a_tress_of_any_colour_is_found_where_it_lies(lab):
    tress = Tress(line=[(700, 130), (690, 800)], labs=[lab], shadow=0.4)

    (strand,), (mask,) = found([tress], slope=(0.15, -0.1))

    assert max(ends_off(strand, tress.line)) < SHARE
    assert strand.width == pytest.approx(tress.width, rel=0.06)  # an edge pixel either side and 2
    assert overlap(strand, mask) > 0.93  # two pixels all around are 5 % of this outline


def test_grey_hair_as_light_as_the_board_is_found_by_its_fibres():
    tress = Tress(line=[(700, 130), (690, 800)], labs=[(50.0, 0.0, 1.0)])

    (strand,), (mask,) = found([tress])

    assert max(ends_off(strand, tress.line)) < SHARE
    assert overlap(strand, mask) > 0.9  # no colour tells its edge: one reduced pixel more


@pytest.mark.parametrize(
    "line",
    [
        [(560, 400), (1130, 410)],
        [(600, 250), (1100, 780)],
        [(1120, 220), (620, 760)],
        [(800, 780), (810, 180)],
        [(620, 130), (560, 450), (650, 800)],
    ],
    ids=["laid across", "diagonal", "other diagonal", "clamped below", "bowed"],
)
def test_hair_in_any_direction_starts_at_its_clamp(line):
    tress = Tress(line=line)

    (strand,), _ = found([tress])

    assert max(ends_off(strand, line)) < SHARE


def test_without_a_clamp_roots_are_on_top_or_said_to_be_assumed():
    upright, _ = found([Tress(line=[(800, 800), (805, 150)], clamp=False)])
    across, _ = found([Tress(line=[(1130, 500), (560, 505)], clamp=False)])

    assert upright[0].line[0, 1] < upright[0].line[-1, 1]
    assert not upright[0].flags
    assert across[0].line[0, 0] < across[0].line[-1, 0]
    assert [flag.code for flag in across[0].flags] == ["roots-assumed"]


@pytest.mark.parametrize(("roots", "axis", "sign"), [("bottom", 1, -1), ("right", 0, -1)])
def test_the_side_named_for_the_roots_rules(roots, axis, sign):
    (strand,), _ = found([Tress(line=[(560, 200), (1050, 780)])], roots=roots)

    assert sign * (strand.line[-1, axis] - strand.line[0, axis]) > 0


def test_a_side_that_the_hair_does_not_run_to_is_refused():
    with pytest.raises(HairError, match="differ by") as refusal:
        found([Tress(line=[(800, 150), (805, 800)])], roots="left")

    assert refusal.value.code == "roots-unclear"
    assert refusal.value.remedy


def test_several_tresses_are_named_left_to_right():
    lines = [[(x, 330), (x + 10, 820)] for x in (150, 330, 510)]
    tresses = [
        Tress(line=line, labs=[lab], width=70)
        for line, lab in zip(lines, [RED, DARK, WHITE], strict=True)
    ]

    strands, _ = found(tresses)

    assert [strand.name for strand in strands] == ["1", "2", "3"]
    for strand, line in zip(strands, lines, strict=True):
        assert max(ends_off(strand, line)) < SHARE


def test_tresses_laid_across_are_named_top_to_bottom():
    lines = [[(560, y), (1120, y + 5)] for y in (200, 420, 640)]

    strands, _ = found([Tress(line=line, width=70) for line in reversed(lines)])

    assert [round(strand.line[0, 1] / 10) for strand in strands] == [20, 42, 64]


def test_a_bare_board_is_refused_with_the_remedy():
    with pytest.raises(HairError, match="could not find the hair") as refusal:
        found([])

    assert refusal.value.code == "hair-not-found"
    assert "line by hand" in refusal.value.remedy


def test_a_chart_that_fills_the_frame_leaves_no_room_for_hair():
    chart = (20, 20, 1180, 880)
    photo, _, _ = draw([], chart=chart)

    with pytest.raises(HairError, match="no room for hair") as refusal:
        find_strands(photo, reading_of(chart), calibration(), light_field())

    assert refusal.value.code == "hair-not-found"


def test_a_shadow_and_a_label_on_the_board_are_no_hair():
    with pytest.raises(HairError, match="could not find the hair"):
        found([Tress(line=[(800, 200), (800, 700)], labs=[(38.0, 0.0, 0.0)],
                     shade_sd=0.0, colour_sd=0.0, clamp=False)])  # fmt: skip


def test_hair_of_a_few_pixels_is_refused_with_its_size():
    with pytest.raises(HairError) as refusal:
        found([Tress(line=[(200, 330), (200, 430)], width=9, fibre_px=2)], size=(600, 480))

    assert refusal.value.code in ("hair-too-small", "hair-not-found")


def test_scale_is_carried_where_it_is_known():
    photo, _, _ = draw([Tress(line=[(700, 130), (690, 800)])])

    (strand,) = find_strands(photo, reading_of(), calibration(), light_field(), mm_per_px=0.25)

    assert strand.mm_per_px == 0.25


def test_sixteen_bit_photos_are_searched_alike():
    tress = Tress(line=[(700, 130), (690, 800)])

    (strand,), _ = found([tress], bits=16)

    assert max(ends_off(strand, tress.line)) < SHARE


def test_a_given_line_is_kept_and_its_outline_grown_over_the_hair():
    tress = Tress(line=[(700, 130), (690, 800)])
    photo, _, _ = draw([tress])

    strand = strand_along(photo, tress.line, name="3")

    assert strand.is_given
    assert strand.name == "3"
    assert strand.line[0] == pytest.approx(tress.line[0])
    assert strand.line[-1] == pytest.approx(tress.line[-1])
    assert 0.5 * tress.width < strand.width <= tress.width  # inside the hair, most of it
    assert [flag.code for flag in strand.flags] == ["outline-grown"]


def test_a_given_width_is_kept_without_a_note():
    photo, _, _ = draw([])

    strand = strand_along(photo, [(100, 400), (400, 420), (700, 500)], width=33)

    assert strand.width == 33
    assert not strand.flags


@pytest.mark.parametrize("turned", [1, -1])
def test_a_line_over_the_chart_is_refused(turned):
    """150 of 600 pixels lie on it; beside it the line is taken."""
    photo, _, _ = draw([])
    corners = np.array([(200, 100), (500, 100), (500, 300), (200, 300)], float)[::turned]

    with pytest.raises(HairError, match="25 % of the line lies on the colour chart"):
        refuse_on_chart(photo, [(300, 150), (300, 750)], corners)

    refuse_on_chart(photo, [(190, 150), (190, 750)], corners)


def test_an_outline_that_runs_over_the_charts_frame_is_flagged():
    """Black hair lies against the dark frame; where there is a gap nothing is said."""
    photo, _, _ = draw([Tress(line=[(700, 130), (690, 800)], labs=[DARK])])
    strand = strand_along(photo, [(700, 130), (690, 800)])
    corners = np.array([(730, 200), (1000, 200), (1000, 380), (730, 380)], float)

    (flag,) = outline_on_chart(strand, corners)

    assert (flag.code, flag.is_note) == ("outline-on-chart", False)
    assert outline_on_chart(strand, np.add(corners, [60, 0])) == ()


def test_new_growth_up_to_its_mark_is_left_out():
    """A line of 300 and 400 pixels with a corner; the mark lies 40 behind the corner, 3 aside."""
    photo, _, _ = draw([])

    strand = strand_along(
        photo, [(100, 100), (100, 400), (500, 400)], width=30, regrowth=(140, 403)
    )

    assert strand.regrowth_px == pytest.approx(340)
    assert strand.line[0] == pytest.approx([140, 400])
    assert strand.line[-1] == pytest.approx([500, 400])


@pytest.mark.parametrize(
    ("mark", "code"),
    [((300, 300), "regrowth-off-line"), ((500, 400), "regrowth-all"),
     ((480, 400), "hair-too-small")],
)  # fmt: skip
def test_a_mark_that_leaves_no_hair_is_refused(mark, code):
    photo, _, _ = draw([])

    with pytest.raises(HairError) as refusal:
        strand_along(photo, [(100, 100), (100, 400), (500, 400)], width=30, regrowth=mark)

    assert refusal.value.code == code
    assert refusal.value.remedy


@pytest.mark.parametrize(
    ("line", "width", "code"),
    [
        ([(10, 10)], None, "line-malformed"),
        ([(10, 10), (10, 10)], None, "line-malformed"),
        ([(10, 10), (float("nan"), 400)], None, "line-malformed"),
        ("10,10 400,400", None, "line-malformed"),
        ([(10, 10), (5000, 400)], None, "line-outside"),
        ([(10, 10), (30, 30)], None, "hair-too-small"),
        ([(10, 10), (600, 700)], 3, "hair-too-small"),
        ([(10, 10), (600, 700)], float("nan"), "width-malformed"),
    ],
)
def test_a_line_that_cannot_be_measured_is_refused_with_the_remedy(line, width, code):
    photo, _, _ = draw([])

    with pytest.raises(HairError) as refusal:
        strand_along(photo, line, width=width)

    assert refusal.value.code == code
    assert refusal.value.where == "drawn.png"
    assert refusal.value.remedy


def test_an_unknown_side_is_a_slip_of_the_programmer():
    with pytest.raises(ValueError, match="choose one of top"):
        found([], roots="up")


def test_boards_of_another_grey_serve_as_well():
    for board in (0.5 * BOARD, 1.8 * BOARD):
        tress = Tress(line=[(700, 130), (690, 800)])

        (strand,), _ = found([tress], board=board)

        assert max(ends_off(strand, tress.line)) < SHARE


def test_six_pale_tresses_are_all_found_where_most_show_no_fibres():
    """Rendered: pale smooth hair on a grey board, one of six with the texture of hair."""
    rendered = render_scene(random_scene(0, tresses=6))
    photo = read_photo_bytes(rendered.jpeg, name="six.jpg")
    seen = calibrate_photo(photo, PhotoRequest(path=Path("six.jpg")))
    reading, calibration, light = seen.chart, seen.calibration, seen.light

    strands = find_strands(photo, reading, calibration, light)

    assert len(strands) == 6
    for strand, truth in zip(strands, rendered.truth.tresses, strict=True):
        off = strand.line[[0, -1]] - truth.line[[0, -1]]
        assert np.abs(off[:, 0]).max() < truth.width / 4
    assert not any(flag.code == "hair-left-out" for s in strands for flag in s.flags)


def test_a_smooth_strip_of_another_colour_is_left_out_and_told():
    """A ribbon: as slender as hair, with no fibres, of a colour between board and hair."""
    ribbon = Tress(
        line=[(900, 120), (900, 820)],
        labs=[(68.0, 1.0, 5.5)],
        shade_sd=0.0,
        colour_sd=0.0,
        clamp=False,
    )

    (strand,), _ = found([Tress(line=[(560, 120), (560, 820)]), ribbon])

    (flag,) = (f for f in strand.flags if f.code == "hair-left-out")
    assert "1 other area" in flag.says
    assert abs(float(flag.says.split("else: at ")[1].split(",")[0]) - 900) < 30


@pytest.mark.parametrize(("reach", "outcome"), [(100, "flag"), (330, "refused")])
def test_a_thing_that_lies_against_the_hair_is_told(reach, outcome):
    """Other hair laid across the tress, `reach` pixels to its right: one outline, two hairs."""
    tress = Tress(line=[(700, 120), (700, 820)])
    other = Tress(line=[(660, 450), (700 + reach, 460)], width=70, labs=[DARK], clamp=False)

    if outcome == "refused":
        with pytest.raises(HairError, match="times as broad") as refusal:
            found([tress, other])
        assert refusal.value.code == "hair-merged"
    else:
        (strand,), _ = found([tress, other])
        (flag,) = (f for f in strand.flags if f.code == "hair-merged")
        assert "times as broad" in flag.says


def test_a_thing_that_lies_against_one_hair_leaves_the_others_sound():
    """Three rendered tresses, a hand against the last: only that one is refused."""
    rendered = render_scene(random_scene(7, tresses=3))
    photo = read_photo_bytes(rendered.jpeg, name="three.jpg")
    truth = rendered.truth.tresses[2]
    x, y = truth.line[len(truth.line) // 2].astype(int)
    high, wide = int(truth.width), photo.size[0] - 12 - x
    noise = np.random.default_rng(1).normal(0, 2, (high, wide, 3))
    pixels = np.array(photo.pixels)
    pixels[y : y + high, x : x + wide] = np.array([196, 148, 122]) + noise
    spoilt = dataclasses.replace(photo, pixels=pixels)
    request = PhotoRequest(path=Path("three.jpg"))

    sound, result = (measure_pixels(one, request) for one in (photo, spoilt))

    assert [tress.error for tress in sound.tresses] == [None, None, None]
    codes = [tress.error and tress.error.code for tress in result.tresses]
    assert codes == [None, None, "hair-merged"]
    assert result.status == "flagged"
    for one, other in zip(sound.tresses[:2], result.tresses[:2], strict=True):
        # the hand takes board away, by which the light is told
        assert delta_e(one.profile.lab, other.profile.lab).max() < 0.3


@pytest.fixture(scope="module")
def joined():
    """Three rendered tresses, a band of skin over the first two."""
    rendered = render_scene(random_scene(7, tresses=3))
    photo = read_photo_bytes(rendered.jpeg, name="three.jpg")
    one, other = rendered.truth.tresses[:2]
    y = int(one.line[len(one.line) // 2, 1])
    left, right = int(one.line[:, 0].min()), int(other.line[:, 0].max())
    noise = np.random.default_rng(1).normal(0, 2, (90, right - left, 3))
    pixels = np.array(photo.pixels)
    pixels[y : y + 90, left:right] = np.array([196, 148, 122]) + noise
    return dataclasses.replace(photo, pixels=pixels)


def test_two_hairs_joined_by_what_lies_on_them_are_refused_and_the_third_is_not(joined):
    result = measure_pixels(joined, PhotoRequest(path=Path("three.jpg")))

    codes = [tress.error and tress.error.code for tress in result.tresses]
    assert codes == ["hair-merged", None]
    assert "gap along the middle" in result.tresses[0].error.says


def test_hairs_are_not_counted_over_one_that_may_be_two(joined):
    """Named is the first of what the photo shows as two: whether it is one cannot be told."""
    hairs = (HairRequest(place=1),)

    result = measure_pixels(joined, PhotoRequest(path=Path("three.jpg"), hairs=hairs))

    assert [tress.error.code for tress in result.tresses] == ["place-not-found"]


def marker(seed, side):
    """A black square with white blocks inside, as printed to find a sheet by."""
    blocks = np.zeros((6, 6))
    blocks[1:5, 1:5] = np.random.default_rng(seed).random((4, 4)) < 0.45
    return np.where(np.kron(blocks, np.ones((side // 6, side // 6))) > 0, 235, 28)[..., None]


@pytest.mark.parametrize("side", [96, 150])
@pytest.mark.parametrize("seed", range(6))
def test_a_printed_marker_on_the_board_is_no_hair(seed, side):
    photo, _, _ = draw([Tress(line=[(560, 120), (560, 820)])])
    pixels = np.array(photo.pixels)
    print_ = marker(seed, side)
    pixels[400 : 400 + len(print_), 850 : 850 + len(print_)] = print_

    strands = find_strands(
        dataclasses.replace(photo, pixels=pixels), reading_of(), calibration(), light_field()
    )

    assert len(strands) == 1
    assert abs(strands[0].line[:, 0].mean() - 560) < 20


@pytest.mark.parametrize("is_grey", [True, False], ids=["grey scale", "coloured patches"])
@pytest.mark.parametrize("seed", range(4))
def test_a_row_of_plain_patches_is_no_hair(seed, is_grey):
    """A scale or a ruler of 5 to 11 patches beside the hair, with the noise of the photo."""
    rng = np.random.default_rng([seed, is_grey])
    photo, _, _ = draw([Tress(line=[(560, 120), (560, 820)])])
    count, width, length = int(rng.integers(5, 12)), int(rng.integers(30, 70)), 420
    greys = np.repeat(np.linspace(15, 240, count)[:, None], 3, axis=1)
    colours = greys if is_grey else rng.uniform(15, 240, (count, 3))
    patches = colours[np.arange(length) * count // length][:, None].repeat(width, axis=1)
    pixels = np.array(photo.pixels)
    noisy = patches + rng.normal(0, 1.5, patches.shape)
    pixels[240 : 240 + length, 900 : 900 + width] = np.clip(noisy, 0, 255)

    (strand,) = find_strands(
        dataclasses.replace(photo, pixels=pixels), reading_of(), calibration(), light_field()
    )

    assert abs(strand.line[:, 0].mean() - 560) < 20


def test_hair_with_bands_of_other_colours_stays_hair():
    """Dark, light and red in turn, edges as sharp as dye leaves them."""
    bands = [DARK] * 3 + [WHITE] * 3 + [RED] * 3 + [WHITE] * 3 + [DARK] * 3

    strands, _ = found([Tress(line=[(700, 120), (700, 820)], labs=bands)])

    assert len(strands) == 1


@pytest.mark.parametrize("code", [24, 228], ids=["black", "white"])
def test_a_plain_mount_along_the_chart_is_no_hair(code):
    """A bar as long as the chart, wider than the frame that charts have, along its lower side."""
    photo, _, _ = draw([Tress(line=[(700, 120), (700, 820)])])
    pixels = np.array(photo.pixels)
    noise = np.random.default_rng(3).normal(0, 1.5, (100, 300, 3))
    pixels[270:370, 60:360] = np.clip(code + noise, 0, 255)

    (strand,) = find_strands(
        dataclasses.replace(photo, pixels=pixels), reading_of(), calibration(), light_field()
    )

    assert abs(strand.line[:, 0].mean() - 700) < 20
