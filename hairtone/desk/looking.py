"""One photo looked at for the desk: verdict, places of chart and hair, small pictures."""

from __future__ import annotations

import csv
import io
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import tomlkit

from hairtone.colorimetry import viewing_named
from hairtone.errors import HairtoneError
from hairtone.photo.reader import read_photo
from hairtone.photo.types import Photo
from hairtone.pipeline import calibrate_photo, measure_pixels
from hairtone.report.picker import outline_of, preview_jpeg
from hairtone.request import PhotoRequest
from hairtone.result import PhotoResult
from hairtone.study.files import Folder, write_atomically
from hairtone.study.records import flag_from
from hairtone.study.run import photo_requests
from hairtone.study.settings import read_settings
from hairtone.study.sheet import read_study

VERDICTS: Final = {"measured": "fine", "flagged": "with care", "refused": "take it again"}
_SAMPLE: Final = ("before", "0", "2", "4", "8")  # washes of the sample to try; our choice


def check_photo(folder: Path, photo: str) -> dict[str, Any]:
    """Return the verdict on a photo, why, what to do, and what to draw on it.

    Parameters
    ----------
    folder : Path
        The study folder.
    photo : str
        Name from the study folder down; the sheet need not list it yet.

    Returns
    -------
    dict
        ``verdict`` (fine, with care, take it again), ``says`` (sentences), ``notes``, ``size``
        of the upright photo [pixels], ``corners`` of the chart, ``outlines`` of hair, ``taken``.
    """
    request = _request(folder, photo)
    try:
        read = _read(request.path, request.path.stat().st_mtime_ns)
    except HairtoneError as error:
        refused = PhotoResult(photo=photo, viewing=request.viewing, error=error)
        return _told(refused, size=None, corners=[], outlines=[])
    result = measure_pixels(read, request)
    corners, outlines = _places(read, request, result)
    return _told(result, size=read.size, corners=corners, outlines=outlines)


def _request(folder: Path, photo: str) -> PhotoRequest:
    """What would be measured of a photo: as its rows say, else every hair in it."""
    try:
        listed = {r.name: r for r in photo_requests(read_study(folder))}
        if photo in listed:
            return listed[photo]
    except HairtoneError:
        pass  # the page says what is wrong with the sheet; the photo can be looked at all the same
    settings = read_settings(folder)
    return PhotoRequest(
        path=Folder(folder).find(photo),
        name=photo,
        viewing=viewing_named(settings.viewing),
        chart=settings.chart,
        chart_is_stated=not settings.is_chart_assumed,
        folder=folder,
        zones=settings.zones,
        chart_mm=settings.chart_mm,
    )


@lru_cache(maxsize=1)
def _read(path: Path, _changed: int) -> Photo:
    """The photo looked at last is kept: its outline is asked for while a line is drawn."""
    return read_photo(path)


def _told(
    result: PhotoResult, *, size: tuple[int, int] | None, corners: Any, outlines: Any
) -> dict[str, Any]:
    record = result.to_dict()
    told = [*record["flags"], *(flag for hair in record["tresses"] for flag in hair["flags"])]
    flags = [flag_from(flag) for flag in told]
    error = record["error"]
    says = [f"{error['says']} {error['remedy']}".strip()] if error else []
    says += [] if error else list(dict.fromkeys(str(f) for f in flags if not f.is_note))
    return {
        "status": result.status,
        "verdict": VERDICTS[result.status],
        "code": error["code"] if error else "",
        "says": says,
        "notes": list(dict.fromkeys(f.says for f in flags if f.is_note)),
        "size": size,
        "corners": corners,
        "outlines": outlines,
        "taken": result.taken[:10],
    }


def _places(
    photo: Photo, request: PhotoRequest, result: PhotoResult
) -> tuple[list[list[float]], list[dict[str, Any]]]:
    """Corners of the chart and outlines of hair, as far as they were found."""
    outlines = [
        {"place": hair.place, "points": np.round(hair.outline, 1).tolist(),
         "doubt": hair.status == "refused"}
        for hair in result.tresses if hair.outline is not None
    ]  # fmt: skip
    if result.chart is not None:
        return np.round(result.chart.corners, 1).tolist(), outlines
    try:
        seen = calibrate_photo(photo, request)
    except HairtoneError:
        return [], outlines  # the chart itself is what stands in the way
    return np.round(seen.chart.corners, 1).tolist(), outlines


def write_preview(file: Path, out: Path, *, longest: int) -> None:
    """Write a small picture of a photo, without any of the camera's notes."""
    write_atomically(out, preview_jpeg(_read(file, file.stat().st_mtime_ns), longest=longest))


def outline_along(file: Path, line: dict[str, Any]) -> dict[str, Any]:
    """Return the outline that would be measured along a drawn line."""
    return outline_of(_read(file, file.stat().st_mtime_ns), line)


def render_sample(folder: Path, say: Any) -> None:
    """Render the sample to try: one tress of the invented study, a few photos of it."""
    from hairtone.locations import demo_path
    from hairtone.scene.demo import demo_scene
    from hairtone.scene.render import render_scene, write_photo

    scenario = tomllib.loads(demo_path("scenario.toml").read_text(encoding="utf-8"))
    with demo_path("photos.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    subject = rows[0]["subject"]
    wanted = [
        (number, row) for number, row in enumerate(rows)
        if row["subject"] == subject and row["wash"] in _SAMPLE and row["replicate"] in ("", "1")
    ]  # fmt: skip
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    for done, (number, row) in enumerate(wanted):
        say(done, len(wanted), f"Making photo {done + 1} of {len(wanted)}")
        write_photo(render_scene(demo_scene(scenario, row, number=number)), folder / row["photo"])
    settings = tomlkit.parse(demo_path("study.toml").read_text(encoding="utf-8"))
    settings["title"] = "A sample to try"
    used = {row["treatment"] for _, row in wanted}
    for table, kept in (("subjects", {subject}), ("treatments", used)):
        for name in [name for name in settings.get(table, {}) if name not in kept]:
            settings[table].remove(name)
    for key in ("order", "pairing", "blocks"):
        settings.pop(key, None)
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(row for _, row in wanted)
    write_atomically(folder / "study.toml", tomlkit.dumps(settings))
    write_atomically(folder / "photos.csv", "\ufeff" + text.getvalue())
