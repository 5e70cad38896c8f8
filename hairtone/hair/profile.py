"""The colour along a strand, roots to ends, with what is known of its error."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.reach import outside_flags
from hairtone.calibration.types import Calibration, ColourModel, LightField
from hairtone.colorimetry import Floats, lab_to_xyz, xyz_to_lab
from hairtone.errors import Flag
from hairtone.hair.body import Body, find_body
from hairtone.hair.cells import BINS, Cells, CellSums, cell_sums, check_filled, strand_cells
from hairtone.hair.content import laid_over
from hairtone.hair.doubts import light_of_strand, profile_flags
from hairtone.hair.places import (
    board_beside,
    cover_flags,
    end_step_flags,
    hair_alone,
    shaken_by_cover,
    without_gaps,
    without_strange_ends,
)
from hairtone.hair.shine import lamp_white
from hairtone.hair.types import Profile, Strand
from hairtone.photo.types import Photo

STEP: Final = 0.01  # of a bin's light; least step of the slope of Lab by light
DRAW_STRIDE: Final = 3  # bins between those that the calibration's draws are asked for
DRAWN_AT: Final = np.r_[0:BINS:DRAW_STRIDE, BINS - 1]  # with straight lines between
SLOPE_STRIDE: Final = 4  # bins between the slopes that are read
UNCURED: Final = 0.5  # of half the difference of a turned pair that may be no fault of the frame
TURNED_APART: Final = 11.34  # squared, in SDs; 99 % of a normal law in three dimensions: chi-square
KNEE: Final = 6 / 29  # cube root of light where L*a*b* turns straight; ISO/CIE 11664-4
BLACK: Final = np.array([16.0, 0.0, 0.0])


def measure_profile(
    photo: Photo,
    calibration: Calibration,
    light: LightField,
    strand: Strand,
    *,
    polarised: bool = False,
) -> Profile:
    """Body colour in 60 bins from roots to ends, mirror highlights left out.

    Pixels are averaged in linear light and turned into L*a*b* once a bin: the mean over fibres of
    hair laid flat in the board's plane, its diffuse surface reflection kept.

    Parameters
    ----------
    photo, calibration, light : Photo, Calibration, LightField
        The photo, and what its chart and board told.
    strand : Strand
        Which hair.
    polarised : bool, optional
        Lamps and camera looked through crossed polarisers: nothing is taken for glare.

    Raises
    ------
    HairError
        ``hair-too-small``: too few pixels inside the edges. ``hair-clipped``: so much of the hair
        is clipped that its mean means nothing. ``light-unseen``: it lies too far from any board.
        ``shadow-between``: it and the chart lie in different light.
    """
    model = calibration.model
    cells, sums, body, notes = _body_of(photo, model, light, strand, polarised=polarised)
    middles = cells.centres.reshape(BINS, -1, 2).mean(axis=1)
    light, doubts = light_of_strand(light, strand, middles)
    white = lamp_white(model)
    linear = body.linear * white
    lab = model.lab(linear)
    off = model.lab_draws(linear[DRAWN_AT]) - lab[DRAWN_AT]  # smooth over colour, so along the hair
    draws = _draws(light, lab, off, middles, seed=seed_of(photo))
    spread = model.hair_spread(linear[DRAWN_AT])
    shaken = lab + _moved_lab(model, linear, (body.draws - body.linear) * white)
    return Profile(
        position=(np.arange(BINS) + 0.5) / BINS,
        lab=lab,
        sampling_covariance=_covariances(shaken - lab),
        draws=draws.astype(np.float32),
        viewing=calibration.viewing,
        pixels=sums.count.sum(axis=(1, 2)).astype(np.int64),
        flags=notes
        + doubts
        + profile_flags(photo, strand, cells, sums, body)
        + outside_flags(calibration, linear),
        sampling_draws=shaken.astype(np.float32),
        spread=spread and spread.along(DRAWN_AT.astype(float), np.arange(BINS, dtype=float)),
        facts=body.facts,
    )


def body_light(photo: Photo, calibration: Calibration, light: LightField, strand: Strand) -> Floats:
    """Mean linear light of a strand's body, the light field divided out, shape (3,).

    Raises
    ------
    HairError
        As `measure_profile`.
    """
    model = calibration.model
    cells, _, body, _ = _body_of(photo, model, light, strand)
    light_of_strand(light, strand, cells.centres)
    return np.asarray((body.linear * lamp_white(model)).mean(axis=0))


def _body_of(
    photo: Photo,
    model: ColourModel,
    light: LightField,
    strand: Strand,
    *,
    polarised: bool = False,
) -> tuple[Cells, CellSums, Body, tuple[Flag, ...]]:
    """The strand's cells, what lies in them, its body light, and notes of places left out."""
    if strand.error is not None:
        raise strand.error
    cells = strand_cells(strand, size=photo.size)
    sums = cell_sums(photo, model, cells, white=lamp_white(model))
    pixels = sums.count.sum(axis=(1, 2)).astype(np.int64)
    check_filled(pixels + sums.clipped.astype(np.int64), strand)
    white = lamp_white(model)
    over = laid_over(photo, model, light, strand, white=white)
    sums, gaps = without_gaps(sums, over)
    field = _field_in_cells(light, cells)
    board = board_beside(photo, model, light, strand, white=white)
    sums, cover = hair_alone(sums, field, board)
    sums, notes = without_strange_ends(sums)
    body = find_body(sums, field, cells.across, seed=seed_of(photo), polarised=polarised)
    if cover is not None:
        draws = shaken_by_cover(body.draws, cover, seed=seed_of(photo))
        body = dataclasses.replace(body, draws=draws)
    return cells, sums, body, gaps + notes + cover_flags(cover) + end_step_flags(sums)


