"""What is kept of each photo and row after measuring, and the recipe that a kept result depends on.

Nothing that is read back is ever executed: text is JSON, arrays are plain numbers.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
from dataclasses import dataclass, field
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone import __version__
from hairtone.calibration.field import HairSpread
from hairtone.colorimetry import viewing_named
from hairtone.errors import Flag, HairtoneError, StoreError
from hairtone.hair.types import Profile
from hairtone.locations import reference_path
from hairtone.measures.blend import StrandContrast
from hairtone.request import PhotoRequest
from hairtone.result import (
    SCHEMA,
    PhotoResult,
    TressResult,
    error_dict,
    flag_dict,
    status_of,
)
from hairtone.study.files import sha256_of
from hairtone.study.sheet import SheetRow

_LIBRARIES: Final = (
    "numpy", "scipy", "opencv-python", "simplejpeg", "pillow", "pillow-heif", "rawpy",
)  # fmt: skip
_NOT_MEASURING: Final = ("study", "report", "desk", "cli.py", "__main__.py")

_FLOATS = ("position", "lab", "sampling_covariance")
_FIBRES = "sampling_draws"
_SPREAD = ("hair_at", "hair_root")


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A photo's result, ready to be stored.

    Attributes
    ----------
    sha256 : str
        Of the photo; empty where it could not be read.
    status : str
        ``"measured"``, ``"flagged"`` or ``"refused"``.
    record : str
        JSON: ``result`` as the contract fixes it, ``hairs`` one entry per hair asked for,
        ``reading`` of the chart where there is one.
    arrays : bytes
        Profiles of the measured hairs (npz); empty when there are none.
    """

    sha256: str
    status: str
    record: str
    arrays: bytes


def pack(result: PhotoResult) -> Packed:
    """A photo's result as text and arrays; one with a number that is not finite is refused."""
    arrays: dict[str, Any] = {}
    for hair in result.tresses:
        if hair.profile is not None:
            arrays |= _arrays(hair.place, hair.profile)
    if not all(np.isfinite(array).all() for array in arrays.values()):
        return pack(_not_finite(result))
    kept = result.to_dict() | {"viewing": result.viewing.name}
    record = {"result": kept, "hairs": [_hair(hair) for hair in result.tresses]}
    reading = result.chart.reading() if result.chart else None
    if reading is not None:
        record["reading"] = reading
    try:
        text = json.dumps(record, ensure_ascii=False, allow_nan=False, sort_keys=True)
    except ValueError:
        return pack(_not_finite(result))
    return Packed(
        sha256=result.sha256,
        status=result.status,
        record=text,
        arrays=_npz(arrays) if arrays else b"",
    )


def unpack_profile(arrays: bytes, place: int, *, viewing: str) -> Profile:
    """The profile of one hair out of stored arrays.

    Raises
    ------
    StoreError
        The arrays are damaged or hold no such hair.
    """
    try:
        with np.load(io.BytesIO(arrays), allow_pickle=False) as stored:
            got = {name: stored[f"{place}.{name}"] for name in (*_FLOATS, "draws", "pixels")}
            for name in (_FIBRES, *_SPREAD):
                if f"{place}.{name}" in stored:
                    got[name] = stored[f"{place}.{name}"]
    except (KeyError, ValueError, OSError, EOFError) as error:
        raise StoreError(
            "draws-damaged",
            f"The stored profile of hair {place} cannot be read ({type(error).__name__}).",
            remedy="Delete the folder results and measure the study again.",
        ) from error
    for array in got.values():
        array.flags.writeable = False
    parts = [got.pop(name, None) for name in _SPREAD]
    spread = None if any(v is None for v in parts) else HairSpread(at=parts[0], root=parts[1])
    return Profile(**got, spread=spread, viewing=viewing_named(viewing))


def _arrays(place: int, profile: Profile) -> dict[str, Any]:
    out: dict[str, Any] = {
        f"{place}.{name}": np.asarray(getattr(profile, name), np.float64) for name in _FLOATS
    }
    out[f"{place}.draws"] = np.asarray(profile.draws, np.float32)
    if profile.sampling_draws is not None:
        out[f"{place}.{_FIBRES}"] = np.asarray(profile.sampling_draws, np.float32)
    if profile.spread is not None:
        kept = (profile.spread.at, profile.spread.root)
        out |= {
            f"{place}.{name}": np.asarray(v, np.float64)
            for name, v in zip(_SPREAD, kept, strict=True)
        }
    out[f"{place}.pixels"] = np.asarray(profile.pixels, np.int64)
    return out


def _npz(arrays: dict[str, Any]) -> bytes:
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    return buffer.getvalue()


def _hair(hair: TressResult) -> dict[str, Any]:
    return {
        "place": hair.place,
        "status": hair.status,
        "flags": [flag_dict(flag) for flag in hair.flags],
        "error": error_dict(hair.error),
        "zones": list(hair.zones),
        "mm_per_px": hair.mm_per_px,
        "facts": dict(hair.profile.facts) if hair.profile else {},
        "texture": _texture_text(hair),
        "contrast": _contrast_dict(hair),
        "tress": hair.to_dict(),
    }


def _texture_text(hair: TressResult) -> str:
    """The pattern of the strands as text, ``rows x columns:base64``; empty where there is none."""
    if hair.texture is None:
        return ""
    rows, columns = hair.texture.shape
    data = base64.b64encode(np.ascontiguousarray(hair.texture, np.int8).tobytes())
    return f"{rows}x{columns}:{data.decode()}"


