"""PNG, TIFF and WebP: 8 bits by Pillow, 16 bits by OpenCV; headers judged by our own walks.

Pillow turns 16-bit colour into 8 bits without a word, and OpenCV's `imread` returns half-grey
pictures of cut files: neither is asked before the file's structure has been found sound.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.photo.decoded import Decoded
from hairtone.photo.limits import check_dimensions
from hairtone.photo.png import (
    check_data_length,
    png_encoding,
    png_profile,
    read_png_header,
)
from hairtone.photo.refusals import (
    DECODER_FAULTS,
    damaged,
    decoder_says,
    incomplete,
    unusable,
)
from hairtone.photo.tiff import read_chain
from hairtone.photo.tiff_layout import check_pieces, check_tiff, unturned, zero_flag

if TYPE_CHECKING:
    from PIL import Image

_ICC_TAG: Final = 0x8773  # ICC.1, Annex B.3: profiles in TIFF
_SECTOR: Final = bytes(512)  # our choice: one sector of a memory card
Codes = NDArray[np.uint8] | NDArray[np.uint16]


def decode_png(data: bytes) -> Decoded:
    """A PNG of 8 or 16 bits.

    Raises
    ------
    PhotoError
        Damaged, incomplete, grey, animated, transparent, too large or small.
    """
    header = read_png_header(data)
    profile = png_profile(header)
    check_data_length(header)
    decode = _decode_deep if header.depth == 16 else _decode_shallow
    pixels, flags = decode(data, "PNG")
    return Decoded(
        format="PNG",
        pixels=pixels,
        exif=header.chunks.get(b"eXIf"),
        profile=profile,
        stated=None if profile else png_encoding(header),
        flags=flags,
    )


def decode_webp(data: bytes) -> Decoded:
    """A WebP with one picture.

    Raises
    ------
    PhotoError
        Damaged, animated, transparent, too large or small.
    """
    if int.from_bytes(data[4:8], "little") + 8 > len(data):
        raise incomplete("the WebP is shorter than its header says")
    with _opened(data, "WEBP") as picture:
        check_dimensions(*picture.size)
        if getattr(picture, "n_frames", 1) != 1:
            raise unusable("animated", "The file is animated: several pictures in one.")
        exif, profile = picture.info.get("exif"), picture.info.get("icc_profile")
    pixels, flags = _decode_shallow(data, "WEBP")
    block = exif.removeprefix(b"Exif\0\0") if exif else None
    if _SECTOR in data:  # only flat areas of many pixels are packed so, and lost sectors look so
        flags += (zero_flag(len(_SECTOR)),)
    return Decoded(format="WebP", pixels=pixels, exif=block, profile=profile, flags=flags)


def decode_tiff(data: bytes) -> Decoded:
    """A TIFF of one page, 8 or 16 bits.

    Raises
    ------
    PhotoError
        Damaged, grey, CMYK, Lab, float, of several pages, transparent, too large or small.
    """
    pages = read_chain(data)  # found whole when the format was told
    bits = check_tiff(pages)
    doubts = check_pieces(data, pages[0])
    if bits == 16:
        pixels, flags = _decode_deep(unturned(data, pages[0]), "TIFF")
    else:
        pixels, flags = _decode_shallow(data, "TIFF")
    return Decoded(
        format="TIFF",
        pixels=pixels,
        exif=data,
        profile=pages[0].raw(_ICC_TAG) or None,
        is_upright=bits != 16,  # Pillow turns TIFF by its tag on loading
        flags=(*flags, *doubts),
    )


Decoding = tuple[NDArray[np.uint8] | NDArray[np.uint16], tuple[Flag, ...]]


def _decode_shallow(data: bytes, name: str) -> Decoding:
    """8-bit pixels with a filling byte, and what the layout makes doubtful."""
    with _opened(data, name) as picture:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                picture.load()
        except DECODER_FAULTS as fault:
            raise decoder_says(name, fault) from fault
        if picture.mode not in ("RGB", "RGBA", "RGBX", "P", "YCbCr"):
            raise unusable("unknown-layout", f"The photo's layout is {picture.mode}, not RGB.")
        flags: tuple[Flag, ...] = (_palette_flag(),) if picture.mode == "P" else ()
        if picture.mode == "RGBA" or "transparency" in picture.info:
            layers = np.asarray(picture.convert("RGBA"))
            flags += _margin_flags(layers[..., :3], layers[..., 3])
            return layers, flags
        plain = picture if picture.mode in ("RGB", "RGBX") else picture.convert("RGB")
        return np.asarray(plain.convert("RGBX")), flags


def _decode_deep(data: bytes | bytearray, name: str) -> Decoding:
    """16-bit RGB pixels, not turned, and what the layout makes doubtful."""
    import cv2

    loudness = cv2.utils.logging.getLogLevel()
    # what is wrong is said once, by the error below
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except (cv2.error, *DECODER_FAULTS) as fault:
        raise decoder_says(name, fault) from fault
    finally:
        cv2.utils.logging.setLogLevel(loudness)
    if bgr is None:
        raise damaged(f"the {name} decoder cannot read it")
    if bgr.dtype != np.uint16 or bgr.ndim != 3 or bgr.shape[2] not in (3, 4):
        raise unusable("unknown-layout", f"The photo decodes to {bgr.dtype} of shape {bgr.shape}.")
    codes = bgr.astype(np.uint16, copy=False)
    flags = _margin_flags(codes[..., :3], codes[..., 3]) if codes.shape[2] == 4 else ()
    return np.ascontiguousarray(codes[..., 2::-1]), flags


def _margin_flags(colours: Codes, alpha: Codes) -> tuple[Flag, ...]:
    """A doubt about an empty margin; anything else transparent refuses the photo."""
    hidden = alpha < np.iinfo(alpha.dtype).max
    if not hidden.any():
        return ()
    rows, columns = (np.flatnonzero(~hidden.all(axis=axis)) for axis in (1, 0))
    under = colours[hidden]
    is_margin = (
        len(rows) > 0
        and not hidden[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].any()
        and bool((under == under[0]).all())
    )
    if not is_margin:
        raise unusable(
            "transparent",
            f"The photo is transparent in {hidden.mean():.1%} of its pixels: what stands there "
            "was painted over or cut out.",
        )
    return (
        Flag(
            code="transparent-margin",
            says=f"A transparent empty margin takes {hidden.mean():.1%} of the picture.",
            remedy="Send the camera's original file, not one pasted into a page.",
        ),
    )


def _palette_flag() -> Flag:
    return Flag(
        code="reduced-colours",
        says="The photo is stored with a palette of at most 256 colours (reduced-colours).",
        remedy="Send the camera's original file.",
    )


def _opened(data: bytes, name: str) -> Image.Image:
    """A picture opened by the decoder of that name and no other."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)  # our limit is lower
            return Image.open(io.BytesIO(data), formats=[name])
    except Image.DecompressionBombError as fault:
        raise unusable("too-large", "The picture is too large to decode.") from fault
    except DECODER_FAULTS as fault:
        raise decoder_says(name, fault) from fault
