"""Render the photos of the golden run: ``python tests/golden/render_photos.py [DIR]``.

Run once. The photos in ``tests/golden/photos`` are kept in the repository, so that the golden run
does not move when the renderer does; this file only says where they come from.

Twelve photos show three hairs each, the demo's courses T1, T2, T3 side by side, in three blocks:
A before colouring, just coloured and after 1, 2, 4, 6 and 8 washes, B before, just coloured and
after 4, C just coloured, one of its hairs with a band that took little, and after 4. The others:
a bare board, a careless photo, one half in shadow, one without a chart, and one each as HEIC,
16-bit TIFF and camera RAW.
"""

from __future__ import annotations

import dataclasses
import gzip
import struct
import sys
import tomllib
from pathlib import Path

import numpy as np
import pillow_heif
import tifffile
from PIL import Image

from hairtone.scene import LightShape, random_scene, render_scene, write_photo
from hairtone.scene.demo import FRAME, demo_scene

HERE = Path(__file__).resolve().parent
SCENARIO = HERE.parents[1] / "demo" / "scenario.toml"
SIZE = (1156, 867)  # pixels; small files that are measured as large ones are
SMALL = (640, 480)  # of the formats that are stored without much compression
SERIES = {
    "A": ("before", "0", "1", "2", "4", "6", "8"),
    "B": ("before", "0", "4"),
    "C": ("0", "4"),
}
DAYS = {
    "before": "2026-03-04", "0": "2026-03-04", "1": "2026-03-07", "2": "2026-03-10",
    "4": "2026-03-16", "6": "2026-03-22", "8": "2026-03-28",
}  # fmt: skip
MISSED = slice(22, 28)  # of 60 places along a hair: a band that took little colour
PLACES_X = (185.0, 420.0, 655.0)  # pixels of the demo's frame
WIDTH_PX = 118.0
BLACK, WHITE = 256, 4095  # of a 12-bit sensor


def render_series(folder: Path) -> None:
    """Write the twelve photos of the series."""
    scenario = tomllib.loads(SCENARIO.read_text(encoding="utf-8"))
    scenario["size"] = list(SIZE)
    for block, (letter, washes) in enumerate(SERIES.items()):
        for wash in washes:
            number = 40 + 8 * block + list(DAYS).index(wash)
            scene = series_scene(scenario, wash, block=block, number=number)
            write_photo(render_scene(scene), folder / f"{letter}_{wash}.jpg")


def series_scene(scenario: dict, wash: str, *, block: int, number: int):
    """Return the scene of one photo: three hairs, one of each course, in an order of its block."""
    scale = SIZE[0] / FRAME[0]
    day = DAYS[wash]
    scenes = [
        demo_scene(scenario, {"subject": subject, "wash": wash, "date": day}, number=number)
        for subject in ("T1", "T2", "T3")
    ]
    hairs = []
    for place, x in enumerate(PLACES_X):
        tress = scenes[(place + block) % 3].tresses[0]
        lift = 1 + 0.05 * np.sin(number + 2.1 * place)  # no two hairs are quite alike
        hair = np.clip(tress.hair * lift, 0, 1)
        if block == 2 and place == 1:
            along = np.linspace(0, 60, len(hair))
            missed = (along >= MISSED.start) & (along < MISSED.stop)
            hair[missed] = np.clip(1.5 * hair[missed], 0, 1)
        shift = scale * (x - 440.0)
        hairs.append(
            dataclasses.replace(
                tress,
                roots=(tress.roots[0] + shift, tress.roots[1]),
                ends=(tress.ends[0] + shift, tress.ends[1]),
                width_px=WIDTH_PX * scale,
                hair=hair,
            )
        )
    return dataclasses.replace(scenes[0], tresses=tuple(hairs))