def texture_from(text: str) -> NDArray[np.int8] | None:
    """The pattern of a stored entry."""
    if not text:
        return None
    shape, _, data = text.partition(":")
    rows, columns = map(int, shape.split("x"))
    return np.frombuffer(base64.b64decode(data), np.int8).reshape(rows, columns)


def _contrast_dict(hair: TressResult) -> dict[str, Any] | None:
    found = hair.contrast
    if found is None:
        return None
    return {
        "value": found.value,
        "draws": [round(float(draw), 4) for draw in found.draws],
        "noise": found.noise,
        "mm_per_px": found.mm_per_px,
    }


def contrast_from(kept: dict[str, Any] | None) -> StrandContrast | None:
    """The contrast of strands of a stored entry."""
    if kept is None:
        return None
    return StrandContrast(**{**kept, "draws": np.asarray(kept["draws"], np.float64)})


def _not_finite(result: PhotoResult) -> PhotoResult:
    return PhotoResult(
        photo=result.photo,
        sha256=result.sha256,
        viewing=result.viewing,
        error=HairtoneError(
            "not-finite",
            "The measurement came out with a value that is no number.",
            where=result.photo,
            remedy="Leave the photo out and tell the makers of hairtone about it.",
        ),
    )


def flag_from(kept: dict[str, Any]) -> Flag:
    """The flag of a stored entry."""
    return Flag(
        code=kept["code"],
        says=kept["says"],
        remedy=kept["remedy"],
        is_note=bool(kept.get("note", False)),
    )


def error_from(kept: dict[str, str] | None, where: str) -> HairtoneError | None:
    """The error of a stored entry."""
    if kept is None:
        return None
    return HairtoneError(kept["code"], kept["says"], where=where, remedy=kept["remedy"])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowResult:
    """One row of the sheet after measuring.

    Attributes
    ----------
    row : SheetRow
        The row.
    treatment : str
        Of the hair, taken from wash 0.
    sha256 : str
        Of the photo; empty where it could not be read.
    flags : tuple of Flag
        Doubts about photo and hair.
    error : HairtoneError or None
        Why the row was refused.
    hair : dict
        The stored entry of this hair; empty when refused.
    photo : dict
        The stored entry of the photo, as the contract's JSON; empty when none was made.
    draws : str
        Name of the file of its profile.
    reading : dict
        The stored chart reading of the photo; empty when none is kept.
    """

    row: SheetRow
    treatment: str = ""
    sha256: str = ""
    flags: tuple[Flag, ...] = ()
    error: HairtoneError | None = None
    hair: dict[str, Any] = field(default_factory=dict)
    photo: dict[str, Any] = field(default_factory=dict)
    draws: str = ""
    reading: dict[str, Any] = field(default_factory=dict)

    @property
    def status(self) -> str:
        """``"measured"``, ``"flagged"`` or ``"refused"``."""
        return status_of(self.flags, self.error)

    @property
    def mm_per_px(self) -> float | None:
        """Scale of the photo, where the chart's size is known."""
        return self.hair.get("mm_per_px")


@cache
def versions() -> dict[str, str]:
    """Versions that a number may depend on: ours, the libraries', and a hash of our own text."""
    found = {"hairtone": __version__, "schema": str(SCHEMA), "text": _own_text()}
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = ""
    return found


def _own_text() -> str:
    """Hash of the modules that measure and of calibration/: changed text, changed results."""
    package = Path(__file__).resolve().parents[1]
    files = [
        path
        for path in package.rglob("*.py")
        if path.relative_to(package).parts[0] not in _NOT_MEASURING
    ]
    reference = reference_path("limits.toml").parent
    files += [p for p in reference.rglob("*") if p.suffix in (".toml", ".csv", ".npz", ".json")]
    digest = hashlib.sha256()
    for path in sorted(files, key=lambda path: path.as_posix()):
        digest.update(f"{path.name}\0{sha256_of(path)}\n".encode())
    return digest.hexdigest()[:16]


def recipe_of(request: PhotoRequest, *, card_sha256: str, chart_sha256: str) -> str:
    """Hash of everything that a photo's result depends on but the photo.

    Parameters
    ----------
    request : PhotoRequest
        The photo and how it is to be measured.
    card_sha256, chart_sha256 : str
        Of the plain-card photo and of a chart file inside the study; empty without.
    """
    facts: dict[str, Any] = {
        "versions": versions(),
        "viewing": request.viewing.name,
        "chart": [request.chart, request.chart_is_stated, chart_sha256],
        "card": card_sha256,
        "corners": _plain(request.corners),
        "zones": list(request.zones),
        "chart_mm": _plain(request.chart_mm),
        "hairs": [
            [hair.place, _plain(hair.line), hair.width, hair.roots]
            + ([{"regrowth": _plain(hair.regrowth)}] if hair.regrowth is not None else [])
            + ([{"white": hair.white_percent}] if hair.white_percent else [])
            + ([_plain(hair.known_lab), hair.known_u95] if hair.known_lab else [])
            for hair in request.hairs
        ],
    }
    text = json.dumps(facts, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(values: Any) -> Any:
    return None if values is None else np.asarray(values, np.float64).tolist()
