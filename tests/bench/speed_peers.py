"""General libraries at the same job: decode -> calibrated L*a*b* of the hair -> ΔE00 along it.

Each is told where chart and hair are, which hairtone has to find, and gives no interval. They read
the same JPEG; chart patches are read alike, so that only the libraries differ.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from speed_photos import SpeedPhoto

from hairtone.chart.reference import DEFAULT_CHART, load_reference
from hairtone.colorimetry import DEFAULT_VIEWING, Floats

BINS = 60  # along the hair, as hairtone's profile has
Pixels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Library:
    """How a library decodes a JPEG, brings codes to linear light, light to L*a*b*, and compares."""

    decode: Callable[[bytes], Pixels]
    linear: Callable[[Pixels], Floats]
    lab: Callable[[Floats], Floats]
    difference: Callable[[Floats, Floats], Floats]


def along_hair(photo: SpeedPhoto, library: Library) -> Floats:
    """ΔE00 to the roots along the hair: only the hair's pixels are converted."""
    pixels = library.decode(photo.jpeg)
    inside, at = _place(photo)
    lab = library.lab(library.linear(pixels[inside]) @ _matrix(pixels, photo))
    root = lab[at == 0].mean(axis=0)
    return _along(library.difference(lab, np.broadcast_to(root, lab.shape)), at)


def over_frame(photo: SpeedPhoto, library: Library) -> Floats:
    """The same from a map of the whole frame, as examples of these libraries make one."""
    pixels = library.decode(photo.jpeg)
    inside, at = _place(photo)
    lab = library.lab(library.linear(pixels) @ _matrix(pixels, photo))
    root = lab[inside][at == 0].mean(axis=0)
    return _along(library.difference(lab, np.broadcast_to(root, lab.shape))[inside], at)


def colour_science() -> Library:
    """colour-science; Pillow decodes."""
    import colour
    from PIL import Image

    white = colour.CCS_ILLUMINANTS["CIE 1964 10 Degree Standard Observer"]["D65"]
    return Library(
        decode=lambda jpeg: np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB")),
        linear=lambda codes: np.asarray(colour.models.eotf_sRGB(codes / 255)),
        lab=lambda xyz: np.asarray(colour.XYZ_to_Lab(xyz, white)),
        difference=lambda lab, root: np.asarray(colour.delta_E(lab, root, method="CIE 2000")),
    )


def scikit_image() -> Library:
    """scikit-image, its own reader."""
    from skimage import color
    from skimage import io as skimage_io

    return Library(
        decode=lambda jpeg: np.asarray(skimage_io.imread(io.BytesIO(jpeg))),
        linear=lambda codes: _decoded(codes / 255),
        lab=_skimage_lab,
        difference=color.deltaE_ciede2000,
    )


def opencv() -> Library:
    """OpenCV to decode and linearise by table, scikit-image for L*a*b* and ΔE00."""
    from skimage import color

    table = _decoded(np.arange(256) / 255).astype(np.float32)
    return Library(
        decode=lambda jpeg: np.asarray(
            cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)[..., ::-1], np.uint8
        ),
        linear=lambda codes: np.asarray(cv2.LUT(np.ascontiguousarray(codes), table)),
        lab=lambda xyz: _skimage_lab(xyz.astype(np.float32)),
        difference=color.deltaE_ciede2000,
    )


LIBRARIES: dict[str, Callable[[], Library]] = {
    "colour-science": colour_science,
    "scikit-image": scikit_image,
    "OpenCV + scikit-image": opencv,
}
PEERS: dict[str, Callable[[SpeedPhoto, Library], Floats]] = {
    "hair only": along_hair,
    "map of the frame": over_frame,
}


def _decoded(values: Floats) -> Floats:
    """Linear light of sRGB; scikit-image has it only inside `rgb2xyz`, with sRGB's own matrix."""
    low = values <= 0.04045  # IEC 61966-2-1:1999
    return np.where(low, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def _skimage_lab(xyz: Floats) -> Floats:
    from skimage.color import xyz2lab

    return np.asarray(xyz2lab(np.clip(xyz, 0, None), illuminant="D65", observer="10"))


def _matrix(pixels: Pixels, photo: SpeedPhoto) -> Floats:
    """Linear RGB to XYZ by least squares over the patches."""
    wanted = load_reference(DEFAULT_CHART).xyz(DEFAULT_VIEWING)
    linear = _decoded(_patches(pixels, photo) / 255)
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


def _along(difference: Floats, at: NDArray[np.int64]) -> Floats:
    """Mean ΔE00 to the roots in each bin, shape (60,)."""
    total = np.bincount(at.ravel(), np.ravel(difference), minlength=BINS)
    return np.asarray(total / np.bincount(at.ravel(), minlength=BINS))
