"""Profile -> colour of a zone, a tenth or any span of the hair, averaged in linear light."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats, Viewing, lab_to_xyz, xyz_to_lab
from hairtone.hair.types import Profile
from hairtone.uncertainty import LabEstimate

THIRDS: Final = (1 / 3, 2 / 3)
ZONE_NAMES: Final = ("roots", "mid_lengths", "ends")
NEIGHBOUR_CORRELATION: Final = 0.8  # of bins that share fibres, where no joint draws are kept; ours
SAMPLING_ROWS: Final = 256  # made where a profile keeps no joint draws


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpanColours:
    """Colours of m spans of one hair, with the errors they share.

    Attributes
    ----------
    lab : ndarray, shape (m, 3)
        Mean of each span, averaged in linear light.
    draws : ndarray, shape (K, m, 3)
        The same under each calibration; row k is one camera and light.
    sampling : ndarray, shape (R, m, 3)
        The same under each choice of fibres; row r is one choice.
    viewing : Viewing
        Illuminant and observer.
    """

    lab: Floats
    draws: Floats
    sampling: Floats
    viewing: Viewing

    def estimate(self, index: int) -> LabEstimate:
        """One of the spans as a colour of its own."""
        return LabEstimate(
            lab=self.lab[index],
            sampling_covariance=_covariance(self.sampling[:, index]),
            draws=self.draws[:, index].astype(np.float32),
            viewing=self.viewing,
        )

    def difference_covariance(self, first: int, second: int) -> Floats:
        """Covariance of span `second` minus span `first`, shared errors cancelled row by row."""
        gap = self.lab[second] - self.lab[first]
        shaken = self.draws[:, second] - self.draws[:, first] - gap
        fibres = _covariance(self.sampling[:, second] - self.sampling[:, first])
        return np.asarray(fibres + shaken.T @ shaken / len(shaken))


def _covariance(rows: Floats) -> Floats:
    return np.cov(rows.T, ddof=1)


def span_colours(profile: Profile, edges: Floats) -> SpanColours:
    """Colours of consecutive spans.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    edges : ndarray, shape (m + 1,)
        Rising, 0 roots .. 1 ends.

    Raises
    ------
    ValueError
        A span that holds no bin.
    """
    weights = _weights(profile.position, np.asarray(edges, np.float64))
    white = profile.viewing.white

    def mean(lab: Floats) -> Floats:
        return xyz_to_lab(weights @ lab_to_xyz(lab, white=white), white=white)

    return SpanColours(
        lab=mean(profile.lab),
        draws=mean(profile.draws.astype(np.float64)),
        sampling=mean(sampling_rows(profile)),
        viewing=profile.viewing,
    )


def _weights(position: Floats, edges: Floats) -> Floats:
    """Share of each bin in each span, rows sum to 1; bins cut by an edge count in part."""
    half = np.diff(position).mean() / 2 if len(position) > 1 else 0.5
    low, high = position - half, position + half
    overlap = np.minimum(high, edges[1:, None]) - np.maximum(low, edges[:-1, None])
    overlap = np.maximum(overlap, 0.0)
    total = overlap.sum(axis=1, keepdims=True)
    if (np.diff(edges) <= 0).any() or (total <= 0).any():
        raise ValueError(f"Spans must rise and hold hair; edges are {edges.tolist()}.")
    return np.asarray(overlap / total)


def sampling_rows(profile: Profile) -> Floats:
    """The profile under each choice of fibres, shape (R, n, 3)."""
    if profile.sampling_draws is not None:
        return profile.sampling_draws.astype(np.float64)
    count = len(profile.position)
    apart = np.abs(np.arange(count)[:, None] - np.arange(count))
    shared = np.linalg.cholesky(NEIGHBOUR_CORRELATION**apart + 1e-9 * np.eye(count))
    shaken = np.random.default_rng(0).standard_normal((SAMPLING_ROWS, count, 3))
    values, vectors = np.linalg.eigh(profile.sampling_covariance)
    roots = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    along = np.einsum("ij,rjc->ric", shared, shaken)
    return profile.lab + np.einsum("nab,rnb->rna", roots, along)


def zone_colours(profile: Profile, *, zones: tuple[float, float] = THIRDS) -> SpanColours:
    """Colours of roots, mid-lengths and ends, with the errors they share."""
    return span_colours(profile, np.array([0.0, *zones, 1.0]))


def span_estimate(profile: Profile, start: float, stop: float) -> LabEstimate:
    """Colour of the span from `start` to `stop`, 0 roots .. 1 ends."""
    return span_colours(profile, np.array([start, stop])).estimate(0)


def zone_estimates(
    profile: Profile, *, zones: tuple[float, float] = THIRDS
) -> dict[str, LabEstimate]:
    """Colours of ``roots``, ``mid_lengths`` and ``ends``.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.
    """
    colours = zone_colours(profile, zones=zones)
    return {name: colours.estimate(index) for index, name in enumerate(ZONE_NAMES)}


def tenth_colours(profile: Profile) -> SpanColours:
    """Colours of the ten tenths of the length, with the errors they share."""
    return span_colours(profile, np.linspace(0.0, 1.0, 11))


def tenth_estimates(profile: Profile) -> tuple[LabEstimate, ...]:
    """Colours of the ten tenths of the length, roots first."""
    colours = tenth_colours(profile)
    return tuple(colours.estimate(index) for index in range(10))