def seed_of(photo: Photo) -> int:
    """Seed of a photo: draws of all hair in it share camera, light and fibres row by row."""
    return int(photo.sha256[:8] or "0", 16)


def _draws(
    light: LightField,
    lab: Floats,
    off: Floats,
    middles: Floats,
    *,
    seed: int,
) -> Floats:
    """Return the bins under each of K equally good calibrations and light fields, (K, 60, 3).

    Calibrations are `off` at the bins `DRAWN_AT`, shape (K, m, 3), with straight lines between.
    """
    at = DRAWN_AT
    every = np.arange(BINS)
    after = np.clip(np.searchsorted(at, every, side="right"), 1, len(at) - 1)
    share = ((every - at[after - 1]) / (at[after] - at[after - 1]))[:, None]
    drawn = lab + (1 - share) * off[:, after - 1] + share * off[:, after]
    gain = light.at(middles) / light.draws_at(middles, draws=len(drawn), seed=seed)
    return _brightened(drawn, gain[..., None])


def _brightened(lab: Floats, gain: Floats) -> Floats:
    """L*a*b* of light times `gain`.

    Where L*a*b* goes by cube roots throughout [ISO/CIE 11664-4], they all grow by that of the gain.
    """
    root = np.cbrt(gain)
    lightness, a, b = (lab[..., k] for k in range(3))
    least = (lightness.min() + 16) / 116 + min(a.min() / 500, 0.0) - max(b.max() / 200, 0.0)
    if least * min(float(root.min()), 1.0) > KNEE:
        return np.asarray((lab + BLACK) * root - BLACK)
    white = np.ones(3)
    return xyz_to_lab(lab_to_xyz(lab, white=white) * gain, white=white)


