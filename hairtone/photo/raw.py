"""Camera RAW by the extra ``raw``: linear light as the sensor counted it, one fixed recipe.

Nothing is brightened, white-balanced, sharpened or clipped by content: two exposures of one scene
come out in their true ratio. A mosaic of 2 x 2 colours gives one pixel per cell, at half the
width and height: every value is one the sensor counted (green the mean of its two), none is
guessed between neighbours, and colours of fine hairs do not leak into each other. Other
mosaics are interpolated at full size. Points of a line are in pixels of this picture.
"""

from __future__ import annotations

import io
from contextlib import closing
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag, PhotoError
from hairtone.photo.encodings import linear_raw_encoding
from hairtone.photo.limits import DECODER_FAULTS, check_dimensions, damaged, decoder_says, unusable
from hairtone.photo.tiff import read_chain
from hairtone.photo.types import Decoded

_BLOCK: Final = 256  # our choice: samples; a lost 512-byte sector of a memory card holds as many
_LEVELS: Final = 65536


def decode_raw(data: bytes) -> Decoded:
    """A RAW file's sensor data, upright, 16 bits, proportional to light.

    Raises
    ------
    PhotoError
        The extra is missing; damaged, without colours, of an unknown camera, too large or small.
    """
    rawpy = _library()
    faults = (rawpy.LibRawError, *DECODER_FAULTS)
    try:
        with closing(rawpy.RawPy()) as raw:
            raw.open_buffer(io.BytesIO(data))
            check_dimensions(raw.sizes.width, raw.sizes.height)
            raw.unpack()
            if raw.num_colors != 3:
                raise unusable("grey", f"The sensor has {raw.num_colors} colours, not 3.")
            is_mosaic = raw.raw_pattern is not None and raw.raw_pattern.shape == (2, 2)
            if is_mosaic:
                _check_no_lost_block(raw.raw_image_visible, min(raw.black_level_per_channel))
            pixels = raw.postprocess(
                half_size=is_mosaic,
                output_color=rawpy.ColorSpace.raw,
                output_bps=16,
                gamma=(1, 1),
                no_auto_bright=True,
                use_camera_wb=False,
                use_auto_wb=False,
                user_wb=[1.0, 1.0, 1.0, 1.0],
                adjust_maximum_thr=0.0,  # else the scale would follow the brightest pixel
                highlight_mode=rawpy.HighlightMode.Clip,
            )
    except faults as fault:
        raise decoder_says("RAW", fault) from fault
    check_dimensions(pixels.shape[1], pixels.shape[0])
    return Decoded(
        format="RAW",
        pixels=pixels,
        exif=_exif_block(data),
        stated=linear_raw_encoding(_LEVELS),
        is_upright=True,
        flags=() if is_mosaic else (_interpolated_flag(),),
    )


def _library() -> Any:
    try:
        import rawpy
    except ImportError as fault:
        raise PhotoError(
            "extra-missing",
            "RAW photos need the extra 'raw', which is not installed.",
            remedy="In the hairtone folder run: python -m pip install '.[raw]', "
            "or export the photo as a 16-bit TIFF.",
        ) from fault
    return rawpy


def _check_no_lost_block(sensor: NDArray[np.uint16], black: int) -> None:
    """Refuse runs of zeros where the black level is above zero: sectors that were lost."""
    width = sensor.shape[1] // _BLOCK * _BLOCK
    if black <= 0 or not width:
        return
    blocks = sensor[:, :width].reshape(len(sensor), -1, _BLOCK)
    lost = np.argwhere(~blocks.any(axis=2))
    if len(lost):
        row, column = int(lost[0, 0]), int(lost[0, 1]) * _BLOCK
        raise damaged(f"sensor data are zeros from row {row}, column {column} on")


def _exif_block(data: bytes) -> bytes | None:
    """The file itself where it is built like TIFF, the EXIF block's own structure."""
    try:
        read_chain(data)
    except ValueError:
        return None
    return data


def _interpolated_flag() -> Flag:
    return Flag(
        code="raw-interpolated",
        says="The RAW file holds no mosaic of 2 x 2 colours: a phone or camera has worked on it, "
        "or its colours are interpolated.",
        remedy="Check the figures of the calibration before relying on it.",
    )
