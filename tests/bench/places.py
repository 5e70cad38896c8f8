"""What each place on the board is: hair, board seen through thin hair, a tie, or no hair at all.

``python tests/bench/places.py [--photos 12] [--first 0] [--rows "soft ends" …] [--cache DIR]``

Printed for hair: how many were found, flagged and refused, errors, how often the intervals hold
the truth (with the 95 % interval of that rate, binomial) and how wide they are. For what is no
hair: how many gave figures, with and without a flag.
"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from scipy.stats import beta
from scoring import mean_and_p95

from hairtone.colorimetry import DEFAULT_VIEWING, Floats, delta_e
from hairtone.measures.zones import tenth_estimates
from hairtone.photo.reader import read_photo_bytes
from hairtone.pipeline import measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.result import PhotoResult, TressResult
from hairtone.scene import Thing, Thinning, Weave, Wish, random_scene, render_scene
from hairtone.scene.types import ZONES, Scene, SceneTruth, TressTruth
from hairtone.spectra.hair import HAIR_CLASSES
from hairtone.spectra.viewing import viewing_wavelengths

FIRST_SEED: Final = 310_000
SCENES: Final = 1  # raise it when what is drawn changes: the cache is made anew
SIZE: Final = (816, 612)  # small frames: hair 40 to 90 pixels wide
KNOTS: Final = (380, 480, 560, 600, 780)
STUFFS: Final = {  # reflectance at those; invented
    "pink": (0.45, 0.30, 0.22, 0.60, 0.70),
    "blue": (0.18, 0.30, 0.14, 0.09, 0.30),
    "white": (0.75, 0.78, 0.78, 0.78, 0.80),
    "black": (0.04, 0.04, 0.04, 0.04, 0.05),
    "brown": (0.05, 0.06, 0.09, 0.14, 0.22),
    "sand": (0.20, 0.28, 0.38, 0.45, 0.55),
}
Maker = Callable[[Scene, np.random.Generator], Scene]


def stuff(name: str) -> Floats:
    """Reflectance of an invented stuff, shape (81,)."""
    return np.interp(viewing_wavelengths(), KNOTS, STUFFS[name])


# --- scenes of hair ---------------------------------------------------------------------------


def sound(scene: Scene, rng: np.random.Generator) -> Scene:
    """Full hair whose light is a smooth pattern of any strength and size."""
    (tress,) = scene.tresses
    weave = Weave(
        spread=rng.uniform(0.05, 0.25),
        along_px=rng.uniform(11, 24),
        across_px=rng.uniform(3, 4),
    )
    return replace(scene, tresses=(replace(tress, weave=weave, clamp=None),))


def even(scene: Scene, rng: np.random.Generator) -> Scene:
    """The same without any change along its length: the true root-to-ends is 0."""
    scene = sound(scene, rng)
    (tress,) = scene.tresses
    return replace(scene, tresses=(replace(tress, hair=tress.hair[:1], shines=()),))


def thinned(scene: Scene, rng: np.random.Generator, *, is_fine: bool) -> Scene:
    """Even hair whose ends thin out."""
    thinning = Thinning(
        onset=rng.uniform(0.5, 0.85),
        cover_at_ends=rng.uniform(0.2, 0.7),
        gap_px=0.0 if is_fine else rng.uniform(1.5, 4),
    )
    scene = even(scene, rng)
    return replace(scene, tresses=(replace(scene.tresses[0], thinning=thinning),))


def soft_ends(scene: Scene, rng: np.random.Generator) -> Scene:
    """Even hair that thins out between its fibres, finer than pixels."""
    return thinned(scene, rng, is_fine=True)


def open_ends(scene: Scene, rng: np.random.Generator) -> Scene:
    """Even hair that thins out by gaps."""
    return thinned(scene, rng, is_fine=False)


def porous_soft_ends(scene: Scene, rng: np.random.Generator) -> Scene:
    """Hair that changes along its length and thins out as well."""
    full = sound(scene, rng)
    thin = thinned(scene, rng, is_fine=bool(rng.integers(2)))
    tress = replace(full.tresses[0], thinning=thin.tresses[0].thinning, shines=())
    return replace(scene, tresses=(tress,))


def sparse(scene: Scene, rng: np.random.Generator) -> Scene:
    """A tress with gaps all along."""
    scene = even(scene, rng)
    thinning = Thinning(cover=rng.uniform(0.6, 0.9), gap_px=rng.uniform(1.5, 4))
    return replace(scene, tresses=(replace(scene.tresses[0], thinning=thinning),))


def split_ends(scene: Scene, rng: np.random.Generator) -> Scene:
    """Even hair whose fibres end far apart, each sharply."""
    scene = even(scene, rng)
    ragged = replace(scene.tresses[0], raggedness=rng.uniform(0.03, 0.06))
    return replace(scene, tresses=(ragged,))


def fade_to_board(scene: Scene, rng: np.random.Generator) -> Scene:
    """Full hair that fades straight towards the board's colour: dye that looks like board."""
    scene = even(scene, rng)
    (tress,) = scene.tresses
    run = np.clip((np.linspace(0, 1, 31) - rng.uniform(0.2, 0.6)) / 0.4, 0, 1)
    share = (rng.uniform(0.15, 0.5) * run)[:, None, None]
    hair = (1 - share) * tress.hair + share * scene.board
    return replace(scene, tresses=(replace(tress, hair=hair),))


