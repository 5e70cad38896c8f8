"""Mean colours over spans of a profile, errors of all spans kept together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats, Viewing, lab_to_xyz, xyz_to_lab
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.uncertainty import LabEstimate

# bins over which fibres are taken as shared when a profile does not say; our choice: the fibres of
# a tress run on from bin to bin, three sixtieths of it claim less averaging than there may be
SHARED_BINS: Final = 3
MADE_DRAWS: Final = 512  # stand-in for the joint bootstrap; covariances repeat to 6 %


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spans:
    """Mean colours over m spans of one hair.

    Attributes
    ----------
    lab : ndarray, shape (m, 3)
        Mean in linear light, as L*a*b*.
    sampling : ndarray, shape (R, m, 3)
        What each resampling of the fibres moves them by, all spans together. [Lab units]
    calibration : ndarray, shape (K, m, 3)
        What each equally good calibration and light moves them by. [Lab units]
    viewing : Viewing
        Illuminant and observer.
    """

    lab: Floats
    sampling: Floats
    calibration: Floats
    viewing: Viewing

    def estimate(self, index: int) -> LabEstimate:
        """One of the spans by itself."""
        moved = self.sampling[:, index]
        return LabEstimate(
            lab=self.lab[index],
            sampling_covariance=moved.T @ moved / len(moved),
            draws=(self.lab[index] + self.calibration[:, index]).astype(np.float32),
            viewing=self.viewing,
        )

    def difference_covariance(self, first: int, second: int) -> Floats:
        """Covariance of span `second` minus span `first`, shape (3, 3). [Lab units squared]"""
        covariance = np.zeros((3, 3))
        for moved in (self.sampling, self.calibration):
            gap = moved[:, second] - moved[:, first]
            covariance += gap.T @ gap / len(gap)
        return covariance

    def noise(self, *, trials: int) -> Floats:
        """Normal errors of all spans with their joint covariance, shape (trials, m, 3)."""
        size = self.lab.size
        flat = [moved.reshape(-1, size) for moved in (self.sampling, self.calibration)]
        values, vectors = np.linalg.eigh(sum(moved.T @ moved / len(moved) for moved in flat))
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return (unit_normals(trials, size, 0) @ root.T).reshape(trials, *self.lab.shape)


@cache
def unit_normals(rows: int, columns: int, seed: int) -> Floats:
    """Unit normal numbers, the same at every call, shape (rows, columns)."""
    numbers = np.random.default_rng(seed).standard_normal((rows, columns))
    numbers.flags.writeable = False
    return numbers


def measure_spans(profile: Profile, edges: Sequence[tuple[float, float]]) -> Spans:
    """Mean colours over spans of a profile.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    edges : sequence of (float, float)
        Start and stop of each span, 0 roots .. 1 ends.

    Raises
    ------
    MeasureError
        ``span-empty``: a span holds no bin of the profile.
    """
    weights = np.array([_weights(profile, start, stop) for start, stop in edges])
    white = profile.viewing.white
    lab, shaken, drawn = (xyz_to_lab(weights @ xyz, white=white) for xyz in _light_of(profile))
    return Spans(
        lab=lab,
        sampling=shaken - shaken.mean(axis=0),
        calibration=drawn - lab,
        viewing=profile.viewing,
    )


@lru_cache(maxsize=16)  # zones, tenths and pieces of a hair and of its washes, asked for in turn
def _light_of(profile: Profile) -> tuple[Floats, Floats, Floats]:
    """XYZ of a profile, of its sampling draws and of its calibration draws."""
    labs = (profile.lab, sampling_draws(profile), profile.draws)
    white = profile.viewing.white
    lab, shaken, drawn = (lab_to_xyz(np.asarray(v, np.float64), white=white) for v in labs)
    return lab, shaken, drawn


def _weights(profile: Profile, start: float, stop: float) -> Floats:
    """Share of each bin in the span's mean: equal lengths of hair count the same."""
    position = np.asarray(profile.position, dtype=np.float64)
    if len(position) > 1:
        middles = (position[1:] + position[:-1]) / 2
        borders = np.concatenate([[0.0], middles, [1.0]])
    else:
        borders = np.array([0.0, 1.0])
    overlap = np.minimum(borders[1:], stop) - np.maximum(borders[:-1], start)
    overlap = np.maximum(overlap, 0.0)
    if not overlap.sum() > 0:
        raise MeasureError(
            "span-empty",
            f"No part of the hair lies between {start:.2f} and {stop:.2f} of its length.",
            remedy="Give a span from 0 (roots) to 1 (ends), start below stop.",
        )
    return np.asarray(overlap / overlap.sum())


def sampling_draws(profile: Profile) -> Floats:
    """The profile under each resampling of its fibres, shape (R, n, 3).

    Where the profile carries only the covariance of each bin, neighbouring bins are taken to share
    fibres: correlation falls to nothing over `SHARED_BINS` bins.
    """
    if profile.sampling_draws is not None:
        return np.asarray(profile.sampling_draws, dtype=np.float64)
    lab = np.asarray(profile.lab, dtype=np.float64)
    values, vectors = np.linalg.eigh(np.asarray(profile.sampling_covariance, dtype=np.float64))
    roots = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    bins = len(lab)
    unit = unit_normals(MADE_DRAWS, (bins + SHARED_BINS - 1) * 3, 2)
    unit = unit.reshape(MADE_DRAWS, bins + SHARED_BINS - 1, 3)
    running = sum(unit[:, k : k + bins] for k in range(SHARED_BINS)) / np.sqrt(SHARED_BINS)
    return np.asarray(lab + np.einsum("bij,rbj->rbi", roots, running))
