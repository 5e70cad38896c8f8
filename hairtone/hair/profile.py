"""The colour along a strand, roots to ends, with what is known of its error."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.types import Calibration, ColourModel, LightField
from hairtone.colorimetry import Floats, lab_to_xyz, xyz_to_lab
from hairtone.hair.body import Body, find_body
from hairtone.hair.cells import BINS, check_filled, strand_cells
from hairtone.hair.colours import cell_sums
from hairtone.hair.doubts import profile_flags
from hairtone.hair.lamp import lamp_white
from hairtone.hair.types import Profile, Strand
from hairtone.photo.types import Photo

STEP: Final = 0.01  # relative step of the slope of Lab by light


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
        is clipped that its mean means nothing.
    """
    model = calibration.model
    cells = strand_cells(strand, size=photo.size)
    white = lamp_white(model)
    sums = cell_sums(photo, model, cells, white=white)
    pixels = sums.count.sum(axis=(1, 2)).astype(np.int64)
    check_filled(pixels + sums.clipped.astype(np.int64), strand)
    field = light.at(cells.centres).reshape(BINS, cells.lanes)
    body = find_body(sums, field, cells.across, seed=seed_of(photo))
    linear = body.linear * white
    lab = model.lab(linear)
    draws = _draws(model, light, linear, cells.centres, seed=seed_of(photo))
    shaken = _sampling_draws(model, linear, lab, body, white)
    return Profile(
        position=(np.arange(BINS) + 0.5) / BINS,
        lab=lab,
        sampling_covariance=_covariances(shaken - lab),
        draws=draws.astype(np.float32),
        viewing=calibration.viewing,
        pixels=pixels,
        flags=profile_flags(photo, strand, cells, sums, body),
        sampling_draws=shaken.astype(np.float32),
        facts=body.facts,
    )


def seed_of(photo: Photo) -> int:
    """Seed of a photo: draws of all hair in it share camera, light and fibres row by row."""
    return int(photo.sha256[:8] or "0", 16)


def _draws(
    model: ColourModel, light: LightField, linear: Floats, centres: Floats, *, seed: int
) -> Floats:
    """The bins under each of K equally good calibrations and light fields, shape (K, 60, 3)."""
    drawn = model.lab_draws(linear)
    middles = centres.reshape(BINS, -1, 2).mean(axis=1)
    shaken = light.draws_at(middles, draws=len(drawn), seed=seed)
    gain = light.at(middles) / shaken
    white = np.ones(3)
    return xyz_to_lab(lab_to_xyz(drawn, white=white) * gain[..., None], white=white)


def _sampling_draws(
    model: ColourModel, linear: Floats, lab: Floats, body: Body, white: Floats
) -> Floats:
    """The bins under each resampling of the fibres, shape (R, 60, 3), by the slope of L*a*b*."""
    steps = np.maximum(STEP * np.abs(linear), 1e-6)
    probes = linear[:, None] + steps[:, None] * np.eye(3)
    seen = model.lab(probes.reshape(-1, 3)).reshape(BINS, 3, 3)
    slope = (seen - lab[:, None]) / steps[..., None]  # bin, channel of light, axis of Lab
    moved = (body.draws - body.linear) * white
    return np.asarray(lab + np.einsum("rbc,bcl->rbl", moved, slope))


def _covariances(residuals: Floats) -> NDArray[np.float64]:
    """Covariance of each bin, shape (60, 3, 3)."""
    return np.asarray(np.einsum("rbi,rbj->bij", residuals, residuals) / len(residuals))
