"""Do the calibration's intervals hold? Many cameras and lights, chart and hair without pixels.

``python tests/bench/coverage.py [--draws 600] [--first 0] [--raw] [--protocol careful]
[--world scene] [--kinds] [--burnt]``

With ``--kinds``, hair without dye, brown shades, broad, narrow and fluorescent vivid dyes, and
apart from these what is flagged as more vivid than the chart; with ``--burnt``, photos so bright
that white patches are clipped.

Every draw is another camera, light, chart and set of five hairs, one a class. Printed: how often
the true colour lies within u95, how often the interval of roots against ends holds their true
difference, how often two equal colours are called different, and how wide all that is.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import readings
from scene_readings import KINDS, shoot_scene
from scipy.stats import beta
from scoring import Score, print_coverage, print_errors, score_zones

from hairtone.calibration.reach import outside_flags
from hairtone.calibration.types import Calibration
from hairtone.chart.types import GREYS, ChartReading
from hairtone.colorimetry import VIEWINGS, Viewing
from hairtone.scene.types import ZONES
from hairtone.spectra.hair import HAIR_CLASSES
from hairtone.uncertainty import LabEstimate, colour_difference

SAMPLING = 0.10  # SD of a zone's mean from its own fibres, each axis; a thousand pixels give that
BRIGHTER = (0.2, 1.0)  # log of the factor on the exposure that may burn out white
TOP = 0.98  # codes of hair from which it is clipped itself
FIRST_SEED = 500_000  # draws of this benchmark lie from here on


def main() -> None:
    """Draw, calibrate, count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=600, help="cameras and lights (default 600)")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    parser.add_argument("--protocol", choices=("careful", "ordinary"), default="careful")
    parser.add_argument("--world", choices=("scene", "readings"), default="scene")
    parser.add_argument("--method", choices=("level 1", "level 2", "best"), default="best")
    parser.add_argument("--first", type=int, default=0, help="number of the first: other draws")
    parser.add_argument("--kinds", action="store_true", help="vivid dyes apart")
    parser.add_argument("--burnt", action="store_true", help="white patches clipped")
    parser.add_argument("--viewing", choices=sorted(VIEWINGS), default="D65/10")
    arguments = parser.parse_args()
    viewing = VIEWINGS[arguments.viewing]
    fit = fitter(arguments.method)
    scores: list[Score] = []
    called: list[bool] = []
    methods: dict[str, int] = {}
    begun = time.process_time()
    kinds = KINDS if arguments.kinds else HAIR_CLASSES
    outside: list[Score] = []
    unnoticed = 0
    for number in range(arguments.first, arguments.first + arguments.draws):
        shot = _shot(arguments, FIRST_SEED + number)
        if shot is None:
            continue
        calibration = fit(shot.reading, viewing, arguments.raw)
        methods[calibration.method] = methods.get(calibration.method, 0) + 1
        for place, hair_class in enumerate(kinds):
            if (shot.hair[place] > TOP).any():
                continue
            facts = {
                "hair_class": hair_class,
                "light_family": shot.family,
                "protocol": arguments.protocol,
            }
            rng = np.random.default_rng([FIRST_SEED + number, place])
            score, is_called = _score(calibration, shot, place, rng, facts)
            scores.append(score)
            if outside_flags(calibration, calibration.model.linear(shot.hair[place])):
                outside.append(replace(score, protocol="all outside"))
            elif (shot.hair[place] <= 0).any():
                unnoticed += 1
            called.append(is_called)
    took = (time.process_time() - begun) / arguments.draws
    print(f"{arguments.draws} cameras and lights, {1000 * took:.0f} ms CPU each; methods {methods}")
    print(f"{'':<34} {'done':>7}  {'colour ΔE00':>13}  {'root to ends':>13}  {'L*':>6}")
    print_errors(f"{arguments.world}, {arguments.protocol}", scores, photos=len(scores))
    for hair_class in kinds:
        kept = [s for s in scores if s.hair_class == hair_class]
        print_errors(f"  {hair_class}", kept, photos=len(kept))
    print_coverage("without pixels", scores)
    if outside:
        print_coverage("outside the chart", outside)
    print(f"\nhair with a channel at zero that is not told as outside: {unnoticed}")
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


def _shot(arguments: argparse.Namespace, seed: int) -> readings.Shot | None:
    """The chart and hair of a seed; None where as many patches are clipped as to be refused."""
    if arguments.world == "scene":
        brighter = np.exp(np.random.default_rng([seed, 17]).uniform(*BRIGHTER))
        shot = shoot_scene(
            seed,
            protocol=arguments.protocol,
            is_raw=arguments.raw,
            viewing=arguments.viewing,
            kinds=KINDS if arguments.kinds else HAIR_CLASSES,
            brighter=float(brighter) if arguments.burnt else 1.0,
        )
        usable = shot.reading.usable
        if arguments.burnt and (
            usable[list(GREYS)].all() or usable.sum() < 18 or usable[list(GREYS)].sum() < 4
        ):
            return None
        return shot
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
