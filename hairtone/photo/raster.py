"""PNG, TIFF and WebP: headers and checksums by our own walks, then one decoder.

Pillow turns 16-bit colour into 8 bits without a word, and OpenCV's `imread` returns half-grey
pictures of cut files: neither is asked before the file's structure has been found sound.

References
----------
.. [1] W3C PNG Specification (Third Edition), 5 (structure), 11 (chunks): IHDR, iCCP, sRGB, gAMA,
   cHRM, cICP, eXIf, acTL.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.photo.encodings import (
    D65_WHITE,
    PRIMARIES,
    adaptation,
    curved_encoding,
    display_p3_encoding,
    power_curve,
    primaries_to_xyz,
    srgb_encoding,
)
from hairtone.photo.limits import (
    DECODER_FAULTS,
    bad_profile,
    check_dimensions,
    damaged,
    decoder_says,
    incomplete,
    unusable,
)
from hairtone.photo.tiff import check_pieces, check_tiff, read_chain, unturned, zero_flag
from hairtone.photo.types import Decoded, Encoding

if TYPE_CHECKING:
    from PIL import Image


_MOST_PROFILE: Final = 16_000_000  # our choice: bytes of an unpacked profile; they need thousands
_SRGB_GAMMA: Final = 45455  # [1], 11.3.2.2: gAMA that goes with sRGB, 1/2.2
_SAMPLES: Final = {2: 3, 3: 1, 6: 4}  # [1], table 11.1: colour type -> samples a pixel
_INTERLACED: Final = (  # [1], 8.1: first column, first row, step across, step down
    (0, 0, 8, 8),
    (4, 0, 8, 8),
    (0, 4, 4, 8),
    (2, 0, 4, 4),
    (0, 2, 2, 4),
    (1, 0, 2, 2),
    (0, 1, 1, 2),
)
_PIECE: Final = 1 << 20  # our choice: bytes unpacked at a time
_KNOWN_CICP: Final = {(1, 13): srgb_encoding, (12, 13): display_p3_encoding}  # ITU-T H.273
_ICC_TAG: Final = 0x8773  # ICC.1, Annex B.3: profiles in TIFF
_SECTOR: Final = bytes(512)  # our choice: one sector of a memory card
Codes = NDArray[np.uint8] | NDArray[np.uint16]
Decoding = tuple[NDArray[np.uint8] | NDArray[np.uint16], tuple[Flag, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PngHeader:
    """A sound PNG's chunks as far as a measurement needs them; `colour_type` as in [1]_."""

    width: int
    height: int
    depth: int
    colour_type: int
    is_interlaced: bool
    chunks: dict[bytes, bytes]

    @property
    def levels(self) -> int:
        """Number of codes of a channel after decoding."""
        return 65536 if self.depth == 16 else 256


def read_png_header(data: bytes) -> PngHeader:
    """Chunks of a PNG, every checksum verified; picture data joined in chunk ``IDAT``.

    Raises
    ------
    PhotoError
        Damaged, incomplete, too large or small, grey, or animated.
    """
    chunks: dict[bytes, bytes] = {}
    parts: list[bytes] = []
    for name, body in _walk(data):
        if name == b"IDAT":
            parts.append(body)
        else:
            chunks.setdefault(name, body)
        if name == b"IHDR":
            if len(body) != 13:
                raise damaged(f"a PNG header of {len(body)} bytes")
            check_dimensions(*struct.unpack_from(">II", body))
    if b"IHDR" not in chunks or not parts:
        raise damaged("the PNG holds no picture")
    chunks[b"IDAT"] = b"".join(parts)
    width, height, depth, colour_type, _, _, interlace = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    header = PngHeader(
        width=width, height=height, depth=depth, colour_type=colour_type,
        is_interlaced=bool(interlace), chunks=chunks,
    )  # fmt: skip
    _check_layout(header)
    return header


def _walk(data: bytes) -> list[tuple[bytes, bytes]]:
    """Chunks up to ``IEND``, header first."""
    at = 8
    chunks: list[tuple[bytes, bytes]] = []
    while at + 12 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        end = at + 8 + length
        if end + 4 > len(data):
            break
        body = data[at + 8 : end]
        if zlib.crc32(data[at + 4 : end]) != struct.unpack_from(">I", data, end)[0]:
            raise damaged(f"the checksum of PNG chunk {name.decode('latin-1')!r} is wrong")
        if chunks and name == b"IHDR":
            raise damaged("it holds a second PNG header")
        chunks.append((name, body))
        if name == b"IEND":
            return chunks
        if len(chunks) == 1 and name == b"IHDR" and length == 13:
            check_dimensions(*struct.unpack_from(">II", body))
        at = end + 4
    raise incomplete("the PNG ends before its end mark")


