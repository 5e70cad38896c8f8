"""The tables of an analysis: their columns, and rows put into them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

_ROW: Final = ("photo", "place", "subject", "section", "treatment", "wash", "replicate")
_HAIR: Final = ("subject", "section")


def _spans(*names: str) -> tuple[str, ...]:
    return tuple(f"{name}{end}" for name in names for end in ("", "_low", "_high"))


COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "measurements": (*_ROW, "zone", "L", "a", "b", "u95", "status", "flags"),
    "evenness": (*_ROW, "measure", "value", "low", "high", "critical", "resolved", "gsc", "grade",
                 "words"),
    "uptake": (*_HAIR, "treatment", "zone", "delta_e", "low", "high", "dL", "dC", "dH",
               "ratio_ends_to_roots", "ratio_low", "ratio_high"),
    "fade": (*_HAIR, "treatment", "zone", "wash", "delta_e", "delta_e_ab", "dL", "dC", "dH", "gsc",
             "grade", *_spans("colour_left"),
             "dye_left_estimate", "tone_drift", "tone_words", "pool"),
    "fade_fit": (*_HAIR, "zone", "model",
                 *_spans("half_life", "washes_to_refresh", "washes_to_gone"), "misfit", "pool"),
    "crossing": (*_HAIR, "wash", "low", "high", "pool"),
    "comparison": ("measure", "zone", "wash", "treatment_a", "treatment_b", "difference", "low",
                   "high", "p_holm", "margin", "verdict", "n_a", "n_b"),
    "patches": ("photo", "place", "from", "to", "delta_e", "kind"),
    "porous": (*_HAIR, "onset", "low", "high", "excess"),
    "repeats": ("measure", "zone", "factor", "sd", "low", "high", "n"),
    "agreement": ("zone", "axis", "bias", "limit_low", "limit_high", "n"),
    "blend": (*_HAIR, "wash", "blend", "low", "high", "mm_per_px"),
    "drift": ("pool", "session", "photos", "delta_e", "largest", "patch", "alike"),
    "refused": ("photo", "place", "code", "says", "remedy"),
}  # fmt: skip
_TEXT: Final = frozenset(
    {*_ROW, "zone", "status", "flags", "measure", "resolved", "grade", "words", "tone_words"}
    | {"model", "treatment_a", "treatment_b", "verdict", "kind", "factor", "axis", "code", "says"}
    | {"remedy", "pool", "session"}
)


def frame_of(name: str, rows: Iterable[Mapping[str, Any]]) -> Any:
    """A table as a DataFrame, columns in the order of the contract.

    Parameters
    ----------
    name : str
        Of the table.
    rows : iterable of mapping
        What is left out is missing; what the table does not have is passed over.
    """
    import pandas as pd

    columns = COLUMNS[name]
    frame = pd.DataFrame([{c: row.get(c) for c in columns} for row in rows], columns=list(columns))
    for column in columns:
        if column not in _TEXT:
            frame[column] = pd.to_numeric(frame[column])
    return frame
