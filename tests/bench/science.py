"""Do the measures hold? Simulated studies of known truth, no pixels: rates, coverage, errors.

``python tests/bench/science.py [--studies 1000]``

Every row prints what was asked, what came out and over how many studies. Profiles carry the noise
of measured ones: fibres shared by neighbouring bins, a camera common to the photo, a tilt of its
light. False rates are judged by their one-sided 99 % lower limit (exact binomial).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from measures.made import BINS, BROWN, DYE, NATURAL, POSITION, estimate_of, profile_of

from hairtone.colorimetry import delta_e, delta_e_metric
from hairtone.measures.comparison import compare_treatments
from hairtone.measures.contrast import Reading
from hairtone.measures.design import power_of
from hairtone.measures.evenness import find_patches, measure_evenness
from hairtone.measures.fade import measure_fade
from hairtone.measures.fade_curve import fit_fade
from hairtone.measures.uptake import find_porous_onset
from hairtone.uncertainty import difference_from_covariance

Row = tuple[str, str, str, int]  # what, asked, found, studies
STEP = float(1 / np.sqrt(delta_e_metric(BROWN)[0, 0]))  # L* that is 1 ΔE00 on the brown
UPTAKE_DIRECTION = DYE / np.linalg.norm(DYE)


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--studies", type=int, default=1000, help="of each kind (default 1000)")
    studies = parser.parse_args().studies
    begun = time.process_time()
    print(f"{'what':<58}{'asked':>16}{'found':>22}{'studies':>9}")
    for part in (intervals, even_hair, treatments, fades, curves, porous, patches):
        for what, asked, found, count in part(studies):
            print(f"{what:<58}{asked:>16}{found:>22}{count:>9}", flush=True)
    print(f"{time.process_time() - begun:.0f} s")


def rate(called: int, count: int) -> str:
    """A rate with its one-sided 99 % lower limit."""
    low = beta.ppf(0.01, called, count + 1 - called) if called else 0.0
    return f"{100 * called / count:.1f} % (>= {100 * low:.1f})"


def intervals(studies: int) -> Iterator[Row]:
    """Coverage of a difference's interval at true differences of 0 to 20 noise SDs."""
    rng = np.random.default_rng(0)
    covariance = 0.4**2 * np.linalg.inv(delta_e_metric(BROWN))
    for size in (0.0, 1.0, 1.5, 2.5, 6.0, 20.0):
        true = BROWN + np.array([size * 0.4 * STEP, 0, 0])
        exact, inside = float(delta_e(BROWN, true)), 0
        for noise in rng.multivariate_normal(np.zeros(3), covariance, studies):
            found = difference_from_covariance(BROWN, true + noise, covariance)
            inside += found.low <= exact <= found.high
        said = f"{100 * inside / studies:.1f} %"
        yield f"interval of a difference of {size:g} SDs holds it", "95 %", said, studies


def even_hair(studies: int) -> Iterator[Row]:
    """How often even hair is called uneven."""
    rng = np.random.default_rng(1)
    names = ("root_to_ends", "mean_difference", "largest_difference", "patchiness")
    called = dict.fromkeys(names, 0)
    for _ in range(studies):
        found = measure_evenness(profile_of(BROWN, rng))
        for name in names:
            called[name] += getattr(found, name).is_resolved
    for name in names:
        yield f"even hair, {name} called resolved", "<= 5 %", rate(called[name], studies), studies


def study_of(
    rng: np.random.Generator, count: int, effect: float, *, is_paired: bool, repeats: int
) -> list[Reading]:
    """Readings of two treatments, SD 1 between tresses (0.7 of it shared in pairs)."""
    shared = rng.normal(0, np.sqrt(0.5), count) if is_paired else np.zeros(count)
    own = np.sqrt(0.5) if is_paired else 1.0
    return [
        Reading(
            value=float(value + rng.normal(0, 0.3)),
            treatment=treatment,
            tress=f"{treatment}{at}",
            pair=f"P{at}" if is_paired else "",
            photo=f"{treatment}{at} {photo}",
        )
        for treatment, shift in (("A", effect), ("B", 0.0))
        for at, value in enumerate(shared + shift + rng.normal(0, own, count))
        for photo in range(repeats)
    ]


def treatments(studies: int) -> Iterator[Row]:
    """False rates of equal treatments, and power against what `power_of` says."""
    rng = np.random.default_rng(2)
    for count, is_paired in ((3, True), (5, True), (5, False), (12, True), (12, False)):
        called = 0
        method = ""
        for _ in range(studies):
            readings = study_of(rng, count, 0.0, is_paired=is_paired, repeats=2)
            (found,) = compare_treatments(readings, measure="x")
            called, method = called + found.is_resolved, found.method
        kind = f"{count} {'pairs' if is_paired else 'tresses each'}, {method}"
        yield f"equal treatments, {kind}", "<= 5 %", rate(called, studies), studies
    for count, effect in ((6, 2.0), (9, 1.5)):
        seen = 0
        for _ in range(studies):
            readings = study_of(rng, count, effect, is_paired=False, repeats=1)
            seen += compare_treatments(readings, measure="x")[0].is_resolved
        asked = 100 * power_of(count, effect=effect / np.hypot(1.0, 0.3))
        said = f"{100 * seen / studies:.1f} %"
        yield f"{effect:g} SDs seen with {count} tresses each", f"{asked:.1f} %", said, studies


