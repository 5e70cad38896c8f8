"""Rendered photos of known truth for the benchmarks, kept in a cache folder between runs."""

from __future__ import annotations

import hashlib
import itertools
import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import hairtone
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, delta_e
from hairtone.scene import Wish, random_scene, render_scene
from hairtone.scene.types import ZONES, TressTruth
from hairtone.spectra.hair import HAIR_CLASSES
from hairtone.spectra.lights import LIGHT_FAMILIES

FIRST_SEED = 50_000  # scenes of the benchmark; the tests' own seeds lie below


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """A rendered photo and what it shows.

    Attributes
    ----------
    number : int
        From 0; the scene's seed less `FIRST_SEED`.
    protocol, hair_class, light_family, light : str
        What was drawn.
    jpeg : bytes
        The file; empty for a raw case.
    pixels : ndarray or None
        16-bit linear pixels of a raw case.
    corners : ndarray, shape (4, 2)
        Of the chart's patch field.
    tress : TressTruth
        The one tress.
    """

    number: int
    protocol: str
    hair_class: str
    light_family: str
    light: str
    jpeg: bytes
    pixels: NDArray[np.uint16] | None
    corners: Floats
    tress: TressTruth

    @property
    def zones(self) -> dict[str, Floats]:
        """True L*a*b* of the zones, D65/10."""
        return self.tress.zones(DEFAULT_VIEWING)

    @property
    def root_to_ends(self) -> float:
        """True ΔE00 of roots and ends."""
        zones = self.zones
        return float(delta_e(zones[ZONES[0]], zones[ZONES[2]]))

    @property
    def roots_side(self) -> str:
        """Where the roots lie, as the sheet would say it."""
        x, y = self.tress.line[0] - self.tress.line[-1]
        if abs(y) >= abs(x):
            return "top" if y < 0 else "bottom"
        return "left" if x < 0 else "right"


def rendered_cases(
    count: int,
    *,
    is_raw: bool = False,
    protocol: str = "both",
    size: tuple[int, int] = (1632, 1224),
    cache: Path | None = None,
    first: int = 0,
) -> list[Case]:
    """The benchmark's photos: every light family with every class of hair, in turn.

    Parameters
    ----------
    count : int
        How many.
    is_raw : bool, optional
        Linear sensor values instead of encoded photos.
    protocol : str, optional
        ``"careful"``, ``"ordinary"``, or ``"both"`` by turns.
    size : tuple of int, optional
        Width and height. [pixels]
    cache : Path, optional
        Folder that keeps rendered photos; a change of the renderer makes new ones.
    first : int, optional
        Number of the first one; other numbers are other draws.
    """
    mixes = list(itertools.product(LIGHT_FAMILIES, HAIR_CLASSES))
    cases = []
    for number in range(first, first + count):
        light_family, hair_class = mixes[(number * 7) % len(mixes)]  # 7 and 20 share no factor
        drawn = ("careful", "ordinary")[number % 2] if protocol == "both" else protocol
        key = f"{number}-{drawn}-{'raw' if is_raw else 'jpeg'}-{size[0]}x{size[1]}"
        path = None if cache is None else cache / f"{key}-{_renderer_version()}.pickle"
        if path is not None and path.exists():
            cases.append(pickle.loads(path.read_bytes()))
            continue
        case = _render(number, drawn, hair_class, light_family, is_raw=is_raw, size=size)
        if path is not None:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(pickle.dumps(case))
        cases.append(case)
    return cases


def _render(
    number: int,
    protocol: str,
    hair_class: str,
    light_family: str,
    *,
    is_raw: bool,
    size: tuple[int, int],
) -> Case:
    scene = random_scene(
        FIRST_SEED + number,
        protocol=protocol,
        encoded=not is_raw,
        size=size,
        wish=Wish(hair_class=hair_class, light_family=light_family),
    )
    photo = render_scene(scene)
    return Case(
        number=number,
        protocol=protocol,
        hair_class=hair_class,
        light_family=light_family,
        light=scene.light.name,
        jpeg=photo.jpeg,
        pixels=photo.pixels if is_raw else None,
        corners=photo.truth.corners,
        tress=photo.truth.tresses[0],
    )


def _renderer_version() -> str:
    """Hash of the code and the figures that rendered photos depend on."""
    package = Path(hairtone.__file__).parent
    files = sorted([*package.glob("scene/*.py"), *package.glob("spectra/*.py"), Path(__file__)])
    digest = hashlib.sha256()
    for path in files:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]
