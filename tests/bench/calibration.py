"""What each part of the calibration is worth, without pixels: one part off at a time.

``python tests/bench/calibration.py [--draws 120] [--raw] [--protocol careful] [--world scene]``

Every draw is another camera, light, chart and set of hair that the prior has not seen; the same
draws for every part. A part pays when the error grows without it; the standard error is of the
difference to the first row, draw by draw.
"""

from __future__ import annotations

import argparse
import contextlib
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack
from unittest.mock import patch

import numpy as np
import readings
from scene_readings import shoot_scene

from hairtone.calibration import level2, posterior, tone
from hairtone.calibration import level2 as virtual_hair
from hairtone.calibration import solve as choice
from hairtone.calibration.types import Calibration
from hairtone.chart.types import ChartReading
from hairtone.colorimetry import VIEWINGS, Floats, delta_e

FIRST_SEED = 700_000  # draws of this benchmark lie from here on
VIEWING = VIEWINGS["D65/10"]
Off = Callable[[], AbstractContextManager[object]]


@contextlib.contextmanager
def _constants(*changes: tuple[object, str, object]) -> Iterator[None]:
    with ExitStack() as stack:
        for module, name, value in changes:
            stack.enter_context(patch.object(module, name, value))
        yield


@contextlib.contextmanager
def _no_field() -> Iterator[None]:
    with patch.dict(posterior.FIELD_SD, {True: (1e-6,), False: (1e-6,)}):
        yield


@contextlib.contextmanager
def _one_field() -> Iterator[None]:
    with patch.dict(posterior.FIELD_SD, {False: (0.025,)}):
        yield


@contextlib.contextmanager
def _cubic_alone() -> Iterator[None]:
    def lab(self: level2.Level2Model, light: Floats) -> Floats:
        return self.regression.cubic_lab(self._corrected(light))

    with patch.object(level2.Level2Model, "_lab", lab):
        yield


def _first(first: Calibration, second: Calibration) -> Calibration:
    return first


def _second(first: Calibration, second: Calibration) -> Calibration:
    return second


PARTS: dict[str, Off] = {
    "everything on": contextlib.nullcontext,
    "level 1 alone": lambda: _constants((choice, "choose_level", _first)),
    "level 2 alone": lambda: _constants((choice, "choose_level", _second)),
    "no discrepancy field": _no_field,
    "cubic, no local lines": _cubic_alone,
    "no tone fitted": lambda: _constants((tone, "PRIOR_SD", (1e-4,) * tone.TERMS)),
    "flare fixed at 0.8 %": lambda: _constants((posterior, "FLARE", (0.008, 1e-5))),
    "gloss fixed at 0.2 %": lambda: _constants((posterior, "GLOSS", (0.002,))),
    "discrepancy fixed at 2.5 %": _one_field,
    "no slope over the chart": lambda: _constants((posterior, "SLOPE_SD", 1e-5)),
    "bad patches count in full": lambda: _constants(
        (posterior, "OUTLIER", dict.fromkeys((True, False), 1e9))
    ),
    "half the neighbours": lambda: _constants((virtual_hair, "NEIGHBOURS", 100)),
}


def main() -> None:
    """Draw once, calibrate with each part off, print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--draws", type=int, default=120, help="cameras and lights (default 120)")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    parser.add_argument("--protocol", choices=("careful", "ordinary"), default="careful")
    parser.add_argument("--world", choices=("scene", "readings"), default="scene")
    arguments = parser.parse_args()
    shots = [_shot(arguments, FIRST_SEED + number) for number in range(arguments.draws)]
    print(f"{arguments.world}, {arguments.protocol}, {'RAW' if arguments.raw else 'encoded'}")
    print(f"{'':<26} {'mean':>6} {'p95':>6} {'cost':>7} {'SE':>6} {'ms':>5}")
    whole: Floats | None = None
    for name, off in PARTS.items():
        with off():
            begun = time.process_time()
            errors = np.array([_errors(shot, is_raw=arguments.raw) for shot in shots])
            took = 1000 * (time.process_time() - begun) / len(shots)
        whole = errors if whole is None else whole
        cost = (errors - whole).mean(axis=1)
        print(
            f"{name:<26} {errors.mean():6.3f} {np.quantile(errors, 0.95):6.2f} "
            f"{cost.mean():+7.3f} {cost.std() / np.sqrt(len(cost)):6.3f} {took:5.0f}"
        )


def _shot(arguments: argparse.Namespace, seed: int) -> readings.Shot:
    if arguments.world == "scene":
        return shoot_scene(seed, protocol=arguments.protocol, is_raw=arguments.raw)
    care = readings.CAREFUL if arguments.protocol == "careful" else readings.ORDINARY
    return readings.shoot(seed, care=care, is_raw=arguments.raw)


def _errors(shot: readings.Shot, *, is_raw: bool) -> Floats:
    reading: ChartReading = shot.reading
    fit = choice.choose_calibration(reading, viewing=VIEWING, is_linear=is_raw)
    hair = shot.hair.reshape(-1, 3)
    return delta_e(shot.truth.reshape(-1, 3), fit.model.lab(fit.model.linear(hair)))


if __name__ == "__main__":
    main()
