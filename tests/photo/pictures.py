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


def dng_of(
    mosaic: np.ndarray, *, black: int = 256, white: int = 4095, orientation: int = 1
) -> bytes:
    """A minimal camera RAW file (DNG) of a red-green / green-blue mosaic, uint16, uncompressed."""
    height, width = mosaic.shape
    data = mosaic.astype("<u2").tobytes()
    identity = struct.pack("<18l", *(v for i in range(9) for v in (int(i % 4 == 0), 1)))
    entries = [  # tag, type, count, value
        (254, 4, 1, 0),
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 16),
        (259, 3, 1, 1),
        (262, 3, 1, 32803),
        (271, 2, 11, b"Test Works\0"),
        (272, 2, 15, b"Test Works T-1\0"),
        (273, 4, 1, None),
        (274, 3, 1, orientation),
        (277, 3, 1, 1),
        (278, 4, 1, height),
        (279, 4, 1, len(data)),
        (33421, 3, 2, struct.pack("<2H", 2, 2)),
        (33422, 1, 4, bytes([0, 1, 1, 2])),
        (50706, 1, 4, bytes([1, 4, 0, 0])),
        (50708, 2, 15, b"Test Works T-1\0"),
        (50714, 3, 1, black),
        (50717, 3, 1, white),
        (50721, 10, 9, identity),
    ]
    extra_at = 8 + 2 + 12 * len(entries) + 4
    extra = b""
    rows = []
    for tag, kind, count, value in entries:
        if isinstance(value, bytes):
            body = value.ljust(4, b"\0")
            if len(value) > 4:
                body = struct.pack("<L", extra_at + len(extra))
                extra += value + b"\0" * (len(value) % 2)
        elif value is None:
            body = b"STRP"
        else:
            body = struct.pack("<L", value) if kind == 4 else struct.pack("<HH", value, 0)
        rows.append(struct.pack("<HHL", tag, kind, count) + body)
    head = b"II*\0" + struct.pack("<LH", 8, len(entries)) + b"".join(rows) + struct.pack("<L", 0)
    return head.replace(b"STRP", struct.pack("<L", extra_at + len(extra))) + extra + data
