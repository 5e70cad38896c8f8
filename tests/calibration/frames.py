"""Small pictures of a board with chart and hair under a known light, for tests of the light."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hairtone.chart.types import ChartReading
from hairtone.colorimetry import Floats, decode_srgb, encode_srgb
from hairtone.photo.types import Encoding, Photo

SIZE = (960, 640)  # width, height [pixels]
CORNERS = np.array([[60.0, 60.0], [300.0, 60.0], [300.0, 220.0], [60.0, 220.0]])
CENTRES = np.array([[80.0 + 40 * (k % 6), 80.0 + 40 * (k // 6)] for k in range(24)])
HAIR = (slice(120, 600), slice(480, 640))  # rows, columns
SRGB_8 = Encoding(
    name="sRGB", table=np.repeat(np.linspace(0, 1, 256)[:, None], 3, axis=1), to_xyz=np.eye(3)
)

LightLaw = Callable[[Floats, Floats], Floats]


class PlainModel:
    """Codes are plain sRGB; a perfect white is 1, 1, 1."""

    def linear(self, encoded):
        return decode_srgb(encoded)


def pixel_grid() -> tuple[Floats, Floats]:
    """x and y of every pixel, shape (h, w)."""
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    return x, y


def make_frame(
    law: LightLaw,
    reading: ChartReading,
    *,
    seed: int = 0,
    hair: tuple[float, float, float] = (0.12, 0.06, 0.03),
    noise: float = 0.03,
    tint: LightLaw | None = None,
    flare: float = 0.0,
) -> Photo:
    """A photo of board, chart and hair, the light given by `law` (1 at the chart's centre)."""
    rng = np.random.default_rng(seed)
    x, y = pixel_grid()
    scene = np.full((*x.shape, 3), 0.2)
    scene[40:240, 40:320] = 0.03  # the chart's black frame
    for centre, encoded in zip(CENTRES, reading.encoded, strict=True):
        left, top = (centre - 16).astype(int)
        scene[top : top + 32, left : left + 32] = decode_srgb(encoded)
    strands = np.exp(0.3 * rng.standard_normal((1, HAIR[1].stop - HAIR[1].start)))
    scene[HAIR] = np.array(hair) * strands[..., None]
    light = law(x, y)[..., None] * np.ones(3)
    if tint is not None:
        light = light * np.stack([tint(x, y), np.ones_like(x), 1 / tint(x, y)], axis=-1)
    seen = scene * light * (1 + noise * rng.standard_normal((*x.shape, 1))) + flare
    codes = np.clip(np.round(255 * encode_srgb(np.clip(seen, 0, 1))), 0, 255).astype(np.uint8)
    return Photo(name="frame.png", sha256="0" * 64, pixels=codes, encoding=SRGB_8)
