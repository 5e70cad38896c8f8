"""Mean colours of zones, tenths and spans of a hair, and over photos, their errors kept together.

Spans stay on the same hair while it grows and is trimmed. What a calibration leaves of each patch,
with its direction, is the mark of a camera, its rendering and its light. Where that pattern is the
same in two photos, so is most of the error of the hair in them; where it is another one, little of
it is [ours].
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats, Viewing, lab_to_xyz, xyz_to_lab
from hairtone.errors import MeasureError
from hairtone.hair.types import Profile
from hairtone.showing import Shown
from hairtone.uncertainty import ColourDifference, LabEstimate, colour_difference

# bins over which fibres are taken as shared when a profile does not say; our choice: the fibres of
# a tress run on from bin to bin, three sixtieths of it claim less averaging than there may be
SHARED_BINS: Final = 3
_LEAST_VARIANCE: Final = 1e-9  # of the mean one: spans that move as one stay a covariance
MADE_DRAWS: Final = 512  # stand-in for the joint bootstrap; covariances repeat to 6 %


def check_viewing(colours: Sequence[LabEstimate] | Sequence[Profile]) -> None:
    """Refuse colours that are stated for different viewings."""
    named = sorted({str(colour.viewing) for colour in colours})
    if len(named) > 1:
        raise MeasureError(
            "viewings-differ",
            f"The colours are stated for {' and '.join(named)}.",
            remedy="Measure all photos for one viewing.",
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spans:
    """Mean colours over m spans of one hair.

    Attributes
    ----------
    lab : ndarray, shape (m, 3)
        Mean in linear light, as L*a*b*.
    sampling : ndarray, shape (R, m, 3)
        What each resampling of the fibres moves them by, all spans together. [Lab units]
    calibration : ndarray, shape (K, m, 3)
        What each equally good calibration and light moves them by. [Lab units]
    viewing : Viewing
        Illuminant and observer.
    """

    lab: Floats
    sampling: Floats
    calibration: Floats
    viewing: Viewing

    def estimate(self, index: int) -> LabEstimate:
        """One of the spans by itself."""
        moved = self.sampling[:, index]
        return LabEstimate(
            lab=self.lab[index],
            sampling_covariance=moved.T @ moved / len(moved),
            draws=(self.lab[index] + self.calibration[:, index]).astype(np.float32),
            viewing=self.viewing,
        )

    def difference_covariance(self, first: int, second: int) -> Floats:
        """Covariance of span `second` minus span `first`, shape (3, 3). [Lab units squared]"""
        covariance = np.zeros((3, 3))
        for moved in (self.sampling, self.calibration):
            gap = moved[:, second] - moved[:, first]
            covariance += gap.T @ gap / len(gap)
        return covariance

    def noise(self, *, trials: int) -> Floats:
        """Normal errors of all spans with their joint covariance, shape (trials, m, 3)."""
        size = self.lab.size
        flat = [moved.reshape(-1, size) for moved in (self.sampling, self.calibration)]
        covariance = np.sum([moved.T @ moved / len(moved) for moved in flat], axis=0)
        least = _LEAST_VARIANCE * np.trace(covariance) / size + np.finfo(float).tiny
        root = np.linalg.cholesky(covariance + least * np.eye(size))  # a tenth of the time of eigh
        return (unit_normals(trials, size, 0) @ root.T).reshape(trials, *self.lab.shape)


def change_noise(first: Spans, second: Spans, *, paired: bool, trials: int) -> Floats:
    """Errors of the change from `first` to `second` in all spans, shape (trials, m, 3)."""
    if not paired:
        ahead = second.noise(trials=trials)
        # the same normals serve both photos: turned, so that they are independent
        return np.asarray(ahead - np.roll(first.noise(trials=trials), 1 + trials // 3, axis=0))
    rows = min(len(first.calibration), len(second.calibration))
    gap = second.calibration[:rows] - first.calibration[:rows]
    pair = Spans(lab=second.lab, sampling=second.sampling, calibration=gap, viewing=second.viewing)
    alone = Spans(
        lab=first.lab,
        sampling=first.sampling,
        calibration=np.zeros_like(gap),
        viewing=first.viewing,
    )
    shaken = alone.noise(trials=trials)
    return np.asarray(pair.noise(trials=trials) - np.roll(shaken, 1 + trials // 3, axis=0))


@cache
def unit_normals(rows: int, columns: int, seed: int) -> Floats:
    """Unit normal numbers, the same at every call, shape (rows, columns)."""
    numbers = np.random.default_rng(seed).standard_normal((rows, columns))
    numbers.flags.writeable = False
    return numbers


def measure_spans(profile: Profile, edges: Sequence[tuple[float, float]]) -> Spans:
    """Mean colours over spans of a profile.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    edges : sequence of (float, float)
        Start and stop of each span, 0 roots .. 1 ends.

    Raises
    ------
    MeasureError
        ``span-empty``: a span holds no bin of the profile.
    """
    weights = np.array([_weights(profile, start, stop) for start, stop in edges])
    white = profile.viewing.white
    lab, shaken, drawn = (xyz_to_lab(weights @ xyz, white=white) for xyz in _light_of(profile))
    return Spans(
        lab=lab,
        sampling=shaken - shaken.mean(axis=0),
        calibration=drawn - lab,
        viewing=profile.viewing,
    )


@lru_cache(maxsize=16)  # zones, tenths and pieces of a hair and of its washes, asked for in turn
def _light_of(profile: Profile) -> tuple[Floats, Floats, Floats]:
    """XYZ of a profile, of its sampling draws and of its calibration draws."""
    labs = (profile.lab, sampling_draws(profile), profile.draws)
    white = profile.viewing.white
    lab, shaken, drawn = (lab_to_xyz(np.asarray(v, np.float64), white=white) for v in labs)
    return lab, shaken, drawn


def _weights(profile: Profile, start: float, stop: float) -> Floats:
    """Share of each bin in the span's mean: equal lengths of hair count the same."""
    position = np.asarray(profile.position, dtype=np.float64)
    if len(position) > 1:
        middles = (position[1:] + position[:-1]) / 2
        borders = np.concatenate([[0.0], middles, [1.0]])
    else:
        borders = np.array([0.0, 1.0])
    overlap = np.minimum(borders[1:], stop) - np.maximum(borders[:-1], start)
    overlap = np.maximum(overlap, 0.0)
    if not overlap.sum() > 0:
        raise MeasureError(
            "span-empty",
            f"No part of the hair lies between {start:.2f} and {stop:.2f} of its length.",
            remedy="Give a span from 0 (roots) to 1 (ends), start below stop.",
        )
    return np.asarray(overlap / overlap.sum())


