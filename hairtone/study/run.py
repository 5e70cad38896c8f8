"""Measure a study: what is asked of each photo, resumable, stopped cleanly, checked as a whole."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import json
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import viewing_named
from hairtone.errors import Flag, HairtoneError, PhotoError, StoreError
from hairtone.hair.map import SAME_PICTURE, texture_correlation
from hairtone.pipeline import measure_photo
from hairtone.request import HairRequest, PhotoRequest
from hairtone.result import PhotoResult
from hairtone.study.files import Folder, sha256_of
from hairtone.study.outcome import StudyResult, pool_notes, pools_of
from hairtone.study.records import (
    RowResult,
    error_from,
    flag_from,
    recipe_of,
    texture_from,
    versions,
)
from hairtone.study.sheet import SheetRow, Study
from hairtone.study.store import Store, Stored, clock_is_suspect, now, store_notes
from hairtone.study.values import Fault, SheetFaults
from hairtone.study.workers import Limits, PhotoJob, Supervisor

_FIRST_CAMERA: Final = dt.datetime(1995, 1, 1)  # no digital camera wrote EXIF before; EXIF 1.0
_CLOCK_CHANGE: Final = dt.timedelta(hours=1)  # what the end of summer time sets back
Measure = Callable[[PhotoRequest], PhotoResult]
Progress = Callable[[int, int], None]
_BAR_AFTER_S: Final = 2.0  # no bar for what is over before one looks; our choice


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
    """Return the error for a file that cannot be opened."""
    return PhotoError(
        "not-readable",
        f"{name} cannot be read ({error.strerror or error}).",
        where=name,
        remedy="Check the file, its disk and its permissions.",
    )


def same_bytes(paths: dict[str, Path]) -> list[list[str]]:
    """Photos that are the same file under several names, in the order given.

    Only files of equal size are read.
    """
    sizes: dict[int, list[str]] = {}
    for name, path in paths.items():
        try:
            sizes.setdefault(path.stat().st_size, []).append(name)
        except OSError:
            continue  # reported when it is measured
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
            says=f"The camera's times do not show which of washes {first} and {then} came "
            f"first ({earlier:%Y-%m-%d %H:%M}, {taken:%H:%M}): the hour may "
            f"be one that the clock went through twice.",
            remedy="Check the wash numbers; they are used as they stand.",
        )
    return Flag(
        code="time-order",
        says=f"The time order runs against the washes: wash {row.row.wash_text} was photographed "
        f"{taken:%Y-%m-%d %H:%M}, before wash {other.row.wash_text} ({earlier:%Y-%m-%d %H:%M}).",
        remedy="Check the wash numbers, or the camera's clock.",
    )


class StudyStopped(KeyboardInterrupt):
    """A run was stopped; what was measured is kept.

    Attributes
    ----------
    kept, left : int
        Photos stored, and photos still to be measured.
    exit_status : int
        128 + the signal's number: 130 after Ctrl-C, 143 after SIGTERM.
    """

    def __init__(self, *, kept: int, left: int, signal: int) -> None:
        self.kept, self.left = kept, left
        self.exit_status = 128 + signal
        super().__init__(
            f"Stopped: {kept} photos are stored, {left} are left. Run the same command to go on."
        )


@dataclass(slots=True)
class Stop:
    """Which signal asked to stop."""

    signal: int = int(signal.SIGINT)


@contextlib.contextmanager
def stopping() -> Iterator[Stop]:
    """Let SIGTERM end a run as Ctrl-C does; only where this is the main thread."""
    stop = Stop()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return

    def on_term(number: int, frame: FrameType | None) -> None:
        stop.signal = number
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, on_term)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGTERM, before)


__all__ = ["Measure", "StudyResult", "StudyStopped", "measure_study", "photo_requests"]


def measure_study(
    study: Study,
    *,
    workers: int = 1,
    progress: bool | Progress = True,
    cluster: str | None = None,
    measure: Measure = measure_photo,
    limits: Limits | None = None,
) -> StudyResult:
    """Return every row of a study's sheet, measured, flagged or refused.

    What was measured before is taken from the store when photo, row and version are the same.

    Parameters
    ----------
    study : Study
        From `read_study`.
    workers : int, optional
        Processes at a time. The numbers do not depend on it.
    progress : bool or callable, optional
        True: a bar on a terminal once two seconds have passed. A callable gets
        ``(done, total)`` after each photo.
    cluster : str, optional
        Address of a running dask scheduler; the photos are read where they lie.
    measure : callable, optional
        What measures a photo; importable by name.
    limits : Limits, optional
        Time and memory one photo may take.

    Raises
    ------
    StoreError
        Results cannot be kept; said before the first photo is measured, or what was stored
        until then is kept.
    SheetError
        One picture stands for two washes.
    StudyStopped
        Stopped by hand; what was measured is kept.
    """
    plans = plan_photos(study)
    refuse_same_picture(study, {p.photo: p.request.path for p in plans if p.request})
    means = _means(measure, workers=workers, cluster=cluster, limits=limits, study=study)
    with stopping() as stop, _opened(study) as store:
        _look_up(plans, store, viewing=study.settings.viewing)
        try:
            _measure_rest(plans, store, means, progress)
        except KeyboardInterrupt as error:
            kept = sum(plan.stored is not None for plan in plans)
            raise StudyStopped(kept=kept, left=len(plans) - kept, signal=stop.signal) from error
        notes = store_notes(store.folder)
    by_row = {r.row.where: r for plan in plans for r in _row_results(plan, study)}
    rows = tuple(by_row[row.where] for row in study.rows)
    pools = pools_of(rows)
    return StudyResult(
        study=study,
        rows=with_series_flags(rows),
        notes=study.notes + notes + pool_notes(store.folder, rows, pools),
        pools=pools,
    )


@contextlib.contextmanager
def _opened(study: Study) -> Iterator[Store]:
    """The store for writing; for reading only where the study cannot be written to."""
    folder = study.folder / "results"
    with contextlib.ExitStack() as opened:
        try:
            store = opened.enter_context(Store(folder, write=True))
        except StoreError as error:
            if error.code != "store-read-only":
                raise
            store = opened.enter_context(Store(folder, write=False))
        yield store


def _cannot_write(store: Store) -> StoreError:
    return StoreError(
        "store-read-only",
        "The study folder cannot be written to, and photos are still to be measured.",
        where=store.folder.parent.name,
        remedy="Copy the study to a place you may write to.",
    )


def _look_up(plans: list[Plan], store: Store, *, viewing: str) -> None:
    """Take stored results that still hold; refuse photos whose bytes have changed.

    Where a photo is gone for good, what an older version kept of it is all there is.
    """
    registered = store.registered()
    for plan in plans:
        stored = store.get(plan.photo) if plan.rows else None
        usable = stored if stored and stored.recipe == plan.recipe else None
        if plan.request is None:
            is_gone = plan.error is not None and plan.error.code == "not-found"
            if is_gone and stored and (usable or _answers(stored, plan, viewing=viewing)):
                plan.stored, plan.error = stored, None
                plan.flags = (_source_missing(plan.photo, is_older=not usable),)
            continue
        known = registered.get(plan.photo)
        if known is None:
            continue
        try:
            current = sha256_of(plan.request.path)
        except OSError as error:
            plan.error = unreadable(plan.photo, error)
            continue
        if current != known:
            plan.error = _changed(plan.photo, known, current)
        elif usable and usable.sha256 == current:
            plan.stored = usable
        plan.request = dataclasses.replace(plan.request, expected_sha256=known)


def _answers(stored: Stored, plan: Plan, *, viewing: str) -> bool:
    """Whether an older result has a colour of every row of the photo, for this viewing."""
    record = json.loads(stored.record)
    places = {hair["place"] for hair in record["hairs"]}
    return record["result"].get("viewing") == viewing and {r.place for r in plan.rows} <= places


def _source_missing(photo: str, *, is_older: bool) -> Flag:
    made = " It was made by another version, or before its row was changed." if is_older else ""
    return Flag(
        code="source-missing",
        says=f"{photo} is no longer in the study; its stored result is shown.{made}",
        remedy="Put the photo back, or take its rows out of the sheet.",
    )


def _changed(photo: str, known: str, current: str) -> PhotoError:
    return PhotoError(
        "photo-changed",
        f"{photo} was changed since it was first measured (SHA-256 {current[:12]}…, first "
        f"{known[:12]}…).",
        where=photo,
        remedy="Put the original back, or give the new photo a name of its own in the sheet.",
    )


def _means(
    measure: Measure, *, workers: int, cluster: str | None, limits: Limits | None, study: Study
) -> Any:
    """What runs the jobs: child processes here, or a cluster."""
    if cluster is None:
        return Supervisor(measure, workers=workers, limits=limits)
    from hairtone.study.workers import Cluster

    return Cluster(measure, address=cluster, folder=study.folder)


def _measure_rest(plans: list[Plan], store: Store, means: Any, progress: bool | Progress) -> None:
    """Measure what is not stored yet, and keep one photo after another as they are ready."""
    waiting = {p.photo: p for p in plans if p.request and not p.stored and not p.error}
    if not waiting:
        return
    if not store.write:
        raise _cannot_write(store)
    store.note_run(started=now(), versions=json.dumps(versions()), clock_suspect=clock_is_suspect())
    jobs = [PhotoJob(name=plan.photo, request=plan.request) for plan in waiting.values()]
    with contextlib.closing(means.run(jobs)) as results, _bar(len(jobs), progress) as step:
        for done in results:
            plan = waiting[done.name]
            if done.packed is None:
                plan.error = done.error
            else:
                plan.stored = store.put(plan.photo, done.packed, recipe=plan.recipe)
            step()
    store.remove_orphans()
    store.back_up()


@contextlib.contextmanager
def _bar(total: int, progress: bool | Progress) -> Iterator[Callable[[], None]]:
    if callable(progress):
        count = iter(range(1, total + 1))
        yield lambda: progress(next(count), total)
        return
    if not progress or not total:
        yield lambda: None
        return
    from tqdm import tqdm

    with tqdm(total=total, unit="photo", delay=_BAR_AFTER_S, disable=None, leave=False) as bar:
        yield lambda: bar.update() and None


def _row_results(plan: Plan, study: Study) -> Iterator[RowResult]:
    """What became of each row of a photo."""
    treatments = study.treatments
    for row in plan.withheld:
        yield RowResult(row=row, treatment=treatments.get(row.hair, ""), error=_no_consent(row))
    if plan.stored is None:
        error = plan.error or HairtoneError(
            "not-measured", "It was not measured.", where=plan.photo, remedy="Run again."
        )
        for row in plan.rows:
            yield RowResult(row=row, treatment=treatments.get(row.hair, ""), error=error)
        return
    record = json.loads(plan.stored.record)
    hairs = {hair["place"]: hair for hair in record["hairs"]}
    flags = (*map(flag_from, record["result"]["flags"]), *plan.flags)
    for row in plan.rows:
        hair = hairs.get(row.place, {})
        kept = hair.get("error") if hair else record["result"]["error"]
        error_found = error_from(kept, plan.photo)
        yield RowResult(
            row=row,
            treatment=treatments.get(row.hair, ""),
            sha256=plan.stored.sha256,
            flags=flags + tuple(map(flag_from, hair.get("flags", ()))),
            error=error_found,
            hair={} if error_found else hair,
            photo=record["result"],
            draws=plan.stored.draws,
            reading=record.get("reading", {}),
        )


def _no_consent(row: SheetRow) -> HairtoneError:
    return HairtoneError(
        "consent-withheld",
        f"The consent of subject {row.subject} leaves out measuring.",
        where=row.photo,
        remedy="Take the photo out of the sheet, or record the consent in study.toml.",
    )
