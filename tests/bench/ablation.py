"""What each part of a measurement is worth: the same photos with one part off at a time.

``python tests/bench/ablation.py [--photos 40] [--raw] [--protocol both] [--cache DIR]``
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from accuracy import measured
from cases import Case, rendered_cases
from scoring import Score, mean_and_p95

from hairtone.calibration import solve
from hairtone.calibration.light import unknown_light
from hairtone.hair import body
from hairtone.hair.shine import without_glare

Off = Callable[[], contextlib.AbstractContextManager[Any]]


def _swap(module: object, name: str, stand_in: Callable[..., Any]) -> Off:
    return lambda: patch.object(module, name, stand_in)


def _no_light_field(photo: Any, reading: Any, *_: Any, **__: Any) -> Any:
    return unknown_light(photo, reading, flags=())


def _shine_left_in(*arguments: Any, **numbers: Any) -> Any:
    return without_glare(FIT_SHINE(*arguments, **numbers))


def _shading_left_in(*arguments: Any, **numbers: Any) -> Any:
    found = FIT_SHADING(*arguments, **numbers)
    return dataclasses.replace(found, terms=0 * found.terms)


FIT_SHINE, FIT_SHADING = body.fit_shine, body.fit_shading
PARTS: dict[str, Off] = {
    "everything on": contextlib.nullcontext,
    "level 1 alone": _swap(solve, "choose_level", lambda first, second: first),
    "level 2 alone": _swap(solve, "choose_level", lambda first, second: second),
    "no light field": _swap(solve, "fit_light_field", _no_light_field),
    "highlights left in": _swap(body, "fit_shine", _shine_left_in),
    "round shading left in": _swap(body, "fit_shading", _shading_left_in),
}


def main() -> None:
    """Render, measure with each part off, print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=int, default=40, help="rendered photos (default 40)")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    parser.add_argument("--protocol", choices=("careful", "ordinary", "both"), default="both")
    parser.add_argument("--cache", type=Path, help="folder that keeps rendered photos")
    parser.add_argument("--given", action="store_true", help="along the true line")
    parser.add_argument("--part", choices=sorted(PARTS), help="this part alone")
    arguments = parser.parse_args()
    cases = rendered_cases(
        arguments.photos,
        is_raw=arguments.raw,
        protocol=arguments.protocol,
        cache=arguments.cache,
    )
    heads = (
        f"{'colour ΔE00':>13} {'root to ends':>13} {'colour':>7} {'u95':>5} {'gap':>6} {'width':>6}"
    )
    print(f"{'':<24} {'done':>5} {heads}")
    with tempfile.TemporaryDirectory() as scratch:
        for name, off in PARTS.items():
            if arguments.part not in (None, name):
                continue
            with off():
                scores = list(_scores(cases, Path(scratch), is_line_given=arguments.given))
            _print_row(name, scores)


def _scores(cases: list[Case], scratch: Path, *, is_line_given: bool) -> Iterator[Score]:
    for case in cases:
        result = measured(case, scratch, is_line_given=is_line_given)
        if isinstance(result, Score):
            yield result


def _print_row(name: str, scores: list[Score]) -> None:
    errors = np.concatenate([s.errors for s in scores])
    print(
        f"{name:<24} {len(scores):>5} {mean_and_p95(errors):>13} "
        f"{mean_and_p95(abs(s.gap_error) for s in scores):>13} "
        f"{100 * np.mean([s.covered for s in scores]):>6.1f}% "
        f"{np.median([s.u95 for s in scores]):>5.2f} "
        f"{100 * np.mean([s.is_gap_covered for s in scores]):>5.1f}% "
        f"{np.median([s.gap_width for s in scores]):>6.2f}"
    )


if __name__ == "__main__":
    main()
