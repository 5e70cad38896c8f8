"""Are comparisons of treatments right at every design? Simulated studies of known truth.

``python tests/bench/comparisons.py [--studies 400] [--seed 1] [--only WORD] [--tresses 2,3,...]``

A row a design, number of tresses and share of readings that are missing: how often equal
treatments are called different (one test), how often the 95 % interval holds the true difference,
its mean width, and the power against that of the best test of that design, which knows the
variances' ratios, at the effect where the best test sees 80 %. The last rows are whole studies:
how often any of all their tests is wrong.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.stats import nct, t

from hairtone.measures.comparison import compare_treatments
from hairtone.measures.contrast import Reading

Study = Callable[[np.random.Generator, int], list[Reading]]
TRESSES = (2, 3, 4, 6, 12, 20)
NAMES = ("A", "B")
DRAWS = 256


def reading(value: float, name: str, at: object, **keys: str) -> Reading:
    """One reading of a tress of its own."""
    return Reading(value=float(value), treatment=name, tress=f"{name}{at}", measure="x", **keys)


def unpaired(rng, n, sds=(1.0, 1.0), times=(1, 1)):
    return [
        reading(rng.normal(0, sd), name, k)
        for name, sd, more in zip(NAMES, sds, times, strict=True)
        for k in range(n * more)
    ]


def unequal_scatter(rng, n):
    return unpaired(rng, n, sds=(2.0, 1.0))


def few_wide_many_narrow(rng, n):
    return unpaired(rng, n, sds=(1.6, 0.6), times=(1, 3))


def paired(rng, n):
    shared = rng.normal(0, 1.0, n)
    return [
        reading(shared[k] + rng.normal(0, 0.6), name, k, pair=f"P{k}")
        for name in NAMES
        for k in range(n)
    ]


def paired_unlike(rng, n):
    shared = rng.normal(0, 1.0, n)
    return [
        reading(shared[k] + rng.normal(0, sd), name, k, pair=f"P{k}")
        for name, sd in zip(NAMES, (1.2, 0.5), strict=True)
        for k in range(n)
    ]


def blocks(rng, n):
    lots = rng.normal(0, 1.0, 3)
    return [
        reading(lots[k % 3] + rng.normal(0, 0.8), name, k, block=f"lot {k % 3}")
        for name in NAMES
        for k in range(n)
    ]


def sessions(rng, n):
    """Three sessions that hold unequal numbers of each treatment."""
    shifts = rng.normal(0, 1.0, 3)
    return [
        reading(shifts[s] + rng.normal(0, 0.8), name, k, session=f"day {s}")
        for which, name in enumerate(NAMES)
        for k in range(n)
        for s in [(k + (k % 4 == 0) * which) % 3]
    ]


def boards(rng, n):
    """Each treatment on boards of its own, three tresses a board, n boards a treatment."""
    out = []
    for name in NAMES:
        for board in range(n):
            shift = rng.normal(0, 0.8)
            out += [
                reading(shift + rng.normal(0, 0.6), name, f"{board}.{k}", photo=f"{name}{board}")
                for k in range(3)
            ]
    return out


def one_board_each(rng, n):
    shift = dict(zip(NAMES, rng.normal(0, 0.8, 2), strict=True))
    return [
        reading(shift[name] + rng.normal(0, 0.6), name, k, photo=f"board {name}")
        for name in NAMES
        for k in range(n)
    ]


def sections(rng, n):
    """Clients of one treatment each, four sections a client."""
    out = []
    for name in NAMES:
        for client in range(n):
            own = rng.normal(0, 1.0)
            out += [
                reading(own + rng.normal(0, 0.5), name, f"{client}{s}",
                        subject=f"{name}{client}", section=f"s{s}")
                for s in range(4)
            ]  # fmt: skip
    return out


def half_heads(rng, n):
    """Both treatments on every client, two sections a side; clients respond each in their way."""
    out = []
    for client in range(n):
        own = rng.normal(0, 1.0)
        for name in NAMES:
            side = own + rng.normal(0, 0.4)
            out += [
                reading(side + rng.normal(0, 0.5), name, f"{client}{s}",
                        subject=f"C{client}", section=f"{name}{s}")
                for s in range(2)
            ]  # fmt: skip
    return out


def relaid(rng, n):
    """Pairs, three photos of each tress."""
    shared = rng.normal(0, 1.0, n)
    out = []
    for name in NAMES:
        for k in range(n):
            own = shared[k] + rng.normal(0, 0.5)
            out += [
                reading(own + rng.normal(0, 0.5), name, k, pair=f"P{k}", photo=f"{name}{k}.{r}")
                for r in range(3)
            ]
    return out


def calibrated(rng, n):
    """One set-up misreads the treatments unlike; each photo has an error of its own as well."""
    lean, worlds = rng.normal(0, 0.5), rng.normal(0, 0.5, DRAWS)
    out = []
    for name, share in zip(NAMES, (1.0, 0.2), strict=True):
        for k in range(n):
            true = rng.normal(0, 0.7)
            seen = true + share * lean + rng.normal(0, 0.4)
            draws = seen + share * worlds + rng.normal(0, 0.4, DRAWS)
            out.append(replace(reading(seen, name, k, photo=f"{name}{k}"), draws=draws))
    return out


def evenness(rng, n):
    """Lengths of root-to-ends differences of 2, the photos of A noisier by three times."""
    out = []
    for name, noise in zip(NAMES, (0.9, 0.3), strict=True):
        for k in range(n):
            gap = np.array([rng.normal(2.0, 0.4), 0, 0])
            seen = gap + rng.normal(0, noise, 3)
            draws = np.linalg.norm(seen + rng.normal(0, noise, (DRAWS, 3)), axis=1)
            value = float(np.linalg.norm(seen))
            out.append(replace(reading(value, name, k, photo=f"{name}{k}"), draws=draws))
    return out


def colours(rng, n):
    spread = np.diag([1.2, 0.6, 0.8])
    return [
        replace(reading(0.0, name, k), value=np.array([35.0, 12, 18]) + spread @ rng.normal(size=3))
        for name in NAMES
        for k in range(n)
    ]


def paired_colours(rng, n):
    spread = np.diag([1.2, 0.6, 0.8])
    shared = rng.normal(0, 1.5, (n, 3))
    return [
        replace(
            reading(0.0, name, k, pair=f"P{k}"),
            value=np.array([35.0, 12, 18]) + shared[k] + spread @ rng.normal(size=3),
        )
        for name in NAMES
        for k in range(n)
    ]


# variance of the difference of two means, and degrees of freedom of the best test, by tresses
DESIGNS: dict[str, tuple[Study, Callable[[int], tuple[float, float]] | None]] = {
    "unpaired": (unpaired, lambda n: (2 / n, 2 * n - 2)),
    "unpaired, SD 2 and 1": (unequal_scatter, lambda n: (5 / n, 2 * n - 2)),
    "n at SD 1.6, 3 n at SD 0.6": (
        few_wide_many_narrow, lambda n: (1.6**2 / n + 0.6**2 / (3 * n), 4 * n - 2)),
    "paired": (paired, lambda n: (2 * 0.36 / n, n - 1)),
    "paired, SD 1.2 and 0.5": (paired_unlike, lambda n: (1.69 / n, n - 1)),
    "three blocks": (blocks, lambda n: (1.28 / n, 2 * n - 1 - min(n, 3))),
    "three sessions, unequal": (sessions, lambda n: (1.28 / n * 1.07, 2 * n - 1 - min(n, 3))),
    "n boards each": (boards, lambda n: (2 * (0.64 + 0.12) / n, 2 * n - 2)),
    "n clients each, 4 sections": (sections, lambda n: (2 * (1 + 0.25 / 4) / n, 2 * n - 2)),
    "n half heads, 2 sections a side": (half_heads, lambda n: (2 * (0.16 + 0.125) / n, n - 1)),
    "pairs, 3 photos a tress": (relaid, lambda n: (2 * (0.25 + 0.25 / 3) / n, n - 1)),
    "one set-up that leans": (calibrated, lambda n: (2 * 0.65 / n + 0.16, 2 * n - 2)),
    "evenness, A noisier": (evenness, None),
    "colours": (colours, None),
    "paired colours": (paired_colours, None),
    "one board each": (one_board_each, None),
}  # fmt: skip


def shifted(readings: list[Reading], effect: float) -> list[Reading]:
    """The study with a true difference."""
    out = []
    for r in readings:
        if r.treatment == "B" or effect == 0:
            out.append(r)
            continue
        step = effect if np.ndim(r.value) == 0 else np.array([effect, 0, 0])
        draws = None if r.draws is None else np.asarray(r.draws) + step
        out.append(replace(r, value=np.asarray(r.value) + step, draws=draws))
    return out


def thinned(readings: list[Reading], rng: np.random.Generator, share: float) -> list[Reading]:
    """Readings of which some are missing, two of each treatment kept at least."""
    kept = [r for r in readings if rng.random() >= share]
    for name in NAMES:
        mine = [r for r in kept if r.treatment == name]
        if len({r.tress for r in mine}) < 2:
            kept += [r for r in readings if r.treatment == name and r not in mine]
    return kept


def best_effect(variance: float, freedom: float) -> tuple[float, float]:
    """The difference that the best test sees in 80 of 100 studies, and that power."""
    edge = float(t.ppf(0.975, freedom))
    sizes = np.linspace(0.5, 40, 800)
    power = nct.sf(edge, freedom, sizes) + nct.cdf(-edge, freedom, sizes)
    at = int(np.argmax(power >= 0.8))
    return float(sizes[at] * np.sqrt(variance)), float(power[at])


def row(name: str, n: int, share: float, studies: int, seed: int) -> str:
    """One row of the table."""
    make, best = DESIGNS[name]
    rng = np.random.default_rng([seed, n, int(100 * share), sum(map(ord, name))])
    variance, freedom = best(n) if best else (0.0, 0.0)
    freedom = freedom * (1 - share)
    is_known = best is not None and freedom >= 1
    effect, top = best_effect(variance / (1 - share), freedom) if is_known else (0.0, np.nan)
    called = held = seen = answered = 0
    widths, methods = [], set()
    for _ in range(studies):
        readings = thinned(make(rng, n), rng, share) if share else make(rng, n)
        (found,) = compare_treatments(readings)
        called += found.is_resolved
        methods.add(found.method or "no verdict")
        if found.low is None:
            continue
        answered += 1
        held += found.low <= 0 <= found.high
        widths.append(found.high - found.low)
        if effect:
            seen += compare_treatments(shifted(readings, effect))[0].is_resolved
    power = f"{100 * seen / studies / top:6.0f} %" if effect else "      –"
    covered = f"{100 * held / answered:6.1f} %" if answered else "      –"
    width = f"{np.mean(widths):8.2f}" if widths else "       –"
    return (
        f"{name:<34}{n:>4}{100 * share:>6.0f} %{100 * called / studies:>8.1f} %{covered}{width}"
        f"{power}  {', '.join(sorted(methods))}"
    )


def whole_study(rng: np.random.Generator, n: int, cells: int, share: float) -> list[Reading]:
    """Pairs with `cells` figures each, correlated as zones and washes of one tress are."""
    out = []
    pairs = rng.normal(0, 1.0, (n, 1)) + rng.normal(0, 0.5, (n, cells))
    for name in NAMES:
        values = pairs + rng.normal(0, 0.4, (n, 1)) + rng.normal(0, 0.4, (n, cells))
        for k, c in np.ndindex(n, cells):
            if rng.random() >= share:
                keys = {"pair": f"P{k}", "zone": f"z{c % 3}", "wash": str(c // 3)}
                out.append(reading(values[k, c], name, k, **keys))
    return out


def study_row(n: int, cells: int, share: float, studies: int, seed: int) -> str:
    """How often any test of a study of equal treatments is wrong."""
    rng = np.random.default_rng([seed, n, cells, int(100 * share)])
    any_wrong = primary_wrong = other_wrong = 0
    for _ in range(studies):
        readings = whole_study(rng, n, cells, share)
        any_wrong += any(c.is_resolved for c in compare_treatments(readings))
        found = compare_treatments(readings, primary="x in z0 at wash 0")
        primary_wrong += any(c.is_resolved for c in found if c.is_primary)
        other_wrong += any(c.is_resolved for c in found if not c.is_primary)
    return (
        f"{f'whole study, {cells} tests, pairs':<34}{n:>4}{100 * share:>6.0f} %"
        f"{100 * any_wrong / studies:>8.1f} %   with a primary endpoint: it "
        f"{100 * primary_wrong / studies:.1f} %, any other {100 * other_wrong / studies:.1f} %"
    )


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--studies", type=int, default=400, help="a row (default 400)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="designs whose name holds this word")
    parser.add_argument("--tresses", default=",".join(map(str, TRESSES)))
    parser.add_argument("--missing", default="0,0.15", help="shares of readings missing")
    given = parser.parse_args()
    counts = [int(n) for n in given.tresses.split(",")]
    shares = [float(s) for s in given.missing.split(",")]
    begun = time.process_time()
    print(f"{'design':<34}{'n':>4}{'missing':>8}{'false':>10}{'held':>8}{'width':>8}"
          f"{'power/best':>8}  method")  # fmt: skip
    for name in DESIGNS:
        if given.only in name:
            for share in shares:
                for n in counts:
                    print(row(name, n, share, given.studies, given.seed), flush=True)
    for cells in (9, 45):
        if given.only in f"whole study, {cells} tests, pairs":
            for share in shares:
                for n in counts:
                    told = study_row(n, cells, share, max(given.studies // 4, 50), given.seed)
                    print(told, flush=True)
    print(f"{time.process_time() - begun:.0f} s")


if __name__ == "__main__":
    main()
