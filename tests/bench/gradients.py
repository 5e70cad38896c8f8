"""Is hair that is lighter in itself told from glare? Rendered photos of either, along a given line.

``python tests/bench/gradients.py [--photos 40] [--first 0] [--rows NAME ...] [--cache DIR]``

Fibres differ from photo to photo in how much, how far along and how evenly their light varies, and
in how uneven glare is from fibre to fibre. A row prints the error of roots to ends (mean and 95th
percentile), its size over the true one, how often its interval holds with the 95 % interval of that
rate, its median width, how far places drift that did not change, and the share flagged.
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import pickle
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.stats import beta

import hairtone
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, delta_e
from hairtone.errors import HairtoneError
from hairtone.hair.profile import measure_profile
from hairtone.hair.strands import strand_along
from hairtone.measures.evenness import measure_evenness
from hairtone.photo.reader import read_photo
from hairtone.pipeline import calibrate_photo
from hairtone.request import PhotoRequest
from hairtone.scene import Shine, Wish, random_scene, render_scene
from hairtone.scene.layout import AlongHair, run_along, tress_hair
from hairtone.scene.types import Scene, Tress, TressTruth
from hairtone.spectra.hair import HairRecipe, draw_dyes, draw_hair

FIRST_SEED = 300_000
SIZE = (1224, 918)
LINE_WIDTH = 0.8  # width of the strip, share of the tress
DRAWN = 1  # raise it when a row draws other scenes: cached photos are then made anew
HAIRS: Final = ("brown", "auburn", "blond")
Draw = Callable[[np.random.Generator], dict[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A calibrated photo, the hair in it, and the truth."""

    photo: Any
    calibration: Any
    light: Any
    strand: Any
    truth: TressTruth
    onset: float


def recipe_of(kind: str, rng: np.random.Generator) -> HairRecipe:
    """What is in hair of that kind."""
    seed = int(rng.integers(2**31))
    base = draw_hair("light", seed=seed)
    if kind == "brown":
        return dataclasses.replace(base, melanin=10 ** rng.uniform(0.7, 1.4), dyes=())
    if kind == "blond":
        return dataclasses.replace(base, melanin=10 ** rng.uniform(-0.6, 0.3), dyes=())
    if kind == "auburn":
        dyes = draw_dyes(("copper", "red"), rng, count=1, high=0.9)
        return dataclasses.replace(base, melanin=10 ** rng.uniform(0.4, 1.1), dyes=dyes)
    if kind == "vivid":
        dyes = draw_dyes(("red", "violet", "blue", "pink"), rng, count=1, high=1.0)
        return dataclasses.replace(base, melanin=10 ** rng.uniform(-0.3, 0.5), dyes=dyes)
    return dataclasses.replace(base, melanin=10 ** rng.uniform(0.6, 2.0), dyes=())  # neutral


def even_hair(kind: str, rng: np.random.Generator) -> Floats:
    """Reflectances of hair alike all along, (31, 8, 81); neutral hair keeps little chroma."""
    hair = tress_hair(recipe_of(kind, rng), fibre_spread=rng.uniform(0.05, 0.25))
    if kind != "neutral":
        return hair
    grey = hair.mean(axis=-1, keepdims=True)
    return np.asarray(grey + rng.uniform(0.02, 0.3) * (hair - grey))


def matte(kind: str) -> Draw:
    """Hair whose light is multiplied along the length by up to 1.6 or down to 0.6."""

    def draw(rng: np.random.Generator) -> dict[str, Any]:
        share = run_along(rng.uniform(0, 0.5) if rng.random() < 0.5 else 0.0)
        ramp = np.exp(rng.uniform(np.log(0.6), np.log(1.6)) * share)
        hair = even_hair(kind, rng) * ramp[:, None, None]
        return {"hair": np.minimum(hair, 0.98)}

    return draw


