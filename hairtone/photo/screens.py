"""Whether a photograph was taken of a screen: a regular fine grid over most of the frame.

References
----------
.. [1] F. J. Harris, On the use of windows for harmonic analysis with the discrete Fourier
   transform, Proc. IEEE 66 (1978) 51: the periodic Hann window, from memory.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag, PhotoError
from hairtone.photo.regions import Box, Codes, some_lines
from hairtone.photo.types import Photo
from hairtone.reference import read_limits

_WINDOW: Final = 256  # our choice: pixels of one spectrum; told periods are then 12 to 2 px
_BANDS: Final = 4  # our choice: groups of lines, each with its own spectra
_SHARE: Final = 0.4  # our choice: share of the frame that may be without the grid
_NEIGHBOURS: Final = 14  # our choice: frequencies on each side that make up the background
_LONGEST_PERIOD: Final = 12  # our choice: longer ones are things in the picture
_JPEG_STEP: Final = 8  # pixels of a JPEG's block; ITU-T T.81, A.3.1
_BLOCK_BINS: Final = 1.5  # what a Hann window spreads an exact period over
_FLOOR: Final = 1e-6  # power that is nothing: a hundredth of what rounding to 8 bits leaves


def screen_peak(photo: Photo, *, region: Box | None = None) -> float:
    """How far the strongest fine period stands above its neighbours: a screen's pixel grid.

    Parameters
    ----------
    photo : Photo
        As read.
    region : tuple of int, optional
        Left, top, right, bottom. [pixels]

    Returns
    -------
    float
        Power of the strongest period of 2 to 12 pixels over the median of its neighbours, as 60 %
        of the region reach it: cloth fills less, a screen more. The periods of JPEG's blocks are
        left out. 1 where the region is smaller than a window.
    """
    long_enough = [lines for lines in some_lines(photo, region) if lines.shape[1] >= _WINDOW]
    return max((_peak(lines, top=photo.top_code) for lines in long_enough), default=1.0)


def screen_flags(peak: float) -> tuple[Flag, ...]:
    """A doubt, or a refusal, where the picture carries a regular fine grid.

    Parameters
    ----------
    peak : float
        From `screen_peak`.

    Raises
    ------
    PhotoError
        ``"screen"``: the grid is as strong as a display's.
    """
    limits = read_limits("photo")
    flag_above, refuse_above = (limits[f"{what}_screen_peak_above"] for what in ("flag", "refuse"))
    says = f"a regular grid stands {peak:.0f} times above its neighbours"
    remedy = "Photograph the hair itself, not a picture of it; no woven cloth as the board."
    if peak > refuse_above:
        raise PhotoError(
            "screen",
            f"The photo was taken of a screen or a print: {says}, limit {refuse_above:.0f}.",
            remedy=remedy,
        )
    if peak > flag_above:
        return (
            Flag(
                code="screen-like",
                says=f"The photo may be of a screen or cloth: {says}, limit {flag_above:.0f}.",
                remedy=remedy,
            ),
        )
    return ()


def judge_screen(photo: Photo) -> tuple[Flag, ...]:
    """A doubt about the whole frame, or a refusal that names the photo.

    Raises
    ------
    PhotoError
        ``"screen"``.
    """
    try:
        return screen_flags(screen_peak(photo))
    except PhotoError as error:
        raise error.at(photo.name) from error


def _peak(lines: Codes, *, top: int) -> float:
    """Strongest fine period along the lines over the median of its neighbours."""
    band, count = len(lines) // _BANDS, lines.shape[1] // _WINDOW
    if not band:
        return 1.0
    windows = lines[: band * _BANDS, : count * _WINDOW].reshape(_BANDS, band, count, _WINDOW)
    power = np.concatenate([_power(some, top=top) for some in windows])
    level = np.log(power.astype(np.float64) + _FLOOR)
    frequency = np.arange(1, level.shape[1] + 1) / _WINDOW
    fine = (frequency > 1 / _LONGEST_PERIOD) & (frequency < 0.49)
    off_blocks = np.abs(frequency * _JPEG_STEP - np.rint(frequency * _JPEG_STEP))
    fine &= off_blocks > _BLOCK_BINS * _JPEG_STEP / _WINDOW
    padded = np.pad(level, ((0, 0), (_NEIGHBOURS, _NEIGHBOURS)), mode="reflect")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1, axis=1)[:, fine]
    middle = np.partition(around, _NEIGHBOURS, axis=-1)[..., _NEIGHBOURS]  # of an odd number
    above = np.quantile(level[:, fine] - middle, _SHARE, axis=0)
    return float(np.exp(above.max()))


def _power(windows: Codes, *, top: int) -> NDArray[np.float32]:
    """Mean power over lines at 1, 2 … 128 periods a window, shape (band, n, 256) -> (n, 128).

    Under a Hann window [1]_, which keeps the lines' own level out of all periods but the longest.
    Single precision: 1e-7 of that level, far under the noise of any photo.
    """
    shape = np.hanning(_WINDOW + 1)[:-1].astype(np.float32) / np.float32(top)
    flat = (windows * shape).reshape(-1, _WINDOW)
    spectra = np.asarray(cv2.dft(flat, flags=cv2.DFT_ROWS), np.float32).reshape(windows.shape)
    square = np.einsum("lwf,lwf->wf", spectra, spectra) / len(windows)
    power = square[:, 1::2].copy()  # Re 1, Im 1, Re 2 … Im 127, Re 128
    power[:, :-1] += square[:, 2::2]
    return power