def _field_in_cells(light: LightField, cells: Cells) -> Floats:
    """Light field in each cell, shape (60, lanes): read in three lanes, between them a parabola."""
    centres = cells.centres.reshape(BINS, cells.lanes, 2)
    read = [0, (cells.lanes - 1) // 2, cells.lanes - 1]
    logs = np.log(light.at(centres[:, read].reshape(-1, 2))).reshape(BINS, 3)
    lanes = np.arange(cells.lanes)
    basis = [
        np.prod([(lanes - read[j]) / (read[k] - read[j]) for j in range(3) if j != k], axis=0)
        for k in range(3)
    ]
    return np.exp(logs @ np.array(basis))


def _moved_lab(model: ColourModel, linear: Floats, moved: Floats) -> Floats:
    """Change of L*a*b* for small changes of light, shapes (R, 60, 3), by its slope.

    The slope is that over the span the changes themselves reach: where vivid hair leaves a channel
    next to no light, L*a*b* bends so sharply that the slope at the point itself, or by that
    channel's log light, says nothing of them. It is read at every fourth bin in shares of the
    bin's light: so told, it changes as slowly as the colour.
    """
    at = np.r_[0:BINS:SLOPE_STRIDE, BINS - 1]
    bright = np.maximum(linear.mean(axis=1), 1e-9)
    step = np.maximum(moved[:, at].std(axis=0), STEP * bright[at, None])
    offsets = step[:, None] * np.eye(3)
    probes = linear[at, None] + np.stack([offsets, -offsets])
    above, below = model.lab(probes.reshape(-1, 3)).reshape(2, len(at), 3, 3)
    slopes = (above - below) / (2 * step[..., None]) * bright[at, None, None]
    every = np.arange(BINS)
    columns = slopes.reshape(len(at), 9).T
    filled = np.stack([np.interp(every, at, column) for column in columns], axis=1)
    shares = moved / bright[:, None]
    return np.asarray(np.einsum("rbc,bcl->rbl", shares, filled.reshape(BINS, 3, 3)))


def _covariances(residuals: Floats) -> NDArray[np.float64]:
    """Covariance of each bin, shape (60, 3, 3)."""
    return np.asarray(np.einsum("rbi,rbj->bij", residuals, residuals) / len(residuals))


def join_turned(first: Profile, second: Profile) -> Profile:
    """One colour along the hair from two photos of the same lay, the second one turned by 180°.

    What belongs to the hair lies alike in both, roots first. What belongs to the frame (a lamp's
    fall that the board did not show, glare that was taken for hair) lies the other way round, so
    that in the mean of both it is the same at roots and ends. What lies alike on either side of
    the middle stays.

    Parameters
    ----------
    first, second : Profile
        Of the same hair for the same viewing, each roots first.

    Returns
    -------
    Profile
        Their mean. Its sampling draws hold, beside half of what each is unsure of, the part of
        their disagreement that may not be the frame's; its calibration counts as one photo's, as
        one camera misreads both alike. Flagged ``turned-disagree`` where they differ by more than
        their intervals.
    """
    if first.viewing != second.viewing or first.lab.shape != second.lab.shape:
        raise ValueError("Both profiles must have the same places and the same viewing.")
    lab = (first.lab + second.lab) / 2
    apart = (first.lab - second.lab) / 2
    off = [np.asarray(p.draws, np.float64) - p.lab for p in (first, second)]
    shaken = [_sampled(p) for p in (first, second)]
    rng = np.random.default_rng(0)
    unsure = UNCURED * rng.standard_normal((len(shaken[0]), 1, 1)) * apart
    sampled = lab + (shaken[0] + shaken[1]) / 2 + unsure
    return Profile(
        position=first.position,
        lab=lab,
        sampling_covariance=_covariances(sampled - lab),
        draws=(lab + _as_one(off)).astype(np.float32),
        viewing=first.viewing,
        pixels=first.pixels + second.pixels,
        flags=first.flags + second.flags + _disagreement(first, second),
        spread=first.spread,
        sampling_draws=sampled.astype(np.float32),
        facts={"turned": [dict(first.facts), dict(second.facts)]},
    )


def _as_one(off: list[Floats]) -> Floats:
    """The mean of what two photos' calibrations are off by, as large as one photo's."""
    mean = (off[0] + off[1]) / 2
    size = np.sqrt(np.mean([(each**2).mean() for each in off]) / max((mean**2).mean(), 1e-12))
    return np.asarray(size * mean)


def _sampled(profile: Profile) -> Floats:
    """The sampling draws of a profile about its colour, shape (R, n, 3)."""
    if profile.sampling_draws is None:
        raise ValueError("A profile without sampling draws cannot be joined with another.")
    return np.asarray(profile.sampling_draws, np.float64) - profile.lab


def _disagreement(first: Profile, second: Profile) -> tuple[Flag, ...]:
    """A flag where ends differ from roots otherwise in one photo than in the other."""
    gaps, covariance = [], np.zeros((3, 3))
    for profile in (first, second):
        gaps.append(_ends_over_roots(profile.lab))
        for draws in (_sampled(profile), np.asarray(profile.draws, np.float64) - profile.lab):
            rest = _ends_over_roots(draws)
            covariance += rest.T @ rest / len(rest)
    apart = gaps[0] - gaps[1]
    size = float(apart @ np.linalg.solve(covariance + 1e-6 * np.eye(3), apart))
    if size <= TURNED_APART:
        return ()
    return (
        Flag(
            code="turned-disagree",
            says=f"The two photos of this lay, one of them turned, differ by more than their "
            f"intervals: L* of ends over roots is {gaps[0][0]:+.1f} in one and "
            f"{gaps[1][0]:+.1f} in the other. Their mean may still be off.",
            remedy="See that the same hair lies untouched in both, use larger, softer lights, and "
            "photograph the pair again.",
        ),
    )


def _ends_over_roots(lab: Floats) -> Floats:
    """Mean of the last third of places less that of the first, shape (..., 3)."""
    third = lab.shape[-2] // 3
    return np.asarray(lab[..., -third:, :].mean(axis=-2) - lab[..., :third, :].mean(axis=-2))
