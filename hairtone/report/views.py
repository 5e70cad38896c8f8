"""One hair of a study, ready to be drawn: its rows, its share of the tables, its profiles."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from hairtone.colorimetry import Floats
from hairtone.errors import StoreError
from hairtone.hair.types import Profile
from hairtone.uncertainty import difference_from_covariance

if TYPE_CHECKING:
    from hairtone.study.outcome import StudyResult
    from hairtone.study.records import RowResult


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


def plain_rows(frame: Any) -> list[dict[str, Any]]:
    """Rows of a DataFrame as plain dictionaries, None where a cell is missing."""
    rows: list[dict[str, Any]] = []
    for record in frame.to_dict("records"):
        rows.append({str(k): (None if _is_missing(v) else v) for k, v in record.items()})
    return rows


def _is_missing(value: Any) -> bool:
    return value is None or bool(np.isscalar(value) and value != value)


class Tables:
    """Rows of every CSV table; a missing table is an empty one.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        By name without ``.csv``.
    bands : sequence of (float, str), optional
        Upper limits of the word bands of evenness, ascending, and their words. [ΔE00]
    """

    def __init__(
        self, frames: Mapping[str, Any], *, bands: Sequence[tuple[float, str]] = ()
    ) -> None:
        self._frames = frames
        self._rows: dict[str, list[dict[str, Any]]] = {}
        self._by_hair: dict[str, dict[tuple[str, str], list[dict[str, Any]]]] = {}
        self.bands = tuple(bands)

    def rows(self, name: str) -> list[dict[str, Any]]:
        """All rows of a table, None where a cell is empty."""
        if name not in self._rows:
            frame = self._frames.get(name)
            self._rows[name] = [] if frame is None else plain_rows(frame)
        return self._rows[name]

    def of_hair(self, name: str, subject: str, section: str) -> list[dict[str, Any]]:
        """Rows of a table about one subject and section."""
        if name not in self._by_hair:
            grouped: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
            for row in self.rows(name):
                grouped[str(row["subject"]), str(row.get("section") or "")].append(row)
            self._by_hair[name] = dict(grouped)
        return self._by_hair[name].get((subject, section), [])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairView:
    """One hair of a study: its rows that were not refused, and its share of the tables."""

    outcome: StudyResult
    rows: tuple[RowResult, ...]
    tables: Tables

    @property
    def measured(self) -> tuple[RowResult, ...]:
        """Rows with a colour, before first."""
        return tuple(row for row in self.rows if row.error is None)

    @property
    def has_before(self) -> bool:
        """Whether a photo before colouring was measured."""
        return any(row.row.wash is None for row in self.measured)

    @property
    def name(self) -> str:
        """Subject, and section where there is one."""
        return hair_words(*self.rows[0].row.hair)

    def of(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table that are about this hair."""
        return self.tables.of_hair(table, *self.rows[0].row.hair)

    def of_photos(self, table: str) -> list[dict[str, Any]]:
        """Rows of a table that names photos, those of this hair."""
        mine = {(row.row.photo, row.row.place) for row in self.rows}
        return [row for row in self.tables.rows(table) if (row["photo"], row["place"]) in mine]


def first_of_each_wash(view: HairView) -> list[RowResult]:
    """One row for each wash, the first repeat."""
    by_wash: dict[str, RowResult] = {}
    for row in view.measured:
        by_wash.setdefault(row.row.wash_text, row)
    return list(by_wash.values())


def drawn_profiles(view: HairView) -> list[tuple[RowResult, DrawnProfile]]:
    """Before, just coloured and the last wash; those whose draws can still be read."""
    rows = first_of_each_wash(view)
    wanted = [r for r in rows if r.row.wash in (None, 0)]
    wanted += [rows[-1]] if rows and rows[-1] not in wanted else []
    found = []
    for row in wanted:
        try:
            profile = view.outcome.profile(row)
        except StoreError:
            continue
        found.append((row, drawn_profile(profile, label=wash_words(row.row.wash_text))))
    return found