def _check_layout(header: PngHeader) -> None:
    if header.colour_type in (0, 4):
        raise unusable("grey", f"The photo is grey, {header.depth} bits: no hue can be measured.")
    if header.colour_type not in _SAMPLES:
        raise damaged(f"PNG colour type {header.colour_type}")
    frames = header.chunks.get(b"acTL", b"\0\0\0\1")
    if len(frames) < 4 or struct.unpack_from(">I", frames)[0] != 1:
        raise unusable("animated", "The file is animated: several pictures in one.")


def check_data_length(header: PngHeader) -> None:
    """Refuse a PNG whose packed data hold too few bytes; decoders fill the rest in silence.

    Raises
    ------
    PhotoError
        Damaged or incomplete.
    """
    wanted = _unpacked_size(header)
    unpacker = zlib.decompressobj()
    packed, found = header.chunks[b"IDAT"], 0
    try:
        while packed and found < wanted:
            found += len(unpacker.decompress(packed, _PIECE))
            packed = unpacker.unconsumed_tail
        if found >= wanted:  # whatever is left is the checksum's
            unpacker.decompress(packed, _PIECE)
    except zlib.error as fault:
        raise damaged(f"the packed data say {str(fault)!r}") from fault
    if found < wanted:
        raise incomplete(f"{found} of {wanted} bytes of picture are there")


def _unpacked_size(header: PngHeader) -> int:
    """Bytes of the filtered rows, those of interlacing's seven passes together [1]_."""
    bits = _SAMPLES[header.colour_type] * header.depth
    passes = _INTERLACED if header.is_interlaced else ((0, 0, 1, 1),)
    total = 0
    for left, top, across, down in passes:
        columns = -(-(header.width - left) // across)
        rows = -(-(header.height - top) // down)
        total += rows * (1 + (columns * bits + 7) // 8) * (columns > 0)
    return total


def png_profile(header: PngHeader) -> bytes | None:
    """The ICC profile, unpacked.

    Raises
    ------
    PhotoError
        It cannot be unpacked.
    """
    packed = header.chunks.get(b"iCCP")
    if packed is None:
        return None
    name_end = packed.find(b"\0")
    unpacker = zlib.decompressobj()
    try:
        profile = unpacker.decompress(packed[name_end + 2 :], _MOST_PROFILE)
    except zlib.error as fault:
        raise bad_profile("it is damaged (it cannot be unpacked)") from fault
    if not unpacker.eof:
        raise bad_profile("it is damaged (it is cut off or far too large)")
    return profile


def png_encoding(header: PngHeader) -> Encoding | None:
    """What a PNG says of its encoding without an ICC profile, or None.

    Raises
    ------
    PhotoError
        It says an encoding that cannot be measured, such as an HDR one.
    """
    chunks, levels = header.chunks, header.levels
    if len(chunks.get(b"cICP", b"")) >= 2:
        primaries, transfer = chunks[b"cICP"][:2]
        try:
            return _KNOWN_CICP[primaries, transfer](levels)
        except KeyError:
            says = f"it is one of primaries {primaries} and transfer {transfer} (ITU-T H.273)"
            raise bad_profile(says) from None
    if b"sRGB" in chunks:
        return srgb_encoding(levels)
    if len(chunks.get(b"gAMA", b"")) != 4:
        return None
    (gamma,) = struct.unpack(">I", chunks[b"gAMA"])
    to_xyz = _chromaticities(chunks.get(b"cHRM", b""))
    if abs(gamma - _SRGB_GAMMA) < 100 and to_xyz is None:
        return srgb_encoding(levels)
    if gamma == 0:
        raise damaged("its gAMA chunk says 0")
    curve = power_curve(100000 / gamma)
    matrix = primaries_to_xyz(PRIMARIES["sRGB"]) if to_xyz is None else to_xyz
    return curved_encoding(
        f"gamma {100000 / gamma:.2f}", (curve, curve, curve), matrix, levels=levels
    )


def _chromaticities(body: bytes) -> NDArray[np.float64] | None:
    """Linear RGB -> XYZ (D65) of a cHRM chunk; None where absent, impossible or that of sRGB."""
    if len(body) != 32:
        return None
    xy = np.array(struct.unpack(">8I", body)).reshape(4, 2) / 100000
    if (xy[:, 1] <= 0).any():
        raise damaged("its cHRM chunk holds a colour that cannot be")
    if np.abs(xy[1:] - np.array(PRIMARIES["sRGB"])).max() < 2e-3:
        return None
    (x, y), primaries = xy[0], tuple(map(tuple, xy[1:]))
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    try:
        matrix = primaries_to_xyz(primaries, white=white)
    except np.linalg.LinAlgError:
        raise damaged("its cHRM chunk holds colours that cannot be") from None
    return adaptation(white, D65_WHITE) @ matrix


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
    pages = read_chain(data)  # found whole when the format was recognised
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
