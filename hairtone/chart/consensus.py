"""A rough calibration by which single patches are judged; measurements use the real one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hairtone.chart.identity import covered_parts
from hairtone.chart.types import PATCHES, ChartReference
from hairtone.colorimetry import VIEWINGS, Floats, decode_srgb, delta_e, xyz_to_lab

EXPONENTS = np.array([0.6, 0.75, 0.9, 1.0, 1.1, 1.25, 1.45, 1.7])  # tones a camera may have added
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
    viewing = VIEWINGS["D65/2"]
    xyz = reference.xyz(viewing)
    lab = reference.lab(viewing)
    light = np.clip(encoded if is_linear else decode_srgb(encoded), 0, None)
    light = light / max(float(light[use].max()), 1e-9)
    exponents = np.ones(1) if is_linear else EXPONENTS
    starts = ~covered_parts() & use
    terms = np.stack([np.column_stack([light**e, np.ones(PATCHES)]) for e in exponents])
    terms = np.repeat(terms, len(starts), axis=0)
    base = 1 / (xyz[:, 1] + DARKEST)
    may = np.tile(use, (len(terms), 1)).astype(np.float64)
    weight = np.tile(starts, (len(exponents), 1)).astype(np.float64)
    error = np.zeros((len(terms), PATCHES))
    for _ in range(8):
        scaled = terms * (base**2 * weight)[..., None]
        normal = scaled.swapaxes(1, 2) @ terms + 1e-7 * np.eye(4)
        answer = np.linalg.solve(normal, scaled.swapaxes(1, 2) @ xyz)
        found = np.clip(terms @ answer, 0, None)
        error = delta_e(lab, xyz_to_lab(100 * found, white=viewing.white))
        scale = np.maximum(2.0, np.nanmedian(np.where(may > 0, error, np.nan), axis=1))
        weight = may / (1 + (error / (2 * scale[:, None])) ** 2) ** 2
    loss = (may * np.minimum(error, 15.0)).sum(axis=1)
    return np.asarray(error[int(loss.argmin())])
