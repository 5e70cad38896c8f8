"""Whether copies of one picture agree: other format, quality, size, crop, a code of noise.

``python tests/bench/copies.py [--real] [--photos 8] [--cache DIR]``

The hair of rendered photos is measured in every copy, and four strips along the sides of real
ones, whatever they show. A pair of copies whose L*a*b* lie further apart than both intervals
together is told.
"""

from __future__ import annotations

import argparse
import io
import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from cases import rendered_cases
from PIL import Image
from real_photos import PHOTOS, SERIES, SETS, SUFFIXES

from hairtone.colorimetry import Floats, delta_e
from hairtone.errors import PhotoError
from hairtone.photo.reader import read_photo_bytes
from hairtone.pipeline import measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.scene.types import ZONES

Copy = tuple[bytes, float, int]  # the file, its scale, and the pixels cut off at left and top
Told = dict[tuple[int, str], tuple[Floats, float]]
INSIDE = 0.06  # of a side: how far from it a strip lies, about as wide as it is
LONGEST = 2400  # pixels; larger pictures are reduced first, for speed
QUALITIES = (70, 80, 88, 92, 95, 98)
SCALES = (0.97, 0.985, 1.03)
CROPS = (3, 7, 16)


def copies(picture: Image.Image) -> Iterator[Copy]:
    """Copies of a picture that an eye cannot tell apart."""
    width, height = picture.size
    yield _saved(picture, "PNG"), 1.0, 0
    for quality in QUALITIES:
        yield _saved(picture, "JPEG", quality=quality), 1.0, 0
    for scale in SCALES:
        size = (round(width * scale), round(height * scale))
        yield _saved(picture.resize(size, Image.Resampling.LANCZOS), "JPEG", quality=95), scale, 0
    for cut in CROPS:
        part = picture.crop((cut, cut, width - cut // 2, height - cut // 2))
        yield _saved(part, "JPEG", quality=95), 1.0, cut
    codes = np.asarray(picture, np.int16)
    noise = np.random.default_rng(0).integers(-1, 2, codes.shape)
    shaken = Image.fromarray(np.clip(codes + noise, 0, 255).astype(np.uint8))
    yield _saved(shaken, "PNG"), 1.0, 0


def _saved(picture: Image.Image, kind: str, **settings: int) -> bytes:
    file = io.BytesIO()
    picture.save(file, kind, **settings)
    return file.getvalue()


def strips(size: tuple[int, int]) -> list[Floats]:
    """Lines along the four sides."""
    width, height = size
    upright = [
        [(x * width, 0.15 * height), (x * width, 0.85 * height)] for x in (INSIDE, 1 - INSIDE)
    ]
    across = [
        [(0.15 * width, y * height), (0.85 * width, y * height)] for y in (INSIDE, 1 - INSIDE)
    ]
    return [np.array(line) for line in upright + across]


def told_by(copy: Copy, lines: list[Floats], *, width: float) -> Told:
    """Colour and u95 of every zone that was not refused."""
    data, scale, cut = copy
    hairs = tuple(
        HairRequest(place=place, line=(line + 0.5) * scale - 0.5 - cut, width=width)
        for place, line in enumerate(lines, start=1)
    )
    try:
        photo = read_photo_bytes(data, name="copy")
    except PhotoError:  # such as a crop that is too small
        return {}
    result = measure_pixels(photo, PhotoRequest(path=Path("copy"), hairs=hairs))
    found = {}
    for tress in result.tresses:
        zones = tress.to_dict()["zones"] if tress.error is None else {}
        for zone in ZONES if zones else ():
            found[tress.place, zone] = (np.array(zones[zone]["lab"]), float(zones[zone]["u95"]))
    return found


def pictures(arguments: argparse.Namespace) -> Iterator[tuple[str, Image.Image, list[Floats]]]:
    """Rendered photos with the line of their hair, or real ones of a chart with four strips."""
    if not arguments.real:
        for case in rendered_cases(arguments.photos, cache=arguments.cache):
            picture = Image.open(io.BytesIO(case.jpeg)).convert("RGB")
            yield str(case.number), picture, [case.tress.line]
        return
    for folder in SETS:
        paths = sorted(PHOTOS.joinpath(folder).glob("*")) if folder != SERIES else []
        for path in (p for p in paths if p.suffix in SUFFIXES):
            with Image.open(path) as picture:
                shown = picture.convert("RGB")
            shown.thumbnail((LONGEST, LONGEST))
            yield f"{folder}/{path.name}", shown, strips(shown.size)


def main() -> None:
    """Copy, measure, compare, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=8, help="rendered photos (default 8)")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    parser.add_argument("--real", action="store_true", help="real photos of a chart instead")
    apart = []
    for name, picture, lines in pictures(parser.parse_args()):
        width = 0.05 * min(picture.size)
        told = [told_by(copy, lines, width=width) for copy in copies(picture)]
        here = [
            float(delta_e(one[key][0], other[key][0]) / np.hypot(one[key][1], other[key][1]))
            for one, other in itertools.combinations(told, 2)
            for key in one.keys() & other.keys()
        ]
        if here and max(here) > 1:
            print(f"{name}: {sum(x > 1 for x in here)} of {len(here)} pairs, worst {max(here):.1f}")
        apart += here
    beyond = sum(x > 1 for x in apart)
    print(f"{beyond} of {len(apart)} pairs lie further apart than both intervals together")


if __name__ == "__main__":
    main()
