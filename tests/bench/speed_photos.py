"""Photos for the speed benchmark: one scene enlarged, with as many distinct colours as asked."""

from __future__ import annotations

import csv
import dataclasses
import io
import tomllib
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hairtone.colorimetry import Floats
from hairtone.locations import demo_path
from hairtone.scene.demo import demo_scene
from hairtone.scene.render import render_scene
from hairtone.scene.types import RenderedPhoto

# SD of the noise laid over the enlarged scene, in codes: a phone's smoothing, its plain output,
# its output in dim light; our choice, to span the distinct colours of real photos
NOISES = {"few": 2.0, "many": 5.0, "very many": 9.0}
QUALITY = 93  # with 4:2:0, as cameras write; our choice


@dataclasses.dataclass(frozen=True, kw_only=True)
class SpeedPhoto:
    """A JPEG, how many colours it holds, and what its peers are told about it."""

    name: str
    jpeg: bytes
    size: tuple[int, int]
    colours: int
    corners: Floats
    line: Floats
    width: float

    @property
    def megapixels(self) -> float:
        return self.size[0] * self.size[1] / 1e6

    @property
    def rgb_mb(self) -> float:
        return 3 * self.megapixels


@cache
def small_scene() -> RenderedPhoto:
    """A photo of the demo, 2 megapixels, rendered once."""
    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    with demo_path("photos.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return render_scene(demo_scene(scenario, rows[2], number=2))


def speed_photo(megapixels: float, kind: str, *, seed: int = 1) -> SpeedPhoto:
    """The scene at that size with noise of that kind; 4 : 3."""
    rendered = small_scene()
    width = 8 * round(np.sqrt(megapixels * 1e6 * 4 / 3) / 8)
    height = round(width * rendered.pixels.shape[0] / rendered.pixels.shape[1])
    large = cv2.resize(rendered.pixels, (width, height), interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(seed).normal(0, NOISES[kind], (height, width, 3))
    pixels = np.clip(np.rint(large + noise), 0, 255).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=QUALITY, subsampling="4:2:0")
    scale = width / rendered.pixels.shape[1]
    tress = rendered.truth.tresses[0]
    assert rendered.truth.corners is not None
    return SpeedPhoto(
        name=f"{megapixels:g} MP, {kind}",
        jpeg=file.getvalue(),
        size=(width, height),
        colours=distinct_colours(np.asarray(Image.open(file))),
        corners=rendered.truth.corners * scale,
        line=tress.line * scale,
        width=0.8 * scale * float(tress.mask.sum() / np.ptp(tress.line[:, 1])),
    )


def distinct_colours(pixels: NDArray[np.uint8]) -> int:
    """How many colours a picture holds."""
    seen = np.zeros(1 << 24, bool)
    wide = pixels.astype(np.uint32)
    seen[wide[..., 0] << 16 | wide[..., 1] << 8 | wide[..., 2]] = True
    return int(seen.sum())
