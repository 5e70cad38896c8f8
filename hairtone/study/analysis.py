"""A measured study -> every table of the contract, profiles for figures, doubts in plain words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.measures.words import Bands, read_bands
from hairtone.study.comparisons import Unit, comparison_rows, unit_of
from hairtone.study.hair_tables import (
    Row,
    crossing_rows,
    curve_rows,
    evenness_rows,
    fade_rows,
    fit_curves,
    measure_fades,
    measurement_rows,
    uptake_rows,
)
from hairtone.study.observations import Hair, hairs_of, relay_covariance
from hairtone.study.outcome import StudyResult
from hairtone.study.placed import patch_rows, porous_rows
from hairtone.study.profiles import HairProfile, profiles_of
from hairtone.study.repeats import repeat_rows
from hairtone.study.tables import COLUMNS, frame_of

_FEW: Final = 5  # subjects in a group that is shared; our choice, usual in official statistics


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """A study, analysed: what every report, figure and notebook reads.

    Attributes
    ----------
    outcome : StudyResult
        The study as asked for, and every row measured, flagged or refused.
    frames : mapping of str to DataFrame
        The CSV tables of the contract by name without ``.csv``.
    profiles : tuple of HairProfile
        One for every row that was not refused.
    warnings : tuple of Flag
        What looks implausible, in the trade's terms. They never change a number.
    missing : tuple of str
        Plain sentences: which question could not be answered, and what it would take.
    relaying : ndarray, shape (3, 3)
        Covariance of re-laying a hair that was used. [Lab units squared]
    is_relaying_borrowed : bool
        It is a published figure, as the study has no repeats of its own.
    """

    outcome: StudyResult
    frames: Mapping[str, Any]
    profiles: tuple[HairProfile, ...]
    warnings: tuple[Flag, ...]
    missing: tuple[str, ...]
    relaying: Floats
    is_relaying_borrowed: bool


@dataclass(slots=True, kw_only=True)
class _Gathered:
    """Rows of tables in the making, and what is said beside them."""

    rows: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))
    units: list[Unit] = field(default_factory=list)
    profiles: list[HairProfile] = field(default_factory=list)
    warnings: list[Flag] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def analyse(outcome: StudyResult) -> Analysis:
    """Every table of a measured study.

    Hairs are taken one at a time, so that a large study needs no more memory than its tables.

    Parameters
    ----------
    outcome : StudyResult
        From `measure_study`.

    Raises
    ------
    StoreError
        Stored draws are missing or damaged.
    SheetError
        The study's own bands.toml cannot be read.
    """
    relaying, is_borrowed = relay_covariance(_repeated(outcome))
    gathered = _Gathered()
    bands = _bands(outcome)
    for hair in hairs_of(outcome):
        _analyse_hair(hair, outcome, relaying, bands, gathered)
    gathered.rows["repeats"] = list(
        repeat_rows(gathered.rows["measurements"], gathered.rows["evenness"])
    )
    gathered.rows["comparison"] = list(
        comparison_rows(gathered.units, gathered.rows, outcome.study.settings, gathered.missing)
    )
    gathered.rows["refused"] = _refused(outcome)
    return Analysis(
        outcome=outcome,
        frames={name: frame_of(name, gathered.rows[name]) for name in COLUMNS},
        profiles=tuple(gathered.profiles),
        warnings=tuple(gathered.warnings) + small_groups(outcome),
        missing=tuple(dict.fromkeys(gathered.missing)),
        relaying=relaying,
        is_relaying_borrowed=is_borrowed,
    )


def _repeated(outcome: StudyResult) -> list[Hair]:
    """Hairs with more than one lay at some wash."""
    keys: dict[tuple[tuple[str, str], int | None], set[int]] = defaultdict(set)
    for row in outcome.rows:
        if row.error is None:
            keys[row.row.hair, row.row.wash].add(row.row.replicate)
    if all(len(lays) < 2 for lays in keys.values()):
        return []
    return [hair for hair in hairs_of(outcome) if any(
        state.replicates > 1 for state in hair.states.values()
    )]  # fmt: skip


def _bands(outcome: StudyResult) -> Bands:
    own = outcome.study.folder / "bands.toml"
    return read_bands(own if own.is_file() else None)


def _analyse_hair(
    hair: Hair, outcome: StudyResult, relaying: Floats, bands: Bands, gathered: _Gathered
) -> None:
    zones, rows = outcome.study.settings.zones, gathered.rows
    rows["measurements"].extend(measurement_rows(hair))
    rows["evenness"].extend(evenness_rows(hair, zones=zones, bands=bands))
    rows["uptake"].extend(uptake_rows(hair, zones=zones, relaying=relaying))
    fades = measure_fades(hair, relaying=relaying, bands=bands, missing=gathered.missing)
    rows["fade"].extend(fade_rows(hair, fades))
    curves = fit_curves(hair, fades, bands=bands, missing=gathered.missing)
    rows["fade_fit"].extend(curve_rows(hair, curves))
    rows["crossing"].extend(crossing_rows(hair, fades, curves))
    rows["patches"].extend(patch_rows(hair))
    rows["porous"].extend(porous_rows(hair))
    gathered.units.append(unit_of(hair, outcome.study.settings))
    gathered.profiles.extend(profiles_of(hair))


def small_groups(outcome: StudyResult) -> tuple[Flag, ...]:
    """Treatments with so few subjects that a shared table may tell who they are."""
    groups: dict[str, set[str]] = defaultdict(set)
    for row in outcome.rows:
        if row.error is None:
            groups[row.treatment].add(row.row.subject)
    small = sorted(name or "none" for name, who in groups.items() if len(who) < _FEW)
    if not small or not outcome.study.settings.subjects:
        return ()
    return (
        Flag(
            code="small-group",
            says=f"Fewer than {_FEW} subjects stand behind {', '.join(small)}.",
            remedy="Where the subjects are clients, do not share these tables outside: a person "
            "could be recognised.",
            is_note=True,
        ),
    )


def _refused(outcome: StudyResult) -> list[Row]:
    return [
        {
            "photo": row.row.photo,
            "place": row.row.place,
            "code": row.error.code,
            "says": row.error.says,
            "remedy": row.error.remedy,
        }
        for row in outcome.rows
        if row.error is not None
    ]
