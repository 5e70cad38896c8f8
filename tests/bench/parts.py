"""What each part of the hair room costs the difference of roots and ends: the truth in its place.

``python tests/bench/parts.py [--photos 80] [--first 0] [--raw] [--cache DIR]``

Calibration and everything else stay as found. "No highlights" is the same scene without them.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final
from unittest.mock import patch

import numpy as np
from ablation import _shine_left_in
from accuracy import _raw_photo
from cases import FIRST_SEED, Case, rendered_cases
from scoring import mean_and_p95

from hairtone.colorimetry import delta_e
from hairtone.errors import HairtoneError
from hairtone.hair import body, profile
from hairtone.hair.strands import find_strands
from hairtone.hair.types import Strand
from hairtone.measures.zones import zone_estimates
from hairtone.photo.reader import read_photo
from hairtone.photo.types import Photo
from hairtone.pipeline import calibrate_photo
from hairtone.request import PhotoRequest
from hairtone.scene import Wish, random_scene, render_scene
from hairtone.scene.development import light_at
from hairtone.scene.types import Scene

NONE: Final = frozenset[str]()
PARTS: Final = {
    "as found": NONE,
    "true light": frozenset({"light"}),
    "true shading": frozenset({"shading"}),
    "true outline": frozenset({"outline"}),
    "no highlights": frozenset({"shine"}),
    "all of these": frozenset({"light", "shading", "outline", "shine"}),
}


def main() -> None:
    """Render, measure with each truth in turn, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=80, help="rendered photos (default 80)")
    parser.add_argument("--first", type=int, default=0, help="number of the first: other draws")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    arguments = parser.parse_args()
    cases = rendered_cases(
        arguments.photos, is_raw=arguments.raw, cache=arguments.cache, first=arguments.first
    )
    errors: dict[str, list[float]] = {name: [] for name in PARTS}
    for case in cases:
        with contextlib.suppress(HairtoneError):
            for name, error in gap_errors(case).items():
                errors[name].append(error)
    print(f"{'':<16} {'photos':>6} {'roots to ends':>14}")
    for name, found in errors.items():
        print(f"{name:<16} {len(found):>6} {mean_and_p95(np.abs(found)):>14}")


def gap_errors(case: Case) -> dict[str, float]:
    """Measured less true ΔE00 of roots and ends, by what is known of the truth."""
    scene = random_scene(
        FIRST_SEED + case.number,
        protocol=case.protocol,
        encoded=case.pixels is None,
        wish=Wish(hair_class=case.hair_class, light_family=case.light_family),
    )
    photo, dull = _photo(case), _photo(_without_highlights(case, scene))
    seen = calibrate_photo(photo, PhotoRequest(path=Path(photo.name)))
    reading, calibration, light = seen.chart, seen.calibration, seen.light
    strands = find_strands(photo, reading, calibration, light, roots=case.roots_side)
    middle = case.tress.line.mean(axis=0)
    found = min(strands, key=lambda s: float(np.hypot(*(np.mean(s.line, axis=0) - middle))))
    tress = case.tress
    true = Strand(
        name=found.name, line=tress.line, width=tress.width, mask=tress.mask, box=tress.box
    )
    told = {}
    for name, known in PARTS.items():
        with contextlib.ExitStack() as stack:
            for swap in _swaps(scene, known):
                stack.enter_context(swap)
            strand = true if "outline" in known else found
            shown = dull if "shine" in known else photo
            zones = zone_estimates(profile.measure_profile(shown, calibration, light, strand))
        told[name] = float(delta_e(zones["roots"].lab, zones["ends"].lab)) - case.root_to_ends
    return told


def _swaps(scene: Scene, known: frozenset[str]) -> list[Any]:
    stands: dict[str, tuple[object, str, Callable[..., Any]]] = {
        "light": (profile, "_field_in_cells", lambda _, cells: _true_light(scene, cells)),
        "shading": (body, "fit_shading", lambda *_: _true_shading(scene, _[2])),
        "shine": (body, "fit_shine", _shine_left_in),
    }
    return [patch.object(*stand) for part, stand in stands.items() if part in known]


def _true_light(scene: Scene, cells: Any) -> Any:
    x, y = cells.centres.T
    assert scene.chart is not None
    at = np.array(scene.chart.centre)[:, None]
    light = light_at(scene.light_shape, x, y, size=scene.size)
    return (light / light_at(scene.light_shape, *at, size=scene.size)).reshape(-1, cells.lanes)


def _true_shading(scene: Scene, across: Any) -> Any:
    fall = 1 - np.sqrt(np.maximum(1 - 0.96 * across**2, 0.0))  # as the scene's tress has it
    log = np.log(1 - scene.tresses[0].curvature * fall)
    return SimpleNamespace(log=log, log_draws=lambda shaken: np.tile(log, (len(shaken), 1)))


def _without_highlights(case: Case, scene: Scene) -> Case:
    bare = dataclasses.replace(scene.tresses[0], shines=())
    shown = render_scene(dataclasses.replace(scene, tresses=(bare,)))
    pixels = None if case.pixels is None else shown.pixels
    return dataclasses.replace(case, jpeg=shown.jpeg, pixels=pixels)


def _photo(case: Case) -> Photo:
    if case.pixels is not None:
        return _raw_photo(case)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / f"{case.number}.jpg"
        path.write_bytes(case.jpeg)
        return read_photo(path)


if __name__ == "__main__":
    main()
