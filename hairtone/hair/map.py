"""What of a hair is drawn in reports: its outline, and a map of differences from its own mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from hairtone.calibration.types import Calibration, ColourModel, LightField
from hairtone.colorimetry import Floats, delta_e
from hairtone.hair.cells import BINS, strand_cells
from hairtone.hair.colours import distinct
from hairtone.hair.types import Strand
from hairtone.photo.pixels import KEY_MASK, encoded_values, packed_pixels, unpack_keys
from hairtone.photo.types import Photo

OUTLINE_STEP: Final = 0.004  # of the length by which a drawn outline may cut corners; our choice
SECTIONS: Final = 12  # along the hair; within one the light field is taken as even
ASKED: Final = 300  # colours the model itself is asked for; a cubic through them gives the rest


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
