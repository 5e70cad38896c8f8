"""A hair kept as a picture: its outline, a map of differences, the pattern of its strands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.types import Calibration, ColourModel, LightField
from hairtone.colorimetry import Floats, delta_e
from hairtone.hair.cells import BINS, distinct, strand_cells
from hairtone.hair.centre import normals, resampled
from hairtone.hair.shine import lamp_white
from hairtone.hair.types import Strand
from hairtone.photo.pixels import KEY_MASK, encoded_values, packed_pixels, unpack_keys
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
OUTLINE_STEP: Final = 0.004  # of the length by which a drawn outline may cut corners; our choice
SECTIONS: Final = 12  # along the hair; within one the light field is taken as even
ASKED: Final = 300  # colours the model itself is asked for; a cubic through them gives the rest


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairMap:
    """Colour differences over a strand, highlights and shading included as they are seen.

    Attributes
    ----------
    delta_e : ndarray, shape (h, w), float32
        ΔE00 of each pixel against `reference`; 0 outside `mask`.
    mask : ndarray of bool, shape (h, w)
        True = hair.
    box : tuple of int
        x0, y0, x1, y1 in the photo.
    reference : ndarray, shape (3,)
        L*a*b* compared with.
    """

    delta_e: NDArray[np.float32]
    mask: NDArray[np.bool_]
    box: tuple[int, int, int, int]
    reference: Floats


def map_hair(
    photo: Photo,
    calibration: Calibration,
    light: LightField,
    strand: Strand,
    *,
    reference: ArrayLike | None = None,
) -> HairMap:
    """Return ΔE00 of every pixel of a strand against a colour, by default the mean of the strand.

    Each distinct colour is converted once and gathered. The model is asked for a few hundred of
    them; a cubic in cube roots of light through those gives the rest, good to about 0.1.

    Parameters
    ----------
    photo, calibration, light : Photo, Calibration, LightField
        The photo, and what its chart and board told.
    strand : Strand
        Which hair.
    reference : array_like, shape (3,), optional
        L*a*b* to compare with.
    """
    cells = strand_cells(strand, size=photo.size)
    mask = cells.labels >= 0
    index, linear = _colours(photo, calibration.model, cells.box, mask)
    section = cells.labels[mask] // cells.lanes * SECTIONS // BINS
    middles = cells.centres.reshape(SECTIONS, -1, 2).mean(axis=1)
    field = light.at(middles)
    mean = linear[index] / field[section][:, None]
    usual = mean.mean(axis=0)
    lab = _lab_of(calibration.model, linear, field)
    target = calibration.model.lab(usual[None])[0] if reference is None else np.asarray(reference)
    values = np.zeros(mask.shape, dtype=np.float32)
    differences = delta_e(target, lab).astype(np.float32)  # (sections, colours)
    values[mask] = differences[section, index]
    return HairMap(delta_e=values, mask=mask, box=cells.box, reference=np.asarray(target, float))


def strand_outline(strand: Strand) -> Floats:
    """Return the outline of a strand as a closed polygon, shape (n, 2). [pixels, xy]

    Where the whole strip along the line is taken, its two sides; else the edge of its mask.
    """
    if strand.mask is None:
        return _strip_outline(strand)
    mask = np.ascontiguousarray(strand.mask, dtype=np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return _strip_outline(strand)
    largest = max(contours, key=cv2.contourArea)
    length = float(np.linalg.norm(np.diff(strand.line, axis=0), axis=1).sum())
    simple = cv2.approxPolyDP(largest, OUTLINE_STEP * length, closed=True)
    return np.asarray(simple.reshape(-1, 2) + np.array(strand.box[:2]), dtype=np.float64)


def _strip_outline(strand: Strand) -> Floats:
    along = np.gradient(strand.line, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    across = along[:, ::-1] * [-1, 1] * strand.width / 2
    return np.vstack([strand.line + across, (strand.line - across)[::-1]])


def _colours(
    photo: Photo, model: ColourModel, box: tuple[int, int, int, int], mask: NDArray[np.bool_]
) -> tuple[NDArray[np.int32], Floats]:
    """For each pixel its distinct colour, and linear light of those."""
    x0, y0, x1, y1 = box
    if photo.pixels.dtype == np.uint8:
        keys = packed_pixels(photo)[y0:y1, x0:x1][mask] & np.uint32(KEY_MASK)
        colours, index = distinct(keys)
        return index, model.linear(encoded_values(photo, unpack_keys(colours)))
    codes, every = np.unique(photo.pixels[y0:y1, x0:x1, :3][mask], axis=0, return_inverse=True)
    return every.ravel().astype(np.int32), model.linear(encoded_values(photo, codes))


def _lab_of(model: ColourModel, linear: Floats, field: Floats) -> Floats:
    """L*a*b* of each colour in each section's light, shape (sections, colours, 3)."""
    every = np.linspace(0, len(linear) - 1, min(ASKED, len(linear))).astype(int)
    asked = np.concatenate([linear[every] / low for low in (field.min(), field.max())])
    weights = np.linalg.lstsq(_cubic(asked), model.lab(asked), rcond=None)[0]
    return np.stack([_cubic(linear / level) @ weights for level in field])


def _cubic(linear: Floats) -> Floats:
    """Twenty terms up to the third degree of cube roots of light, shape (n, 20)."""
    r, g, b = np.cbrt(np.maximum(linear, 0.0)).T
    terms = [np.ones_like(r)]
    for i in range(4):
        for j in range(4 - i):
            terms += [r**i * g**j * b**k for k in range(4 - i - j) if i + j + k > 0]
    return np.stack(terms, axis=1)
