"""What a report is written from, and what it is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

from hairtone.errors import Flag

if TYPE_CHECKING:
    from hairtone.study.outcome import StudyResult

Audience = Literal["educator", "stylist", "tester"]
AUDIENCES: Final[tuple[Audience, ...]] = ("educator", "stylist", "tester")
ZONES: Final = ("roots", "mid_lengths", "ends")
ZONE_WORDS: Final = {"roots": "roots", "mid_lengths": "mid-lengths", "ends": "ends"}
TABLES: Final = (
    "measurements",
    "evenness",
    "uptake",
    "fade",
    "fade_fit",
    "crossing",
    "comparison",
    "patches",
    "porous",
    "repeats",
    "agreement",
    "blend",
    "drift",
    "refused",
)


class Analysis(Protocol):
    """A study, analysed: what every report, figure and notebook reads.

    Attributes
    ----------
    outcome : StudyResult
        The study as asked for, and every row measured, flagged or refused.
    frames : mapping of str to DataFrame
        The CSV tables of the contract by name without ``.csv``, columns and order as written
        there. A table with nothing to tell is there with its columns and no rows.
    warnings : sequence of Flag
        What looks implausible, in the trade's terms. They never change a number.
    missing : sequence of str
        Plain sentences: which question could not be answered, and what it would take.
    """

    @property
    def outcome(self) -> StudyResult: ...  # noqa: D102 - told above
    @property
    def frames(self) -> Mapping[str, Any]: ...  # noqa: D102
    @property
    def warnings(self) -> Sequence[Flag]: ...  # noqa: D102
    @property
    def missing(self) -> Sequence[str]: ...  # noqa: D102
