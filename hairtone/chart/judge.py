"""Which patches can be believed, and whether enough of them are left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.consensus import grey_tint, patch_misfit, strangest_grey
from hairtone.chart.lattice import map_points
from hairtone.chart.patches import PatchReadings
from hairtone.chart.refine import CENTRES, Grid
from hairtone.chart.search import BY_HAND
from hairtone.chart.types import GREYS, PATCH_NAMES, PATCHES, ChartReference
from hairtone.errors import ChartError, Flag
from hairtone.photo.types import Photo

FEWEST_USABLE = 18  # patches a fit needs, the grey row whole; our choice (see the protocol)
SMALLEST_PATCH = 8.0  # side [pixels]; its inner part has 25 pixels. Our choice
CLIPPED = 0.1  # share of clipped pixels that the trimmed mean still leaves out
UNEVEN = 0.04  # encoded departure inside a patch; a step of about 4 L*. Our choice
UNEVEN_NOISE = 6.0  # times the noise of a block's mean that is no accident in 384 blocks
MISFIT = 18.0  # ΔE00 from the rough fit; sound patches of hard photos stay under 16. Our choice
MISFIT_TIMES = 3.5  # times the median misfit: a poor print fits nowhere well
MOST_MISFIT = 15.0  # that one patch counts for in the mean
STRANGE = 4.5  # median ΔE00; with tinted greys too, it is another chart, not a covered one
DOUBTFUL = 6.0  # mean ΔE00 from the rough fit; 30 photos of real charts stay under 5, prints do not
FALSE = 11.0  # the same, where no camera and light explain it; prints reach 10. Our choice
TINT = 0.02  # encoded; 60 real photos stay under 0.009, a grey row of wrong patches does not
BLURRED = 0.16  # of a patch's side taken by the rise of its edge; our choice
BLURRED_PX = 6.0  # rise of an edge that a sound photo does not reach [pixels]; our choice


def check_frame(grid: Grid, photo: Photo) -> None:
    """Refuse a chart that the frame cuts, and one of too few pixels.

    Raises
    ------
    ChartError
        ``chart-cut``, ``too-few-pixels``.
    """
    width, height = photo.size
    turns = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * grid.half * 0.95
    quads = map_points(grid.to_photo, (CENTRES[:, None] + turns).reshape(-1, 2))
    outside = (quads < -0.5).any(axis=1) | (quads > np.array([width, height]) - 0.5).any(axis=1)
    cut: NDArray[np.bool_] = np.asarray(outside.reshape(PATCHES, 4).any(axis=1))
    if cut.any():
        raise ChartError(
            "chart-cut",
            f"The frame cuts {cut.sum()} of the chart's 24 patches ({_names(cut)}).",
            where=photo.name,
            remedy="Photograph again with the whole chart inside the frame.",
        )
    if grid.patch_px < SMALLEST_PATCH:
        raise ChartError(
            "too-few-pixels",
            f"The chart's patches are {grid.patch_px:.1f} pixels wide: too few pixels; "
            f"{SMALLEST_PATCH:.0f} are needed.",
            where=photo.name,
            remedy="Use the photo at its full size, or photograph from nearer.",
        )


def judge_patches(
    readings: PatchReadings, *, grid: Grid, reference: ChartReference, photo: Photo
) -> tuple[NDArray[np.bool_], tuple[Flag, ...]]:
    """Patches that can be believed, and the doubts about the rest.

    Raises
    ------
    ChartError
        ``over-exposed``, ``under-exposed``, ``chart-covered``, ``glare``, ``chart-false``.
    """
    bright, dark = readings.bright > CLIPPED, readings.dark > CLIPPED
    uneven = readings.uneven > np.maximum(UNEVEN, UNEVEN_NOISE * readings.uneven_noise)
    sound = ~(bright | dark | uneven)
    misfit = patch_misfit(
        readings.encoded,
        use=sound if sound.sum() >= 12 else ~(bright | dark),
        reference=reference,
        is_linear=photo.encoding.is_linear,
    )
    judged = misfit[sound] if sound.any() else misfit
    middle, typical = float(np.median(judged)), float(np.minimum(judged, MOST_MISFIT).mean())
    odd = misfit > max(MISFIT, MISFIT_TIMES * middle)
    _require_exposure(bright, dark, photo)
    tint = grey_tint(readings.encoded, use=sound)
    _require_this_chart(typical, tint if middle > STRANGE else 0.0, reference, photo)
    if tint > TINT and sound[list(GREYS)].all():
        odd[strangest_grey(readings.encoded, use=sound)] = True
    _require_enough(sound & ~odd, uneven=uneven, photo=photo)
    doubt = () if typical <= DOUBTFUL else (_doubtful(typical, reference),)
    left_out = _left_out(bright | dark, uneven & ~(bright | dark), odd & sound)
    return sound & ~odd, doubt + left_out + _blur(grid)


def _require_exposure(bright: NDArray[np.bool_], dark: NDArray[np.bool_], photo: Photo) -> None:
    clipped = bright | dark
    greys = clipped[list(GREYS)].sum()
    if not greys and PATCHES - clipped.sum() >= FEWEST_USABLE:
        return
    code, what, remedy = (
        ("over-exposed", "clipped", "Lower the exposure by about one stop")
        if bright.sum() >= dark.sum()
        else ("under-exposed", "black", "Raise the exposure by one or two stops")
    )
    raise ChartError(
        code,
        f"The photo is {code}: {clipped.sum()} of {PATCHES} patches are {what} "
        f"({_names(clipped)}); {FEWEST_USABLE} patches and all six greys are needed.",
        where=photo.name,
        remedy=f"{remedy} and photograph again.",
    )


def _require_enough(usable: NDArray[np.bool_], *, uneven: NDArray[np.bool_], photo: Photo) -> None:
    greys = usable[list(GREYS)].sum()
    if usable.sum() >= FEWEST_USABLE and greys == len(GREYS):
        return
    left = (
        f"({_names(~usable)}); {usable.sum()} patches and {greys} greys are left, and "
        f"{FEWEST_USABLE} and all six are needed"
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


def _require_this_chart(
    typical: float, tint: float, reference: ChartReference, photo: Photo
) -> None:
    if typical <= FALSE and not tint > TINT:
        return
    cause = (
        f"the patches differ from it by {typical:.0f} ΔE00 on average, limit {FALSE:.0f}"
        if typical > FALSE
        else f"its greys have different tints ({tint:.3f}, limit {TINT})"
    )
    raise ChartError(
        "chart-false",
        f"This is not the chart {reference.name}, but another chart or another version of it: "
        f"{cause}.",
        where=photo.name,
        remedy="Name the chart's edition (option chart), or measure the chart and add it as a "
        "file.",
    )


def _doubtful(typical: float, reference: ChartReference) -> Flag:
    return Flag(
        code="chart-doubtful",
        says=f"The patches differ from {reference.name} by {typical:.1f} ΔE00 on average; a "
        f"sound chart in plain light stays under {DOUBTFUL}.",
        remedy="Use an original chart that is not faded, no colour filter and one kind of light.",
    )


def _left_out(
    clipped: NDArray[np.bool_], uneven: NDArray[np.bool_], odd: NDArray[np.bool_]
) -> tuple[Flag, ...]:
    causes = (
        (clipped, "patches-clipped", "are clipped", "Lower the exposure a little."),
        (
            uneven,
            "glare",
            "show glare or a shadow",
            "Turn the chart or the lamps until no patch shines.",
        ),
        (
            odd,
            "patches-covered",
            "do not have their colours (covered, wet or in glare)",
            "Clear and clean the chart.",
        ),
    )
    return tuple(
        Flag(
            code=code,
            says=f"{which.sum()} of {PATCHES} patches {what} and are left out ({_names(which)}).",
            remedy=remedy,
        )
        for which, code, what, remedy in causes
        if which.any()
    )


def _blur(grid: Grid) -> tuple[Flag, ...]:
    if not grid.edge_px > max(BLURRED_PX, BLURRED * grid.patch_px):
        return ()
    share = 100 * grid.edge_px / grid.patch_px
    flag = Flag(
        code="blur",
        says=f"The photo is blurred: the chart's edges rise over {grid.edge_px:.0f} pixels, "
        f"{share:.0f} % of a patch.",
        remedy="Focus on the hair, use a tripod, and photograph again.",
    )
    return (flag,)


def _names(which: NDArray[np.bool_]) -> str:
    names = [PATCH_NAMES[k] for k in np.flatnonzero(which)]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