def tied(scene: Scene, rng: np.random.Generator, *, name: str, overhang: float) -> Scene:
    """Even hair with a tie, ribbon or clip somewhere along it."""
    scene = even(scene, rng)
    (tress,) = scene.tresses
    roots, ends = np.array(tress.roots), np.array(tress.ends)
    way, at = ends - roots, rng.uniform(0.15, 0.85)
    left = np.array([way[1], -way[0]]) / np.hypot(*way)
    centre = roots + at * way + 4 * at * (1 - at) * tress.bow_px * left
    weave = Weave(spread=0.1, along_px=2, across_px=2) if rng.random() < 0.4 else None
    thing = Thing(
        centre=(float(centre[0]), float(centre[1])),
        size=(float(rng.uniform(0.025, 0.08) * np.hypot(*way)), overhang * tress.width_px),
        turn_deg=float(np.degrees(np.arctan2(way[1], way[0])) + rng.normal(0, 3)),
        reflectance=stuff(name) * rng.uniform(0.8, 1.2),
        weave=weave,
    )
    return replace(scene, things=(thing,))


def ribbon(scene: Scene, rng: np.random.Generator) -> Scene:
    """A ribbon, hardly broader than the hair."""
    name = ("pink", "blue", "sand", "brown")[int(rng.integers(4))]
    return tied(scene, rng, name=name, overhang=rng.uniform(1.0, 1.15))


def clip(scene: Scene, rng: np.random.Generator) -> Scene:
    """A black or white clip, up to twice as broad as the hair."""
    name = ("black", "white")[int(rng.integers(2))]
    return tied(scene, rng, name=name, overhang=rng.uniform(1.1, 2.0))


# --- scenes of what is no hair ----------------------------------------------------------------


def on_board(scene: Scene, rng: np.random.Generator) -> Scene:
    """The bare board."""
    return replace(scene, tresses=())


def on_plank(scene: Scene, rng: np.random.Generator, weave: Weave | None, name: str) -> Scene:
    """Something that covers where the hair would lie."""
    (tress,) = scene.tresses
    middle = (np.array(tress.roots) + np.array(tress.ends)) / 2
    length = float(np.hypot(*(np.array(tress.ends) - np.array(tress.roots))))
    thing = Thing(
        centre=(float(middle[0]), float(middle[1])),
        size=(1.05 * length, 0.5 * length),
        turn_deg=float(rng.uniform(0, 360)),
        reflectance=stuff(name),
        weave=weave,
        is_over=False,
    )
    return replace(scene, tresses=(), things=(thing,))


def on_wood(scene: Scene, rng: np.random.Generator) -> Scene:
    """Wood, its grain any way."""
    grain = Weave(spread=rng.uniform(0.08, 0.2), along_px=60, across_px=rng.uniform(3, 8))
    return on_plank(scene, rng, grain, "sand")


def on_seeds(scene: Scene, rng: np.random.Generator) -> Scene:
    """Seeds, sand, bark: a pattern without a direction."""
    size = rng.uniform(2.5, 9)
    grain = Weave(spread=rng.uniform(0.1, 0.35), along_px=size, across_px=size)
    return on_plank(scene, rng, grain, ("brown", "sand")[int(rng.integers(2))])


def on_wall(scene: Scene, rng: np.random.Generator) -> Scene:
    """A plain dark wall."""
    return on_plank(scene, rng, None, ("black", "brown", "blue")[int(rng.integers(3))])


def strip_of_card(scene: Scene, rng: np.random.Generator) -> Scene:
    """A strip of plain card of a tress's size, in its place."""
    (tress,) = scene.tresses
    way = np.array(tress.ends) - np.array(tress.roots)
    middle = (np.array(tress.roots) + np.array(tress.ends)) / 2
    thing = Thing(
        centre=(float(middle[0]), float(middle[1])),
        size=(float(np.hypot(*way)), tress.width_px),
        turn_deg=float(np.degrees(np.arctan2(way[1], way[0]))),
        reflectance=stuff(("brown", "sand", "pink", "black", "white")[int(rng.integers(5))]),
    )
    return replace(scene, tresses=(), things=(thing,))


