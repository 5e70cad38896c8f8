"""Pictures of our own making for the photo room's tests: no stranger's photo is committed."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

WIDTH, HEIGHT = 400, 300
SRGB_BY_EXIF = 1


def picture(width: int = WIDTH, height: int = HEIGHT, *, seed: int = 0) -> np.ndarray:
    """A board with 12 patches and something like hair, 8 bits, no two quarters alike."""
    rng = np.random.default_rng(seed)
    picture = np.full((height, width, 3), 168.0)
    patches = rng.uniform(30, 235, (3, 4, 3))
    for row in range(3):
        for column in range(4):
            top, left = height * (2 + 3 * row) // 20, width * (2 + 2 * column) // 20
            picture[top : top + height // 8, left : left + width // 12] = patches[row, column]
    strand = slice(int(0.62 * width), int(0.85 * width))
    fibres = rng.normal(0, 14, (1, strand.stop - strand.start, 1))
    picture[height // 10 : height * 9 // 10, strand] = np.array([120, 70, 48]) + fibres
    picture += rng.normal(0, 1.5, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def camera_exif(**tags: object) -> Image.Exif:
    """EXIF of a plain camera file: make, model, exposure, sRGB."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Test Works", "Test Works T-1"
    inner = exif.get_ifd(0x8769)
    inner[0xA001] = SRGB_BY_EXIF
    inner[0x829A], inner[0x829D] = IFDRational(1, 125), IFDRational(56, 10)
    inner[0x8827], inner[0x920A] = 200, IFDRational(60, 1)
    inner[0x9003] = "2026:03:04 10:20:30"
    for tag, value in tags.items():
        exif[int(tag.removeprefix("tag"))] = value
    return exif


def encoded(pixels: np.ndarray, kind: str = "JPEG", **options: object) -> bytes:
    """A file's bytes by Pillow."""
    if kind == "JPEG":
        options = {"quality": 95, "subsampling": 0, **options}
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, kind, **options)
    return buffer.getvalue()


def camera_jpeg(pixels: np.ndarray | None = None, **options: object) -> bytes:
    """A JPEG as a camera writes it; nothing about it is doubtful."""
    return encoded(
        picture() if pixels is None else pixels, "JPEG", **{"exif": camera_exif(), **options}
    )


def png_of(header: tuple[int, int, int, int], packed: bytes, *more: tuple[bytes, bytes]) -> bytes:
    """A PNG with sound checksums; the header is width, height, depth, colour type."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    width, height, depth, colour_type = header
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour_type, 0, 0, 0))
        + b"".join(chunk(name, body) for name, body in more)
        + chunk(b"IDAT", packed)
        + chunk(b"IEND", b"")
    )


def deep_png(codes: np.ndarray, *more: tuple[bytes, bytes]) -> bytes:
    """A 16-bit RGB PNG of (h, w, 3) uint16 codes."""
    height, width = codes.shape[:2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in codes)
    return png_of((width, height, 16, 2), zlib.compress(rows, 1), *more)


def shorts(*values: int) -> tuple[int, int, bytes]:
    """Type, count and bytes of a TIFF tag of 16-bit numbers."""
    return 3, len(values), struct.pack(f"<{len(values)}H", *values)


def longs(*values: int) -> tuple[int, int, bytes]:
    """Type, count and bytes of a TIFF tag of 32-bit numbers."""
    return 4, len(values), struct.pack(f"<{len(values)}L", *values)


def text(words: str) -> tuple[int, int, bytes]:
    """Type, count and bytes of a TIFF tag of text."""
    return 2, len(words) + 1, words.encode() + b"\0"


def tiff_structure(
    tags: dict[int, tuple[int, int, bytes]], data: bytes = b"", *, data_tag: int = 273
) -> bytes:
    """A little-endian TIFF structure of one directory; `data_tag` points to `data` behind it."""
    tags = dict(sorted({**tags, data_tag: longs(0)}.items()))
    end = 8 + 2 + 12 * len(tags) + 4
    extra = b"".join(body + bytes(len(body) % 2) for _, _, body in tags.values() if len(body) > 4)
    tags[data_tag] = longs(end + len(extra))
    rows, used = b"", 0
    for tag, (kind, count, body) in tags.items():
        held = body.ljust(4, b"\0") if len(body) <= 4 else struct.pack("<L", end + used)
        used += 0 if len(body) <= 4 else len(body) + len(body) % 2
        rows += struct.pack("<HHL", tag, kind, count) + held
    return b"II*\0" + struct.pack("<LH", 8, len(tags)) + rows + bytes(4) + extra + data


def dng_of(
    sensor: np.ndarray, *, black: int = 256, white: int = 4095, orientation: int = 1
) -> bytes:
    """A minimal camera RAW file (DNG), uint16, unpacked.

    A (h, w) array is a mosaic of red-green / green-blue, a (h, w, 3) array linear colours.
    """
    height, width = sensor.shape[:2]
    samples = sensor.shape[2] if sensor.ndim == 3 else 1
    data = sensor.astype("<u2").tobytes()
    identity = struct.pack("<18l", *(v for i in range(9) for v in (int(i % 4 == 0), 1)))
    tags = {
        254: longs(0),
        256: longs(width),
        257: longs(height),
        258: shorts(*[16] * samples),
        259: shorts(1),
        262: shorts(34892 if sensor.ndim == 3 else 32803),
        271: text("Test Works"),
        272: text("Test Works T-1"),
        274: shorts(orientation),
        277: shorts(samples),
        278: longs(height),
        279: longs(len(data)),
        284: shorts(1),
        50706: (1, 4, bytes([1, 4, 0, 0])),
        50708: text("Test Works T-1"),
        50714: shorts(*[black] * samples),
        50717: shorts(*[white] * samples),
        50721: (10, 9, identity),
    }
    if sensor.ndim == 2:
        tags |= {33421: shorts(2, 2), 33422: (1, 4, bytes([0, 1, 1, 2]))}
    return tiff_structure(tags, data)
