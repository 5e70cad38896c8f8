"""Is fast the same as plain: every 24-bit colour by distinct colours and by plain 64-bit numbers.

``python tests/bench/exactness.py [--every 1]``

A photo of all colours goes through the reader's keys, the distinct colours and the sums of cells,
one colour to a cell, and then all cells of a bin together. Against it stands scikit-image, pixel
by pixel in 64 bits: L*a*b* by `rgb2lab`, ΔE00 by `deltaE_ciede2000` to reference colours that
include opposite hues.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from skimage import color
from skimage.color.colorconv import xyz_from_rgb

from hairtone.colorimetry import Floats, decode_srgb, delta_e, xyz_to_lab
from hairtone.hair.cells import BINS, Cells, cell_sums
from hairtone.photo.encodings import srgb_encoding
from hairtone.photo.pixels import unpack_keys
from hairtone.photo.types import Photo

LANES = 256
REFERENCES = np.array(  # dark hair, two pairs of opposite hues, grey, white
    [(18, 4, 5), (40, 30, 20), (40, -30, -20), (60, -55, -12), (60, 55, 12), (50, 0, 0), (95, 0, 3)]
)


class Plain:
    """An sRGB photo in its own light, by the numbers that scikit-image takes (D65, 2°)."""

    white = color.xyz_tristimulus_values(illuminant="D65", observer="2")

    def linear(self, encoded: Floats) -> Floats:
        return decode_srgb(encoded)

    def lab(self, linear: Floats) -> Floats:
        return xyz_to_lab(linear @ xyz_from_rgb.T, white=self.white)


def main() -> None:
    """Print the largest differences over the colours asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--every", type=int, default=1, help="take every n-th colour (default 1)")
    step = parser.parse_args().every
    worst = {"L*a*b*": 0.0, "ΔE00": 0.0, "mean of a bin": 0.0}
    colours = 0
    for codes in _in_parts(np.arange(0, 1 << 24, step)):
        compared, gaps = differences(codes)
        colours += compared
        for name, gap in gaps.items():
            worst[name] = max(worst[name], gap)
    print(f"{colours} unclipped colours, largest difference from plain 64-bit numbers:")
    for name, gap in worst.items():
        print(f"  {name:14s} {gap:.1e}")


def _in_parts(keys: NDArray[np.int64]) -> Iterator[NDArray[np.uint8]]:
    size = BINS * LANES
    for first in range(0, len(keys), size):
        yield np.asarray(unpack_keys(keys[first : first + size]), np.uint8)


def differences(codes: NDArray[np.uint8]) -> tuple[int, dict[str, float]]:
    """How many of the colours (n, 3), n <= 60 * 256, are not clipped, and their differences."""
    model = Plain()
    sums = cell_sums(_photo(codes), model, _cells(len(codes)), white=np.ones(3))
    kept = sums.count.sum(axis=2).ravel() > 0  # cell sums leave clipped colours out
    light = sums.light.sum(axis=2).reshape(-1, 3)[kept]
    lab = model.lab(light)
    shown = codes[kept[: len(codes)]]
    plain = color.rgb2lab(shown / 255)
    gaps = [
        delta_e(reference, lab) - color.deltaE_ciede2000(np.tile(reference, (len(plain), 1)), plain)
        for reference in REFERENCES
    ]
    of_bin = np.flatnonzero(kept) // LANES
    count = np.maximum(np.bincount(of_bin, minlength=BINS), 1)[:, None]
    linear = decode_srgb(shown / 255)
    mean = np.stack([np.bincount(of_bin, linear[:, c], minlength=BINS) for c in range(3)], axis=1)
    binned = sums.light.sum(axis=(1, 2)) / np.maximum(sums.count.sum(axis=(1, 2)), 1)[:, None]
    return len(shown), {
        "L*a*b*": float(np.abs(lab - plain).max(initial=0.0)),
        "ΔE00": float(np.abs(gaps).max(initial=0.0)),
        "mean of a bin": float(np.abs(model.lab(binned) - model.lab(mean / count)).max()),
    }


def _photo(codes: NDArray[np.uint8]) -> Photo:
    """A photo of one row, in a four-channel buffer as the JPEG decoder leaves it."""
    buffer = np.zeros((1, len(codes), 4), np.uint8)
    buffer[0, :, :3] = codes
    pixels = buffer[..., :3]
    return Photo(name="colours", sha256="", pixels=pixels, encoding=srgb_encoding(256))


def _cells(colours: int) -> Cells:
    """One colour to a cell."""
    return Cells(
        labels=np.arange(colours, dtype=np.int16)[None],
        box=(0, 0, colours, 1),
        lanes=LANES,
        centres=np.zeros((BINS * LANES, 2)),
        across=np.linspace(-1, 1, LANES),
    )


if __name__ == "__main__":
    main()
