"""Do the calibration's intervals hold? Many cameras and lights, chart and hair without pixels.

``python tests/bench/coverage.py [--draws 600] [--raw] [--protocol careful] [--world scene]``

Every draw is another camera, light, chart and set of five hairs, one a class. Printed: how often
the true colour lies within u95, how often the interval of roots against ends holds their true
difference, how often two equal colours are called different, and how wide all that is.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import readings
from scene_readings import shoot_scene
from scipy.stats import beta
from scoring import Score, print_coverage, print_errors, score_zones

from hairtone.calibration.types import Calibration
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import VIEWINGS, Viewing
from hairtone.scene.types import ZONES
from hairtone.spectra.hair import HAIR_CLASSES
from hairtone.uncertainty import LabEstimate, colour_difference

SAMPLING = 0.10  # SD of a zone's mean from its own fibres, each axis; a thousand pixels give that
FIRST_SEED = 500_000  # draws of this benchmark lie from here on


def main() -> None:
    """Draw, calibrate, count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=600, help="cameras and lights (default 600)")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    parser.add_argument("--protocol", choices=("careful", "ordinary"), default="careful")
    parser.add_argument("--world", choices=("scene", "readings"), default="scene")
    parser.add_argument("--method", choices=("level 1", "level 2", "best"), default="best")
    parser.add_argument("--viewing", choices=sorted(VIEWINGS), default="D65/10")
    arguments = parser.parse_args()
    viewing = VIEWINGS[arguments.viewing]
    fit = fitter(arguments.method)
    scores: list[Score] = []
    called: list[bool] = []
    methods: dict[str, int] = {}
    begun = time.process_time()
    for number in range(arguments.draws):
        shot = _shot(arguments, FIRST_SEED + number)
        calibration = fit(shot.reading, viewing, arguments.raw)
        methods[calibration.method] = methods.get(calibration.method, 0) + 1
        for place, hair_class in enumerate(HAIR_CLASSES):
            facts = {
                "hair_class": hair_class,
                "light_family": shot.family,
                "protocol": arguments.protocol,
            }
            rng = np.random.default_rng([FIRST_SEED + number, place])
            score, is_called = _score(calibration, shot, place, rng, facts)
            scores.append(score)
            called.append(is_called)
    took = (time.process_time() - begun) / arguments.draws
    print(f"{arguments.draws} cameras and lights, {1000 * took:.0f} ms CPU each; methods {methods}")
    print(f"{'':<34} {'done':>7}  {'colour ΔE00':>13}  {'root to ends':>13}  {'L*':>6}")
    print_errors(f"{arguments.world}, {arguments.protocol}", scores, photos=len(scores))
    for hair_class in HAIR_CLASSES:
        kept = [s for s in scores if s.hair_class == hair_class]
        print_errors(f"  {hair_class}", kept, photos=len(kept))
    print_coverage("without pixels", scores)
    _print_equal(called)


def fitter(method: str) -> Callable[[ChartReading, Viewing, bool], Calibration]:
    """The calibration of a reading alone, by that method."""
    from hairtone.calibration.level1 import fit_level1

    if method == "level 1":
        return lambda reading, viewing, is_raw: fit_level1(
            reading, viewing=viewing, is_linear=is_raw
        )
    from hairtone.calibration.level2 import fit_level2

    if method == "level 2":
        return lambda reading, viewing, is_raw: fit_level2(
            reading, viewing=viewing, is_linear=is_raw
        )
    from hairtone.calibration.solve import choose_calibration

    return lambda reading, viewing, is_raw: choose_calibration(
        reading, viewing=viewing, is_linear=is_raw
    )


def _shot(arguments: argparse.Namespace, seed: int) -> readings.Shot:
    if arguments.world == "scene":
        return shoot_scene(
            seed,
            protocol=arguments.protocol,
            is_raw=arguments.raw,
            viewing=arguments.viewing,
        )
    care = readings.CAREFUL if arguments.protocol == "careful" else readings.ORDINARY
    return readings.shoot(seed, care=care, is_raw=arguments.raw, viewing=arguments.viewing)


def _score(
    calibration: Calibration,
    shot: readings.Shot,
    place: int,
    rng: np.random.Generator,
    facts: dict[str, str],
) -> tuple[Score, bool]:
    """The score of one hair, and whether two readings of its roots are called different."""
    model = calibration.model
    linear = model.linear(shot.hair[place])
    linear = np.concatenate([linear, linear[:1]])  # the roots once more
    labs = model.lab(linear) + rng.normal(0, SAMPLING, (len(linear), 3))
    draws = model.lab_draws(linear) + (labs - model.lab(linear))
    estimates = [
        LabEstimate(
            lab=labs[k],
            sampling_covariance=SAMPLING**2 * np.eye(3),
            draws=draws[:, k],
            viewing=calibration.viewing,
        )
        for k in range(len(labs))
    ]
    gap = colour_difference(estimates[0], estimates[2], paired=True)
    again = colour_difference(estimates[0], estimates[3], paired=True)
    score = score_zones(
        dict(zip(ZONES, labs[:3], strict=True)),
        dict(zip(ZONES, shot.truth[place], strict=True)),
        u95={zone: estimates[k].u95 for k, zone in enumerate(ZONES)},
        gap={"delta_e": gap.delta_e, "low": gap.low, "high": gap.high},
        facts=facts,
    )
    return score, again.is_resolved


def _print_equal(called: list[bool]) -> None:
    """Rate at which equal colours are called different, and its one-sided 99 % lower limit."""
    count, total = sum(called), len(called)
    lower = beta.ppf(0.01, count, total - count + 1) if count else 0.0
    print(
        f"\nequal colours called different: {count} of {total} ({100 * count / total:.1f} %), "
        f"99 % lower limit {100 * lower:.1f} % (to be 5 % or less)"
    )


if __name__ == "__main__":
    main()
