"""How true outlines are that grow from a line: on the board, and on grounds as a head has them.

``python tests/bench/outlines.py [--photos 20] [--cache DIR]``

Each rendered tress is given its true line and nothing else. Printed: the outline against the hair
that was rendered, and the colour it gives against that of a strip as wide as the hair truly is.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from cases import FIRST_SEED, Case, rendered_cases
from scoring import mean_and_p95

from hairtone.colorimetry import Floats, delta_e
from hairtone.errors import HairtoneError
from hairtone.hair.section import section_along, section_mask
from hairtone.measures.zones import zone_estimates
from hairtone.photo.reader import read_photo_bytes
from hairtone.photo.types import Photo
from hairtone.pipeline import measure_pixels
from hairtone.request import HairRequest, PhotoRequest
from hairtone.scene.draw import HAIR_CLASSES, Wish, random_scene
from hairtone.scene.render import render_scene
from hairtone.scene.types import TressTruth
from hairtone.spectra.viewing import viewing_wavelengths

STRIP = 0.8  # of the true width: clear of the mixed edges, as a person would draw it
ENDS = 0.03  # of the length left out at either end, where fibres of all lengths end
GROUNDS = {  # reflectance at 380, 480, 560, 600 and 780 nm; invented
    "light skin": (0.25, 0.36, 0.40, 0.52, 0.62),
    "dark skin": (0.05, 0.07, 0.09, 0.13, 0.22),
    "blue cloth": (0.18, 0.30, 0.14, 0.09, 0.30),
    "white cloth": (0.70, 0.78, 0.78, 0.78, 0.80),
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Outlined:
    """An outline against the truth: mean width error, and shares missed and taken in wrongly."""

    width: float
    missed: float
    leaked: float
    is_flagged: bool


def main() -> None:
    """Render, outline, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=20, help="of each kind (default 20)")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    arguments = parser.parse_args()
    cases = rendered_cases(arguments.photos, cache=arguments.cache)
    print_outlines("grey board", [outlined(_photo(case), case.tress) for case in cases])
    print_outlines("skin and cloth", [outlined(*one) for one in on_grounds(arguments.photos)])
    print_colours(cases)


def on_grounds(count: int) -> Iterator[tuple[Photo, TressTruth]]:
    """Hair of every class in turn on other grounds than a grey board."""
    wavelengths = viewing_wavelengths()
    grounds = list(GROUNDS.values())
    for number in range(count):
        ground = np.interp(wavelengths, (380, 480, 560, 600, 780), grounds[number % len(grounds)])
        scene = random_scene(
            FIRST_SEED + 5000 + number,
            protocol=("careful", "ordinary")[number % 2],
            encoded=True,
            wish=Wish(hair_class=HAIR_CLASSES[(number * 3) % len(HAIR_CLASSES)]),
        )
        photo = render_scene(dataclasses.replace(scene, board=ground, board_texture=0.03))
        yield read_photo_bytes(photo.jpeg, name=f"{number}.jpg"), photo.truth.tresses[0]


def outlined(photo: Photo, truth: TressTruth) -> Outlined:
    """The outline of a tress from its true line, against the hair rendered between its ends."""
    section = section_along(photo, truth.line)
    inside, box = section_mask(section, size=photo.size)
    hair, ours = np.zeros((2, *photo.size[::-1]), dtype=bool)
    hair[truth.box[1] : truth.box[3], truth.box[0] : truth.box[2]] = truth.mask
    ours[box[1] : box[3], box[0] : box[2]] = inside
    within = _between_ends(truth.line, photo.size)
    hair, ours = hair & within, ours & within
    return Outlined(
        width=float(ours.sum() / hair.sum() - 1),
        missed=float((hair & ~ours).sum() / hair.sum()),
        leaked=float((ours & ~hair).sum() / ours.sum()),
        is_flagged=any(not flag.is_note for flag in section.flags),
    )


def _between_ends(line: Floats, size: tuple[int, int]) -> np.ndarray:
    """Pixels abreast of the line, its last few hundredths left out."""
    chord = line[-1] - line[0]
    ys, xs = np.indices(size[::-1])
    share = ((xs - line[0, 0]) * chord[0] + (ys - line[0, 1]) * chord[1]) / (chord @ chord)
    return np.asarray((share > ENDS) & (share < 1 - ENDS))


def print_outlines(name: str, found: list[Outlined]) -> None:
    """Errors of the outlines nobody was warned of, and how many were flagged."""
    sound = [one for one in found if not one.is_flagged]
    print(f"\n{name}: {len(found)} outlines, {len(found) - len(sound)} flagged")
    if sound:
        print(f"  width against the truth  {100 * np.mean([one.width for one in sound]):+.1f} %")
        for part in ("missed", "leaked"):
            shares = [100 * getattr(one, part) for one in sound]
            print(f"  {part:<7} mean / p95 / worst  {mean_and_p95(shares)} / {max(shares):.1f} %")


def print_colours(cases: list[Case]) -> None:
    """Colour and roots to ends by the outline, and by a strip of the true width."""
    print(f"\n{'mean / p95 ΔE00':<28}{'colour':>16}{'roots to ends':>18}")
    for name, share in (("outline grown", None), ("strip of the true width", STRIP)):
        scores = [score for case in cases if (score := _colours(case, share)) is not None]
        colour, gap = zip(*scores, strict=True)
        print(f"{name:<28}{mean_and_p95(colour):>16}{mean_and_p95(gap):>18}")


def _colours(case: Case, share: float | None) -> tuple[float, float] | None:
    width = None if share is None else share * case.tress.width
    hair = HairRequest(place=1, line=case.tress.line, width=width)
    result = measure_pixels(_photo(case), PhotoRequest(path=Path("photo.jpg"), hairs=(hair,)))
    refused: HairtoneError | None = result.error or result.tresses[0].error
    if refused is not None:
        return None
    (tress,) = result.tresses
    zones = zone_estimates(tress.profile)
    colour = np.mean([delta_e(zones[zone].lab, lab) for zone, lab in case.zones.items()])
    gap = tress.evenness.root_to_ends.delta_e - case.root_to_ends
    return float(colour), abs(float(gap))


def _photo(case: Case) -> Photo:
    return read_photo_bytes(case.jpeg, name=f"{case.number}.jpg")


if __name__ == "__main__":
    main()
