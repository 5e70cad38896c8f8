"""Profiles made by hand, with noise like that of measured ones."""

from __future__ import annotations

from functools import cache

import numpy as np

from hairtone.colorimetry import VIEWINGS
from hairtone.hair.types import Profile
from hairtone.uncertainty import LabEstimate, shift_draws

BINS, DRAWS, RESAMPLES = 60, 128, 200
POSITION = (np.arange(BINS) + 0.5) / BINS
BROWN = np.array([38.0, 9.0, 15.0])
NATURAL = np.array([46.0, 9.0, 19.0])
DYE = np.array([-12.0, 16.0, 4.0])
# SDs of one photo, Lab units: fibres in one bin, their run along the hair in bins, light and camera
FIBRES, RUN, CAMERA, TILT = 0.35, 3.0, np.array([0.8, 0.5, 0.7]), 0.15


def fibre_noise(rng, count, *, size=FIBRES):
    """Noise of bins that share fibres with their neighbours, shape (count, BINS, 3)."""
    return size * np.einsum("ij,njk->nik", _run_root(), rng.standard_normal((count, BINS, 3)))


@cache
def _run_root():
    apart = np.abs(np.arange(BINS)[:, None] - np.arange(BINS)) / RUN
    return np.linalg.cholesky(np.exp(-(apart**2) / 2) + 1e-6 * np.eye(BINS))


def camera_noise(rng, count):
    """Error common to a photo, a little different along the hair, shape (count, BINS, 3)."""
    common = rng.standard_normal((count, 1, 3)) * CAMERA
    tilt = TILT * rng.standard_normal((count, 1, 3)) * (2 * POSITION - 1)[None, :, None]
    return common + tilt


@cache
def stated_noise(fibres):
    """What a profile says of its own error: fibres resampled, cameras drawn."""
    own = np.random.default_rng(1)
    return fibre_noise(own, RESAMPLES, size=fibres), camera_noise(own, DRAWS)


def profile_of(lab, rng=None, *, fibres=FIBRES, joint=True):
    """What one photo makes of the true colours `lab` (BINS, 3) or (3,); exact without `rng`."""
    true = np.broadcast_to(np.asarray(lab, float), (BINS, 3))
    shaken, camera = stated_noise(fibres)
    seen = true.copy()
    if rng is not None:
        seen = true + fibre_noise(rng, 1, size=fibres)[0] + camera_noise(rng, 1)[0]
    return Profile(
        position=POSITION,
        lab=seen,
        sampling_covariance=np.tile(fibres**2 * np.eye(3), (BINS, 1, 1)),
        draws=(seen + camera).astype(np.float32),
        viewing=VIEWINGS["D65/10"],
        pixels=np.full(BINS, 900),
        sampling_draws=(seen + shaken).astype(np.float32) if joint else None,
    )


def estimate_of(lab, *, noise=0.5, seed=0, calibration=0.0):
    """A colour by itself."""
    lab = np.asarray(lab, float)
    return LabEstimate(
        lab=lab,
        sampling_covariance=noise**2 * np.eye(3),
        draws=shift_draws(lab, calibration**2 * np.eye(3), seed=seed),
    )