def fades(studies: int) -> Iterator[Row]:
    """Error and coverage of the colour left."""
    rng = np.random.default_rng(3)
    left = np.array([1.0, 0.8, 0.5, 0.25, 0.1])
    for uptake, noise in ((20.0, 0.5), (20.0, 1.0), (10.0, 0.5), (40.0, 1.0)):
        errors, inside, given = [], 0, 0
        for _ in range(studies // 2):
            labs = NATURAL + np.outer([0.0, *left], uptake * UPTAKE_DIRECTION)
            seen = [estimate_of(lab + rng.normal(0, noise, 3), noise=noise) for lab in labs]
            fade = measure_fade(seen[0], dict(enumerate(seen[1:])), relaying=np.zeros((3, 3)))
            if not fade.has_colour_left:
                continue
            given += 1
            for step, true in zip(fade.steps[1:], 100 * left[1:], strict=True):
                errors.append(abs((step.colour_left or 0.0) - true))
                inside += (step.colour_left_low or 0) <= true <= (step.colour_left_high or 0)
        what = f"colour left, uptake {uptake:g} ΔE*ab, noise {noise:g} an axis"
        asked = "4 points" if uptake >= 20 and noise <= 0.5 else "shown only"
        yield f"{what}: mean error", asked, f"{np.mean(errors):.1f} points", given
        yield f"{what}: covered", ">= 90 %", f"{100 * inside / len(errors):.1f} %", given


def curves(studies: int) -> Iterator[Row]:
    """Error and coverage of the half-life."""
    rng = np.random.default_rng(4)
    shapes: dict[str, tuple[Callable[[np.ndarray], np.ndarray], float]] = {
        "one exponential": (lambda n: 100 * np.exp(-n / 4.5), 4.5 * np.log(2)),
        "two pools": (lambda n: 25 * np.exp(-n / 1.2) + 75 * np.exp(-n / 6.5), 2.898),
    }
    for name, (curve, true) in shapes.items():
        for count in (3, 5, 8):
            washes = np.arange(1.0, count + 1)
            covariance = 3.0**2 * (0.5 * np.eye(count) + 0.5)
            root, errors, inside = np.linalg.cholesky(covariance), [], 0
            for _ in range(studies // 4):
                left = curve(washes) + root @ rng.standard_normal(count)
                found = fit_fade(washes, left, covariance).half_life
                errors.append(abs((found.value or np.inf) / true - 1))
                high = np.inf if found.high is None else found.high
                inside += (np.inf if found.low is None else found.low) <= true <= high
            what = f"half-life, {name}, {count} washes"
            said = f"{100 * np.median(errors):.1f} %"
            yield f"{what}: median error", "15 %", said, len(errors)
            yield f"{what}: covered", "95 %", f"{100 * inside / len(errors):.1f} %", len(errors)


def porous(studies: int) -> Iterator[Row]:
    """Error of the porous onset, and how often sound hair shows one."""
    rng = np.random.default_rng(5)
    before = np.tile(NATURAL, (BINS, 1))
    for onset in (0.3, 0.5, 0.65):
        share = np.clip((POSITION - onset) / (1 - onset), 0, 1)
        rise = share**2 * (3 - 2 * share)
        after = NATURAL + np.outer(1 + rise, 0.7 * DYE)
        missed = []
        for _ in range(studies // 10):
            found = find_porous_onset(profile_of(before, rng), profile_of(after, rng))
            missed.append(abs(found.onset - onset) if found.onset is not None else 1.0)
        said = f"{100 * np.median(missed):.1f} %"
        yield f"porous onset at {onset:g}: median error", "5 % of length", said, len(missed)
    called = sum(
        find_porous_onset(profile_of(before, rng), profile_of(before + 0.7 * DYE, rng)).is_resolved
        for _ in range(studies // 2)
    )
    yield "sound hair, onset called", "<= 5 %", rate(called, studies // 2), studies // 2


def patches(studies: int) -> Iterator[Row]:
    """How often patches are found, and how often hair without them shows one."""
    rng = np.random.default_rng(6)
    rise = np.clip((POSITION - 0.4) / 0.6, 0, 1)
    hairs = {
        "even": np.tile(BROWN, (BINS, 1)),
        "porous": BROWN + np.outer(rise**2 * (3 - 2 * rise), 6 * UPTAKE_DIRECTION),
    }
    for name, base in hairs.items():
        for size in (2.0, 3.0, 4.0):
            found = 0
            for _ in range(studies // 5):
                start = rng.uniform(0.05, 0.7)
                stop = start + rng.uniform(0.05, 0.2)
                inside = (start <= POSITION) & (stop >= POSITION)
                lab = base + np.outer(inside, [size * STEP, 0, 0])
                told = find_patches(profile_of(lab, rng))
                found += any(p.start < stop and p.stop > start for p in told)
            asked = ">= 95 %" if size >= 3 else "shown only"
            said = f"{100 * found / (studies // 5):.1f} %"
            yield f"{name} hair, patch of {size:g} ΔE00 found", asked, said, studies // 5
        called = sum(bool(find_patches(profile_of(base, rng))) for _ in range(studies // 2))
        yield f"{name} hair, false patch", "<= 5 %", rate(called, studies // 2), studies // 2


if __name__ == "__main__":
    main()
