"""Which patches can be believed, and whether enough of them are left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.consensus import grey_tint, patch_misfit, strangest_grey
from hairtone.chart.frame import patch_names
from hairtone.chart.identity import COLUMNS, ROWS
from hairtone.chart.patches import PatchReadings
from hairtone.chart.refine import Grid
from hairtone.chart.search import BY_HAND
from hairtone.chart.types import GREYS, PATCHES, ChartReference
from hairtone.colorimetry import Floats, decode_srgb
from hairtone.errors import ChartError, Flag
from hairtone.photo.quality import blur_flags, exposure_flags
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

Marks = NDArray[np.bool_]

FEWEST_FITTED = 12  # sound patches that the rough fit can rest on alone: it has 12 unknowns
UNEVEN_NOISE = 6.0  # times the noise of a block's mean: no accident among 384 blocks
TIMES_MIDDLE = 3.5  # times the median misfit: a poor print fits nowhere well. Our choice
BESIDE = 0.6  # of its limit: a patch beside an odd one is odd from there. Our choice
MOST_COUNTED = 15.0  # ΔE00 that one patch counts for in the mean misfit. Our choice
IS_GREY = np.isin(np.arange(PATCHES), GREYS)


def judge_patches(
    readings: PatchReadings, *, grid: Grid, reference: ChartReference, photo: Photo
) -> tuple[Marks, tuple[Flag, ...]]:
    """Patches that can be believed, shape (24,), and the doubts about chart and photo.

    Raises
    ------
    ChartError
        ``over-exposed``, ``under-exposed``, ``chart-covered``, ``glare``, ``chart-version``.
    PhotoError
        ``under-exposed``: white is so dark that dark hair cannot be told apart.
    """
    limits = read_limits("chart")
    bright = readings.bright > limits["leave_out_clipped_above"]
    dark = readings.dark > limits["leave_out_clipped_above"]
    _require_exposure(bright, dark, photo=photo)
    dim = exposure_flags(_white(readings, photo), levels=photo.top_code + 1)
    faint = np.maximum(limits["leave_out_uneven_above"], UNEVEN_NOISE * readings.uneven_noise)
    uneven: Marks = np.asarray((readings.uneven > faint) & ~bright & ~dark)
    sound: Marks = ~(bright | dark | uneven)
    misfit = patch_misfit(
        readings.encoded,
        use=sound if sound.sum() >= FEWEST_FITTED else ~(bright | dark),
        reference=reference,
        is_linear=photo.encoding.is_linear,
    )
    typical = _require_this_chart(readings, misfit, sound=sound, reference=reference, photo=photo)
    odd = sound & _are_odd(readings, misfit, sound=sound)
    _require_enough(sound & ~odd, uneven=uneven, photo=photo)
    return sound & ~odd, (
        *dim,
        *_doubtful(typical, reference),
        *_left_out(bright | dark, uneven, odd),
        *blur_flags(grid.edge_px, patch_px=grid.patch_px),
    )


def _white(readings: PatchReadings, photo: Photo) -> float:
    """Linear light of the white patch, by the green channel."""
    white = float(readings.encoded[GREYS[0], 1])
    return white if photo.encoding.is_linear else float(decode_srgb(white))


def _are_odd(readings: PatchReadings, misfit: Floats, *, sound: Marks) -> Marks:
    """Patches that do not have their colours: covered, wet, in glare."""
    limits = read_limits("chart")
    limit = np.where(
        IS_GREY, limits["leave_out_grey_misfit_above"], limits["leave_out_misfit_above"]
    )
    middle = float(np.median(misfit[sound])) if sound.any() else 0.0
    limit = np.maximum(limit, TIMES_MIDDLE * middle)
    odd: Marks = np.asarray(misfit > limit)
    for _ in range(PATCHES):  # what covers a patch often reaches over the next
        more = odd | _beside(odd) & ~IS_GREY & (misfit > BESIDE * limit)
        if (more == odd).all():
            break
        odd = more
    tint = grey_tint(readings.encoded, use=sound & ~odd)
    if (sound & ~odd)[IS_GREY].all() and tint > limits["refuse_grey_tint_above"]:
        odd[strangest_grey(readings.encoded, use=sound)] = True
    return odd


def _beside(patches: Marks) -> Marks:
    """The neighbours, in row and column, of some patches."""
    grid = np.pad(patches.reshape(ROWS, COLUMNS), 1)
    around = grid[:-2, 1:-1] | grid[2:, 1:-1] | grid[1:-1, :-2] | grid[1:-1, 2:]
    return np.asarray(around.reshape(PATCHES))


def _require_exposure(bright: Marks, dark: Marks, *, photo: Photo) -> None:
    clipped = bright | dark
    least = read_limits("chart")["least_usable_patches"]
    if not clipped[IS_GREY].any() and (~clipped).sum() >= least:
        return
    code, what, remedy = (
        ("over-exposed", "clipped", "Lower the exposure by about one stop")
        if bright.sum() >= dark.sum()
        else ("under-exposed", "black", "Raise the exposure by one or two stops")
    )
    named = clipped & IS_GREY if clipped[IS_GREY].any() else clipped
    raise ChartError(
        code,
        f"The photo is {code}: {clipped.sum()} of {PATCHES} patches {what} (such as "
        f"{patch_names(named)}); {least:.0f} patches and all six greys are needed.",
        where=photo.name,
        remedy=f"{remedy} and photograph again.",
    )


def _require_this_chart(
    readings: PatchReadings,
    misfit: Floats,
    *,
    sound: Marks,
    reference: ChartReference,
    photo: Photo,
) -> float:
    """Mean misfit of the sound patches; refuses patches that are another chart's."""
    limits = read_limits("chart")
    judged = misfit[sound] if sound.any() else misfit
    typical = float(np.minimum(judged, MOST_COUNTED).mean())
    tint, most_tint = grey_tint(readings.encoded, use=sound), limits["refuse_grey_tint_above"]
    most = limits["refuse_mean_misfit_above"]
    # A covered grey is tinted too, but the patches that nothing covers keep their colours.
    odd = sound & _are_odd(readings, misfit, sound=sound)
    plain = float(misfit[sound & ~odd].mean()) if (sound & ~odd).any() else typical
    is_tinted = tint > most_tint and plain > limits["tinted_grey_misfit_above"]
    if typical <= most and not is_tinted:
        return typical
    cause = (
        f"the patches differ from it by {typical:.0f} ΔE₀₀ on average (limit {most:.0f})"
        if typical > most
        else f"its greys have different tints ({tint:.3f}, limit {most_tint})"
    )
    raise ChartError(
        "chart-version",
        f"This is not the chart {reference.name} but another chart, or another version of it: "
        f"{cause}.",
        where=photo.name,
        remedy="State the chart's edition, or measure the chart and add it as a file.",
    )


