"""Colour along each hair of a study, ready to be drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.hair.types import Profile
from hairtone.uncertainty import difference_from_covariance

if TYPE_CHECKING:
    from hairtone.study.outcome import RowResult, StudyResult


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnProfile:
    """Colour along one hair, with what is known of its error at each position.

    Attributes
    ----------
    label : str
        What a legend calls it.
    position : ndarray, shape (n,)
        0 roots .. 1 ends.
    lab, sd : ndarray, shape (n, 3)
        Body colour and its standard uncertainty, calibration and hair together.
    delta_e, low, high, critical : ndarray, shape (n,)
        ΔE00 from the hair's own mean with its 95 % interval, and what an even hair stays under.
    """

    label: str
    position: Floats
    lab: Floats
    sd: Floats
    delta_e: Floats
    low: Floats
    high: Floats
    critical: Floats


def drawn_profile(profile: Profile, *, label: str = "") -> DrawnProfile:
    """A profile with its errors spelt out; calibration errors differenced row by row.

    Parameters
    ----------
    profile : Profile
        Colour along one hair.
    label : str, optional
        What a legend calls it.
    """
    lab = np.asarray(profile.lab, dtype=np.float64)
    shaken = np.asarray(profile.draws, dtype=np.float64) - lab
    sampling = np.asarray(profile.sampling_covariance, dtype=np.float64)
    common = np.einsum("kni,knj->nij", shaken, shaken) / len(shaken)
    variance = np.einsum("nii->ni", sampling + common)
    mean = lab.mean(axis=0)
    apart = shaken - shaken.mean(axis=1, keepdims=True)
    between = sampling + np.einsum("kni,knj->nij", apart, apart) / len(apart)
    found = [
        difference_from_covariance(mean, colour, noise)
        for colour, noise in zip(lab, between, strict=True)
    ]
    return DrawnProfile(
        label=label,
        position=np.asarray(profile.position, dtype=np.float64),
        lab=lab,
        sd=np.sqrt(np.maximum(variance, 0.0)),
        delta_e=np.array([d.delta_e for d in found]),
        low=np.array([d.low for d in found]),
        high=np.array([d.high for d in found]),
        critical=np.array([d.critical for d in found]),
    )


def hairs_of(outcome: StudyResult) -> dict[tuple[str, str], tuple[RowResult, ...]]:
    """Rows of a study by subject and section, each hair's rows from before to the last wash."""
    grouped: dict[tuple[str, str], list[RowResult]] = {}
    for row in outcome.rows:
        grouped.setdefault(row.row.hair, []).append(row)
    return {
        hair: tuple(sorted(rows, key=lambda r: (wash_order(r.row.wash_text), r.row.replicate)))
        for hair, rows in grouped.items()
    }


def wash_order(wash: str) -> int:
    """Sort key of a wash as the sheet writes it; before comes first."""
    return -1 if wash == "before" else int(wash)


def wash_words(wash: str) -> str:
    """A wash in words: before colouring, just coloured, after wash 3."""
    if wash == "before":
        return "before colouring"
    return "just coloured" if wash == "0" else f"after wash {wash}"


def hair_words(subject: str, section: str) -> str:
    """What to call a hair: its subject, and its section where there is one."""
    return f"{subject}, {section}" if section else subject
