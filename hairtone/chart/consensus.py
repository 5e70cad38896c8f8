"""A rough calibration by which single patches are judged; measurements use the real one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.identity import covered_parts
from hairtone.chart.types import GREYS, PATCHES, ChartReference
from hairtone.colorimetry import VIEWINGS, Floats, decode_srgb, delta_e, xyz_to_lab

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
    top = max(float(encoded[use].max()), 1e-6)
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
