"""A study made by hand: three tresses, before and washes 0 to 8, as `analyse` hands it over.

The colours are invented; the figures in the tables follow from them by the plain formulas, so that
what a report prints can be checked against what went in.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from hairtone.colorimetry import DEFAULT_VIEWING, delta_e, delta_e_ab, lch_difference
from hairtone.errors import ChartError, Flag
from hairtone.hair.types import Profile
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
TABLES = {
    "measurements": "photo place subject section treatment wash replicate zone L a b u95 status "
    "flags",
    "evenness": "photo place subject section treatment wash replicate measure value low high "
    "critical resolved gsc grade words",
    "uptake": "subject section treatment zone delta_e low high dL dC dH ratio_ends_to_roots "
    "ratio_low ratio_high",
    "fade": "subject section treatment zone wash delta_e delta_e_ab dL dC dH gsc grade "
    "colour_left colour_left_low colour_left_high dye_left_estimate tone_drift "
    "tone_words",
    "fade_fit": "subject section zone model half_life half_life_low half_life_high "
    "washes_to_refresh washes_to_refresh_low washes_to_refresh_high washes_to_gone "
    "washes_to_gone_low washes_to_gone_high misfit",
    "crossing": "subject section wash low high",
    "comparison": "measure zone wash treatment_a treatment_b difference low high p_holm margin "
    "verdict n_a n_b",
    "patches": "photo place from to delta_e kind",
    "porous": "subject section onset low high excess",
    "repeats": "measure zone factor sd low high n",
    "agreement": "zone axis bias limit_low limit_high n",
    "blend": "subject section wash blend low high mm_per_px",
    "refused": "photo place code says remedy",
}  # fmt: skip


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


@dataclass(frozen=True, kw_only=True)
class MadeAnalysis:
    """What `hairtone.report.types.Analysis` asks for."""

    outcome: StudyResult
    frames: dict[str, pd.DataFrame]
    warnings: tuple[Flag, ...] = ()
    missing: tuple[str, ...] = ()


@cache
def made_analysis(*, hostile: bool = False, folder: Path = Path("study")) -> MadeAnalysis:
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
    missing = ("There are no repeats, so how far re-laying moves a reading is borrowed.",)
    return MadeAnalysis(
        outcome=outcome, frames=_frames(outcome, names), warnings=warnings, missing=missing
    )


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


def _zone_labs(subject, wash):
    lab = profile_of(subject, wash).lab
    return {zone: lab[third].mean(axis=0) for zone, third in zip(ZONES, THIRD, strict=True)}


def _difference(first, second, *, noise):
    value = float(delta_e(first, second))
    resolved = value > noise
    return {
        "value": round(value, 2),
        "low": round(max(0.0, value - noise), 2) if resolved else 0.0,
        "high": round(value + noise, 2),
        "critical": noise,
        "resolved": resolved,
    }


def _frames(outcome, names):
    tables = {name: [] for name in TABLES}
    for row in outcome.rows:
        _add_photo(tables, row, names)
    for name, subject in names.items():
        _add_hair(tables, name, subject, outcome)
    _add_design(tables)
    return {name: pd.DataFrame(rows, columns=TABLES[name].split()) for name, rows in tables.items()}


def _add_photo(tables, row, names):
    sheet, subject = row.row, names[row.row.subject]
    key = {
        "photo": sheet.photo, "place": sheet.place, "subject": sheet.subject,
        "section": sheet.section, "treatment": row.treatment, "wash": sheet.wash_text,
        "replicate": sheet.replicate,
    }  # fmt: skip
    if row.error is not None:
        says = {"code": row.error.code, "says": row.error.says, "remedy": row.error.remedy}
        tables["refused"].append({"photo": sheet.photo, "place": sheet.place, **says})
        return
    labs = _zone_labs(subject, sheet.wash_text)
    flags = "; ".join(flag.code for flag in row.flags)
    for zone, lab in labs.items():
        values = dict(zip("Lab", lab.round(2), strict=True))
        tables["measurements"].append(
            {**key, "zone": zone, **values, "u95": 1.3, "status": row.status, "flags": flags}
        )
    for measure, pair, noise in (
        ("root_to_ends", ("roots", "ends"), 0.6),
        ("mean_difference", ("roots", "mid_lengths"), 0.4),
        ("largest_difference", ("roots", "ends"), 0.7),
    ):
        found = _difference(labs[pair[0]], labs[pair[1]], noise=noise)
        words = "even" if found["value"] < 1.25 else "a slight shift"
        more = {"gsc": 3.9, "grade": "4", "words": words}
        tables["evenness"].append({**key, "measure": measure, **found, **more})


def _add_hair(tables, name, subject, outcome):
    rows = [row for row in outcome.rows if row.row.subject == name]
    section, treatment = rows[0].row.section, rows[0].treatment
    hair = {"subject": name, "section": section}
    before, fresh = _zone_labs(subject, "before"), _zone_labs(subject, "0")
    for zone in ZONES:
        value = float(delta_e(before[zone], fresh[zone]))
        dl, dc, dh = lch_difference(before[zone], fresh[zone]).round(2)
        ends = float(delta_e(before["ends"], fresh["ends"]))
        roots = float(delta_e(before["roots"], fresh["roots"]))
        tables["uptake"].append(
            {**hair, "treatment": treatment, "zone": zone, "delta_e": round(value, 2),
             "low": round(value - 1.2, 2), "high": round(value + 1.2, 2), "dL": dl, "dC": dc,
             "dH": dh, "ratio_ends_to_roots": round(ends / roots, 2),
             "ratio_low": round(ends / roots - 0.1, 2), "ratio_high": round(ends / roots + 0.12, 2)}
        )  # fmt: skip
        _add_fade(tables, rows, hair, zone, before[zone], fresh[zone])
    if subject == "T2":
        tables["crossing"].append({**hair, "wash": 4.2, "low": 3.6, "high": 5.1})
        tables["porous"].append({**hair, "onset": 0.41, "low": 0.36, "high": 0.47, "excess": 4.4})
        tables["patches"].append(
            {"photo": rows[1].row.photo, "place": 1, "from": 0.72, "to": 0.81, "delta_e": 3.4,
             "kind": "grabbed"}
        )  # fmt: skip


def _add_fade(tables, rows, hair, zone, before, fresh):
    subject = rows[0].row.photo.split("/")[1][:2]
    step = fresh - before
    left_at = {}
    for row in rows:
        if row.row.wash is None or row.error is not None:
            continue
        now = _zone_labs(subject, row.row.wash_text)[zone]
        left = left_at[row.row.wash] = float(100 * (now - before) @ step / (step @ step))
        dl, dc, dh = lch_difference(fresh, now).round(2)
        tables["fade"].append(
            {**hair, "treatment": row.treatment, "zone": zone, "wash": row.row.wash,
             "delta_e": round(float(delta_e(fresh, now)), 2),
             "delta_e_ab": round(float(delta_e_ab(fresh, now)), 2), "dL": dl, "dC": dc, "dH": dh,
             "gsc": 3.0, "grade": "3", "colour_left": round(left, 1),
             "colour_left_low": round(left - 5, 1), "colour_left_high": round(left + 5, 1),
             "dye_left_estimate": round(0.8 * left, 1), "tone_drift": 0.7,
             "tone_words": "warmer; the red leaves first"}
        )  # fmt: skip
    slow = {"roots": 7.0, "mid_lengths": 6.5, "ends": TRESSES[subject][3]}[zone]
    half = slow * float(np.log(2))
    tables["fade_fit"].append(
        {**hair, "zone": zone, "model": "one exponential", "half_life": round(half, 1),
         "half_life_low": round(0.85 * half, 1), "half_life_high": round(1.2 * half, 1),
         "washes_to_refresh": round(half, 1), "washes_to_refresh_low": round(0.85 * half, 1),
         "washes_to_refresh_high": round(1.2 * half, 1), "washes_to_gone": None,
         "washes_to_gone_low": 12.0, "washes_to_gone_high": None, "misfit": 1.1}
    )  # fmt: skip


def _add_design(tables):
    tables["comparison"] += [
        {"measure": "root_to_ends", "zone": "", "wash": "0", "treatment_a": "bowl",
         "treatment_b": "bowl_levelled", "difference": 2.6, "low": 1.2, "high": 4.0, "p_holm": 0.01,
         "margin": 1.0, "verdict": "less even", "n_a": 6, "n_b": 6},
        {"measure": "colour_left", "zone": "ends", "wash": "4", "treatment_a": "bottle",
         "treatment_b": "bowl", "difference": 0.4, "low": -0.9, "high": 1.7, "p_holm": 0.6,
         "margin": 1.0, "verdict": "not resolved", "n_a": 6, "n_b": 6},
    ]  # fmt: skip
    tables["repeats"].append(
        {"measure": "L", "zone": "roots", "factor": "re-lay", "sd": 0.34, "low": 0.2, "high": 0.7,
         "n": 9}
    )  # fmt: skip
    tables["agreement"].append(
        {"zone": "roots", "axis": "L*", "bias": 0.4, "limit_low": -1.1, "limit_high": 1.9, "n": 12}
    )
