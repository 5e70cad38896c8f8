"""What a report is written from, and what it is made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

from hairtone.colorimetry import Floats
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
    "refused",
)


class TressProfile(Protocol):
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

    @property
    def photo(self) -> str: ...  # noqa: D102 - told above
    @property
    def place(self) -> int: ...  # noqa: D102
    @property
    def subject(self) -> str: ...  # noqa: D102
    @property
    def section(self) -> str: ...  # noqa: D102
    @property
    def treatment(self) -> str: ...  # noqa: D102
    @property
    def wash(self) -> str: ...  # noqa: D102
    @property
    def replicate(self) -> int: ...  # noqa: D102
    @property
    def status(self) -> str: ...  # noqa: D102
    @property
    def position(self) -> Floats: ...  # noqa: D102
    @property
    def lab(self) -> Floats: ...  # noqa: D102
    @property
    def u95(self) -> Floats: ...  # noqa: D102


class Analysis(Protocol):
    """A study, analysed: what every report, figure and notebook reads.

    Attributes
    ----------
    outcome : StudyResult
        The study as asked for, and every row measured, flagged or refused.
    frames : mapping of str to DataFrame
        The CSV tables of the contract by name without ``.csv``, columns and order as written
        there. A table with nothing to tell is there with its columns and no rows.
    profiles : sequence of TressProfile
        One for every row that was not refused.
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
    def profiles(self) -> Sequence[TressProfile]: ...  # noqa: D102
    @property
    def warnings(self) -> Sequence[Flag]: ...  # noqa: D102
    @property
    def missing(self) -> Sequence[str]: ...  # noqa: D102
