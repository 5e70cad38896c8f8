"""The judgement which patches of a chart can be used, and whether enough of them are left.

Single patches are judged by a rough calibration of their own; measurements use the real one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.identity import COLUMNS, ROWS, covered_parts
from hairtone.chart.lattice import map_points
from hairtone.chart.patches import TOP, PatchReadings
from hairtone.chart.refine import CENTRES, PatchGrid
from hairtone.chart.search import BY_HAND
from hairtone.chart.types import GREYS, PATCH_NAMES, PATCHES, ChartReference
from hairtone.colorimetry import VIEWINGS, Floats, decode_srgb, delta_e, xyz_to_lab
from hairtone.errors import ChartError, Flag
from hairtone.locations import read_limits
from hairtone.photo.quality import blur_flags, exposure_flags
from hairtone.photo.types import Photo

INSIDE = 0.95  # of a patch has to lie in the frame: its outline is known to a few per cent
BENDS = np.array(  # tones a camera may have added: v + a·sin(πv) + b·sin(2πv). Our choice;
    # b < 0 is an S-curve
    [
        (a, b)
        for b in (-0.12, -0.08, -0.04, 0.0, 0.04, 0.08)
        for a in (-0.16, -0.08, 0.0, 0.08, 0.16, 0.24)
    ]
)
PLAIN = np.array([(-0.1, 0), (0, 0), (0.1, 0), (-0.05, -0.06), (0.05, -0.06)])
UNTOUCHED = (1.0, 1.5)  # powers for files that hold linear or nearly linear light unmarked
BRIGHTEST = 0.95  # where the lightest patch is put on the tone scale; white of the chart
GREY_WEIGHT = 3.0  # of a grey against another patch: the greys hold the tone. Our choice
ROUGH_ROUNDS, FINE_ROUNDS = 4, 7  # of weighing: to tell sound patches, to say how far each is off
SOUND = 0.25  # weight above which a patch is; it is off by less than four typical errors
DARKEST = 0.05  # Y added in the weights, so that black does not rule the fit
Marks = NDArray[np.bool_]
FEWEST_FITTED = 12  # sound patches that the rough fit can rest on alone: it has 12 unknowns
UNEVEN_NOISE = 6.0  # times the noise of a block's mean: no accident among 384 blocks
TIMES_MIDDLE = 3.5  # times the median misfit: a poor print fits nowhere well. Our choice
BESIDE = 0.6  # of its limit: a patch beside an odd one is odd from there. Our choice
MOST_COUNTED = 15.0  # ΔE00 that one patch counts for in the mean misfit. Our choice
IS_GREY = np.isin(np.arange(PATCHES), GREYS)


def check_frame(grid: PatchGrid, photo: Photo) -> None:
    """Refuse a chart that the frame cuts, and one of too few pixels.

    Raises
    ------
    ChartError
        ``chart-cut``, ``too-few-pixels``.
    """
    width, height = photo.size
    turns = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * grid.half * INSIDE
    quads = map_points(grid.to_photo, (CENTRES[:, None] + turns).reshape(-1, 2))
    outside = (quads < -0.5).any(axis=1) | (quads > np.array([width, height]) - 0.5).any(axis=1)
    cut: NDArray[np.bool_] = np.asarray(outside.reshape(PATCHES, 4).any(axis=1))
    if cut.any():
        raise ChartError(
            "chart-cut",
            f"The frame cuts {cut.sum()} of the chart's {PATCHES} patches ({patch_names(cut)}).",
            where=photo.name,
            remedy="Photograph again with the whole chart inside the frame.",
        )
    least = read_limits("chart")["least_patch_px"]
    if grid.patch_px < least:
        raise ChartError(
            "too-few-pixels",
            f"The chart's patches are {grid.patch_px:.1f} pixels wide: too few pixels, "
            f"{least:.0f} are needed.",
            where=photo.name,
            remedy="Use the photo at its full size, or photograph from nearer.",
        )


def patch_names(which: NDArray[np.bool_]) -> str:
    """The first few of the patches that are meant, for a message."""
    names = [PATCH_NAMES[k] for k in np.flatnonzero(which)]
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def patch_misfit(
    encoded: Floats, *, use: NDArray[np.bool_], reference: ChartReference, is_linear: bool
) -> Floats:
    """ΔE00 of each patch from a robust tone + matrix + offset fit to the others, shape (24,).

    Parameters
    ----------
    encoded : ndarray, shape (24, 3)
        Patch readings.
    use : ndarray of bool, shape (24,)
        Patches that may enter the fit.
    reference : ChartReference
        What they should be.
    is_linear : bool
        Readings are linear light already.
    """
    # where something is burnt out, the scale ends there, whatever the lightest patch left reads
    is_burnt = bool((encoded > TOP).any())
    top = BRIGHTEST if is_burnt else max(float(encoded[use].max()), 1e-6)
    if is_linear:
        light = np.clip(encoded / top, 0, None)[None]
        starts = use[None] & ~covered_parts()
        return _best_fit(light, starts, use, reference, rounds=FINE_ROUNDS)[0]
    value = np.clip(encoded * BRIGHTEST / top, 0, 1)
    plain, starts = _bent(value, PLAIN), use[None] & ~covered_parts()
    _, rough = _best_fit(plain, starts[:1], use, reference, rounds=ROUGH_ROUNDS)
    if (rough[use] <= SOUND).any():  # something is covered or in glare
        _, rough = _best_fit(plain, starts, use, reference, rounds=ROUGH_ROUNDS)
    sound = rough[None] > SOUND
    return _best_fit(_bent(value, BENDS), sound, use, reference, rounds=FINE_ROUNDS)[0]


def _bent(value: Floats, bends: Floats) -> Floats:
    """Linear light under each of several camera tones, shape (n, 24, 3)."""
    a, b = bends[:, 0, None, None], bends[:, 1, None, None]
    bent = value + a * np.sin(np.pi * value) + b * np.sin(2 * np.pi * value)
    untouched = np.stack([value**power for power in UNTOUCHED])
    return np.concatenate([decode_srgb(np.clip(bent, 0, 1)), untouched])


def _best_fit(
    light: Floats,
    starts: NDArray[np.bool_],
    use: NDArray[np.bool_],
    reference: ChartReference,
    *,
    rounds: int,
) -> tuple[Floats, Floats]:
    """ΔE00 (24,) and weights (24,) under the best of all tones and starts."""
    viewing = VIEWINGS["D65/2"]
    xyz, lab = reference.xyz(viewing), reference.lab(viewing)
    terms = np.concatenate([light, np.ones((*light.shape[:2], 1))], axis=-1)
    terms = np.repeat(terms, len(starts), axis=0)
    weight = np.tile(starts, (len(light), 1)).astype(np.float64)
    may = use.astype(np.float64)
    base = 1 / (xyz[:, 1] + DARKEST) ** 2
    base[list(GREYS)] *= GREY_WEIGHT
    value = may * np.where(np.isin(np.arange(PATCHES), GREYS), GREY_WEIGHT, 1.0)
    error = np.zeros(weight.shape)
    for _ in range(rounds):
        scaled = terms * (base * weight)[..., None]
        normal = scaled.swapaxes(1, 2) @ terms + 1e-7 * np.eye(4)
        answer = np.linalg.solve(normal, scaled.swapaxes(1, 2) @ xyz)
        found = np.clip(terms @ answer, 0, None)
        error = delta_e(lab, xyz_to_lab(100 * found, white=viewing.white))
        scale = np.maximum(2.0, np.median(error[:, use], axis=1))
        weight = may / (1 + (error / (2 * scale[:, None])) ** 2) ** 2
    best = int((value * np.minimum(error, 15.0)).sum(axis=1).argmin())
    return error[best], weight[best]


def grey_tint(encoded: Floats, *, use: NDArray[np.bool_]) -> float:
    """How far the grey row is from one smooth tint: RMS over R-G and B-G, encoded.

    Any camera in any one light shows greys as a smooth curve in colour space, whatever its
    matrix; patches of another chart do not keep to it. NaN with fewer than five greys.
    """
    greys = [patch for patch in GREYS if use[patch]]
    if len(greys) < 5:
        return float("nan")
    green = encoded[greys, 1]
    terms = np.stack([np.ones(len(greys)), green, green**2], axis=1)
    tint = encoded[greys][:, [0, 2]] - green[:, None]
    left = tint - terms @ np.linalg.lstsq(terms, tint, rcond=None)[0]
    return float(np.sqrt((left**2).sum() / (2 * (len(greys) - 3))))


def strangest_grey(encoded: Floats, *, use: NDArray[np.bool_]) -> int:
    """The grey without which the others keep best to one tint."""
    greys = [patch for patch in GREYS if use[patch]]
    without = [grey_tint(encoded, use=use & (np.arange(PATCHES) != patch)) for patch in greys]
    return greys[int(np.nanargmin(without))]


def judge_patches(
    readings: PatchReadings, *, grid: PatchGrid, reference: ChartReference, photo: Photo
) -> tuple[Marks, tuple[Flag, ...]]:
    """Return which patches can be used, shape (24,), and the flags of chart and photo.

    Raises
    ------
    ChartError
        ``over-exposed``, ``under-exposed``, ``chart-covered``, ``glare``, ``chart-version``.
    PhotoError
        ``under-exposed``: the photo is too dark to measure dark hair.
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
    _require_enough(sound & ~odd, uneven=uneven, burnt=bright, photo=photo)
    return sound & ~odd, (
        *dim,
        *_doubtful(typical, reference),
        *_left_out(bright, dark, uneven, odd),
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
    limits = read_limits("chart")
    clipped = bright | dark
    greys = int((~clipped)[IS_GREY].sum())
    least, least_greys = limits["least_usable_patches"], limits["least_usable_greys"]
    if greys >= least_greys and not dark[IS_GREY].any() and (~clipped).sum() >= least:
        return
    left = (
        f"{clipped.sum()} of {PATCHES} patches are {{}} (such as "
        f"{patch_names(clipped & IS_GREY if clipped[IS_GREY].any() else clipped)}). "
    )
    if bright.sum() >= dark.sum():
        raise ChartError(
            "over-exposed",
            f"The photo is too bright (over-exposed): {left.format('burnt out')}We need "
            f"{least:.0f} patches and {least_greys:.0f} greys that are not.",
            where=photo.name,
            remedy="Take the photo again about one stop darker.",
        )
    raise ChartError(
        "under-exposed",
        f"The photo is too dark (under-exposed): {left.format('black')}We need "
        f"{least:.0f} patches and all six greys.",
        where=photo.name,
        remedy="Take the photo again one or two stops brighter.",
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


def _require_enough(usable: Marks, *, uneven: Marks, burnt: Marks, photo: Photo) -> None:
    """Refuse a chart of which too little is left; greys may be burnt out, but not covered."""
    least = read_limits("chart")["least_usable_patches"]
    greys = usable[IS_GREY].sum()
    if usable.sum() >= least and (usable | burnt)[IS_GREY].all():
        return
    left = (
        f"({patch_names(~usable)}); {usable.sum()} patches and {greys} greys are left. We need "
        f"{least:.0f}, and every grey that is not burnt out"
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


def _left_out(bright: Marks, dark: Marks, uneven: Marks, odd: Marks) -> tuple[Flag, ...]:
    causes = (
        (bright, "patches-clipped", "burnt out", "Take the next photo a little darker."),
        (dark, "patches-clipped", "black", "Take the next photo a little brighter."),
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
            is_note=code == "patches-clipped",
        )
        for which, code, what, remedy in causes
        if which.any()
    )