def panel(scene: Scene, rng: np.random.Generator) -> Scene:
    """A folding chart's second panel: a dark frame with plain patches."""
    scene = strip_of_card(scene, rng)
    (frame,) = scene.things
    count = int(rng.integers(1, 5))
    way = np.radians(frame.turn_deg)
    forward = np.array([np.cos(way), np.sin(way)])
    pitch = frame.size[0] / count
    patches = tuple(
        Thing(
            centre=tuple(np.array(frame.centre) + (k - (count - 1) / 2) * pitch * forward),  # type: ignore[arg-type]
            size=(0.92 * pitch, 0.8 * frame.size[1] * 1.5),
            turn_deg=frame.turn_deg,
            reflectance=stuff(list(STUFFS)[int(rng.integers(len(STUFFS)))]),
        )
        for k in range(count)
    )
    frame = replace(
        frame, reflectance=stuff("black"), size=(frame.size[0] * 1.05, frame.size[1] * 1.5)
    )
    return replace(scene, things=(frame, *patches))


HAIR: Final[dict[str, Maker]] = {
    "sound": sound,
    "split ends": split_ends,
    "soft ends": soft_ends,
    "open ends": open_ends,
    "porous, thin": porous_soft_ends,
    "sparse": sparse,
    "fade to board": fade_to_board,
    "ribbon": ribbon,
    "clip": clip,
}
NO_HAIR: Final[dict[str, tuple[Maker, bool]]] = {  # and whether a line is drawn on it
    "line on board": (on_board, True),
    "line on wood": (on_wood, True),
    "line on seeds": (on_seeds, True),
    "line on wall": (on_wall, True),
    "line on card": (strip_of_card, True),
    "strip of card": (strip_of_card, False),
    "second panel": (panel, False),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Place:
    """A rendered photo, the line its hair has or would have, and its truth."""

    jpeg: bytes
    line: Floats
    truth: SceneTruth


def place_of(row: str, number: int, *, cache: Path | None) -> Place:
    """Photo `number` of a row, from the cache where it is there."""
    name = f"{row.replace(' ', '-').replace(',', '')}-{number}-{SCENES}.pickle"
    path = None if cache is None else cache / name
    if path is not None and path.exists():
        place: Place = pickle.loads(path.read_bytes())
        return place
    seed = FIRST_SEED + number
    scene = random_scene(
        seed,
        protocol=("careful", "ordinary")[number % 2],
        encoded=True,
        size=SIZE,
        wish=Wish(hair_class=HAIR_CLASSES[number % len(HAIR_CLASSES)]),
    )
    line = np.stack([scene.tresses[0].roots, scene.tresses[0].ends])
    maker = HAIR[row] if row in HAIR else NO_HAIR[row][0]
    photo = render_scene(maker(scene, np.random.default_rng([seed, 11])))
    place = Place(jpeg=photo.jpeg, line=line, truth=photo.truth)
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(place))
    return place


def measured(place: Place, *, is_given: bool) -> PhotoResult:
    """The photo as measured."""
    if is_given:
        hair = HairRequest(place=1, line=place.line)
    else:
        x, y = place.line[0] - place.line[-1]
        upright = "top" if y < 0 else "bottom"
        level = "left" if x < 0 else "right"
        hair = HairRequest(place=0, roots=upright if abs(y) >= abs(x) else level)
    photo = read_photo_bytes(place.jpeg, name="photo.jpg")
    request = PhotoRequest(path=Path("photo.jpg"), chart_is_stated=True, hairs=(hair,))
    return measure_pixels(photo, request)


# --- what is printed --------------------------------------------------------------------------


def rate(hits: int, count: int) -> str:
    """``92 (81 to 98)``: per cent, and its exact 95 % interval."""
    if not count:
        return "–"
    low = beta.ppf(0.025, hits, count - hits + 1) if hits else 0.0
    high = beta.ppf(0.975, hits + 1, count - hits) if hits < count else 1.0
    return f"{100 * hits / count:.0f} ({100 * low:.0f} to {100 * high:.0f})"


