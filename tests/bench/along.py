"""How true the figures along the hair are: places at the ends, patchiness, patches.

``python tests/bench/along.py [--photos 80] [--raw] [--cache DIR]``

The photos are those of the accuracy benchmark; the truth is the scene's own, place by place.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from accuracy import tress_of
from cases import Case, rendered_cases

from hairtone.colorimetry import DEFAULT_VIEWING, Floats, delta_e, delta_e_metric, xyz_to_lab
from hairtone.hair.types import Profile
from hairtone.measures.evenness import (
    Patch,
    detrended,
    find_patches,
    measure_evenness,
    robust_spread,
)
from hairtone.spectra.viewing import reflectance_to_xyz, viewing_wavelengths

PLACES = (1, 2, 3, 30, 58, 59, 60)
INNER = slice(6, 54)  # places that no end reaches
TRUE_SHARE = 0.5  # of a patch that must be there in truth, or it is false
TREND = 3  # degree of the steady change beside a patch


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Along:
    """One hair: its true and its measured L*a*b*, shape (60, 3), and what was told of it."""

    true: Floats
    profile: Profile

    @property
    def errors(self) -> Floats:
        """Error of each place beyond the mean one of the inner places, shape (60, 3)."""
        off = self.profile.lab - self.true
        return np.asarray(off - off[INNER].mean(axis=0))

    @property
    def true_patchiness(self) -> float:
        """Patchiness of the truth, by the definition of the measure."""
        pieces = self.true.reshape(30, 2, 3).mean(axis=1)
        root = np.linalg.cholesky(delta_e_metric(pieces.mean(axis=0)))
        return float(robust_spread(detrended(pieces) @ root))

    def is_false(self, patch: Patch) -> bool:
        """Whether less than half of a patch is there in truth."""
        told = _step(self.profile.lab, self.profile.position, patch)
        return _step(self.true, self.profile.position, patch) < TRUE_SHARE * told


def _step(lab: Floats, position: Floats, patch: Patch) -> float:
    """ΔE00 of a patch from what the hair around it leads one to expect there."""
    inside = (position >= patch.start) & (position <= patch.stop)
    around = [np.polyfit(position[~inside], lab[~inside, k], TREND) for k in range(3)]
    expected = np.stack([np.polyval(fit, position[inside]) for fit in around], axis=1)
    return float(delta_e(lab[inside].mean(axis=0), expected.mean(axis=0)))


def measured_along(case: Case) -> Along | None:
    """The hair of a case; None where it was refused."""
    tress = tress_of(case)
    if tress is None or tress.profile is None:
        return None
    surface = case.tress.reflectance
    xyz = reflectance_to_xyz(surface, viewing_wavelengths(), viewing=DEFAULT_VIEWING)
    return Along(true=xyz_to_lab(100 * xyz, white=DEFAULT_VIEWING.white), profile=tress.profile)


def main() -> None:
    """Render, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=40, help="rendered photos (default 40)")
    parser.add_argument("--raw", action="store_true", help="linear sensor values, no camera tone")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    arguments = parser.parse_args()
    cases = rendered_cases(arguments.photos, is_raw=arguments.raw, cache=arguments.cache)
    hairs = [along for case in cases if (along := measured_along(case)) is not None]
    print(f"{len(hairs)} of {len(cases)} hairs measured")
    if hairs:
        print_places(hairs)
        print_patches(hairs)


def print_places(hairs: list[Along]) -> None:
    """Mean and RMS error of the places at the ends, beside that of one in the middle."""
    errors = np.array([hair.errors for hair in hairs])
    print(f"{'place':>5}  {'mean L* a* b*':>21}  {'RMS L* a* b*':>18}")
    for place in PLACES:
        off = errors[:, place - 1]
        mean = " ".join(f"{value:+6.2f}" for value in off.mean(axis=0))
        rms = " ".join(f"{value:5.2f}" for value in np.sqrt((off**2).mean(axis=0)))
        print(f"{place:>5}  {mean:>21}  {rms:>18}")


def print_patches(hairs: list[Along]) -> None:
    """How often patchiness holds the truth, and how many patches are false."""
    held = 0
    for hair in hairs:
        told = measure_evenness(hair.profile).patchiness
        held += told.low <= hair.true_patchiness <= told.high
    patches = [(hair, patch) for hair in hairs for patch in find_patches(hair.profile)]
    false = sum(hair.is_false(patch) for hair, patch in patches)
    print(f"patchiness held in {held} of {len(hairs)}")
    print(f"patches told {len(patches)}, false {false}")


if __name__ == "__main__":
    main()
