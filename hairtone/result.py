"""What is known of one photo after measuring it, and how that is written as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from hairtone.calibration.field import LAW
from hairtone.colorimetry import DEFAULT_VIEWING, Floats, Viewing
from hairtone.errors import Flag, HairtoneError
from hairtone.hair.types import Profile
from hairtone.measures.blend import StrandContrast
from hairtone.measures.evenness import Evenness
from hairtone.measures.zones import tenth_estimates, zone_estimates
from hairtone.showing import Shown

Status = Literal["measured", "flagged", "refused"]
ZONES: Final = (1 / 3, 2 / 3)
SCHEMA: Final = 1


def status_of(flags: tuple[Flag, ...], error: HairtoneError | None) -> Status:
    """Measured, flagged or refused; a note alone leaves it measured."""
    if error is not None:
        return "refused"
    return "flagged" if any(not flag.is_note for flag in flags) else "measured"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ChartFacts:
    """What the chart said.

    Attributes
    ----------
    reference : str
        Name of the chart reference.
    corners : ndarray, shape (4, 2)
        Outer corners, clockwise from beside the first patch. [pixels, xy]
    residual, held_out : ndarray, shape (24,)
        ΔE00 of each patch in the fit and when left out of it; NaN where the patch was not used.
    method : str
        Calibration used: ``"level 1"``, ``"level 2"`` or ``"average"``.
    facts : dict
        What the fit found, JSON-ready.
    light : dict
        Source, fall, residual slope and residual SD of the light field.
    encoded : ndarray, shape (24, 3), or None
        The readings themselves, 0..1.
    missed : ndarray, shape (24, 3), or None
        See `Calibration.missed`.
    is_linear : bool
        Camera RAW.
    """

    reference: str
    corners: Floats
    residual: Floats
    held_out: Floats
    method: str
    facts: dict[str, Any]
    light: dict[str, Any]
    encoded: Floats | None = None
    missed: Floats | None = None
    is_linear: bool = False

    def __repr__(self) -> str:
        return (
            f"ChartFacts({self.reference!r}, {self.method}, held-out ΔE00 {_mean(self.held_out)})"
        )

    def reading(self) -> dict[str, Any] | None:
        """The reading, JSON-ready, as photos of one camera are compared by it."""
        if self.encoded is None or self.missed is None:
            return None
        return {
            "encoded": rounded(self.encoded, 6),
            "missed": rounded(self.missed, 4),
            "is_linear": self.is_linear,
            "law": LAW,
        }

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready; residual and held_out are means over the patches used."""
        return {
            "reference": self.reference,
            "corners": rounded(self.corners, 2),
            "residual": _mean(self.residual),
            "held_out": _mean(self.held_out),
            "patches": {
                "residual": rounded(self.residual, 3),
                "held_out": rounded(self.held_out, 3),
            },
            "method": self.method,
            "facts": self.facts,
            "light": self.light,
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class TressResult(Shown):
    """One hair of a photo: its colour from roots to ends, or why there is none.

    Attributes
    ----------
    name : str
        ``"1"``, ``"2"``, … left to right.
    place : int
        The same as a number.
    line : ndarray, shape (n, 2), or None
        Root-to-ends line. [pixels, xy]
    outline : ndarray, shape (m, 2), or None
        What was taken as hair, a closed polygon. [pixels, xy]
    profile : Profile or None
        Colour along the hair; None when refused.
    evenness : Evenness or None
        None when refused.
    flags : tuple of Flag
        Doubts about this hair.
    error : HairtoneError or None
        Why it was refused.
    zones : tuple of float
        Where roots end and where ends begin, 0..1.
    mm_per_px : float or None
        Scale, where the chart's size is known.
    regrowth_px : float or None
        New growth before the line, as marked by hand; None without a mark. [pixels]
    texture : ndarray of int8 or None
        Pattern of the strands, by which one picture used twice is known.
    contrast : StrandContrast or None
        Of strands, for the blending of white hair; None where the scale is unknown or too coarse.
    """

    name: str
    place: int
    line: Floats | None = None
    outline: Floats | None = None
    profile: Profile | None = None
    evenness: Evenness | None = None
    flags: tuple[Flag, ...] = ()
    error: HairtoneError | None = None
    zones: tuple[float, float] = ZONES
    mm_per_px: float | None = None
    regrowth_px: float | None = None
    texture: NDArray[np.int8] | None = None
    contrast: StrandContrast | None = None

    @property
    def status(self) -> Status:
        """Measured, flagged or refused."""
        return status_of(self.flags, self.error)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, keys as the contract fixes them."""
        out: dict[str, Any] = {
            "name": self.name,
            "place": self.place,
            "status": self.status,
            "flags": [flag_dict(flag) for flag in self.flags],
            "error": error_dict(self.error),
            "line": None if self.line is None else rounded(self.line, 2),
            "outline": None if self.outline is None else rounded(self.outline, 1),
            "zones": {},
            "tenths": [],
            "tenths_u95": [],
            "evenness": None if self.evenness is None else self.evenness.to_dict(),
            "mm_per_px": None if self.mm_per_px is None else round(self.mm_per_px, 5),
            "regrowth": self._regrowth(),
        }
        if self.profile is not None:
            zones = zone_estimates(self.profile, zones=self.zones)
            out["zones"] = {
                zone: {"lab": rounded(e.lab, 3), "u95": round(e.u95, 3)}
                for zone, e in zones.items()
            }
            tenths = tenth_estimates(self.profile)
            out["tenths"] = [rounded(e.lab, 3) for e in tenths]
            out["tenths_u95"] = [round(e.u95, 3) for e in tenths]
        return out

    def to_frame(self) -> Any:
        """Return one row a zone: place, zone, L, a, b, u95, status; none where refused."""
        import pandas as pd

        rows = []
        if self.profile is not None:
            for zone, colour in zone_estimates(self.profile, zones=self.zones).items():
                lightness, a, b = colour.lab
                rows.append((self.place, zone, lightness, a, b, colour.u95, self.status))
        return pd.DataFrame(rows, columns=["place", "zone", "L", "a", "b", "u95", "status"])

    def __repr__(self) -> str:
        said = f": {self.evenness.words}" if self.evenness is not None else ""
        if self.error is not None:
            said = f": {self.error.says}"
        return f"TressResult({self.name!r}, {self.status}{said})"

    def _regrowth(self) -> dict[str, float | None] | None:
        """Length of the new growth in pixels, and in mm where the scale is known."""
        if self.regrowth_px is None:
            return None
        scaled = None if self.mm_per_px is None else round(self.regrowth_px * self.mm_per_px, 1)
        return {"px": round(self.regrowth_px, 1), "mm": scaled}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class PhotoResult(Shown):
    """One photo, measured, flagged or refused.

    Attributes
    ----------
    photo : str
        File name, or path inside the study.
    sha256 : str
        Of the file's bytes; empty where it could not be read.
    viewing : Viewing
        Illuminant and observer of every L*a*b*.
    chart : ChartFacts or None
        None when the photo was refused.
    tresses : tuple of TressResult
        Left to right.
    flags : tuple of Flag
        Doubts about the photo as a whole.
    error : HairtoneError or None
        Why it was refused.
    taken : str
        ISO date and time the camera wrote, or empty; only checks the sheet.
    camera : str
        Make and model as the camera wrote them, or empty.
    """

    photo: str
    sha256: str = ""
    viewing: Viewing = DEFAULT_VIEWING
    chart: ChartFacts | None = None
    tresses: tuple[TressResult, ...] = ()
    flags: tuple[Flag, ...] = ()
    error: HairtoneError | None = None
    taken: str = ""
    camera: str = ""

    @property
    def status(self) -> Status:
        """Refused when no hair of it was measured; flagged when anything is in doubt."""
        own = status_of(self.flags, self.error)
        hairs = [tress.status for tress in self.tresses]
        if own == "refused" or (hairs and all(status == "refused" for status in hairs)):
            return "refused"
        return own if all(status == "measured" for status in hairs) else "flagged"

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, keys as the contract fixes them."""
        refused = self.status == "refused"
        errors = [(tress.name, tress.error) for tress in self.tresses if tress.error is not None]
        error = self.error or (joint_error(errors) if refused else None)
        chart = None if self.chart is None or refused else self.chart.to_dict()
        return {
            "photo": self.photo,
            "sha256": self.sha256,
            "status": self.status,
            "flags": [flag_dict(flag) for flag in self.flags],
            "error": error_dict(error),
            "chart": chart,
            "tresses": [] if refused else [tress.to_dict() for tress in self.tresses],
            "taken": self.taken,
            "camera": self.camera,
        }

    def to_frame(self) -> Any:
        """Return one row a hair and zone: photo, place, zone, L, a, b, u95, status."""
        import pandas as pd

        empty = TressResult(name="", place=0).to_frame()
        tables = [tress.to_frame() for tress in self.tresses if tress.profile is not None]
        frame = pd.concat(tables, ignore_index=True) if tables else empty
        frame.insert(0, "photo", self.photo)
        return frame

    def __repr__(self) -> str:
        hairs = "; ".join(repr(tress) for tress in self.tresses)
        said = self.error.says if self.error is not None else hairs
        return f"PhotoResult({self.photo!r}, {self.status}: {said})"

    def _repr_html_(self) -> str:
        said = [f"<p><b>{escape(self.photo)}</b>: {self.status}</p>"]
        doubts = [str(self.error)] if self.error else []
        doubts += [str(flag) for flag in self.flags]
        for tress in self.tresses:
            doubts += [f"hair {tress.name}: {flag}" for flag in tress.flags]
            doubts += [f"hair {tress.name}: {tress.error}"] if tress.error else []
        said.append("<ul>" + "".join(f"<li>{escape(line)}</li>" for line in doubts) + "</ul>")
        if any(tress.profile is not None for tress in self.tresses):
            said.append(self.to_frame().round(1).to_html(index=False, escape=True))
        return "".join(said)


def to_json(results: list[PhotoResult] | tuple[PhotoResult, ...], *, viewing: Viewing) -> str:
    """The JSON document of `measure` for photos measured for one viewing."""
    from hairtone import __version__

    document = {
        "hairtone": __version__,
        "schema": SCHEMA,
        "viewing": viewing.name,
        "photos": [result.to_dict() for result in results],
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def flag_dict(flag: Flag) -> dict[str, Any]:
    """JSON-ready: code, says, remedy, note."""
    return {
        "code": flag.code,
        "says": flag.says,
        "remedy": flag.remedy,
        "note": flag.is_note,
    }


def error_dict(error: HairtoneError | None) -> dict[str, str] | None:
    """JSON-ready: code, says, remedy; None where there is no error."""
    if error is None:
        return None
    return {"code": error.code, "says": error.says, "remedy": error.remedy}


def joint_error(errors: Sequence[tuple[str, HairtoneError]]) -> HairtoneError | None:
    """One error for a photo of which every hair was refused; no hair's reason is lost.

    Parameters
    ----------
    errors : sequence of (str, HairtoneError)
        Name of each hair and why it was refused; empty: None.
    """
    if not errors:
        return None
    first = errors[0][1]
    reasons = {(error.code, error.says) for _, error in errors}
    if len(reasons) == 1:
        return first
    says = " ".join(f"Hair {name}: {error.says}" for name, error in errors)
    remedies = dict.fromkeys(error.remedy for _, error in errors)
    return type(first)(first.code, says, where=first.where, remedy=" ".join(remedies))


def rounded(values: Any, digits: int) -> Any:
    """Nested lists of rounded numbers, None where a value is missing."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim:
        return [rounded(row, digits) for row in array]
    return round(float(array), digits) if np.isfinite(array) else None


def _mean(values: Floats) -> float | None:
    known = np.asarray(values)[np.isfinite(values)]
    return round(float(known.mean()), 3) if known.size else None
