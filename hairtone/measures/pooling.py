"""Several photos of one state of one hair, and errors of several photos drawn together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.measures.spans import sampling_draws, unit_normals
from hairtone.uncertainty import LabEstimate

# Re-laying one tress moved L* by this SD under one instrument (large window): borrowed, for use
# where a study has no repeats. J. Cosmet. Sci. 51 (2000) 293-299, as cited by others.
BORROWED_RELAYING_SD: Final = 0.31
BORROWED_RELAYING: Final = np.diag([BORROWED_RELAYING_SD**2, 0.0, 0.0])
BORROWED_RELAYING.flags.writeable = False


def mean_estimate(estimates: Sequence[LabEstimate]) -> LabEstimate:
    """Mean over photos of one state of one hair, in L*a*b*.

    Calibration errors are averaged row by row: independent cameras average out, a shared one stays.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        One a photo, for one viewing.

    Raises
    ------
    MeasureError
        ``nothing-measured``: no estimates. ``viewings-differ``: they are not for one viewing.
    """
    if not estimates:
        raise MeasureError(
            "nothing-measured",
            "None of the photos of this hair was measured.",
            remedy="Photograph it again, or correct what the refusals say.",
        )
    check_viewing(estimates)
    rows = min(len(e.draws) for e in estimates)
    lab = np.mean([e.lab for e in estimates], axis=0)
    moved = np.mean([e.draws[:rows].astype(np.float64) - e.lab for e in estimates], axis=0)
    covariance = np.mean([e.sampling_covariance for e in estimates], axis=0) / len(estimates)
    return LabEstimate(
        lab=lab,
        sampling_covariance=covariance,
        draws=(lab + moved).astype(np.float32),
        viewing=estimates[0].viewing,
    )


def mean_profile(profiles: Sequence[Profile]) -> Profile:
    """Mean over photos of one state of one hair, bin by bin in L*a*b*.

    Parameters
    ----------
    profiles : sequence of Profile
        One a photo, same bins, one viewing.

    Raises
    ------
    MeasureError
        ``nothing-measured``, ``viewings-differ``.
    """
    if len(profiles) == 1:
        return profiles[0]
    if not profiles:
        raise MeasureError(
            "nothing-measured",
            "None of the photos of this hair was measured.",
            remedy="Photograph it again, or correct what the refusals say.",
        )
    check_viewing(profiles)
    rows = min(len(p.draws) for p in profiles)
    shaken = [sampling_draws(p) for p in profiles]
    fibres = min(len(s) for s in shaken)
    lab = np.mean([p.lab for p in profiles], axis=0)
    moved = np.mean([np.asarray(p.draws[:rows], float) - p.lab for p in profiles], axis=0)
    # fibres of different photos are resampled apart: turn the rows so that equal seeds part
    turned = [np.roll(s[:fibres] - s[:fibres].mean(axis=0), 7 * k, axis=0) for k, s in
              enumerate(shaken)]  # fmt: skip
    return Profile(
        position=profiles[0].position,
        lab=lab,
        sampling_covariance=np.mean([p.sampling_covariance for p in profiles], axis=0)
        / len(profiles),
        draws=(lab + moved).astype(np.float32),
        viewing=profiles[0].viewing,
        pixels=np.sum([p.pixels for p in profiles], axis=0),
        flags=tuple(dict.fromkeys(flag for p in profiles for flag in p.flags)),
        sampling_draws=(lab + np.mean(turned, axis=0)).astype(np.float32),
        facts={"photos": len(profiles)},
    )


def check_viewing(colours: Sequence[LabEstimate] | Sequence[Profile]) -> None:
    """Refuse colours that are stated for different viewings."""
    named = sorted({str(colour.viewing) for colour in colours})
    if len(named) > 1:
        raise MeasureError(
            "viewings-differ",
            f"The colours are stated for {' and '.join(named)}.",
            remedy="Measure all photos for one viewing.",
        )


def joint_noise(
    estimates: Sequence[LabEstimate],
    *,
    paired: bool,
    trials: int,
    relaying: Floats | None = None,
    photos: Sequence[int] | None = None,
) -> Floats:
    """Errors of m colours drawn together, shape (trials, m, 3), the same at every call.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        Colours from m photos.
    paired : bool
        Whether row k of all draws is the same camera and light (one pool).
    trials : int
        How many draws.
    relaying : ndarray, shape (3, 3), optional
        Covariance of re-laying the hair for one photo. [Lab units squared]
    photos : sequence of int, optional
        Photos behind each colour; re-laying averages out over them.
    """
    counts = [1] * len(estimates) if photos is None else list(photos)
    rows = min(len(e.draws) for e in estimates)
    noise = np.empty((trials, len(estimates), 3))
    for at, (estimate, count) in enumerate(zip(estimates, counts, strict=True)):
        covariance = estimate.sampling_covariance if paired else estimate.covariance
        if relaying is not None:
            covariance = covariance + np.asarray(relaying) / count
        values, vectors = np.linalg.eigh(covariance)
        spread = vectors * np.sqrt(np.maximum(values, 0.0))
        noise[:, at] = unit_normals(trials, 3, 1000 + at) @ spread.T
        if paired:
            moved = estimate.draws[:rows].astype(np.float64) - estimate.lab
            noise[:, at] += unit_normals(trials, rows, 100) @ moved / np.sqrt(rows)
    return noise
