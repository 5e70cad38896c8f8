"""Errors and flags: what is the case, where, and what to do.

::

    HairtoneError           anything that a person's files or photographs cause
    ├── PhotoError          the file is not a photograph that we can trust
    ├── ChartError          the colour chart is missing, cut, covered, false
    ├── LightError          the light over the frame cannot be corrected
    ├── CalibrationError    the patches do not give a calibration
    ├── HairError           no hair, or none that can be measured
    ├── MeasureError        too little to answer this question from
    ├── SheetError          photos.csv or study.toml cannot be read as it stands
    └── StoreError          results could not be kept

A programmer's slip stays a ``ValueError`` or ``TypeError``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """A finding that travels with a result: usable with care. It never changes a number.

    Attributes
    ----------
    code : str
        Stable kebab-case name of the cause, such as ``"edition-assumed"``.
    says : str
        What is the case, with the measured value and its limit.
    remedy : str
        What to do about it; may be empty where nothing is needed.
    is_note : bool
        A remark for the record that leaves the status at ``"measured"``.
    """

    code: str
    says: str
    remedy: str = ""
    is_note: bool = False

    def __str__(self) -> str:
        return f"{self.says} {self.remedy}".strip()


class HairtoneError(Exception):
    """A photo or file that cannot be used: what is the case, where, and what to do.

    Parameters
    ----------
    code : str
        Stable kebab-case name of the cause, such as ``"chart-not-found"``.
    says : str
        What is the case, with the values.
    where : str, optional
        File, patch, row or argument. Named in front of `says` when printed.
    remedy : str
        What to do about it.
    """

    def __init__(self, code: str, says: str, *, remedy: str, where: str = "") -> None:
        self.code = code
        self.says = says
        self.where = where
        self.remedy = remedy
        super().__init__(code, says, where, remedy)

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        return f"{place}{self.says} {self.remedy}".strip()

    def __reduce__(self) -> tuple[object, ...]:
        """Rebuild across processes, keywords included."""
        return (_rebuild, (type(self), self.code, self.says, self.where, self.remedy))

    def at(self, where: str) -> HairtoneError:
        """Return the same error with another place in front, such as a file name."""
        return type(self)(self.code, self.says, where=where, remedy=self.remedy)


def _rebuild(
    kind: type[HairtoneError], code: str, says: str, where: str, remedy: str
) -> HairtoneError:
    return kind(code, says, where=where, remedy=remedy)


class PhotoError(HairtoneError):
    """The file is not a photograph that we can trust."""


class ChartError(HairtoneError):
    """The colour chart is missing, cut, covered or false."""


class LightError(HairtoneError):
    """The light over the frame cannot be corrected."""


class CalibrationError(HairtoneError):
    """The patches do not give a calibration."""


class HairError(HairtoneError):
    """No hair, or none that can be measured."""


class MeasureError(HairtoneError):
    """Too little to answer this question from."""


class SheetError(HairtoneError):
    """The sheet or study.toml cannot be read as it stands."""


class StoreError(HairtoneError):
    """Results could not be kept."""
