"""Which patches can be believed, and whether enough of them are left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.consensus import patch_misfit
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
MISFIT = 14.0  # ΔE00 from the rough fit; a hard photo's good patches stay under 12. Our choice
MISFIT_TIMES = 3.5  # times the median misfit: a poor print fits nowhere well
TYPICAL_MISFIT = 16.0  # median ΔE00 from the rough fit that no chart and camera explain
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
    cut = outside.reshape(PATCHES, 4).any(axis=1)
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
    typical = float(np.median(misfit[sound])) if sound.any() else float(np.median(misfit))
    odd = misfit > max(MISFIT, MISFIT_TIMES * typical)
    usable = sound & ~odd
    _require_enough(
        usable, bright=bright, dark=dark, uneven=uneven, photo=photo
    )
    if typical > TYPICAL_MISFIT:
        raise ChartError(
            "chart-false",
            f"The patches differ from the chart {reference.name} by {typical:.0f} ΔE00 in the "
            f"middle, more than {TYPICAL_MISFIT:.0f}: another chart or another version of it.",
            where=photo.name,
            remedy="Name the chart's edition (option chart), or measure it and add it as a file.",
        )
    return usable, _flags(bright | dark, uneven & ~(bright | dark), odd & sound, grid)


def _require_enough(
    usable: NDArray[np.bool_],
    *,
    bright: NDArray[np.bool_],
    dark: NDArray[np.bool_],
    uneven: NDArray[np.bool_],
    photo: Photo,
) -> None:
    greys = np.zeros(PATCHES, dtype=bool)
    greys[list(GREYS)] = True
    lost = greys & ~usable
    if usable.sum() >= FEWEST_USABLE and not lost.any():
        return
    missing = ~usable if usable.sum() < FEWEST_USABLE else lost
    said = f"{_names(missing)}; {usable.sum()} of 24 patches and {6 - lost.sum()} of 6 greys are left"
    need = f"{FEWEST_USABLE} patches and all six greys are needed"
    causes = [
        (
            bright,
            "over-exposed",
            "The photo is over-exposed: patches are clipped",
            "Lower the exposure by about one stop and photograph again.",
        ),
        (
            dark,
            "under-exposed",
            "The photo is under-exposed: patches are black",
            "Raise the exposure by one or two stops and photograph again.",
        ),
        (
            uneven,
            "glare",
            "Glare, a shadow or something else lies over patches of the chart",
            "Turn the chart or the lamps until no patch shines, clear it, and photograph again.",
        ),
        (
            missing,
            "chart-covered",
            "The chart is covered or spoilt: patches do not have their colours",
            f"Uncover the chart and photograph again, {BY_HAND}.",
        ),
    ]
    ruling = max(causes[:3], key=lambda cause: int((cause[0] & missing).sum()))
    chosen = ruling if 2 * (ruling[0] & missing).sum() >= missing.sum() else causes[3]
    raise ChartError(
        chosen[1],
        f"{chosen[2]} ({said}; {need}).",
        where=photo.name,
        remedy=chosen[3],
    )


def _flags(
    clipped: NDArray[np.bool_], uneven: NDArray[np.bool_], odd: NDArray[np.bool_], grid: Grid
) -> tuple[Flag, ...]:
    flags = []
    if clipped.any():
        flags.append(
            Flag(
                code="patches-clipped",
                says=f"{clipped.sum()} of 24 patches are clipped and left out ({_names(clipped)}).",
                remedy="Lower the exposure a little.",
            )
        )
    if uneven.any():
        flags.append(
            Flag(
                code="glare",
                says=f"{uneven.sum()} of 24 patches show glare or a shadow and are left out "
                f"({_names(uneven)}).",
                remedy="Turn the chart or the lamps until no patch shines.",
            )
        )
    if odd.any():
        flags.append(
            Flag(
                code="patches-left-out",
                says=f"{odd.sum()} of 24 patches do not have their colours (covered, wet, in "
                f"glare) and are left out ({_names(odd)}).",
                remedy="Clear and clean the chart.",
            )
        )
    if grid.edge_px > max(BLURRED_PX, BLURRED * grid.patch_px):
        flags.append(
            Flag(
                code="blur",
                says=f"The photo is blurred: the chart's edges rise over {grid.edge_px:.0f} pixels, "
                f"{100 * grid.edge_px / grid.patch_px:.0f} % of a patch.",
                remedy="Focus on the hair, use a tripod, and photograph again.",
            )
        )
    return tuple(flags)


def _names(which: NDArray[np.bool_]) -> str:
    names = [PATCH_NAMES[k] for k in np.flatnonzero(which)]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