def glare(kind: str) -> Draw:
    """Even hair that glare makes up to 1.6 times as light, in a narrow or a broad band."""

    def draw(rng: np.random.Generator) -> dict[str, Any]:
        hair = even_hair(kind, rng)
        height = np.expm1(rng.uniform(0.05, np.log(1.6))) * hair.mean()
        width = np.exp(rng.uniform(np.log(0.04), np.log(0.3)))
        back = rng.uniform(0.1, 0.6)
        shine = Shine(position=rng.uniform(0.1, 0.9), width=width, strength=height, back_face=back)
        return {"hair": hair, "shines": (shine,)}

    return draw


def plain(kind: str) -> Draw:
    """Even hair without glare."""
    return lambda rng: {"hair": even_hair(kind, rng)}


def gradual(rng: np.random.Generator) -> dict[str, Any]:
    """Dye or bleach that sets in somewhere along the hair, of any depth."""
    recipe = recipe_of(("auburn", "vivid", "brown", "blond")[int(rng.integers(4))], rng)
    depth = rng.uniform(-1.2, 1.2)
    onset = rng.uniform(0.2, 0.8)
    along = AlongHair(
        dye_at_ends=float(np.exp(depth)) if recipe.dyes else 1.0,
        melanin_at_ends=1.0 if recipe.dyes else float(np.exp(depth)),
        onset=onset,
    )
    hair = tress_hair(recipe, along, fibre_spread=rng.uniform(0.05, 0.25))
    return {"hair": hair, "onset": onset}


ROWS: Final[dict[str, Draw]] = {
    "neutral ramp": matte("neutral"),
    "neutral glare": glare("neutral"),
    "neutral plain": plain("neutral"),
    "brown plain": plain("brown"),
    "gradual uptake": gradual,
    **{f"{kind} ramp": matte(kind) for kind in HAIRS},
    **{f"{kind} glare": glare(kind) for kind in HAIRS},
}


def textured(tress: Tress, rng: np.random.Generator) -> Tress:
    """The tress with fibres of some other make."""
    return dataclasses.replace(
        tress,
        strand_shading=float(rng.choice([0.05, 0.1, 0.2])),
        fibre_px=rng.uniform(1.0, 4.0),
        stretch_px=np.exp(rng.uniform(np.log(20), np.log(200))),
        shading_skew=rng.uniform(-0.5, 1.0),
        glint_shape=np.exp(rng.uniform(np.log(0.5), np.log(3.0))),
        shines=(),
    )


def scene_of(row: str, number: int) -> tuple[Scene, float]:
    """The scene of a row, and where its hair begins to change (0 where all of it may)."""
    seed = FIRST_SEED + 1000 * list(ROWS).index(row) + number
    rng = np.random.default_rng([seed, 3])
    scene = random_scene(seed, size=SIZE, wish=Wish(hair_class="dark natural"))
    tress = textured(scene.tresses[0], rng)
    drawn = ROWS[row](rng)
    onset = drawn.pop("onset", 0.0)
    return dataclasses.replace(scene, tresses=(dataclasses.replace(tress, **drawn),)), onset


def shot_of(row: str, number: int, cache: Path | None) -> Shot | None:
    """The calibrated photo; None where it is refused."""
    path = None
    if cache is not None:
        path = cache / f"{row}-{number}-{_version()}.pickle".replace(" ", "_")
        if path.exists():
            return pickle.loads(path.read_bytes())
    scene, onset = scene_of(row, number)
    rendered = render_scene(scene)
    with tempfile.TemporaryDirectory() as scratch:
        request = PhotoRequest(path=Path(scratch) / "photo.jpg", chart_is_stated=True)
        request.path.write_bytes(rendered.jpeg)
        photo = read_photo(request.path)
    truth = rendered.truth.tresses[0]
    try:
        seen = calibrate_photo(photo, request)
        strand = strand_along(photo, truth.line, width=LINE_WIDTH * truth.width)
        shot = Shot(
            photo=photo,
            calibration=seen.calibration,
            light=seen.light,
            strand=strand,
            truth=truth,
            onset=onset,
        )
    except HairtoneError:
        shot = None
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(shot))
    return shot


