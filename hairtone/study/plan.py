"""What is to be measured of each photo of a study, and what the result will depend on.

Files are found, rows gathered and the recipe settled: one hash of all that a stored result depends
on besides the photo itself.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterator
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, Final

import numpy as np

from hairtone import __version__
from hairtone.colorimetry import viewing_named
from hairtone.errors import Flag, HairtoneError, PhotoError
from hairtone.pipeline import measure_photo
from hairtone.reference import reference_path
from hairtone.request import HairRequest, PhotoRequest
from hairtone.result import SCHEMA, PhotoResult
from hairtone.study.files import Folder, sha256_of
from hairtone.study.sheet import SheetRow, Study
from hairtone.study.store import Stored

_LIBRARIES: Final = (
    "numpy", "scipy", "opencv-python", "simplejpeg", "pillow", "pillow-heif", "rawpy",
)  # fmt: skip
_NOT_MEASURING: Final = ("study", "report", "cli.py", "__main__.py")


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


@dataclasses.dataclass(slots=True, kw_only=True)
class Plan:
    """A photo on its way: its rows, what to ask for, what was found in the store."""

    photo: str
    rows: tuple[SheetRow, ...]
    withheld: tuple[SheetRow, ...] = ()
    request: PhotoRequest | None = None
    recipe: str = ""
    stored: Stored | None = None
    error: HairtoneError | None = None
    flags: tuple[Flag, ...] = ()


def photo_requests(study: Study) -> list[PhotoRequest]:
    """What would be measured of each photo that can be opened; for checking photos."""
    return [plan.request for plan in plan_photos(study) if plan.request]


def check_photos(study: Study) -> Iterator[PhotoResult]:
    """Every photo of a study measured and not kept; one whose file is not there is refused."""
    for plan in plan_photos(study):
        if plan.request is not None:
            yield measure_photo(plan.request)
        elif plan.error is not None:
            viewing = viewing_named(study.settings.viewing)
            yield PhotoResult(photo=plan.photo, viewing=viewing, error=plan.error)


def plan_photos(study: Study) -> list[Plan]:
    """One plan per photo, in the order of the sheet."""
    folder = Folder(study.folder)
    hashes: dict[str, str] = {}
    plans = []
    for photo, rows in study.photos.items():
        wanted = tuple(row for row in rows if study.settings.may_measure(row.subject))
        withheld = tuple(row for row in rows if row not in wanted)
        plan = Plan(photo=photo, rows=wanted, withheld=withheld)
        if wanted:
            try:
                _fill(plan, study, folder, hashes)
            except HairtoneError as error:
                plan.error = error
        plans.append(plan)
    return plans


def _fill(plan: Plan, study: Study, folder: Folder, hashes: dict[str, str]) -> None:
    """Find the files of a photo and state what is asked for."""
    settings = study.settings
    rows = study.photos[plan.photo]
    corners = next((row.corners for row in rows if row.corners), None)
    card_name = study.card_of(rows)
    card = folder.find(card_name) if card_name and card_name != plan.photo else None
    chart_file = settings.chart if "." in settings.chart else ""
    request = PhotoRequest(
        path=study.folder / plan.photo,
        name=plan.photo,
        viewing=viewing_named(settings.viewing),
        chart=settings.chart,
        chart_is_stated=not settings.is_chart_assumed,
        folder=study.folder,
        corners=None if corners is None else np.array(corners, np.float64),
        card=card,
        hairs=_with_known(plan, study),
        zones=settings.zones,
        chart_mm=settings.chart_mm,
    )
    plan.recipe = recipe_of(
        request,
        card_sha256=_hash(card_name, folder, hashes) if card else "",
        chart_sha256=_hash(chart_file, folder, hashes) if chart_file else "",
    )
    plan.request = dataclasses.replace(request, path=folder.find(plan.photo))


def _hair(row: SheetRow) -> HairRequest:
    line = None if row.line is None else np.array(row.line, np.float64)
    mark = None if row.regrowth is None else np.array(row.regrowth[0], np.float64)
    return HairRequest(
        place=row.place,
        line=line,
        width=row.width,
        regrowth=mark,
        roots=row.roots,
        white_percent=row.white_percent,
    )


def _with_known(plan: Plan, study: Study) -> tuple[HairRequest, ...]:
    """The hairs of the rows, and the photo's reference tresses: they sharpen its calibration."""
    hairs = {row.place: _hair(row) for row in plan.rows}
    for swatch in study.settings.known:
        if swatch.photo == plan.photo:
            plain = HairRequest(place=swatch.place, roots=plan.rows[0].roots)
            hairs[swatch.place] = dataclasses.replace(
                hairs.get(swatch.place, plain), known_lab=swatch.lab, known_u95=swatch.u95
            )
    return tuple(hairs.values())


def _hash(name: str, folder: Folder, hashes: dict[str, str]) -> str:
    if name not in hashes:
        try:
            hashes[name] = sha256_of(folder.find(name))
        except OSError as error:
            raise unreadable(name, error) from error
    return hashes[name]


def unreadable(name: str, error: OSError) -> PhotoError:
    """What a file that the system will not hand over is told as."""
    return PhotoError(
        "not-readable",
        f"{name} cannot be read ({error.strerror or error}).",
        where=name,
        remedy="Check the file, its disk and its permissions.",
    )
