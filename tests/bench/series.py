"""What a series gains by the pool of its photos: ten photos by one camera, chart and hair alone.

``python tests/bench/series.py [--series 40] [--kind steady] [--protocol careful] [--raw]``

Every series is another camera, light, chart and set of five hairs: four coloured and washed eight
times, one left alone. Printed, photo by photo and pooled: errors of the change since wash 0, how
often the intervals of change, colour left and uptake hold the truth and how wide they are, and how
often untouched hair is called changed.
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from series_readings import HAIRS, KINDS, WASHES, Series, shoot_series

from hairtone.calibration.field import HairSpread
from hairtone.calibration.solve import choose_calibration
from hairtone.calibration.types import Calibration
from hairtone.colorimetry import VIEWINGS, Floats, delta_e, lch_difference
from hairtone.measures.fade import Fade, measure_fade
from hairtone.measures.zones import group_alike, share_alike
from hairtone.study.outcome import LEAST, Pool, Shot, world_draws
from hairtone.uncertainty import LabEstimate, colour_difference

SAMPLING = 0.10  # SD of a zone's mean from its own fibres, each axis; a thousand pixels give that
FIRST_SEED = 900_000  # series of this benchmark lie from here on
VIEWING = VIEWINGS["D65/10"]
PLACES = (0, 2)  # roots and ends
UNTOUCHED = HAIRS.index("untouched")
LARGE = 20.0  # uptake from which on the width of colour left is asked for. [ΔE*ab]
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
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="seed of the first series")
    parser.add_argument("--alone", action="store_true", help="photo by photo as well")
    parser.add_argument("--cache", type=Path, help="folder that keeps what was read")
    arguments = parser.parse_args()
    print(
        f"{'':<22} {'change':>11} {'L*':>5} {'C*':>5} {'h':>5}  {'covered':>7} {'width':>6} "
        f"{'least':>6}  {'left':>5} {'covered':>7} {'width':>6} {'of 20+':>6} {'':>6} {'told':>5}  "
        f"{'uptake':>6} "
        f"{'covered':>7} {'width':>6}  {'false':>6}"
    )
    for kind in arguments.kind or KINDS:
        begun = time.process_time()
        rows: dict[str, list[Told]] = {"photo by photo": [], "one posterior": []}
        alike, counts = [], []
        for number in range(arguments.series):
            key = (kind, arguments.protocol, arguments.raw, arguments.first + number)
            truth, shots = _kept(arguments.cache, key)
            pools, share = _pools(shots, number)
            alike.append(share)
            counts.append(len({pool.name for pool in pools}))
            if arguments.alone:
                rows["photo by photo"] += _measure(truth, _alone(shots, number), is_paired=False)
            rows["one posterior"] += _measure(truth, _in_world(shots, pools, number))
        took = (time.process_time() - begun) / arguments.series
        print(
            f"{kind}: charts misread alike {np.median(alike):.0%} (least {min(alike):.0%}), "
            f"{np.mean(counts):.1f} pools a series, {took:.1f} s CPU each"
        )
        for name, told in rows.items():
            if told:
                _print(name, told)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """Colours of one photo, hair by hair and place by place: the answer (n, 3), draws about it
    (K, n, 3), what of them is the hair's, and how its chart was misread."""

    lab: Floats
    away: Floats
    spread: HairSpread | None
    missed: Floats

    def of_hair(self, hair: int) -> Read:
        """The places of one hair."""
        chosen = slice(hair * len(PLACES), (hair + 1) * len(PLACES))
        spread = self.spread
        if spread is not None:
            spread = HairSpread(at=spread.at[chosen], root=spread.root[chosen])
        return Read(
            lab=self.lab[chosen], away=self.away[:, chosen], spread=spread, missed=self.missed
        )


def _kept(cache: Path | None, key: tuple[str, str, bool, int]) -> tuple[Floats, list[Read]]:
    """Truth and colours of one series; read once where there is a cache."""
    kind, protocol, is_raw, seed = key
    path = cache and cache / f"{'_'.join(map(str, key)).replace(' ', '-')}.pickle"
    if path and path.exists():
        return pickle.loads(path.read_bytes())
    series = shoot_series(seed, kind=KINDS[kind], protocol=protocol, is_raw=is_raw)
    fits = [
        choose_calibration(reading, viewing=VIEWING, is_linear=is_raw)
        for reading in series.readings
    ]
    found = series.truth, shots_of(series, fits)
    if path:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(found))
    return found


