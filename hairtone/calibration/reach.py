"""Colours beyond what the chart's patches, or the file, can say anything of."""

from __future__ import annotations

from typing import Final

import numpy as np

from hairtone.calibration.types import Calibration
from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.locations import read_limits

DIRECTIONS: Final = 72  # in which the patches' reach is looked up: right to 0.1 % of it
MARGIN: Final = 0.05  # of it that a colour may lie beyond; our choice, print and noise
LEAST_LIGHT: Final = 0.002  # of white, flare off: a channel under this has been cut off; our choice
LEAST_BRIGHT: Final = 0.05  # of white in another one, as black hair is no vivid hair; our choice
NAMES: Final = ("red", "green", "blue")


def vividness(light: Floats) -> Floats:
    """Red over green and yellow over blue of balanced light (n, 3), whatever its depth, (n, 2)."""
    r, g, b = np.moveaxis(np.cbrt(np.maximum(light, 0.0)), -1, 0)
    mean = np.maximum((r + g + b) / 3, 1e-6)
    return np.stack([r - g, (r + g) / 2 - b], axis=-1) / mean[..., None]


def lies_outside(light: Floats, chart: Floats) -> np.ndarray:
    """Whether colours are more vivid than any mixture of patches or lack a channel, shape (n,).

    Parameters
    ----------
    light : ndarray, shape (n, 3)
        Balanced linear light of the colours.
    chart : ndarray, shape (m, 3)
        That of the patches.
    """
    turn = 2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    ways = np.stack([np.cos(turn), np.sin(turn)])
    reach = (vividness(chart) @ ways).max(axis=0)
    beyond = (vividness(light) @ ways > reach * (1 + MARGIN)).any(axis=1)
    return np.asarray(beyond | _lacks(light).any(axis=1))


def _lacks(light: Floats) -> np.ndarray:
    """Channels that read nothing beside one that is bright, shape (n, 3)."""
    is_bright = light.max(axis=1, keepdims=True) > LEAST_BRIGHT
    return np.asarray((light < LEAST_LIGHT) & is_bright)


def outside_flags(calibration: Calibration, light: Floats) -> tuple[Flag, ...]:
    """The doubt about hair whose colour the chart does not span, or the file cannot hold.

    Its interval is that of all hair which gives the same reading, so it is wide already.

    Parameters
    ----------
    calibration : Calibration
        Of the photo.
    light : ndarray, shape (n, 3)
        Balanced linear light of places along the hair.
    """
    if calibration.chart_light is None:
        return ()
    outside = lies_outside(light, calibration.chart_light)
    limit = read_limits("calibration")["flag_outside_above"]
    if outside.mean() <= limit:
        return ()
    lost = [NAMES[k] for k in np.flatnonzero(_lacks(light[outside]).mean(axis=0) > 0.5)]
    says = (
        f"The file cannot hold a colour so vivid: it has cut off the {' and '.join(lost)} of the "
        f"hair at zero."
        if lost
        else "The hair is more vivid than any patch of the chart."
    )
    return (
        Flag(
            code="colour-outside",
            says=f"{says} This holds for {outside.mean():.0%} of its length (flagged above "
            f"{limit:.0%}), and the figures are less certain there.",
            remedy="Photograph in RAW or in Display P3, or lay a swatch of known colour beside "
            "the hair.",
        ),
    )
