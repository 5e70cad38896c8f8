"""Checks across the photos of a study: one picture for two washes, time against wash order."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hairtone.errors import Flag
from hairtone.hair.texture import SAME_PICTURE, texture_correlation
from hairtone.study.faults import Fault, SheetFaults
from hairtone.study.files import sha256_of
from hairtone.study.outcome import RowResult
from hairtone.study.pack import texture_from
from hairtone.study.rows import SheetRow
from hairtone.study.sheet import Study

_FIRST_CAMERA: Final = dt.datetime(1995, 1, 1)  # no digital camera wrote EXIF before; EXIF 1.0
_CLOCK_CHANGE: Final = dt.timedelta(hours=1)  # what the end of summer time sets back


def same_bytes(paths: dict[str, Path]) -> list[list[str]]:
    """Photos that are the same file under several names, in the order given.

    Only files of equal size are read.
    """
    sizes: dict[int, list[str]] = {}
    for name, path in paths.items():
        try:
            sizes.setdefault(path.stat().st_size, []).append(name)
        except OSError:
            continue  # told when it is measured
    groups: dict[str, list[str]] = {}
    for names in sizes.values():
        for name in names if len(names) > 1 else ():
            try:
                groups.setdefault(sha256_of(paths[name]), []).append(name)
            except OSError:
                continue
    return [names for names in groups.values() if len(names) > 1]


def refuse_same_picture(study: Study, paths: dict[str, Path]) -> None:
    """Refuse a sheet in which one picture stands for two washes or two hairs.

    Raises
    ------
    SheetError
        The same bytes under two names, with different wash or subject.
    """
    faults = []
    for names in same_bytes(paths):
        first, *others = (study.photos[name][0] for name in names)
        for row in others:
            if (row.hair, row.wash) != (first.hair, first.wash):
                faults.append(_same_picture(row, first))
    if faults:
        raise SheetFaults.of(faults)


def _same_picture(row: SheetRow, first: SheetRow) -> Fault:
    file, _, place = row.where.partition(", ")
    return Fault(
        file=file,
        place=place,
        column="photo",
        code="same-picture",
        says=f"{row.photo} is the same picture as {first.photo} (the files are equal), given as "
        f"subject {row.subject}, wash {row.wash_text} and subject {first.subject}, wash "
        f"{first.wash_text}.",
        remedy="Put the right photo there.",
    )


def with_series_flags(rows: tuple[RowResult, ...]) -> tuple[RowResult, ...]:
    """The rows with flags that only a comparison of photos can raise."""
    flags: dict[int, list[Flag]] = {}
    _flag_same_bytes(rows, flags)
    _flag_textures(rows, flags)
    _flag_times(rows, flags)
    for row in rows:
        row.hair.pop("texture", None)  # compared; a large study need not hold it
    return tuple(
        dataclasses.replace(row, flags=row.flags + tuple(flags[i])) if i in flags else row
        for i, row in enumerate(rows)
    )


def _flag_same_bytes(rows: tuple[RowResult, ...], flags: dict[int, list[Flag]]) -> None:
    first: dict[str, str] = {}
    for i, row in enumerate(rows):
        if not row.sha256:
            continue
        other = first.setdefault(row.sha256, row.row.photo)
        if other != row.row.photo:
            flags.setdefault(i, []).append(
                Flag(
                    code="same-picture",
                    says=f"It is the same picture as {other}; it is counted once.",
                    remedy="Photograph the hair again for a true repeat.",
                )
            )


def _flag_textures(rows: tuple[RowResult, ...], flags: dict[int, list[Flag]]) -> None:
    """One picture saved again (cropped, recoloured, smaller) for another row of the same hair."""
    hairs: dict[tuple[str, str], list[tuple[int, RowResult, NDArray[np.int8]]]] = {}
    for i, row in enumerate(rows):
        texture = texture_from(str(row.hair.get("texture", "")))
        if texture is None:
            continue
        earlier = hairs.setdefault(row.row.hair, [])
        for _, other, known in earlier:
            if row.sha256 == other.sha256 or row.row.photo == other.row.photo:
                continue
            alike = texture_correlation(texture, known)
            if alike >= SAME_PICTURE:
                flags.setdefault(i, []).append(_same_texture(other, alike))
                break
        earlier.append((i, row, texture))


def _same_texture(other: RowResult, alike: float) -> Flag:
    return Flag(
        code="same-picture",
        says=f"It seems to be the same picture as {other.row.photo} (wash {other.row.wash_text}): "
        f"their strands agree by {alike:.2f}, two lays of a hair by less than {SAME_PICTURE:.2f}.",
        remedy="Check that the right photo stands in the sheet.",
    )


def taken_at(text: str, *, today: dt.datetime) -> dt.datetime | None:
    """When a camera says it took a photo; None where it says nothing that can be."""
    try:
        taken = dt.datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        return None
    return taken if _FIRST_CAMERA <= taken <= today + dt.timedelta(days=1) else None


def _flag_times(rows: tuple[RowResult, ...], flags: dict[int, list[Flag]]) -> None:
    """The camera's clock only ever checks the sheet: its wash numbers rule."""
    today = dt.datetime.now()
    hairs: dict[tuple[str, str], list[tuple[int, RowResult, dt.datetime]]] = {}
    for i, row in enumerate(rows):
        text = str(row.photo.get("taken", ""))
        if not text:
            continue
        taken = taken_at(text, today=today)
        if taken is None:
            flags.setdefault(i, []).append(_date_unknown(text))
            continue
        hairs.setdefault(row.row.hair, []).append((i, row, taken))
    for series in hairs.values():
        for i, row, taken in series:
            for _, other, earlier in series:
                if _order(other.row) < _order(row.row) and earlier > taken:
                    flags.setdefault(i, []).append(_time_order(row, other, taken, earlier))
                    break


def _order(row: SheetRow) -> int:
    return -1 if row.wash is None else row.wash


def _date_unknown(text: str) -> Flag:
    return Flag(
        code="date-unknown",
        says=f"The camera wrote the date {text[:25]}, which cannot be; the date is unknown.",
        remedy="Set the camera's clock. The sheet's wash number is used.",
        is_note=True,
    )


def _time_order(row: RowResult, other: RowResult, taken: dt.datetime, earlier: dt.datetime) -> Flag:
    if earlier - taken <= _CLOCK_CHANGE:
        first, then = other.row.wash_text, row.row.wash_text
        return Flag(
            code="time-order-unknown",
            says=f"The order of washes {first} and {then} is not told by "
            f"the camera's times ({earlier:%Y-%m-%d %H:%M}, {taken:%H:%M}): the hour may "
            f"be one that the clock went through twice.",
            remedy="Check the wash numbers; they are used as they stand.",
        )
    return Flag(
        code="time-order",
        says=f"The time order runs against the washes: wash {row.row.wash_text} was photographed "
        f"{taken:%Y-%m-%d %H:%M}, before wash {other.row.wash_text} ({earlier:%Y-%m-%d %H:%M}).",
        remedy="Check the wash numbers, or the camera's clock.",
    )
