"""Colour along the hair of every row, slim enough to keep for a whole study."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from hairtone.colorimetry import Floats, delta_e_metric
from hairtone.hair.types import Profile
from hairtone.study.observations import Hair
from hairtone.uncertainty import COVERAGE

_TRIALS: Final = 2048  # the radius repeats to 2 %; our choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairProfile:
    """Colour along one hair of a study, and where it belongs.

    Attributes
    ----------
    photo, place
        Where it was measured; `place` from 1, left to right.
    subject, section, treatment, wash, replicate
        As the sheet states them; `wash` is ``"before"``, ``"0"``, ``"1"``, …
    status : str
        ``"measured"`` or ``"flagged"``.
    position : ndarray, shape (n,)
        0 roots .. 1 ends.
    lab : ndarray, shape (n, 3)
        Body colour at each position.
    u95 : ndarray, shape (n,)
        95 % of equally good answers lie within this ΔE00 of `lab`.
    """

    photo: str
    place: int
    subject: str
    section: str
    treatment: str
    wash: str
    replicate: int
    status: str
    position: Floats
    lab: Floats
    u95: Floats


def profiles_of(hair: Hair) -> Iterator[HairProfile]:
    """One profile for every photo of a hair."""
    for state in hair.states.values():
        for row, profile in zip(state.rows, state.profiles, strict=True):
            sheet = row.row
            yield HairProfile(
                photo=sheet.photo,
                place=sheet.place,
                subject=sheet.subject,
                section=sheet.section,
                treatment=row.treatment,
                wash=sheet.wash_text,
                replicate=sheet.replicate,
                status=row.status,
                position=profile.position,
                lab=profile.lab,
                u95=bin_u95(profile),
            )


def bin_u95(profile: Profile) -> Floats:
    """95 % radius in ΔE00 of each bin, shape (n,)."""
    draws = np.asarray(profile.draws, np.float64) - profile.lab
    covariance = np.einsum("kni,knj->nij", draws, draws) / len(draws)
    root = np.linalg.cholesky(delta_e_metric(profile.lab))
    inside = np.swapaxes(root, -1, -2) @ (covariance + profile.sampling_covariance) @ root
    spread = np.maximum(np.linalg.eigvalsh(inside), 0.0)  # squared lengths of the main axes
    return np.asarray(np.sqrt(np.quantile(spread @ _squares(), COVERAGE, axis=1)))


@cache
def _squares() -> Floats:
    """Squares of unit normal numbers, the same at every call, shape (3, trials)."""
    return np.asarray(np.random.default_rng(0).standard_normal((3, _TRIALS)) ** 2)
