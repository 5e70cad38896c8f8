"""What a series gains by the pool of its photos: ten photos by one camera, chart and hair alone.

``python tests/bench/series.py [--series 40] [--kind steady] [--protocol careful] [--raw]``

Every series is another camera, light, chart and set of five hairs: four coloured and washed eight
times, one left alone. Printed, photo by photo and pooled: errors of the change since wash 0, how
often the intervals of change, colour left and uptake hold the truth and how wide they are, and how
often untouched hair is called changed.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from series_readings import HAIRS, KINDS, WASHES, Series, shoot_series

from hairtone.calibration.solve import choose_calibration
from hairtone.calibration.types import Calibration
from hairtone.colorimetry import VIEWINGS, Floats, delta_e, lch_difference
from hairtone.measures.fade import Fade, measure_fade
from hairtone.measures.zones import group_alike, share_alike
from hairtone.study.pools import LEAST, Pool
from hairtone.uncertainty import DRAWS, LabEstimate, colour_difference

SAMPLING = 0.10  # SD of a zone's mean from its own fibres, each axis; a thousand pixels give that
FIRST_SEED = 900_000  # series of this benchmark lie from here on
VIEWING = VIEWINGS["D65/10"]
PLACES = (0, 2)  # roots and ends
UNTOUCHED = HAIRS.index("untouched")
NO_LAY = np.zeros((3, 3))  # the truth is that of the very lay: none of its scatter counts


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One interval against the truth."""

    what: str
    error: float
    is_covered: bool
    width: float


def main() -> None:
    """Shoot series, measure their fade photo by photo and pooled, count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--series", type=int, default=40, help="of ten photos (default 40)")
    parser.add_argument("--kind", choices=tuple(KINDS), action="append", help="default all")
    parser.add_argument("--protocol", choices=("careful", "ordinary"), default="careful")
    parser.add_argument("--raw", action="store_true", help="linear sensor values")
    arguments = parser.parse_args()
    print(
        f"{'':<22} {'change':>11} {'L*':>5} {'C*':>5} {'h':>5}  {'covered':>7} {'width':>6} "
        f"{'least':>6}  {'left':>5} {'covered':>7} {'width':>6} {'told':>5}  {'uptake':>6} "
        f"{'covered':>7} {'width':>6}  {'false':>6}"
    )
    for kind in arguments.kind or KINDS:
        begun = time.process_time()
        rows: dict[str, list[Told]] = {"photo by photo": [], "pooled": []}
        alike, pools = [], []
        for number in range(arguments.series):
            series = shoot_series(
                FIRST_SEED + number,
                kind=KINDS[kind],
                protocol=arguments.protocol,
                is_raw=arguments.raw,
            )
            fits = [
                choose_calibration(reading, viewing=VIEWING, is_linear=arguments.raw)
                for reading in series.readings
            ]
            orders, share, count = _orders(fits, number)
            alike.append(share)
            pools.append(count)
            colours = _colours(series, fits, seed=number)
            rows["photo by photo"] += _measure(series, colours, None)
            rows["pooled"] += _measure(series, colours, orders)
        took = (time.process_time() - begun) / arguments.series
        print(
            f"{kind}: charts misread alike {np.median(alike):.0%} (least {min(alike):.0%}), "
            f"{np.mean(pools):.1f} pools a series, {took:.1f} s CPU each"
        )
        for name, told in rows.items():
            _print(name, told)


def _orders(fits: list[Calibration], number: int) -> tuple[list[Floats], float, int]:
    """Order of each photo's draws as the pools of a study give it, their share, their number."""
    missed = np.stack([np.full((24, 3), np.nan) if f.missed is None else f.missed for f in fits])
    groups = group_alike(missed, least=LEAST[True])
    photos = [f"{number:08x}{at:08x}" for at in range(len(fits))]
    pools = []
    for group in range(int(groups.max()) + 1):
        inside = groups == group
        pools.append(
            Pool(
                name=f"{number:06x}{group:06x}",
                photos=tuple(np.array(photos)[inside]),
                alike=share_alike(missed[inside]),
            )
        )
    orders = [
        pools[group].rows(photo, draws=DRAWS) for photo, group in zip(photos, groups, strict=True)
    ]
    return orders, share_alike(missed), len(pools)