def _require_enough(usable: Marks, *, uneven: Marks, photo: Photo) -> None:
    least = read_limits("chart")["least_usable_patches"]
    greys = usable[IS_GREY].sum()
    if usable.sum() >= least and greys == len(GREYS):
        return
    left = (
        f"({patch_names(~usable)}); {usable.sum()} patches and {greys} greys are left, and "
        f"{least:.0f} and all six are needed"
    )
    if 2 * (uneven & ~usable).sum() > (~usable).sum():
        raise ChartError(
            "glare",
            f"Glare, a shadow or something else lies over {(~usable).sum()} of {PATCHES} patches "
            f"{left}.",
            where=photo.name,
            remedy="Turn the chart or the lamps until no patch shines, and photograph again.",
        )
    raise ChartError(
        "chart-covered",
        f"The chart is covered or spoilt: {(~usable).sum()} of {PATCHES} patches do not have "
        f"their colours {left}.",
        where=photo.name,
        remedy=f"Uncover and clean the chart and photograph again, {BY_HAND}.",
    )


def _doubtful(typical: float, reference: ChartReference) -> tuple[Flag, ...]:
    limit = read_limits("chart")["flag_mean_misfit_above"]
    if typical <= limit:
        return ()
    flag = Flag(
        code="chart-doubtful",
        says=f"The patches differ from {reference.name} by {typical:.1f} ΔE₀₀ on average after a "
        f"rough fit (limit {limit:.0f}).",
        remedy="Use an original chart that is not faded, no colour filter and one kind of light.",
    )
    return (flag,)


def _left_out(clipped: Marks, uneven: Marks, odd: Marks) -> tuple[Flag, ...]:
    causes = (
        (clipped, "patches-clipped", "clipped", "Lower the exposure a little."),
        (
            uneven,
            "glare",
            "in glare or half in shadow",
            "Turn the chart or the lamps until no patch shines.",
        ),
        (
            odd,
            "patches-covered",
            "not of their colour (covered, wet or in glare)",
            "Clear and clean the chart.",
        ),
    )
    return tuple(
        Flag(
            code=code,
            says=f"{which.sum()} of {PATCHES} patches left out: {what} ({patch_names(which)}).",
            remedy=remedy,
        )
        for which, code, what, remedy in causes
        if which.any()
    )