def _version() -> str:
    package = Path(hairtone.__file__).parent
    files = [*package.glob("scene/*.py"), *package.glob("spectra/*.py")]
    digest = hashlib.sha256(str(DRAWN).encode())
    for path in sorted(files):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def score(shot: Shot) -> dict[str, float]:
    """How roots to ends of one photo were read."""
    profile = measure_profile(shot.photo, shot.calibration, shot.light, shot.strand)
    told = measure_evenness(profile).root_to_ends
    true = shot.truth.zones(DEFAULT_VIEWING)
    gap = float(delta_e(true["roots"], true["ends"]))
    lab = shot.truth.lab()
    half = int(shot.onset * len(lab)) // 2
    return {
        "true": gap,
        "read": told.delta_e,
        "is_held": told.low <= gap <= told.high,
        "width": told.high - told.low,
        "drift": _drift(profile.lab, lab, half),
        "is_flagged": any(not flag.is_note for flag in profile.flags),
        "chance": float(profile.facts.get("shine_chance", np.nan)),
        "L": float(lab[:, 0].mean()),
    }


def _drift(lab: Floats, truth: Floats, half: int) -> float:
    """How far two halves of what did not change are read apart, beyond their true difference."""
    if half < 4:
        return np.nan
    parts = [
        each[part].mean(axis=0) for each in (lab, truth) for part in np.s_[:half, half : 2 * half]
    ]
    return float(delta_e(parts[0], parts[1] - (parts[3] - parts[2])))


def print_row(name: str, scores: list[dict[str, float]]) -> None:
    """One row of the table."""
    table = {key: np.array([s[key] for s in scores], float) for key in scores[0]}
    off = np.abs(table["read"] - table["true"])
    large = table["true"] > 1.0
    ratio = table["read"][large].sum() / table["true"][large].sum() if large.any() else np.nan
    held, count = int(table["is_held"].sum()), len(scores)
    low = beta.ppf(0.025, held, count - held + 1) if held else 0.0
    high = beta.ppf(0.975, held + 1, count - held) if held < count else 1.0
    drift = table["drift"][np.isfinite(table["drift"])]
    moved = f"{drift.mean():.2f}/{np.quantile(drift, 0.95):.2f}" if len(drift) else "–"
    print(
        f"{name:<16} {count:>4} {off.mean():>6.2f} {np.quantile(off, 0.95):>6.2f} {ratio:>6.3f} "
        f"{100 * held / count:>6.1f} ({100 * low:.0f}-{100 * high:.0f}) "
        f"{np.median(table['width']):>6.2f} {moved:>10} {100 * table['is_flagged'].mean():>5.0f}",
        flush=True,
    )


def main() -> None:
    """Render, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=40, help="photos a row (default 40)")
    parser.add_argument("--first", type=int, default=0, help="number of the first: other draws")
    parser.add_argument("--rows", nargs="*", default=list(ROWS), choices=list(ROWS), metavar="NAME")
    parser.add_argument("--cache", type=Path, help="folder that keeps calibrated photos")
    parser.add_argument("--verbose", action="store_true", help="one line a photo")
    arguments = parser.parse_args()
    print(
        f"{'':<16} {'n':>4} {'error':>6} {'p95':>6} {'ratio':>6} {'held %':>14} {'width':>6} "
        f"{'drift':>10} {'flag%':>5}"
    )
    for row in arguments.rows:
        scores = []
        for number in range(arguments.first, arguments.first + arguments.photos):
            shot = shot_of(row, number, arguments.cache)
            if shot is None:
                continue
            scores.append(score(shot))
            if arguments.verbose:
                told = "  ".join(f"{k} {v:.2f}" for k, v in scores[-1].items())
                print(f"{row} {number}: {told}", flush=True)
        if scores:
            print_row(row, scores)


if __name__ == "__main__":
    main()