def _colours(
    series: Series, fits: list[Calibration], *, seed: int
) -> list[list[list[LabEstimate]]]:
    """Estimates by photo, hair and place."""
    rng = np.random.default_rng([FIRST_SEED, seed])
    found = []
    for at, fit in enumerate(fits):
        hair = series.hair[at][:, PLACES]
        linear = fit.model.linear(hair.reshape(-1, 3))
        lab = fit.model.lab(linear)
        off = rng.normal(0, SAMPLING, lab.shape)
        draws = fit.model.lab_draws(linear) + off
        estimates = [
            LabEstimate(
                lab=lab[k] + off[k],
                sampling_covariance=SAMPLING**2 * np.eye(3),
                draws=draws[:, k].astype(np.float32),
                viewing=VIEWING,
            )
            for k in range(len(lab))
        ]
        found.append([estimates[k : k + len(PLACES)] for k in range(0, len(lab), len(PLACES))])
    return found


def _measure(
    series: Series, colours: list[list[list[LabEstimate]]], orders: list[Floats] | None
) -> list[Told]:
    """Every interval of a series; pooled where the orders of the draws are given."""
    told = []
    for hair in range(len(HAIRS)):
        for k, place in enumerate(PLACES):
            truth = series.truth[:, hair, place]
            own = [photo[hair][k] for photo in colours]
            if orders is not None:
                own = [_ordered(e, order) for e, order in zip(own, orders, strict=True)]
            is_paired = orders is not None
            before = None if hair == UNTOUCHED else own[0]
            washes = {wash: own[at] for at, wash in enumerate(WASHES) if wash is not None}
            fade = measure_fade(before, washes, paired=is_paired, relaying=NO_LAY)
            told += _told_fade(fade, truth, own, is_untouched=hair == UNTOUCHED)
            if hair != UNTOUCHED:
                found = colour_difference(own[0], own[1], paired=is_paired)
                true = float(delta_e(truth[0], truth[1]))
                told.append(_told("uptake", found.delta_e, true, found.low, found.high))
    return told


def _told_fade(
    fade: Fade, truth: Floats, own: list[LabEstimate], *, is_untouched: bool
) -> list[Told]:
    told = []
    for step in fade.steps[1:]:
        at = WASHES.index(step.wash)
        found = step.difference
        if is_untouched:
            told.append(Told(what="false", error=0.0, is_covered=not found.is_resolved, width=0.0))
            continue
        true = float(delta_e(truth[1], truth[at]))
        told.append(_told("change", found.delta_e, true, found.low, found.high))
        told.append(Told(what="least", error=0.0, is_covered=True, width=found.critical))
        signed = np.subtract(
            lch_difference(own[1].lab, own[at].lab), lch_difference(truth[1], truth[at])
        )
        told += [
            Told(what=name, error=abs(float(error)), is_covered=True, width=0.0)
            for name, error in zip(("L*", "C*", "h"), signed, strict=True)
        ]
        if step.colour_left is not None:
            way = truth[1] - truth[0]
            left = float(100 * ((truth[at] - truth[0]) @ way) / (way @ way))
            low, high = float(step.colour_left_low or 0), float(step.colour_left_high or 0)
            told.append(_told("left", step.colour_left, left, low, high))
    return told


def _told(what: str, found: float, true: float, low: float, high: float) -> Told:
    return Told(
        what=what, error=abs(found - true), is_covered=low <= true <= high, width=high - low
    )


def _ordered(estimate: LabEstimate, order: Floats) -> LabEstimate:
    return LabEstimate(
        lab=estimate.lab,
        sampling_covariance=estimate.sampling_covariance,
        draws=estimate.draws[order],
        viewing=estimate.viewing,
    )


def _print(name: str, rows: list[Told]) -> None:
    """One line: errors, coverage in per cent, median widths."""

    def of(what: str) -> list[Told]:
        return [row for row in rows if row.what == what]

    def error(what: str) -> float:
        return float(np.mean([row.error for row in of(what)]))

    def covered(what: str) -> float:
        return 100 * float(np.mean([row.is_covered for row in of(what)]))

    def width(what: str) -> float:
        return float(np.median([row.width for row in of(what)]))

    p95 = np.quantile([row.error for row in of("change")], 0.95)
    told = 100 * len(of("left")) / len(of("change"))
    print(
        f"  {name:<20} {error('change'):>5.2f} /{p95:>4.1f} {error('L*'):>5.2f} "
        f"{error('C*'):>5.2f} {error('h'):>5.2f}  {covered('change'):>6.1f}% "
        f"{width('change'):>6.2f} {width('least'):>6.2f}  {error('left'):>5.1f} "
        f"{covered('left'):>6.1f}% {width('left'):>6.1f} {told:>4.0f}%  {error('uptake'):>6.2f} "
        f"{covered('uptake'):>6.1f}% {width('uptake'):>6.2f}  {100 - covered('false'):>5.1f}%"
    )


if __name__ == "__main__":
    main()
