"""A study made by hand: three tresses, before and washes 0 to 8, as `analyse` hands it over.

The colours are invented; what is measured of them is measured by the package itself. Comparisons,
repeats and agreement are written by hand.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np

from hairtone.colorimetry import DEFAULT_VIEWING
from hairtone.errors import ChartError, Flag
from hairtone.hair.types import Profile
from hairtone.measures.agreement import measure_agreement
from hairtone.measures.comparison import Comparison, Comparisons
from hairtone.measures.design import scatter
from hairtone.study.analysis import Analysis, analyse
from hairtone.study.comparisons import RepeatScatter
from hairtone.study.outcome import StudyResult
from hairtone.study.records import RowResult
from hairtone.study.settings import Settings, Subject, Treatment
from hairtone.study.sheet import SheetRow, Study

BINS, DRAWS = 60, 64
POSITION = (np.arange(BINS) + 0.5) / BINS
THIRD = [slice(0, 20), slice(20, 40), slice(40, 60)]
ZONES = ("roots", "mid_lengths", "ends")
BEFORE = np.array([46.0, 9.0, 19.0])
DYE = np.array([-12.0, 16.0, 4.0])  # what a full uptake does to the colour before
TRESSES = {  # treatment, uptake at the ends, washes in which 63 % leaves the roots, the ends
    "T1": ("bottle", 1.0, 7.0, 6.5),
    "T2": ("bowl", 1.6, 7.0, 3.6),
    "T3": ("bowl_levelled", 1.15, 7.0, 5.5),
}
WASHES = ("before", *(str(n) for n in range(9)))
SCRIPT = "<script>alert(1)</script>"


def lab_along(subject: str, wash: str) -> np.ndarray:
    """Invented colour at every bin, shape (60, 3)."""
    _, uptake, slow, fast = TRESSES[subject]
    shape = np.clip((POSITION - 0.35) / 0.65, 0, 1) ** 1.5
    before = BEFORE + np.outer(shape, [3.0, 0.5, 2.0])
    if wash == "before":
        return before
    amount = 1 + (uptake - 1) * shape
    left = np.exp(-int(wash) / (slow + (fast - slow) * shape))
    return before + np.outer(amount * left, DYE)


def profile_of(subject: str, wash: str) -> Profile:
    """The invented colour with noise of 0.15 along the hair and 0.6 common to the photo."""
    rng = np.random.default_rng(sum(map(ord, subject + wash)))
    lab = lab_along(subject, wash) + rng.normal(0, 0.15, (BINS, 3))
    common = rng.normal(0, 0.6, (DRAWS, 1, 3)) * [1.0, 0.7, 0.9]
    draws = lab + common + rng.normal(0, 0.08, (DRAWS, BINS, 3))
    return Profile(
        position=POSITION,
        lab=lab,
        sampling_covariance=np.tile(0.15**2 * np.eye(3), (BINS, 1, 1)),
        draws=draws.astype(np.float32),
        viewing=DEFAULT_VIEWING,
        pixels=np.full(BINS, 800),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class MadeResult(StudyResult):
    """A study result whose profiles are made, not stored."""

    names: dict[str, str] = field(default_factory=dict)

    def profile(self, row):
        return profile_of(self.names[row.row.subject], row.row.wash_text)


@cache
def made_analysis(*, hostile: bool = False, folder: Path = Path("study")) -> Analysis:
    """Three tresses; with `hostile`, text that would run in a page wherever text may stand."""
    tail = SCRIPT if hostile else ""
    names = {subject + tail: subject for subject in TRESSES}
    settings = Settings(
        folder=folder,
        title="Lengths and leveller" + tail,
        is_chart_assumed=False,
        cautions_read=True,
        order=tuple(treatment for treatment, *_ in TRESSES.values()),
        treatments={
            treatment: Treatment(
                product="training colour" + tail,
                shade="copper",
                batch="B12",
                method="bottle" if treatment == "bottle" else "bowl and brush",
                leveller="ends" if treatment == "bowl_levelled" else "",
                development_min=20.0,
                section_mm=6.0,
            )
            for treatment, *_ in TRESSES.values()
        },
        subjects={
            name: Subject(
                consent=("measure", "teach", "assess", "publish"),
                age_16_or_over=True,
                skin_test=dt.datetime(2026, 3, 2, 18),
                skin_test_clear=True,
                service=dt.date(2026, 3, 4),
            )
            for name in names
        },
    )
    rows = tuple(_rows(names, tail))
    study = Study(folder=folder, settings=settings, rows=tuple(r.row for r in rows))
    outcome = MadeResult(study=study, rows=rows, names=names)
    warnings = (
        Flag(
            code="first-washes",
            says=f"Tress T2{tail}, ends: wash 4 to 5 took more colour than 0 to 1.",
            remedy="Ask what happened between those washes.",
        ),
    )
    found = analyse(outcome)
    findings = dataclasses.replace(
        found.findings, comparisons=_comparisons(), repeats=_repeats(), agreement=_agreement()
    )
    return dataclasses.replace(found, findings=findings, warnings=warnings)


def _comparisons():
    common = {"n_a": 6, "n_b": 6, "unit": "ΔE00", "method": "paired t", "margin": 1.0, "tests": 2}
    rows = (
        Comparison(
            measure="root_to_ends", zone="", wash="0", treatment_a="bowl",
            treatment_b="bowl_levelled", difference=2.6, low=1.2, high=4.0, p=0.005,
            p_adjusted=0.01, p_equivalence=0.9, **common,
        ),
        Comparison(
            measure="colour_left", zone="ends", wash="4", treatment_a="bottle",
            treatment_b="bowl", difference=0.4, low=-0.9, high=1.7, p=0.6, p_adjusted=0.6,
            p_equivalence=0.3, **common,
        ),
    )  # fmt: skip
    return Comparisons(rows=rows)


def _repeats():
    spread = scatter(0.34**2, 8, factor="repeat", n=9)
    return (RepeatScatter(measure="L", zone="roots", scatter=spread),)


def _agreement():
    rng = np.random.default_rng(3)
    photo = rng.normal([40, 10, 20], 3.0, (12, 3))
    return {"roots": measure_agreement(photo, photo - [0.4, 0, 0] + rng.normal(0, 0.5, (12, 3)))}


def _rows(names, tail):
    shine = Flag(
        code="shine",
        says="Highlights cover 18 % of the hair; 15 % is the limit.",
        remedy="Turn the lamps so that no bright band lies on the hair.",
    )
    for name, subject in names.items():
        for wash in WASHES:
            number = None if wash == "before" else int(wash)
            error = None
            if (subject, wash) == ("T3", "5"):
                error = ChartError(
                    "chart-not-found",
                    f"No 24-patch chart was found{tail}.",
                    where="photo",
                    remedy="Put the whole chart beside the hair and photograph again.",
                )
            yield RowResult(
                row=SheetRow(
                    photo=f"photos/{subject}_wash{wash}{tail}.jpg",
                    subject=name,
                    wash=number,
                    section="back left" if subject == "T1" else "",
                    treatment=TRESSES[subject][0] if wash != "before" else "",
                    porosity_ends="high" if subject == "T2" else "normal",
                    elasticity_ends="good",
                    strand_test="20 min" + tail,
                    learner="L1",
                    assessor="A1",
                    start="10:05" if wash == "0" else "",
                    finish="10:31" if wash == "0" else "",
                    next_visit=dt.date(2026, 4, 1),
                    date=dt.date(2026, 3, 4),
                    notes=f"lengths lightened in the past{tail}",
                ),
                treatment=TRESSES[subject][0],
                sha256="ab" * 32,
                flags=(shine,) if (subject, wash) == ("T2", "0") else (),
                error=error,
                hair={"tress": {"tenths": _tenths(subject, wash)}} if error is None else {},
                photo={"chart": _chart()} if error is None else {},
            )


def _tenths(subject, wash):
    lab = profile_of(subject, wash).lab
    return lab.reshape(10, 6, 3).mean(axis=1).round(3).tolist()


def _chart():
    rng = np.random.default_rng(5)
    residual = rng.gamma(4.0, 0.25, 24).round(3).tolist()
    return {
        "reference": "chart24-after-2014-11",
        "residual": 1.0,
        "held_out": 1.7,
        "patches": {"residual": residual, "held_out": [round(1.6 * r, 3) for r in residual]},
        "method": "level 2",
        "light": {"source": "board", "fall": 0.08, "residual_slope": 0.004},
    }
