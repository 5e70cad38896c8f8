"""Places along the hair that were missed or grabbed: change points of the colour.

References
----------
.. [1] A. B. Olshen, E. S. Venkatraman, R. Lucito, M. Wigler, Biostatistics 5 (2004) 557-572,
   doi:10.1093/biostatistics/kxh008: two change points at once, so that a piece inside is seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.hair.types import Profile
from hairtone.measures.evenness import metric_root
from hairtone.measures.pooling import check_viewing
from hairtone.measures.spans import Spans, measure_spans
from hairtone.measures.uptake import change_noise
from hairtone.showing import Shown
from hairtone.uncertainty import ColourDifference, difference_from_covariance

Bools = NDArray[np.bool_]
_TRIALS: Final = 400
_FALSE_RATE: Final = 0.02  # of even hairs in which a patch is seen; our choice
_LEAST: Final = 1.25  # ΔE00; smaller patches are not reported: nobody would see them; ours
_SHORTEST: Final = 0.03  # of the length; ours: shorter is the edge of a bin
_AT_AN_END: Final = 0.1  # of the length; ours: at the clamp and in thin tips bins see less hair
_LONGEST: Final = 0.5  # a longer piece is the hair's own level; ours
_MOST: Final = 6  # patches told a hair; ours
_SMOOTH: Final = 3  # degree of the steady change taken off; ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch(Shown):
    """One place that took up less or more than the hair around it.

    Attributes
    ----------
    start, stop : float
        0 roots .. 1 ends.
    difference : ColourDifference
        Of the place from what the hair around it leads one to expect there.
    kind : str
        ``"missed"`` (less colour) or ``"grabbed"`` (more).
    """

    start: float
    stop: float
    difference: ColourDifference
    kind: str

    def to_frame(self) -> Any:
        """One row, columns as patches.csv from `from` on."""
        return patches_frame([self])


def patches_frame(patches: Sequence[Patch]) -> Any:
    """Table of patches: from, to, delta_e, kind."""
    import pandas as pd

    rows = [(p.start, p.stop, p.difference.delta_e, p.kind) for p in patches]
    return pd.DataFrame(rows, columns=["from", "to", "delta_e", "kind"])


def find_patches(profile: Profile, *, natural: Profile | None = None) -> tuple[Patch, ...]:
    """Missed and grabbed places of one hair, the plainest first.

    The steady change along the hair is taken off robustly; places that differ from it by more than
    noise makes them in 2 of 100 even hairs are told, one after another [1]_.

    Parameters
    ----------
    profile : Profile
        Colour along the hair.
    natural : Profile, optional
        The same hair before colouring; its own pattern is taken off, and what counts as less
        colour is told by the dye's own direction rather than by lightness.

    Raises
    ------
    MeasureError
        ``viewings-differ``.
    """
    spans = _bins(profile)
    lab, noise, lead = spans.lab, spans.noise(trials=_TRIALS), np.array([-1.0, 0.0, 0.0])
    root = metric_root(lab.mean(axis=0))
    if natural is not None:
        check_viewing([profile, natural])
        before = _bins(natural)
        noise = change_noise(before, spans, paired=False, trials=_TRIALS)
        lab = spans.lab - before.lab
        lead = lab.mean(axis=0)
    pattern, shaken = lab @ root, noise @ root
    shaken = shaken * _roughness(pattern, shaken)
    windows = _windows(len(pattern))
    threshold = _threshold(shaken, windows)
    left_out = np.zeros(len(pattern), dtype=bool)
    found: list[Patch] = []
    for _ in range(_MOST):
        rest = pattern - _steady(pattern, left_out)
        window = _plainest(rest, windows, left_out, threshold)
        if window is None:
            break
        found.append(_patch(rest, shaken, window, root, spans.lab, lead))
        left_out[window[0] : window[1]] = True
    return tuple(patch for patch in found if patch.difference.delta_e >= _LEAST)


def _bins(profile: Profile) -> Spans:
    count = len(profile.position)
    return measure_spans(profile, [(k / count, (k + 1) / count) for k in range(count)])


def _roughness(pattern: Floats, shaken: Floats) -> float:
    """How much rougher the hair is from bin to bin than its noise says, 1 at least."""
    seen = np.median(np.abs(np.diff(pattern, axis=0)))
    said = np.median(np.abs(np.diff(shaken, axis=1)))
    return float(max(1.0, seen / max(float(said), 1e-9)))


def _windows(count: int) -> NDArray[np.int64]:
    """First and last-but-one bin of every place that may be told, shape (w, 2)."""
    shortest, at_an_end = max(2, round(_SHORTEST * count)), round(_AT_AN_END * count)
    longest = int(_LONGEST * count)
    return np.array(
        [
            (first, first + length)
            for length in range(shortest, longest + 1)
            for first in range(count - length + 1)
            if length >= at_an_end or (first > 0 and first + length < count)
        ]
    )


def _steady(pattern: Floats, left_out: Bools) -> Floats:
    """Smooth change along the hair, robust (Huber weights), `left_out` bins not used."""
    steps = np.linspace(-1, 1, len(pattern))
    basis = np.polynomial.legendre.legvander(steps, _SMOOTH)
    weight = np.where(left_out, 0.0, 1.0)
    for _ in range(15):
        scaled = basis * np.sqrt(weight)[:, None]
        fitted = basis @ np.linalg.lstsq(scaled, pattern * np.sqrt(weight)[:, None], rcond=None)[0]
        away = np.linalg.norm(pattern - fitted, axis=1)
        scale = 1.5 * np.median(away[~left_out]) + 1e-9
        weight = np.where(left_out, 0.0, np.minimum(1.0, (scale / np.maximum(away, 1e-12)) ** 2))
    return np.asarray(fitted)


def _means(rest: Floats, windows: NDArray[np.int64]) -> Floats:
    """Mean over each window, shape (..., w, 3)."""
    total = np.cumsum(rest, axis=-2)
    total = np.concatenate([np.zeros_like(total[..., :1, :]), total], axis=-2)
    gap = total[..., windows[:, 1], :] - total[..., windows[:, 0], :]
    return np.asarray(gap / (windows[:, 1] - windows[:, 0])[:, None])


def _without_steady(shaken: Floats) -> Floats:
    """Noise less its own smooth change."""
    steps = np.linspace(-1, 1, shaken.shape[1])
    basis, _ = np.linalg.qr(np.polynomial.legendre.legvander(steps, _SMOOTH))
    return np.asarray(shaken - np.einsum("mk,nk,rnc->rmc", basis, basis, shaken, optimize=True))


def _stands(rest: Floats, windows: NDArray[np.int64]) -> Floats:
    """How far each window stands out, shape (..., w): what telling it saves in squares, rooted."""
    lengths = windows[:, 1] - windows[:, 0]
    return np.asarray(np.linalg.norm(_means(rest, windows), axis=-1) * np.sqrt(lengths))


def _threshold(shaken: Floats, windows: NDArray[np.int64]) -> float:
    """What the plainest window of an even hair stays under but for the false rate."""
    most = _stands(_without_steady(shaken), windows).max(axis=1)
    return float(np.quantile(most, 1 - _FALSE_RATE))


def _plainest(
    rest: Floats, windows: NDArray[np.int64], left_out: Bools, threshold: float
) -> tuple[int, int] | None:
    """The window that stands out most, if any does; known patches are not told again."""
    taken = np.concatenate([[0], np.cumsum(left_out)])
    free = taken[windows[:, 1]] == taken[windows[:, 0]]
    stands = np.where(free, _stands(rest, windows), 0.0)
    best = int(stands.argmax())
    if stands[best] <= threshold:
        return None
    return int(windows[best, 0]), int(windows[best, 1])


def _patch(
    rest: Floats,
    shaken: Floats,
    window: tuple[int, int],
    root: Floats,
    lab: Floats,
    lead: Floats,
) -> Patch:
    """The place in figures."""
    first, stop = window
    back = np.linalg.inv(root)
    gap = rest[first:stop].mean(axis=0) @ back
    moved = _without_steady(shaken)[:, first:stop].mean(axis=1) @ back
    here = lab[first:stop].mean(axis=0)
    difference = difference_from_covariance(here - gap, here, moved.T @ moved / len(moved))
    count = len(rest)
    kind = "grabbed" if float(gap @ lead) > 0 else "missed"
    return Patch(start=first / count, stop=stop / count, difference=difference, kind=kind)