def render_others(folder: Path) -> None:
    """Write the single photos."""
    scenario = tomllib.loads(SCENARIO.read_text(encoding="utf-8"))
    scenario["size"] = list(SIZE)
    plain = series_scene(scenario, "2", block=0, number=90)
    write_photo(render_scene(dataclasses.replace(plain, tresses=())), folder / "bare_board.jpg")
    shade = LightShape(shadow_depth=0.45, shadow_at=-0.12, shadow_deg=180.0, shadow_soft=0.02)
    write_photo(
        render_scene(dataclasses.replace(plain, light_shape=shade)), folder / "half_in_shadow.jpg"
    )
    write_photo(render_scene(dataclasses.replace(plain, chart=None)), folder / "no_chart.jpg")
    careless = random_scene(1207, protocol="ordinary", size=SIZE, tresses=2)
    write_photo(render_scene(careless), folder / "careless.jpg")
    write_heic(folder / "phone.heic")
    write_deep_tiff(folder / "deep.tif")
    write_raw(folder / "camera.dng.gz")


def write_heic(path: Path) -> None:
    """Write a photo as phones do."""
    pixels = render_scene(random_scene(1301, size=SIZE, tresses=2)).pixels
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(path, quality=85)


def linear_pixels(seed: int) -> np.ndarray:
    """Return linear codes (h, w, 3) of 12 bits from a sensor with hardly any noise."""
    scene = random_scene(seed, size=SMALL, encoded=False, tresses=2)
    sensor = dataclasses.replace(scene.sensor, full_well=0.0)
    still = dataclasses.replace(scene, sensor=sensor, board_texture=0.003)
    return render_scene(still).pixels >> 4


def write_deep_tiff(path: Path) -> None:
    """Write a 16-bit TIFF, sRGB encoded (IEC 61966-2-1), with 12 bits of content."""
    light = linear_pixels(1402) / 4095
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    codes = (np.rint(encoded * 4095).astype(np.uint16)) << 4
    tifffile.imwrite(path, codes, photometric="rgb", compression="zlib", predictor=True)


def write_raw(path: Path) -> None:
    """Write a camera RAW file (DNG 1.4), a mosaic of red-green and green-blue, packed by gzip."""
    light = linear_pixels(1503).astype(np.float64) / 4095
    mosaic = np.empty((2 * SMALL[1], 2 * SMALL[0]), "<u2")
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = np.rint(BLACK + (WHITE - BLACK) * light[..., channel])
    path.write_bytes(gzip.compress(dng_file(mosaic), 9, mtime=0))


def dng_file(mosaic: np.ndarray) -> bytes:
    """Return the bytes of a minimal DNG file of a mosaic."""

    def shorts(*values: int) -> tuple[int, int, bytes]:
        return 3, len(values), struct.pack(f"<{len(values)}H", *values)

    def long(value: int) -> tuple[int, int, bytes]:
        return 4, 1, struct.pack("<L", value)

    height, width = mosaic.shape
    data = mosaic.tobytes()
    name = b"Test Works T-1\0"
    unit = struct.pack("<18l", *(v for i in range(9) for v in (int(i % 4 == 0), 1)))
    tags = {
        254: long(0), 256: long(width), 257: long(height), 258: shorts(16), 259: shorts(1),
        262: shorts(32803), 271: (2, 11, name[:10] + b"\0"), 272: (2, 15, name), 273: long(0),
        274: shorts(1), 277: shorts(1), 278: long(height), 279: long(len(data)), 284: shorts(1),
        33421: shorts(2, 2), 33422: (1, 4, bytes([0, 1, 1, 2])), 50706: (1, 4, bytes([1, 4, 0, 0])),
        50708: (2, 15, name), 50714: shorts(BLACK), 50717: shorts(WHITE), 50721: (10, 9, unit),
    }  # fmt: skip
    start = 8 + 2 + 12 * len(tags) + 4
    long_ones = b"".join(
        body + bytes(len(body) % 2) for _, _, body in tags.values() if len(body) > 4
    )
    tags[273] = long(start + len(long_ones))
    rows, used = b"", 0
    for tag, (kind, count, body) in tags.items():
        held = body.ljust(4, b"\0") if len(body) <= 4 else struct.pack("<L", start + used)
        used += 0 if len(body) <= 4 else len(body) + len(body) % 2
        rows += struct.pack("<HHL", tag, kind, count) + held
    return b"II*\0" + struct.pack("<LH", 8, len(tags)) + rows + bytes(4) + long_ones + data


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "photos"
    target.mkdir(parents=True, exist_ok=True)
    render_series(target)
    render_others(target)
