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
from hairtone.hair.beside import light_of_strand
from hairtone.hair.body import Body, find_body
from hairtone.hair.cells import BINS, Cells, check_filled, strand_cells
from hairtone.hair.colours import CellSums, cell_sums
from hairtone.hair.content import laid_over
from hairtone.hair.doubts import profile_flags
from hairtone.hair.lamp import lamp_white
from hairtone.hair.places import (
    board_beside,
    cover_flags,
    end_step_flags,
    hair_alone,
    shaken_by_cover,
    without_gaps,
    without_strange_ends,
)
from hairtone.hair.types import Profile, Strand
from hairtone.photo.types import Photo

STEP: Final = 0.01  # of a bin's light; least step of the slope of Lab by light
DRAW_STRIDE: Final = 3  # bins between those that the calibration's draws are asked for
DRAWN_AT: Final = np.r_[0:BINS:DRAW_STRIDE, BINS - 1]  # with straight lines between
SLOPE_STRIDE: Final = 4  # bins between the slopes that are read
KNEE: Final = 6 / 29  # cube root of light where L*a*b* turns straight; ISO/CIE 11664-4
BLACK: Final = np.array([16.0, 0.0, 0.0])


def measure_profile(
    photo: Photo, calibration: Calibration, light: LightField, strand: Strand
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

    Raises
    ------
    HairError
        ``hair-too-small``: too few pixels inside the edges. ``hair-clipped``: so much of the hair
        is clipped that its mean means nothing. ``light-unseen``: it lies too far from any board.
        ``shadow-between``: it and the chart lie in different light.
    """
    model = calibration.model
    cells, sums, body, notes = _body_of(photo, model, light, strand)
    middles = cells.centres.reshape(BINS, -1, 2).mean(axis=1)
    light, doubts = light_of_strand(light, strand, middles)
    white = lamp_white(model)
    linear = body.linear * white
    lab = model.lab(linear)
    draws = _draws(model, light, linear, lab, middles, seed=seed_of(photo))
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
        spread=spread and spread.along(DRAWN_AT, np.arange(BINS)),
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
    photo: Photo, model: ColourModel, light: LightField, strand: Strand
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
    body = find_body(sums, field, cells.across, seed=seed_of(photo))
    if cover is not None:
        draws = shaken_by_cover(body.draws, cover, seed=seed_of(photo))
        body = dataclasses.replace(body, draws=draws)
    return cells, sums, body, gaps + notes + cover_flags(cover) + end_step_flags(sums)


def seed_of(photo: Photo) -> int:
    """Seed of a photo: draws of all hair in it share camera, light and fibres row by row."""
    return int(photo.sha256[:8] or "0", 16)


def _draws(
    model: ColourModel,
    light: LightField,
    linear: Floats,
    lab: Floats,
    middles: Floats,
    *,
    seed: int,
) -> Floats:
    """The bins under each of K equally good calibrations and light fields, shape (K, 60, 3)."""
    at = DRAWN_AT
    off = model.lab_draws(linear[at]) - lab[at]  # smooth over colour, so along the hair too
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
