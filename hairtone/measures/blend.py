"""How far colour blends white hair in: contrast between strands after against before. Ours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from hairtone.colorimetry import Floats
from hairtone.errors import MeasureError
from hairtone.showing import Shown
from hairtone.uncertainty import COVERAGE

COARSEST_SCALE: Final = 0.1  # mm/px; our choice: coarser photos do not see strands of 0.3 mm
_STRAND_MM: Final = 0.3  # finest variation that counts; our choice
_BROAD_MM: Final = 5.0  # variation broader than this is shading or sections; our choice
_ROBUST: Final = 1.4826  # SD of a normal law over its median absolute deviation
_BLOCK_MM: Final = 2.0  # strips of strands, resampled as wholes; our choice: a few strands each
_RESAMPLES: Final = 128
_MOST_ROWS: Final = 200  # filtered, as strands run on from row to row; our choice, for speed
_FEW_ROWS: Final = 12  # resampled; our choice, for speed
_SAME_SCALE: Final = 0.15  # most that two photos' scales may differ by, relative; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrandContrast:
    """Contrast between strands of one hair in one photo.

    Attributes
    ----------
    value : float
        Robust SD of L* across strands, 0.3 to 5 mm, noise removed. [L*]
    draws : ndarray, shape (N,)
        The same with strips of strands resampled.
    noise : float
        What pixel noise adds. [L*]
    mm_per_px : float
        Scale.
    """

    value: float
    draws: Floats
    noise: float
    mm_per_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Blend(Shown):
    """Blend index B = 100 (1 - contrast after / contrast before).

    Attributes
    ----------
    blend, low, high : float
        Per cent, with its 95 % interval; below 0 the strands stand apart more than before.
    mm_per_px : float
        Coarser of the two scales.
    """

    blend: float
    low: float
    high: float
    mm_per_px: float

    def to_frame(self) -> Any:
        """One row, columns as blend.csv from `blend` on."""
        import pandas as pd

        names = ("blend", "low", "high", "mm_per_px")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


def strand_contrast(lightness: ArrayLike, *, mm_per_px: float) -> StrandContrast:
    """Contrast between strands of straightened hair.

    Parameters
    ----------
    lightness : array_like, shape (along, across)
        L* of hair laid straight: a row is a line across the strands. Light field taken out.
    mm_per_px : float
        Scale.

    Raises
    ------
    MeasureError
        ``scale-too-coarse``: above 0.1 mm/px. ``hair-too-narrow``: under 10 mm across.
    """
    from scipy.ndimage import gaussian_filter1d

    field = np.asarray(lightness, dtype=np.float64)
    _check_scale(field, mm_per_px)
    # a Gaussian of SD w/2.355 halves the amplitude of stripes near width w
    rows = field[:: max(1, len(field) // _MOST_ROWS)]
    fine = gaussian_filter1d(rows, _STRAND_MM / mm_per_px / 2.355, axis=1)
    strands = fine - gaussian_filter1d(rows, _BROAD_MM / mm_per_px / 2.355, axis=1)
    noise = _noise(field) * _noise_kept(mm_per_px, field.shape[1])
    return StrandContrast(
        value=float(_less(_spread(strands), noise)),
        draws=_less(_resampled(strands, round(_BLOCK_MM / mm_per_px)), noise),
        noise=float(noise),
        mm_per_px=mm_per_px,
    )


def measure_blend(before: StrandContrast, after: StrandContrast) -> Blend:
    """Return how well the white hair of one section is blended.

    Parameters
    ----------
    before, after : StrandContrast
        The same hair before and after colouring, same scale and focus.

    Raises
    ------
    MeasureError
        ``scales-differ``; ``no-contrast``: before colouring no strands stood apart.
    """
    apart = abs(np.log(after.mm_per_px / before.mm_per_px))
    if apart > np.log1p(_SAME_SCALE):
        raise MeasureError(
            "scales-differ",
            f"One photo has {before.mm_per_px:.3f}, the other {after.mm_per_px:.3f} mm/px.",
            remedy="Contrast depends on scale: photograph both from one distance.",
        )
    if before.value <= before.noise or before.value <= 0:
        raise MeasureError(
            "no-contrast",
            f"Before colouring the strands stand apart by {before.value:.2f} L* only "
            f"(noise {before.noise:.2f}).",
            remedy="There is no white hair to blend that this photo resolves.",
        )
    drawn = 100 * (1 - after.draws / np.maximum(np.roll(before.draws, 1), 1e-9))
    tail = 100 * (1 - COVERAGE) / 2
    low, high = np.percentile(drawn, [tail, 100 - tail])
    blend = 100 * (1 - after.value / before.value)
    return Blend(
        blend=blend,
        low=float(min(low, blend)),
        high=float(max(high, blend)),
        mm_per_px=max(before.mm_per_px, after.mm_per_px),
    )


def _check_scale(field: Floats, mm_per_px: float) -> None:
    if not 0 < mm_per_px <= COARSEST_SCALE:
        raise MeasureError(
            "scale-too-coarse",
            f"The photo has {mm_per_px:.2f} mm/px; strands of {_STRAND_MM} mm need "
            f"{COARSEST_SCALE} mm/px or finer.",
            remedy="Photograph from nearer, chart in the frame and chart_mm in study.toml.",
        )
    if field.ndim != 2 or field.shape[1] * mm_per_px < 2 * _BROAD_MM:
        raise MeasureError(
            "hair-too-narrow",
            f"The hair is {field.shape[-1] * mm_per_px:.1f} mm wide; {2 * _BROAD_MM:.0f} mm are "
            "needed to tell strands from shading.",
            remedy="Spread the section wider.",
        )


def _resampled(strands: Floats, width: int) -> Floats:
    """Contrast with strips of strands resampled, shape (N,).

    Hair is laid anew before each photo: which strands lie on top is what chance decides, not
    where along them one looks.
    """
    rows = strands[:: max(1, len(strands) // _FEW_ROWS)]
    blocks = np.array_split(np.arange(rows.shape[1]), max(2, rows.shape[1] // max(width, 1)))
    rng = np.random.default_rng(0)
    picked = rng.integers(len(blocks), size=(_RESAMPLES, len(blocks)))
    return np.array(
        [_spread(rows[:, np.concatenate([blocks[at] for at in chosen])]) for chosen in picked]
    )


def _spread(strands: Floats) -> float:
    return float(_ROBUST * np.median(np.abs(strands - np.median(strands))))


def _less(spread: Floats | float, noise: float) -> Floats:
    return np.asarray(np.sqrt(np.maximum(np.asarray(spread) ** 2 - noise**2, 0.0)))


def _noise(field: Floats) -> float:
    """SD of pixel noise, from second differences along the hair, where strands run on."""
    second = field[:-2] - 2 * field[1:-1] + field[2:]
    return float(_ROBUST * np.median(np.abs(second)) / np.sqrt(6))


def _noise_kept(mm_per_px: float, width: int) -> float:
    """Share of white noise's SD that passes the strand filters."""
    from scipy.ndimage import gaussian_filter1d

    spike = np.zeros(2 * width + 1)
    spike[width] = 1.0
    fine = gaussian_filter1d(spike, _STRAND_MM / mm_per_px / 2.355)
    kept = fine - gaussian_filter1d(spike, _BROAD_MM / mm_per_px / 2.355)
    return float(np.sqrt((kept**2).sum()))
