"""General libraries at the same job: decode -> calibrated L*a*b* of the hair -> ΔE00 along it.

Each is told where chart and hair are, which hairtone has to find, and gives no interval. They read
the same JPEG; chart patches are read alike, so that only the libraries differ.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from speed_photos import SpeedPhoto

from hairtone.chart.reference import DEFAULT_CHART, load_reference
from hairtone.colorimetry import DEFAULT_VIEWING, Floats

BINS = 60  # along the hair, as hairtone's profile has
Pixels = NDArray[np.uint8]


def by_colour_science(photo: SpeedPhoto) -> Floats:
    """colour-science over the hair, decoded by Pillow."""
    import colour
    from PIL import Image

    pixels = np.asarray(Image.open(io.BytesIO(photo.jpeg)).convert("RGB"))
    matrix = _matrix(colour.models.eotf_sRGB(_patches(pixels, photo) / 255))
    hair, at = _hair(pixels, photo)
    xyz = colour.models.eotf_sRGB(hair / 255) @ matrix
    white = colour.CCS_ILLUMINANTS["CIE 1964 10 Degree Standard Observer"]["D65"]
    lab = colour.XYZ_to_Lab(xyz, white)
    return _along(colour.delta_E(lab, lab[at == 0].mean(axis=0), method="CIE 2000"), at)


def by_skimage(photo: SpeedPhoto) -> Floats:
    """scikit-image over the hair, decoded by its own reader."""
    from skimage import color
    from skimage import io as skimage_io

    pixels = skimage_io.imread(io.BytesIO(photo.jpeg))
    matrix = _matrix(_decoded(_patches(pixels, photo) / 255))
    hair, at = _hair(pixels, photo)
    lab = _skimage_lab(_decoded(hair / 255) @ matrix)
    return _along(color.deltaE_ciede2000(lab, lab[at == 0].mean(axis=0)[None]), at)


def by_opencv(photo: SpeedPhoto) -> Floats:
    """OpenCV to decode and linearise by table, scikit-image for L*a*b* and ΔE00."""
    from skimage import color

    pixels = cv2.imdecode(np.frombuffer(photo.jpeg, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    table = _decoded(np.arange(256) / 255).astype(np.float32)
    matrix = _matrix(_decoded(_patches(pixels, photo) / 255))
    hair, at = _hair(pixels, photo)
    light = cv2.LUT(np.ascontiguousarray(hair)[None], table)[0]
    lab = _skimage_lab(light @ matrix.astype(np.float32))
    return _along(color.deltaE_ciede2000(lab, lab[at == 0].mean(axis=0)[None]), at)


def over_whole_frame(photo: SpeedPhoto) -> Floats:
    """scikit-image's ready-made map: L*a*b* and ΔE00 of every pixel, then the hair's profile."""
    from skimage import color
    from skimage import io as skimage_io

    pixels = skimage_io.imread(io.BytesIO(photo.jpeg))
    matrix = _matrix(_decoded(_patches(pixels, photo) / 255))
    lab = _skimage_lab(_decoded(pixels / 255) @ matrix)
    inside, at = _place(photo)
    map_of = color.deltaE_ciede2000(lab, lab[inside][at == 0].mean(axis=0)[None, None])
    return _along(map_of[inside], at)


PEERS: dict[str, Callable[[SpeedPhoto], Floats]] = {
    "colour-science, hair only": by_colour_science,
    "scikit-image, hair only": by_skimage,
    "OpenCV + scikit-image, hair only": by_opencv,
    "scikit-image, map of the frame": over_whole_frame,
}


def _decoded(values: Floats) -> Floats:
    """Linear light of sRGB; scikit-image has it only inside `rgb2xyz`, with sRGB's own matrix."""
    low = values <= 0.04045  # IEC 61966-2-1:1999
    return np.where(low, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def _skimage_lab(xyz: Floats) -> Floats:
    from skimage.color import xyz2lab

    return np.asarray(xyz2lab(np.clip(xyz, 0, None), illuminant="D65", observer="10"))


def _matrix(linear: Floats) -> Floats:
    wanted = load_reference(DEFAULT_CHART).xyz(DEFAULT_VIEWING)
    return np.asarray(np.linalg.lstsq(linear, wanted, rcond=None)[0])


def _patches(pixels: Pixels, photo: SpeedPhoto) -> Floats:
    """Mean code of a square in the middle of each patch, shape (24, 3)."""
    a, b, _, d = photo.corners
    reach = int(0.25 * np.linalg.norm(b - a) / 6)
    means = []
    for number in range(24):
        middle = a + (number % 6 + 0.5) / 6 * (b - a) + (number // 6 + 0.5) / 4 * (d - a)
        x, y = (int(v) for v in middle)
        means.append(pixels[y - reach : y + reach, x - reach : x + reach].mean(axis=(0, 1)))
    return np.array(means)


def _place(photo: SpeedPhoto) -> tuple[tuple[slice, slice], NDArray[np.int64]]:
    """The box of the hair, and for each pixel of it its bin along the hair."""
    roots, ends = photo.line[0], photo.line[-1]
    rows = slice(int(roots[1]), int(ends[1]))
    left = int((roots[0] + ends[0] - photo.width) / 2)
    columns = slice(left, left + int(photo.width))
    height, width = rows.stop - rows.start, columns.stop - columns.start
    at = np.arange(height)[:, None] * BINS // height
    return (rows, columns), np.broadcast_to(at, (height, width))


def _hair(pixels: Pixels, photo: SpeedPhoto) -> tuple[Pixels, NDArray[np.int64]]:
    inside, at = _place(photo)
    return pixels[inside].reshape(-1, 3), at.ravel()


def _along(difference: Floats, at: NDArray[np.int64]) -> Floats:
    """Mean ΔE00 to the roots in each bin, shape (60,)."""
    total = np.bincount(at.ravel(), np.ravel(difference), minlength=BINS)
    return np.asarray(total / np.bincount(at.ravel(), minlength=BINS))
