"""PNG, TIFF and WebP: 8 bits by Pillow, 16 bits by OpenCV; headers judged by our own walks.

Pillow turns 16-bit colour into 8 bits without a word, and OpenCV's `imread` returns half-grey
pictures of cut files: neither is asked before the file's structure has been found sound.
"""

from __future__ import annotations

import io
import struct
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
from hairtone.photo.tiff import Directory, read_chain

if TYPE_CHECKING:
    from PIL import Image

# TIFF 6.0, section 8 and Adobe supplements: baseline tags
_WIDTH, _HEIGHT, _BITS, _PHOTOMETRIC = 0x0100, 0x0101, 0x0102, 0x0106
_SAMPLE_FORMAT, _ICC_TAG, _SUBFILE = 0x0153, 0x8773, 0x00FE
_COMPRESSION, _ORIENTATION, _PLANES = 0x0103, 0x0112, 0x011C
_STRIPS, _STRIP_BYTES, _TILES, _TILE_BYTES = 0x0111, 0x0117, 0x0144, 0x0145
_PHOTOMETRICS: Final = {
    0: "grey", 1: "grey", 2: "RGB", 3: "palette", 4: "mask", 5: "CMYK", 6: "YCbCr", 8: "Lab",
    9: "Lab", 10: "Lab",
}  # fmt: skip
_LOST: Final = bytes(4096)  # our choice: one cluster of a memory card
Codes = NDArray[np.uint8] | NDArray[np.uint16]
_SAMPLE_FORMATS: Final = {1: "whole numbers", 2: "signed", 3: "float", 4: "undefined"}


def decode_png(data: bytes) -> Decoded:
    """A PNG of 8 or 16 bits.

    Raises
    ------
    PhotoError
        Damaged, incomplete, grey, animated, transparent, too large or small.
    """
    header = read_png_header(data)
    profile = png_profile(header)
    if header.depth == 16:
        check_data_length(header)
    decode = _decode_deep if header.depth == 16 else _decode_shallow
    pixels, flags = decode(data, "PNG")
    if pixels.shape[:2] != (header.height, header.width):
        raise damaged("its header and its data are of different size")
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
    return Decoded(format="WebP", pixels=pixels, exif=block, profile=profile, flags=flags)


def decode_tiff(data: bytes) -> Decoded:
    """A TIFF of one page, 8 or 16 bits.

    Raises
    ------
    PhotoError
        Damaged, grey, CMYK, Lab, float, of several pages, transparent, too large or small.
    """
    try:
        pages = read_chain(data)
    except ValueError as fault:
        raise damaged(f"its TIFF structure has {fault}") from fault
    if not pages:
        raise damaged("the TIFF holds no picture")
    bits = _check_tiff(pages)
    _check_strips(pages[0], len(data))
    if bits == 16:
        pixels, flags = _decode_deep(_unturned(data, pages[0]), "TIFF")
    else:
        pixels, flags = _decode_shallow(data, "TIFF")
    return Decoded(
        format="TIFF",
        pixels=pixels,
        exif=data,
        profile=pages[0].raw(_ICC_TAG) or None,
        is_upright=bits != 16,  # Pillow turns TIFF by its tag on loading
        flags=(*flags, *_zero_run_flags(data, pages[0])),
    )


def _check_tiff(pages: list[Directory]) -> int:
    """Bits of a channel, when the layout can be measured."""
    first = pages[0]
    width, height = (int(first.number(tag) or 0) for tag in (_WIDTH, _HEIGHT))
    if not (width and height):
        raise damaged("the TIFF does not say its size")
    check_dimensions(width, height)
    pictures = [page for page in pages if not int(page.number(_SUBFILE) or 0) & 1]
    if len(pictures) > 1:
        raise unusable("pages", f"The file holds {len(pictures)} pages, not one photo.")
    photometric = _PHOTOMETRICS.get(int(first.number(_PHOTOMETRIC) or 0), "an unknown layout")
    if photometric == "grey":
        raise unusable("grey", "The photo is grey: no hue can be measured.")
    if photometric not in ("RGB", "palette", "YCbCr"):
        raise unusable("cmyk" if photometric == "CMYK" else "unknown-layout",
                       f"The photo is in {photometric}, not in RGB.")  # fmt: skip
    kinds = set(first.numbers(_SAMPLE_FORMAT)) or {1}
    if kinds != {1}:
        names = ", ".join(_SAMPLE_FORMATS.get(int(kind), str(kind)) for kind in sorted(kinds))
        raise unusable(
            "float",
            f"The photo's values are {names}; a float file does not say how they stand for light "
            "and may hold NaN.",
        )
    depths = set(first.numbers(_BITS)) or {1}
    if len(depths) != 1 or not depths & ({8, 16} if photometric == "RGB" else {1, 2, 4, 8}):
        raise unusable("unknown-layout", f"The photo has {sorted(depths)} bits a channel.")
    if depths == {16} and first.number(_PLANES) == 2:  # OpenCV mixes the planes up
        raise unusable("unknown-layout", "The photo has 16 bits in separate colour planes.")
    return int(depths.pop())


def _unturned(data: bytes, page: Directory) -> bytes | bytearray:
    """The TIFF with its orientation set to 1: OpenCV turns some orientations and not others."""
    kind, _, place = page.entries.get(_ORIENTATION, (0, 0, 0))
    if kind != 3:
        return data
    level = bytearray(data)
    struct.pack_into(f"{page.order}H", level, place, 1)
    return level


def _zero_run_flags(data: bytes, page: Directory) -> tuple[Flag, ...]:
    """A doubt about lost sectors in picture data that carry no checksum."""
    if page.number(_COMPRESSION) not in (None, 1):
        return ()
    for start, length in zip(page.numbers(_STRIPS), page.numbers(_STRIP_BYTES), strict=False):
        if data.find(_LOST, int(start), int(start + length)) >= 0:
            return (
                Flag(
                    code="zero-block",
                    says=f"A run of {len(_LOST)} zero bytes stands in the picture: pure black, "
                    "or a lost piece of the file.",
                    remedy="Look at the photo; where a strip is black, copy it again.",
                ),
            )
    return ()


def _check_strips(page: Directory, size: int) -> None:
    """Refuse a TIFF whose picture data lie outside the file; OpenCV would not say so."""
    for offsets, counts in ((_STRIPS, _STRIP_BYTES), (_TILES, _TILE_BYTES)):
        pieces = list(zip(page.numbers(offsets), page.numbers(counts), strict=False))
        if any(start + length > size for start, length in pieces):
            raise incomplete("the TIFF's picture data reach past its end")


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
        if picture.mode not in ("RGB", "RGBA", "RGBX", "P", "PA", "YCbCr"):
            raise unusable("unknown-layout", f"The photo's layout is {picture.mode}, not RGB.")
        flags: tuple[Flag, ...] = (_palette_flag(),) if picture.mode in ("P", "PA") else ()
        if picture.mode in ("RGBA", "PA") or "transparency" in picture.info:
            layers = np.array(picture.convert("RGBA"))
            flags += _margin_flags(layers[..., :3], layers[..., 3])
            return layers, flags
        return np.array(picture.convert("RGB").convert("RGBX")), flags


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
