"""Drift of tone in words, told against the hair's own brown axis."""

from __future__ import annotations

from typing import Final

import numpy as np

from hairtone.colorimetry import Floats

BROWN_HUE: Final = 68.0  # degrees, where hair is too grey to have a hue of its own; our choice
LEAST_CHROMA: Final = 4.0  # C*ab under which hair counts as too grey for that; our choice
_PART: Final = 0.35  # share of the drift below which a direction is not named; our choice
NO_DRIFT: Final = "tone held"


def brown_axis(before: Floats) -> tuple[Floats, Floats]:
    """Unit vectors in a*, b*: towards more of the hair's own warm brown, and towards red from it.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* of the hair before colouring.
    """
    a, b = float(before[1]), float(before[2])
    size = float(np.hypot(a, b))
    if size < LEAST_CHROMA:
        hue = np.radians(BROWN_HUE)
        a, b, size = float(np.cos(hue)), float(np.sin(hue)), 1.0
    warm = np.array([a, b]) / size
    return warm, np.array([warm[1], -warm[0]])


def describe_drift(
    before: Floats, dye: Floats, drift: Floats, *, critical: float, least: float
) -> str:
    """Which way the tone went beside the straight way back to the hair's own colour.

    Parameters
    ----------
    before : ndarray, shape (3,)
        L*a*b* before colouring.
    dye : ndarray, shape (3,)
        Colour just after colouring less colour before. [Lab units]
    drift : ndarray, shape (3,)
        What is off the straight way. [Lab units]
    critical : float
        What no drift stays under. [ΔE*ab]
    least : float
        Drift that is too small for words. [ΔE*ab]
    """
    size = float(np.linalg.norm(drift))
    if size <= critical:
        return "no drift of tone that these photos resolve"
    if size < least:
        return NO_DRIFT
    warm, red = brown_axis(before)
    tone = np.asarray(drift[1:], dtype=np.float64)
    along, across, light = float(tone @ warm), float(tone @ red), float(drift[0])
    words = []
    if abs(along) > _PART * size:
        words.append("warmer" if along > 0 else "cooler")
    if abs(across) > _PART * size:
        words.append("redder" if across > 0 else "greener")
    if abs(light) > _PART * size:
        words.append("lighter" if light > 0 else "darker")
    put_in = np.asarray(dye[1:], dtype=np.float64)
    leaves = _what_leaves(put_in @ np.stack([warm, red], axis=1), (along, across), _PART * size)
    return " and ".join(words) + (f"; {leaves}" if leaves else "")


def _what_leaves(dye: Floats, moved: tuple[float, float], least: float) -> str:
    """The part of the dye's own tone, towards warm and red, that went ahead of the rest."""
    (warm, red), (along, across) = (float(v) for v in dye), moved
    parts = {
        "the red leaves first": (red, across),
        "the green leaves first": (-red, -across),
        "the gold leaves first": (warm, along),
        "the ash leaves first": (-warm, -along),
    }
    size = float(np.hypot(warm, red))
    ahead = {
        words: -went
        for words, (put_in, went) in parts.items()
        if put_in > _PART * size and -went > least
    }
    return max(ahead, key=lambda words: ahead[words]) if ahead else ""
