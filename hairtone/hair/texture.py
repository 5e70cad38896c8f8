"""The strands of a piece of hair as a pattern: is it the same picture, and how light is each?"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import Calibration, LightField
from hairtone.colorimetry import Floats
from hairtone.hair.centre import normals, resampled
from hairtone.hair.lamp import lamp_white
from hairtone.hair.types import Strand
from hairtone.photo.pixels import encoded_values
from hairtone.photo.types import Photo

ALONG, ACROSS = 192, 24  # cells of a signature: roots to ends, side to side; our choice
SAME_PICTURE: Final = (
    0.4  # correlation from which on two pictures are one; pairs of lays reach 0.35
)
INNER: Final = 0.8  # of the width that is looked at
READINGS: Final = 3.0  # to a cell, at least, that the picture is reduced to; our choice
MARGIN: Final = 0.5  # of the width to either side of the line: what is looked at, and its blur
BROAD: Final = 4.0  # cells; variation broader than this is shading, not strands
SCALE: Final = 40.0  # steps of a signature to one SD of it
SHIFTS: Final = (10, 4)  # cells along and across by which two signatures may lie apart


def texture_signature(photo: Photo, strand: Strand) -> NDArray[np.int8]:
    """The pattern of strands, straightened, shape (192, 24), roots first.

    Shading and colour are taken out and the contrast is set to one size, so that two pictures of
    the same lay of hair agree whatever was done to their colours.
    """
    pitch = max(1.0, INNER * strand.width / ACROSS)
    step = max(1, int(pitch / READINGS))
    origin, image = _green_around(photo, strand, step)
    image = np.asarray(cv2.GaussianBlur(image, (0, 0), 0.5 * pitch / step), dtype=np.float32)
    places = _straightened(strand, along=ALONG, across=ACROSS, share=INNER)
    x, y = ((places - origin) / step).astype(np.float32).transpose(2, 0, 1)
    strip = cv2.remap(
        image,
        np.ascontiguousarray(x),
        np.ascontiguousarray(y),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    rest = strip - cv2.GaussianBlur(strip, (0, 0), BROAD, borderType=cv2.BORDER_REPLICATE)
    size = np.sqrt(cv2.blur(rest**2, (33, 33), borderType=cv2.BORDER_REPLICATE)) + 1e-3
    return np.clip(np.round(SCALE * rest / size), -127, 127).astype(np.int8)


def texture_correlation(first: NDArray[np.int8], second: NDArray[np.int8]) -> float:
    """Largest correlation of two signatures over small shifts, -1..1.

    One picture saved twice, cropped, halved or recoloured stays above `SAME_PICTURE`; a tress laid
    and photographed anew stays below.
    """
    one, two = (np.asarray(s, np.float64) for s in (first, second))
    if one.shape != two.shape or one.ndim != 2:
        raise ValueError(f"Signatures have shapes {one.shape} and {two.shape}; both must agree.")
    one, two = one - one.mean(), two - two.mean()
    power = np.sqrt((one**2).sum() * (two**2).sum())
    if power == 0:
        return 0.0
    shape = tuple(2 * n for n in one.shape)
    product = np.fft.rfft2(one, shape) * np.conj(np.fft.rfft2(two, shape))
    agreement = np.fft.irfft2(product, shape)
    rows, columns = (np.r_[0 : n + 1, -n:0] for n in SHIFTS)
    return float(agreement[np.ix_(rows, columns)].max() / power)


def lightness_strip(
    photo: Photo,
    calibration: Calibration,
    light: LightField,
    strand: Strand,
    *,
    start: float,
    stop: float,
) -> NDArray[np.float32]:
    """L* over the straightened middle of the strand, a row a pixel along it, light divided out."""
    length = float(np.linalg.norm(np.diff(strand.line, axis=0), axis=1).sum())
    along = max(4, round((stop - start) * length))
    across = max(8, round(INNER * strand.width))
    places = _straightened(strand, along=along, across=across, share=INNER, start=start, stop=stop)
    xs, ys = np.round(places).astype(int).reshape(-1, 2).T
    width, height = photo.size
    codes = photo.pixels[np.clip(ys, 0, height - 1), np.clip(xs, 0, width - 1), :3]
    white = lamp_white(calibration.model)
    linear = calibration.model.linear(encoded_values(photo, codes)) / white
    linear = linear / light.at(places.reshape(-1, 2))[:, None]
    luminance = np.maximum(linear.mean(axis=1), 1e-6)
    usual = linear.mean(axis=0)
    steps = np.geomspace(0.05, 8, 48)  # the hair's own colour, darker and lighter
    known = calibration.model.lab(steps[:, None] * usual * white)[:, 0]
    values = np.interp(luminance, steps * usual.mean(), known)
    return values.reshape(along, across).astype(np.float32)


def _green_around(photo: Photo, strand: Strand, step: int) -> tuple[Floats, NDArray[np.float32]]:
    """Green on a tone scale around the strand, means of step x step pixels.

    Returns
    -------
    ndarray, shape (2,), and ndarray, shape (h, w)
        Middle of the first mean [photo pixels, xy], and the means.
    """
    width, height = photo.size
    margin = MARGIN * strand.width + step
    low = np.maximum(np.floor(strand.line.min(axis=0) - margin), 0).astype(int)
    high = np.minimum(np.ceil(strand.line.max(axis=0) + margin) + 1, (width, height)).astype(int)
    size = np.maximum((high - low) // step, 1)
    high = np.minimum(low + size * step, high)
    green: NDArray[Any] = photo.pixels[low[1] : high[1], low[0] : high[0], 1].copy()
    if green.dtype != np.uint8:
        tones = green.astype(np.float32) / np.float32(photo.top_code)
        green = np.float32(255) * (np.sqrt(tones) if photo.encoding.is_linear else tones)
    if step > 1:
        green = np.asarray(cv2.resize(green, size.tolist(), interpolation=cv2.INTER_AREA))
    return low + (step - 1) / 2, green.astype(np.float32)


def _straightened(
    strand: Strand,
    *,
    along: int,
    across: int,
    share: float,
    start: float = 0.0,
    stop: float = 1.0,
) -> Floats:
    """Places on a grid along and across the strand, shape (along, across, 2)."""
    line = resampled(np.asarray(strand.line, np.float64), points=max(2 * along, 64))
    at = np.round((start + (np.arange(along) + 0.5) / along * (stop - start)) * (len(line) - 1))
    rows = at.astype(int)
    offsets = (np.arange(across) + 0.5) / across - 0.5
    sideways = normals(line)[rows][:, None] * (share * strand.width * offsets)[None, :, None]
    return np.asarray(line[rows][:, None] + sideways)