@dataclass(kw_only=True)
class Row:
    """How the hair of one row was measured, photo by photo or zone by zone."""

    errors: list[float] = field(default_factory=list)
    radii: list[float] = field(default_factory=list)
    gaps: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    tenths: list[float] = field(default_factory=list)
    flagged: int = 0
    refused: int = 0

    def add(self, tress: TressResult, truth: TressTruth) -> str:
        """Score a hair; a line that says how it was measured."""
        told, zones = tress.to_dict(), truth.zones(DEFAULT_VIEWING)
        own = [float(delta_e(zones[z], np.array(told["zones"][z]["lab"]))) for z in ZONES]
        u95 = [float(told["zones"][z]["u95"]) for z in ZONES]
        gap = told["evenness"]["root_to_ends"]
        true_gap = float(delta_e(zones["roots"], zones["ends"]))
        off = max(
            float(delta_e(truth.span_lab(k / 10, k / 10 + 0.1), part.lab))
            for k, part in enumerate(tenth_estimates(tress.profile))
        )
        doubts = sorted({f.code for f in tress.flags if not f.is_note})
        notes = sorted({f.code for f in tress.flags if f.is_note})
        self.errors += own
        self.radii += u95
        self.gaps.append(abs(gap["delta_e"] - true_gap))
        self.held.append(gap["low"] - 0.005 <= true_gap <= gap["high"] + 0.005)
        self.widths.append(gap["high"] - gap["low"])
        self.tenths.append(off)
        self.flagged += bool(doubts)
        told_zones = " ".join(f"{e:.1f}({u:.1f})" for e, u in zip(own, u95, strict=True))
        return (
            f"zones {told_zones} gap {gap['delta_e']:.2f} ({gap['low']:.2f} to {gap['high']:.2f}) "
            f"true {true_gap:.2f} tenth {off:.1f} {' '.join(doubts)} | {' '.join(notes)}"
        )

    def __str__(self) -> str:
        done, count = len(self.gaps), len(self.gaps) + self.refused
        if not done:
            return f"{done:>3}/{count}"
        covered = sum(e <= u for e, u in zip(self.errors, self.radii, strict=True))
        return (
            f"{done:>3}/{count:<3} {mean_and_p95(self.errors):>11}  {mean_and_p95(self.gaps):>11} "
            f"{np.quantile(self.tenths, 0.9):>6.1f}  {rate(covered, len(self.errors)):>15} "
            f"{np.median(self.radii):>5.2f}  {rate(sum(self.held), done):>15} "
            f"{np.median(self.widths):>5.2f}  {self.flagged:>3} {self.refused:>4}"
        )


def print_hair(row: str, count: int, first: int, *, cache: Path | None, verbose: bool) -> None:
    """One row of hair: found as a whole, errors, coverage, widths, flags."""
    scores = Row()
    for number in range(first, first + count):
        place = place_of(row, number, cache=cache)
        result = measured(place, is_given=False)
        error = result.error or result.tresses[0].error
        if error is None:
            line = scores.add(result.tresses[0], place.truth.tresses[0])
        else:
            scores.refused += 1
            line = f"{error.code}: {error.says}"
        if verbose:
            print(f"  {number}: {line}", flush=True)
    print(f"{row:<15} {scores}", flush=True)


def print_no_hair(row: str, count: int, first: int, *, cache: Path | None, verbose: bool) -> None:
    """One row of what is no hair: figures without a flag, with one, and none."""
    plain = flagged = 0
    for number in range(first, first + count):
        result = measured(place_of(row, number, cache=cache), is_given=NO_HAIR[row][1])
        found = [] if result.error is not None else [t for t in result.tresses if t.error is None]
        doubts = {f.code for t in found for f in t.flags if not f.is_note}
        plain += bool(found) and not doubts
        flagged += bool(found) and bool(doubts)
        if verbose and (found or result.error):
            error = result.error or ""
            print(f"  {number}: {getattr(error, 'code', '')} {sorted(doubts)} {len(found)} found")
    print(f"{row:<15} {plain:>3} without a flag, {flagged:>3} flagged, of {count}", flush=True)


def main() -> None:
    """Render, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=12, help="of each row (default 12)")
    parser.add_argument("--first", type=int, default=0, help="number of the first: other draws")
    parser.add_argument("--rows", nargs="*", help="only these")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    parser.add_argument("--verbose", action="store_true", help="one line a photo")
    given = parser.parse_args()
    print(
        f"{'':<15} {'done':>7}  {'colour':>11}  {'root to ends':>11} {'tenth':>7}  "
        f"{'colour held':>15} {'u95':>5}  {'ends held':>15} {'wide':>5} flagged refused"
    )
    for row in given.rows or [*HAIR, *NO_HAIR]:
        show = print_hair if row in HAIR else print_no_hair
        show(row, given.photos, given.first, cache=given.cache, verbose=given.verbose)


if __name__ == "__main__":
    main()