def _pools(shots: list[Read], number: int) -> tuple[list[Pool], float]:
    """The pool of each photo as a study makes them, and how alike all charts are misread."""
    missed = np.stack([shot.missed for shot in shots])
    groups = group_alike(missed, least=LEAST[True])
    pools = []
    for group in range(int(groups.max()) + 1):
        inside = groups == group
        photos = tuple(_photo(number, at) for at in np.flatnonzero(inside))
        alike = share_alike(missed[inside])
        pools.append(
            Pool(name=f"{number:06x}{group:06x}", photos=photos, alike=alike, within=alike)
        )
    return [pools[group] for group in groups], share_alike(missed)


def _photo(number: int, at: int) -> str:
    return f"{number:08x}{at:08x}"


def shots_of(series: Series, fits: list[Calibration]) -> list[Read]:
    """Colours by photo."""
    found = []
    for at, fit in enumerate(fits):
        linear = fit.model.linear(series.hair[at][:, PLACES].reshape(-1, 3))
        lab = fit.model.lab(linear)
        spread = fit.model.hair_spread(linear)
        away = (fit.model.lab_draws(linear) - lab).astype(np.float32)
        missed = np.full((24, 3), np.nan) if fit.missed is None else fit.missed
        found.append(Read(lab=lab, away=away, spread=spread, missed=missed))
    return found


def _alone(shots: list[Read], number: int) -> list[list[list[LabEstimate]]]:
    """Estimates by photo, hair and place, each photo by itself."""
    off = _offs(shots, number)
    return [
        [
            _estimates(shot.of_hair(hair).lab + off[at, hair], shot.of_hair(hair).away)
            for hair in range(len(HAIRS))
        ]
        for at, shot in enumerate(shots)
    ]


def _in_world(shots: list[Read], pools: list[Pool], number: int) -> list[list[list[LabEstimate]]]:
    """The same as rows of one posterior."""
    off = _offs(shots, number)
    found = []
    for at, shot in enumerate(shots):
        told = []
        for hair, name in enumerate(HAIRS):
            own = shot.of_hair(hair)
            which = Shot(
                photo=_photo(number, at),
                pool=pools[at] if len(pools[at].photos) > 1 else None,
                session=str(at),
                hair=f"{number} {name}",
                is_before=WASHES[at] is None and hair != UNTOUCHED,
            )
            away = world_draws(own.away, own.spread, which)
            told.append(_estimates(own.lab + off[at, hair], away))
        found.append(told)
    return found


def _offs(shots: list[Read], number: int) -> Floats:
    """What a zone's own fibres move it by, (photos, hairs, places, 3)."""
    rng = np.random.default_rng([FIRST_SEED, number])
    return rng.normal(0, SAMPLING, (len(shots), len(HAIRS), len(PLACES), 3))


def _estimates(lab: Floats, away: Floats) -> list[LabEstimate]:
    return [
        LabEstimate(
            lab=lab[k],
            sampling_covariance=SAMPLING**2 * np.eye(3),
            draws=(lab[k] + away[:, k]).astype(np.float32),
            viewing=VIEWING,
        )
        for k in range(len(lab))
    ]


def _measure(
    truths: Floats, colours: list[list[list[LabEstimate]]], *, is_paired: bool = True
) -> list[Told]:
    """Every interval of a series."""
    told = []
    for hair in range(len(HAIRS)):
        for k, place in enumerate(PLACES):
            truth = truths[:, hair, place]
            own = [photo[hair][k] for photo in colours]
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
            if np.linalg.norm(way) >= LARGE:
                told.append(_told("left20", step.colour_left, left, low, high))
    return told


def _told(what: str, found: float, true: float, low: float, high: float) -> Told:
    return Told(
        what=what, error=abs(found - true), is_covered=low <= true <= high, width=high - low
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
        f"{covered('left'):>6.1f}% {width('left'):>6.1f} {width('left20'):>6.1f} "
        f"{covered('left20'):>5.1f}% "
        f"{told:>4.0f}%  {error('uptake'):>6.2f} "
        f"{covered('uptake'):>6.1f}% {width('uptake'):>6.2f}  {100 - covered('false'):>5.1f}%"
    )


if __name__ == "__main__":
    main()
