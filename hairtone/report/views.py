"""One hair of a study, ready to be drawn: its rows, its share of the tables, its profiles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import StoreError
from hairtone.hair.types import Profile
from hairtone.uncertainty import difference_from_covariance

if TYPE_CHECKING:
    from hairtone.measures.words import Bands
    from hairtone.study.analysis import Analysis
    from hairtone.study.hair_measures import HairMeasures, PhotoMeasures
    from hairtone.study.outcome import StudyResult
    from hairtone.study.records import RowResult
    from hairtone.study.settings import Settings


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
        ΔE00 from the hair's own mean with its 95 % interval, and what an even hair shows by chance.
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
    """Return a wash in words: before colouring, just coloured, after 3 washes."""
    if wash == "before":
        return "before colouring"
    if wash == "0":
        return "just coloured"
    return "after 1 wash" if wash == "1" else f"after {wash} washes"


def hair_words(subject: str, section: str) -> str:
    """What to call a hair: its subject, and its section where there is one."""
    return f"{subject}, {section}" if section else subject


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairView:
    """One hair of a study with what was measured of it.

    Attributes
    ----------
    outcome : StudyResult
        The study.
    rows : tuple of RowResult
        Its rows of the sheet, before first; those that were refused among them.
    measures : HairMeasures or None
        None where every row was refused.
    bands : Bands
        The study's words and limits.
    """

    outcome: StudyResult
    rows: tuple[RowResult, ...]
    measures: HairMeasures | None
    bands: Bands

    @property
    def settings(self) -> Settings:
        """Of the study."""
        return self.outcome.study.settings

    @property
    def photos(self) -> tuple[PhotoMeasures, ...]:
        """What each photo shows, before first."""
        return self.measures.photos if self.measures is not None else ()

    @property
    def name(self) -> str:
        """Subject, and section where there is one."""
        return hair_words(*self.rows[0].row.hair)


def views_of(analysis: Analysis) -> list[HairView]:
    """Return every hair of a study that may be measured, in the order of its sheet."""
    outcome = analysis.outcome
    found = {hair.hair: hair for hair in analysis.hairs}
    return [
        HairView(outcome=outcome, rows=rows, measures=found.get(hair), bands=analysis.bands)
        for hair, rows in hairs_of(outcome).items()
        if outcome.study.settings.may_measure(hair[0])
    ]


def first_of_each_wash(view: HairView) -> list[PhotoMeasures]:
    """Return one photo for each wash, the first repeat, before first."""
    by_wash: dict[str, PhotoMeasures] = {}
    for photo in view.photos:
        by_wash.setdefault(photo.row.row.wash_text, photo)
    return list(by_wash.values())


def key_photos(view: HairView) -> list[PhotoMeasures]:
    """Return the photo before, the one just coloured and the last, as far as there are any."""
    photos = first_of_each_wash(view)
    wanted = [photo for photo in photos if photo.row.row.wash in (None, 0)]
    return wanted + ([photos[-1]] if photos and photos[-1] not in wanted else [])


def drawn_profiles(view: HairView) -> list[tuple[RowResult, DrawnProfile]]:
    """Return profiles before, just coloured and of the last wash, those that can still be read."""
    found = []
    for photo in key_photos(view):
        try:
            profile = view.outcome.profile(photo.row)
        except StoreError:
            continue
        label = wash_words(photo.row.row.wash_text)
        found.append((photo.row, drawn_profile(profile, label=label)))
    return found
