"""Every photo of a study measured once, kept, and taken up again where a run was cut short."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Callable, Iterator
from typing import Any, Final

from hairtone.errors import Flag, HairtoneError, PhotoError, StoreError
from hairtone.pipeline import measure_photo
from hairtone.request import PhotoRequest
from hairtone.result import PhotoResult
from hairtone.study.checks import refuse_same_picture, with_series_flags
from hairtone.study.files import sha256_of
from hairtone.study.outcome import RowResult, StudyResult
from hairtone.study.pack import error_from, flag_from
from hairtone.study.places import clock_is_suspect, now, store_notes
from hairtone.study.plan import Plan, photo_requests, plan_photos, unreadable
from hairtone.study.pool_notes import pool_notes
from hairtone.study.pools import pools_of
from hairtone.study.recipe import versions
from hairtone.study.rows import SheetRow
from hairtone.study.sheet import Study
from hairtone.study.stopping import StudyStopped, stopping
from hairtone.study.store import Store
from hairtone.study.supervisor import Job, Limits, Supervisor

__all__ = ["Measure", "StudyResult", "StudyStopped", "measure_study", "photo_requests"]

Measure = Callable[[PhotoRequest], PhotoResult]
Progress = Callable[[int, int], None]
_BAR_AFTER_S: Final = 2.0  # no bar for what is over before one looks; our choice


def measure_study(
    study: Study,
    *,
    workers: int = 1,
    progress: bool | Progress = True,
    cluster: str | None = None,
    measure: Measure = measure_photo,
    limits: Limits | None = None,
) -> StudyResult:
    """Every row of a study's sheet, measured, flagged or refused; the three add up.

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
        _look_up(plans, store)
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


def _look_up(plans: list[Plan], store: Store) -> None:
    """Take stored results that still hold; refuse photos whose bytes have changed."""
    registered = store.registered()
    for plan in plans:
        stored = store.get(plan.photo) if plan.rows else None
        usable = stored if stored and stored.recipe == plan.recipe else None
        if plan.request is None:
            if plan.error is not None and plan.error.code == "not-found" and usable:
                plan.stored, plan.error = usable, None
                plan.flags = (_source_missing(plan.photo),)
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


def _source_missing(photo: str) -> Flag:
    return Flag(
        code="source-missing",
        says=f"{photo} is no longer in the study; its stored result is shown.",
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
    from hairtone.study.cluster import Cluster

    return Cluster(measure, address=cluster, folder=study.folder)


def _measure_rest(plans: list[Plan], store: Store, means: Any, progress: bool | Progress) -> None:
    """Measure what is not stored yet, and keep one photo after another as they are ready."""
    waiting = {p.photo: p for p in plans if p.request and not p.stored and not p.error}
    if not waiting:
        return
    if not store.write:
        raise _cannot_write(store)
    store.note_run(started=now(), versions=json.dumps(versions()), clock_suspect=clock_is_suspect())
    jobs = [Job(name=plan.photo, request=plan.request) for plan in waiting.values()]
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
        told = hair.get("error") if hair else record["result"]["error"]
        error_found = error_from(told, plan.photo)
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
