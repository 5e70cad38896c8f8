"""Do ranges and forecasts of a fade hold? Simulated fades of known shape, no pixels.

``python tests/bench/fades.py [--studies 400] [--seed 0] [--washes 3 5 8] [--noise 1 3]``

Readings of one series share wash 0 and the colour before, so half of each variance is common. A
range without a value still says "this wash or later": it counts in `holds`; `given` counts those
with a value. The overall rates stand at the end, with their 99 % limits (exact binomial).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq
from scipy.stats import beta

from hairtone.colorimetry import Floats
from hairtone.measures.fade_curve import FadeCurve, WashRange, fit_fade

Curve = Callable[[Floats], Floats]
FADES: dict[str, Curve] = {
    "one exponential, 2 washes": lambda n: 100 * np.exp(-n / 2),
    "one exponential, 4.5 washes": lambda n: 100 * np.exp(-n / 4.5),
    "one exponential, 9 washes": lambda n: 100 * np.exp(-n / 9),
    "stretched 0.6": lambda n: 100 * np.exp(-((n / 4) ** 0.6)),
    "stretched 0.75": lambda n: 100 * np.exp(-((n / 5) ** 0.75)),
    "two pools, 25 % fast": lambda n: 25 * np.exp(-n / 1.2) + 75 * np.exp(-n / 6.5),
    "two pools, 50 % fast": lambda n: 50 * np.exp(-n) + 50 * np.exp(-n / 10),
    "plateau of 15 %": lambda n: 15 + 85 * np.exp(-n / 2.5),
    "plateau of 40 %": lambda n: 40 + 60 * np.exp(-n / 2),
}
SHARED = 0.5  # of the variance: wash 0 and before
WASHES = (3, 5, 8)
NOISE = (1.0, 3.0)  # % of colour left, SD
NEVER = 1e4  # washes
FIGURES = ("half", "refresh", "gone", "next", "last")
REFRESH = {"refresh_percent": 40.0}  # another level than the half-life's


@dataclass(slots=True)
class Tally:
    """How one figure did over studies."""

    held: list[bool] = field(default_factory=list)
    valued: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)

    def add(self, truth: float, value: float | None, low: float | None, high: float | None) -> None:
        """Count one answer."""
        self.valued.append(value is not None)
        if low is None:
            return
        self.held.append(low - 1e-6 <= truth <= (np.inf if high is None else high + 1e-6))
        if high is not None:
            self.widths.append(high - low)

    def __str__(self) -> str:
        if not self.held:
            return f"{'withheld':>22}"
        width = f"{np.median(self.widths):5.1f}" if self.widths else "    -"
        return f"{100 * np.mean(self.held):6.1f} {width} {100 * np.mean(self.valued):6.0f}   "


def truths(curve: Curve, last: int) -> dict[str, float]:
    """What each figure should be."""

    def wash_of(level: float) -> float:
        far = np.array(NEVER)
        return np.inf if curve(far) > level else brentq(lambda n: curve(n) - level, 1e-6, NEVER)

    return {
        "half": wash_of(50.0),
        "refresh": wash_of(REFRESH["refresh_percent"]),
        "gone": wash_of(10.0),
        "next": float(curve(np.array(min(last + 1.0, 1.5 * last)))),
        "last": float(curve(np.array(1.5 * last))),
    }


def answers(found: FadeCurve, last: int) -> dict[str, WashRange | tuple[float | None, ...]]:
    """What the fit says of each figure."""
    ahead, furthest = found.forecast([min(last + 1.0, 1.5 * last), 1.5 * last])
    return {
        "half": found.half_life,
        "refresh": found.washes_to_refresh,
        "gone": found.washes_to_gone,
        "next": ahead,
        "last": furthest,
    }


def run_row(
    curve: Curve, last: int, noise: float, *, studies: int, rng: np.random.Generator
) -> tuple[dict[str, Tally], int]:
    """Tallies of one shape, number of washes and noise, and how many were called a misfit."""
    washes = np.arange(1.0, last + 1)
    covariance = noise**2 * ((1 - SHARED) * np.eye(last) + SHARED)
    root, known = np.linalg.cholesky(covariance), truths(curve, last)
    tallies = {name: Tally() for name in FIGURES}
    misfits = 0
    for _ in range(studies):
        left = curve(washes) + root @ rng.standard_normal(last)
        found = fit_fade(washes, left, covariance, limits=REFRESH)
        misfits += found.is_misfit
        for name, answer in answers(found, last).items():
            tallies[name].add(known[name], *answer)
    return tallies, misfits


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--studies", type=int, default=400, help="a row (default 400)")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--washes", type=int, nargs="+", default=WASHES)
    parser.add_argument("--noise", type=float, nargs="+", default=NOISE)
    parser.add_argument("--shapes", default="", help="only those whose name holds this")
    asked = parser.parse_args()
    rng, begun = np.random.default_rng(asked.seed), time.process_time()
    print("holds %, median width, given %:")
    print(f"{'shape':<28}washes noise" + "".join(f"{name:>22}" for name in FIGURES) + "  misfit")
    whole = {name: Tally() for name in FIGURES}
    rows = [
        (s, w, n) for s in FADES if asked.shapes in s for w in asked.washes for n in asked.noise
    ]
    for shape, last, noise in rows:
        tallies, misfits = run_row(FADES[shape], last, noise, studies=asked.studies, rng=rng)
        told = "".join(str(tallies[name]) for name in FIGURES)
        print(f"{shape:<28}{last:>6}{noise:>6g}{told}{misfits:>8}", flush=True)
        for name, tally in tallies.items():
            whole[name].held += tally.held
            whole[name].valued += tally.valued
            whole[name].widths += tally.widths
    for name, tally in whole.items():
        count, held = len(tally.held), sum(tally.held)
        low = beta.ppf(0.005, held, count - held + 1)
        high = beta.ppf(0.995, held + 1, count - held) if held < count else 1.0
        print(f"{name}: holds {100 * held / count:.1f} % ({100 * low:.1f} to {100 * high:.1f}), "
              f"given {100 * np.mean(tally.valued):.0f} %")  # fmt: skip
    spent = time.process_time() - begun
    print(f"{1000 * spent / (asked.studies * len(rows)):.0f} ms a study, {spent:.0f} s")


if __name__ == "__main__":
    main()