def sampling_draws(profile: Profile) -> Floats:
    """The profile under each resampling of its fibres, shape (R, n, 3).

    Where the profile carries only the covariance of each bin, neighbouring bins are taken to share
    fibres: correlation falls to nothing over `SHARED_BINS` bins.
    """
    if profile.sampling_draws is not None:
        return np.asarray(profile.sampling_draws, dtype=np.float64)
    lab = np.asarray(profile.lab, dtype=np.float64)
    values, vectors = np.linalg.eigh(np.asarray(profile.sampling_covariance, dtype=np.float64))
    roots = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    bins = len(lab)
    unit = unit_normals(MADE_DRAWS, (bins + SHARED_BINS - 1) * 3, 2)
    unit = unit.reshape(MADE_DRAWS, bins + SHARED_BINS - 1, 3)
    running = sum(unit[:, k : k + bins] for k in range(SHARED_BINS)) / np.sqrt(SHARED_BINS)
    return np.asarray(lab + np.einsum("bij,rbj->rbi", roots, running))


ZONES: Final = ("roots", "mid_lengths", "ends")
THIRDS: Final = (1 / 3, 2 / 3)


def span_estimate(profile: Profile, start: float, stop: float) -> LabEstimate:
    """Return the mean colour of the hair between two positions, averaged in linear light.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    start, stop : float
        0 roots .. 1 ends, start below stop.

    Raises
    ------
    MeasureError
        ``span-empty``: the span holds no part of the hair.
    """
    return measure_spans(profile, [(start, stop)]).estimate(0)


