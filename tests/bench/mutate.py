"""Read thousands of damaged photo files: each must be refused in our words, or be read.

    python tests/bench/mutate.py --files 10000 [--seed 1]

Sound files of every format are bent: bits flipped, bytes set, pieces cut, zeroed, doubled, moved or
swapped between files. Files are read in a child process, so that a crash of a decoder is
seen and counted. Of those that are read, it is told whether the pixels are still the sound ones, or
changed with or without a flag: a change that no decoder can see is why photos are registered by
their SHA-256.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from photo.pictures import camera_jpeg, deep_png, dng_of, encoded, picture

from hairtone.errors import PhotoError
from hairtone.photo.reader import read_photo_bytes

BATCH = 500
SLOW_S = 5.0  # our choice: a sound file of this size takes a hundredth of it
Mutation = Callable[[bytearray, np.random.Generator], bytearray]


@cache
def sound_files() -> dict[str, bytes]:
    """One small file of each kind."""
    pixels = picture(320, 256)
    deep = pixels.astype(np.uint16) * 257
    mosaic = np.random.default_rng(0).integers(256, 4096, (512, 512)).astype(np.uint16)
    files = {
        "jpeg": camera_jpeg(pixels),
        "jpeg 4:2:0 progressive": camera_jpeg(pixels, subsampling=2, progressive=True),
        "png": encoded(pixels, "PNG"),
        "png 16": deep_png(deep),
        "tiff": encoded(pixels, "TIFF"),
        "tiff lzw": encoded(pixels, "TIFF", compression="tiff_lzw"),
        "tiff deflate": encoded(pixels, "TIFF", compression="tiff_adobe_deflate"),
        "webp": encoded(pixels, "WEBP", quality=90),
        "webp lossless": encoded(pixels, "WEBP", lossless=True),
        "dng": dng_of(mosaic),
    }
    try:
        files["heic"] = heic_of(pixels)
        files["tiff 16"] = deep_tiff_of(deep)
    except ImportError as fault:
        print(f"left out: {fault}", file=sys.stderr)
    return files


def heic_of(pixels: np.ndarray) -> bytes:
    import io

    import pillow_heif
    from PIL import Image

    buffer = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(buffer, quality=90)
    return buffer.getvalue()


def deep_tiff_of(deep: np.ndarray) -> bytes:
    import io

    import tifffile

    buffer = io.BytesIO()
    tifffile.imwrite(buffer, deep, photometric="rgb", compression="zlib")
    return buffer.getvalue()


def _places(data: bytearray, rng: np.random.Generator) -> tuple[int, int]:
    """A place, more often among the headers, and a length."""
    reach = len(data) if rng.random() < 0.5 else min(len(data), 1024)
    return int(rng.integers(reach)), int(2 ** rng.uniform(0, 12))


def flip_bits(data: bytearray, rng: np.random.Generator) -> bytearray:
    for _ in range(int(rng.integers(1, 9))):
        data[_places(data, rng)[0]] ^= 1 << int(rng.integers(8))
    return data


def set_bytes(data: bytearray, rng: np.random.Generator) -> bytearray:
    for _ in range(int(rng.integers(1, 5))):
        data[_places(data, rng)[0]] = int(rng.choice([0, 1, 127, 128, 254, 255]))
    return data


def set_number(data: bytearray, rng: np.random.Generator) -> bytearray:
    at = _places(data, rng)[0]
    number = int(rng.choice([0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, len(data)]))
    data[at : at + 4] = number.to_bytes(4, "big" if rng.random() < 0.5 else "little")
    return data


def cut(data: bytearray, rng: np.random.Generator) -> bytearray:
    return data[: int(rng.integers(len(data)))]


def zero(data: bytearray, rng: np.random.Generator) -> bytearray:
    at, length = _places(data, rng)
    data[at : at + length] = bytes(min(length, len(data) - at))
    return data


def drop(data: bytearray, rng: np.random.Generator) -> bytearray:
    at, length = _places(data, rng)
    del data[at : at + length]
    return data


def double(data: bytearray, rng: np.random.Generator) -> bytearray:
    at, length = _places(data, rng)
    data[at:at] = data[at : at + length]
    return data


def scramble(data: bytearray, rng: np.random.Generator) -> bytearray:
    at, length = _places(data, rng)
    length = min(length, len(data) - at)
    data[at : at + length] = rng.bytes(length)
    return data


def graft(data: bytearray, rng: np.random.Generator) -> bytearray:
    other = sound_files()[str(rng.choice(list(sound_files())))]
    at, length = _places(data, rng)
    start = int(rng.integers(len(other)))
    data[at : at + length] = other[start : start + length]
    return data


MUTATIONS: tuple[Mutation, ...] = (
    flip_bits, set_bytes, set_number, cut, zero, drop, double, scramble, graft,
)  # fmt: skip


def mutant(number: int, *, seed: int) -> tuple[str, bytes]:
    """The damaged file of that number, and the kind it was made from."""
    rng = np.random.default_rng([seed, number])
    kind = list(sound_files())[number % len(sound_files())]
    data = bytearray(sound_files()[kind])
    for _ in range(1 + int(rng.random() < 0.3)):
        data = MUTATIONS[int(rng.integers(len(MUTATIONS)))](data, rng)
        if not data:
            break
    return kind, bytes(data)


@cache
def sound_pixels(kind: str) -> np.ndarray:
    return read_photo_bytes(sound_files()[kind], name=kind).pixels


def outcome(kind: str, data: bytes) -> str:
    """What became of one damaged file; anything but our own error is an escape."""
    try:
        photo = read_photo_bytes(data, name="mutant")
    except PhotoError as error:
        is_whole = bool(error.where and error.says and error.remedy)
        return f"refused: {error.code}" if is_whole else "ESCAPE: an error without cause or remedy"
    except Exception as fault:
        return f"ESCAPE: {type(fault).__name__}: {fault}"
    sound = sound_pixels(kind)
    if photo.pixels.shape == sound.shape and (photo.pixels == sound).all():
        return "read: pixels unchanged"
    expected = {flag.code for flag in read_photo_bytes(sound_files()[kind], name="mutant").flags}
    doubts = {flag.code for flag in photo.flags} - expected
    return "read: pixels changed, flagged" if doubts else "read: pixels changed unseen"


def outcomes(numbers: range, *, seed: int) -> Iterator[tuple[int, str, str, float]]:
    """Number, kind, outcome and seconds of each damaged file."""
    for number in numbers:
        kind, data = mutant(number, seed=seed)
        started = time.monotonic()
        said = outcome(kind, data)
        yield number, kind, said, time.monotonic() - started


def run_in_children(files: int, *, seed: int) -> list[tuple[int, str, str, float]]:
    """All outcomes; a batch whose child dies is taken up again behind the file that killed it."""
    rows: list[tuple[int, str, str, float]] = []
    while len(rows) < files:
        first, last = len(rows), min(len(rows) + BATCH, files)
        command = [sys.executable, __file__, "--child", f"{first}:{last}", "--seed", str(seed)]
        child = subprocess.run(command, capture_output=True, text=True, check=False)
        rows += [tuple(json.loads(line)) for line in child.stdout.splitlines()]
        if len(rows) < last and child.returncode:
            number = len(rows)
            kind = list(sound_files())[number % len(sound_files())]
            rows.append((number, kind, f"ESCAPE: the child died ({child.returncode})", 0.0))
        print(f"\r{len(rows)} of {files}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return rows


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=10000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.child:
        first, last = map(int, options.child.split(":"))
        for row in outcomes(range(first, last), seed=options.seed):
            print(json.dumps(row), flush=True)
        return 0
    rows = run_in_children(options.files, seed=options.seed)
    for said, count in sorted(Counter(said for _, _, said, _ in rows).items()):
        print(f"{count:7d}  {said}")
    unseen = Counter(kind for _, kind, said, _ in rows if said.endswith("unseen"))
    print("pixels changed unseen, by kind:", dict(sorted(unseen.items())))
    slow = [(number, seconds) for number, _, _, seconds in rows if seconds > SLOW_S]
    print(f"slower than {SLOW_S:.0f} s: {slow or 'none'}")
    escapes = [row for row in rows if row[2].startswith("ESCAPE")]
    for number, kind, said, _ in escapes[:20]:
        print(f"file {number} ({kind}): {said}")
    print(f"{len(escapes)} escapes of {len(rows)}")
    return 1 if escapes or slow else 0


if __name__ == "__main__":
    sys.exit(main())