def zone_spans(profile: Profile, *, zones: tuple[float, float] = THIRDS) -> Spans:
    """Roots, mid-lengths and ends with their errors kept together.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.

    Raises
    ------
    MeasureError
        ``zones-out-of-order``: the limits do not leave three zones.
    """
    first, second = zones
    if not 0 < first < second < 1:
        raise MeasureError(
            "zones-out-of-order",
            f"Zones at {first:.3f} and {second:.3f} do not leave roots, mid-lengths and ends.",
            remedy="Give two positions between 0 and 1, the smaller one first.",
        )
    return measure_spans(profile, [(0.0, first), (first, second), (second, 1.0)])


def zone_estimates(
    profile: Profile, *, zones: tuple[float, float] = THIRDS
) -> dict[str, LabEstimate]:
    """Return the mean colours of roots, mid_lengths and ends, keyed by those words.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    zones : tuple of float, optional
        Where roots end and where ends begin, 0..1.

    Raises
    ------
    MeasureError
        ``zones-out-of-order``: the limits do not leave three zones.
    """
    spans = zone_spans(profile, zones=zones)
    return {zone: spans.estimate(at) for at, zone in enumerate(ZONES)}


def tenth_spans(profile: Profile) -> Spans:
    """The ten tenths of the length, errors kept together."""
    return measure_spans(profile, [(k / 10, (k + 1) / 10) for k in range(10)])


def tenth_estimates(profile: Profile) -> tuple[LabEstimate, ...]:
    """Mean colour of each tenth of the length, roots first."""
    spans = tenth_spans(profile)
    return tuple(spans.estimate(at) for at in range(10))


USUAL_GROWTH: Final = 12.7  # mm a month, half an inch; common practice
DAYS_A_MONTH: Final = 365.25 / 12


def regrowth_mm(*, days: float, mm_per_month: float = USUAL_GROWTH) -> float:
    """Hair grown in so many days. [mm]"""
    return max(days, 0.0) / DAYS_A_MONTH * mm_per_month


def anchored_span(
    start: float, stop: float, *, length_mm: float, grown_mm: float = 0.0, trimmed_mm: float = 0.0
) -> tuple[float, float]:
    """Where a span of the hair just coloured lies on the hair as it is now.

    Parameters
    ----------
    start, stop : float
        On the hair just coloured, 0 roots .. 1 ends.
    length_mm : float
        Length of the hair now. [mm]
    grown_mm : float, optional
        Regrowth since colouring, uncoloured, at the roots. [mm]
    trimmed_mm : float, optional
        Cut off the ends since colouring. [mm]

    Raises
    ------
    MeasureError
        ``span-cut-off``: nothing of the span is left. ``length-unknown``: no sound length.
    """
    before = length_mm - grown_mm + trimmed_mm
    if not (length_mm > 0 and before > 0 and grown_mm >= 0 and trimmed_mm >= 0):
        raise MeasureError(
            "length-unknown",
            f"Length {length_mm:.0f} mm, grown {grown_mm:.0f} mm, trimmed {trimmed_mm:.0f} mm do "
            "not go together.",
            remedy="Check chart_mm, the trims and the regrowth in study.toml.",
        )
    first, last = ((grown_mm + p * before) / length_mm for p in (start, stop))
    if first >= 1.0:
        raise MeasureError(
            "span-cut-off",
            f"The hair between {start:.2f} and {stop:.2f} has been trimmed off.",
            remedy="Its fade ends with the photo before the trim.",
        )
    return first, min(last, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionComparison(Shown):
    """Differences between sections, in one zone.

    Attributes
    ----------
    differences : dict of (str, str) to ColourDifference
        Every pair of sections.
    largest : tuple of str
        The pair that is furthest apart.
    """

    differences: Mapping[tuple[str, str], ColourDifference]
    largest: tuple[str, str]

    def to_frame(self) -> Any:
        """One row a pair: section_a, section_b, delta_e, low, high, critical, resolved."""
        import pandas as pd

        rows = [
            {"section_a": a, "section_b": b, **found.to_dict()}
            for (a, b), found in self.differences.items()
        ]
        return pd.DataFrame(rows)


def compare_sections(
    colours: Mapping[str, LabEstimate], *, paired: bool = False
) -> SectionComparison:
    """Sections against each other.

    Parameters
    ----------
    colours : mapping of str to LabEstimate
        Colour of one zone, or of the whole length, of each section.
    paired : bool, optional
        All from one photo or pool: row k of all draws is the same camera and light.

    Raises
    ------
    MeasureError
        ``one-section``, ``viewings-differ``.
    """
    if len(colours) < 2:
        raise MeasureError(
            "one-section",
            f"{len(colours)} section was measured.",
            remedy="Measure two sections or more to compare them.",
        )
    check_viewing(list(colours.values()))
    found = {
        (a, b): colour_difference(colours[a], colours[b], paired=paired)
        for a, b in combinations(colours, 2)
    }
    return SectionComparison(
        differences=found, largest=max(found, key=lambda pair: found[pair].delta_e)
    )


# Re-laying one tress moved L* by this SD under one instrument (large window): borrowed, for use
# where a study has no repeats. J. Cosmet. Sci. 51 (2000) 293-299, as cited by others.
BORROWED_RELAYING_SD: Final = 0.31
BORROWED_RELAYING: Final = np.diag([BORROWED_RELAYING_SD**2, 0.0, 0.0])
BORROWED_RELAYING.flags.writeable = False


def mean_estimate(estimates: Sequence[LabEstimate]) -> LabEstimate:
    """Mean over photos of one state of one hair, in L*a*b*.

    Calibration errors are averaged row by row: independent cameras average out, a shared one stays.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        One a photo, for one viewing.

    Raises
    ------
    MeasureError
        ``nothing-measured``: no estimates. ``viewings-differ``: they are not for one viewing.
    """
    if not estimates:
        raise MeasureError(
            "nothing-measured",
            "None of the photos of this hair was measured.",
            remedy="Photograph it again, or correct what the refusals say.",
        )
    check_viewing(estimates)
    rows = min(len(e.draws) for e in estimates)
    lab = np.mean([e.lab for e in estimates], axis=0)
    moved = np.mean([e.draws[:rows].astype(np.float64) - e.lab for e in estimates], axis=0)
    covariance = np.mean([e.sampling_covariance for e in estimates], axis=0) / len(estimates)
    return LabEstimate(
        lab=lab,
        sampling_covariance=covariance,
        draws=(lab + moved).astype(np.float32),
        viewing=estimates[0].viewing,
    )


def mean_profile(profiles: Sequence[Profile]) -> Profile:
    """Mean over photos of one state of one hair, bin by bin in L*a*b*.

    Parameters
    ----------
    profiles : sequence of Profile
        One a photo, same bins, one viewing.

    Raises
    ------
    MeasureError
        ``nothing-measured``, ``viewings-differ``.
    """
    if len(profiles) == 1:
        return profiles[0]
    if not profiles:
        raise MeasureError(
            "nothing-measured",
            "None of the photos of this hair was measured.",
            remedy="Photograph it again, or correct what the refusals say.",
        )
    check_viewing(profiles)
    rows = min(len(p.draws) for p in profiles)
    shaken = [sampling_draws(p) for p in profiles]
    fibres = min(len(s) for s in shaken)
    lab = np.mean([p.lab for p in profiles], axis=0)
    moved = np.mean([np.asarray(p.draws[:rows], float) - p.lab for p in profiles], axis=0)
    # fibres of different photos are resampled apart: turn the rows so that equal seeds part
    turned = [np.roll(s[:fibres] - s[:fibres].mean(axis=0), 7 * k, axis=0) for k, s in
              enumerate(shaken)]  # fmt: skip
    return Profile(
        position=profiles[0].position,
        lab=lab,
        sampling_covariance=np.mean([p.sampling_covariance for p in profiles], axis=0)
        / len(profiles),
        draws=(lab + moved).astype(np.float32),
        viewing=profiles[0].viewing,
        pixels=np.sum([p.pixels for p in profiles], axis=0),
        flags=tuple(dict.fromkeys(flag for p in profiles for flag in p.flags)),
        sampling_draws=(lab + np.mean(turned, axis=0)).astype(np.float32),
        facts={"photos": len(profiles)},
    )


def joint_noise(
    estimates: Sequence[LabEstimate],
    *,
    paired: bool,
    trials: int,
    relaying: Floats | None = None,
    photos: Sequence[int] | None = None,
) -> Floats:
    """Errors of m colours drawn together, shape (trials, m, 3), the same at every call.

    Parameters
    ----------
    estimates : sequence of LabEstimate
        Colours from m photos.
    paired : bool
        Whether row k of all draws is the same camera and light (one pool).
    trials : int
        How many draws.
    relaying : ndarray, shape (3, 3), optional
        Covariance of re-laying the hair for one photo. [Lab units squared]
    photos : sequence of int, optional
        Photos behind each colour; re-laying averages out over them.
    """
    counts = np.ones(len(estimates)) if photos is None else np.asarray(photos, np.float64)
    covariance = np.array([e.sampling_covariance if paired else e.covariance for e in estimates])
    if relaying is not None:
        covariance = covariance + np.asarray(relaying) / counts[:, None, None]
    values, vectors = np.linalg.eigh(covariance)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    own = np.stack([unit_normals(trials, 3, 1000 + at) for at in range(len(estimates))])
    noise = np.moveaxis(own @ spread.swapaxes(-1, -2), 0, 1)
    if not paired:
        return np.asarray(noise)
    rows = min(len(e.draws) for e in estimates)
    moved = np.stack([e.draws[:rows].astype(np.float64) - e.lab for e in estimates], axis=1)
    common = unit_normals(trials, rows, 100) @ moved.reshape(rows, -1) / np.sqrt(rows)
    return np.asarray(noise + common.reshape(noise.shape))


_ROUNDS: Final = 10  # of joining anew; groups stay as they are after two or three


def share_alike(missed: Floats) -> float:
    """Share of the charts' misreadings that photos have in common, 0..1; 1 for one photo.

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        Misreading of each patch, NaN where it was not used.
    """
    if len(missed) < 2:
        return 1.0
    return _share(*_products(missed))


def share_within(missed: Floats, sessions: NDArray[np.int64]) -> float | None:
    """The same of photos of one session each; None where no session has two photos.

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        As in `share_alike`.
    sessions : ndarray of int, shape (photos,)
        Number of each photo's session.
    """
    numbers, counts = np.unique(sessions, return_counts=True)
    parts = [_products(missed[sessions == at]) for at in numbers[counts > 1]]
    if not parts:
        return None
    return _share(*np.sum(parts, axis=0))


def _share(together: float, whole: float) -> float:
    return float(np.clip(together / whole, 0.0, 1.0)) if whole > 0 else 0.0


def _products(missed: Floats) -> tuple[float, float]:
    """Misreadings of all pairs of photos multiplied, and as they would be were they all alike."""
    used, filled = _filled(missed)
    square = (filled**2).sum(axis=(0, 2))
    together = (filled.sum(axis=0) ** 2).sum(axis=1) - square
    return float(together.sum()), float(((used.sum(axis=0) - 1) * square).sum())


def group_alike(missed: Floats, *, least: float) -> NDArray[np.int64]:
    """Which group each photo belongs to, shape (photos,), numbered from 0 as they first come.

    A photo joins the group whose mean pattern its own goes with best, or opens one of its own.

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        As in `share_alike`. The order matters where patterns are doubtful: sort the photos.
    least : float
        Correlation with the mean pattern of a group that a photo needs to join it.
    """
    used, filled = _filled(missed)
    count, patches = used.shape
    groups = np.full(count, -1)
    sums, counts = np.zeros((0, patches, 3)), np.zeros((0, patches))
    for _ in range(_ROUNDS):
        before = groups.copy()
        for at in range(count):
            if groups[at] >= 0:
                sums[groups[at]] -= filled[at]
                counts[groups[at]] -= used[at]
            groups[at] = _best_group(filled[at], used[at], (sums, counts), least)
            if groups[at] == len(sums):
                sums = np.concatenate([sums, np.zeros((1, patches, 3))])
                counts = np.concatenate([counts, np.zeros((1, patches))])
            sums[groups[at]] += filled[at]
            counts[groups[at]] += used[at]
        if (groups == before).all():
            break
    _, first, groups = np.unique(groups, return_index=True, return_inverse=True)
    return np.asarray(np.argsort(np.argsort(first))[groups], np.int64)


def _best_group(own: Floats, used: Floats, groups: tuple[Floats, Floats], least: float) -> int:
    """The group whose mean pattern a photo goes with, else the first that is empty or new."""
    sums, counts = groups
    shared = (counts > 0.5) * used  # patches that both have
    mean = sums / np.maximum(counts, 1.0)[..., None] * shared[..., None]
    product = (mean * own).sum(axis=(1, 2))
    size = (mean**2).sum(axis=(1, 2)) * ((own**2).sum(axis=1) * shared).sum(axis=1)
    alike = np.where(size > 0, product / np.sqrt(np.maximum(size, 1e-300)), 0.0)
    if len(alike) and alike.max() >= least:
        return int(alike.argmax())
    empty = np.flatnonzero(counts.max(axis=1, initial=0.0) < 0.5)
    return int(empty[0]) if len(empty) else len(sums)


def drift_of(missed: Floats, sessions: NDArray[np.int64]) -> Floats:
    """How far patches are misread in each session otherwise than in all photos. [ΔE00]

    Parameters
    ----------
    missed : ndarray, shape (photos, patches, 3)
        As in `share_alike`.
    sessions : ndarray of int, shape (photos,)
        Number of each photo's session, from 0.

    Returns
    -------
    ndarray, shape (sessions, patches)
        NaN for a patch that the session never used.
    """
    used, filled = _filled(missed)
    shape = (int(sessions.max()) + 1, used.shape[1])
    counts, sums = np.zeros(shape), np.zeros((*shape, 3))
    np.add.at(counts, sessions, used)
    np.add.at(sums, sessions, filled)
    middle = sums.sum(axis=0) / np.maximum(counts.sum(axis=0), 1.0)[:, None]
    off = np.linalg.norm(sums / np.maximum(counts, 1.0)[..., None] - middle, axis=2)
    return np.asarray(np.where(counts > 0, off, np.nan))


def _filled(missed: Floats) -> tuple[Floats, Floats]:
    """1 for each patch used, shape (photos, patches), and misreadings with 0 for the rest."""
    missed = np.asarray(missed, np.float64)
    used = np.asarray(np.isfinite(missed).all(axis=2))
    return used.astype(np.float64), np.asarray(np.where(used[..., None], missed, 0.0))
