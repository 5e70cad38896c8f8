"""Pools: photos of a study by one camera, whose calibration errors are in part one error.

A second pass over the stored chart readings. Nothing of a photo's own result changes; a pool says
how far draws of its photos go together row by row, so that what is common to two photos drops out
of their difference. It depends on the set of photos and readings alone: not on their order, the
time, or how many processes measured them. Notes say which pools there are, which photos are left
out, and which tables are stale.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone.colorimetry import Floats
from hairtone.errors import Flag
from hairtone.measures.zones import drift_of, group_alike, share_alike
from hairtone.reference import read_limits
from hairtone.result import rounded
from hairtone.study.files import write_atomically
from hairtone.study.records import RowResult

# Correlation with the mean pattern of a pool that a photo needs to join it; our choice. Photos of
# one simulated camera reach it nine times in ten or more; a camera without a name must be known by
# its pattern, which one pair of simulated cameras in 20 comes near to.
LEAST: Final = {True: 0.6, False: 0.8}  # by whether the camera wrote its name
VERSION: Final = 1  # of how photos are pooled; another number, other names
NAME_LENGTH: Final = 12  # hex digits: two pools of one name in 10^7 studies of 10^3 pools
POOLS: Final = "pools.json"  # beside the tables: the pools that they were written with
_NAMED: Final = 3  # photos that a note names; our choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How one session's photos read the chart against all of their pool.

    Attributes
    ----------
    session : str
        As the sheet names it; empty where it names none.
    photos : int
        Photos of the pool taken in it.
    delta_e : float
        Mean over the patches of how far they are misread otherwise. [ΔE00]
    largest : float
        That of the patch that is off most. [ΔE00]
    patch : int
        Which one, from 1.
    """

    session: str
    photos: int
    delta_e: float
    largest: float
    patch: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Photos of one camera that misread the chart alike.

    Attributes
    ----------
    name : str
        Twelve hex digits of a hash of the photos and their chart readings.
    photos : tuple of str
        SHA-256 of each photo, sorted.
    alike : float
        Share of the charts' misreadings that they have in common, 0..1.
    drifts : tuple of Drift
        One a session, by name.
    """

    name: str
    photos: tuple[str, ...]
    alike: float
    drifts: tuple[Drift, ...] = ()

    def rows(self, photo: str, *, draws: int) -> NDArray[np.int64]:
        """Order of a photo's draws in which row k of all photos of the pool goes together.

        As large a share of the rows as the charts are misread alike is in one order for all; the
        rest is in an order of the photo's own. The draws of the photo stay the same ones.

        Parameters
        ----------
        photo : str
            Its SHA-256.
        draws : int
            How many there are.
        """
        order = np.random.default_rng(int(self.name, 16)).permutation(draws)
        own = order[round(self.alike * draws) :]
        order[len(order) - len(own) :] = np.random.default_rng(int(photo[:16], 16)).permutation(own)
        return order

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "name": self.name,
            "photos": list(self.photos),
            "alike": round(self.alike, 4),
            "drift": [
                {
                    "session": drift.session,
                    "photos": drift.photos,
                    "delta_e": rounded(drift.delta_e, 3),
                    "largest": rounded(drift.largest, 3),
                    "patch": drift.patch,
                }
                for drift in self.drifts
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chart:
    """One photo's reading on its way into a pool."""

    sha256: str
    session: str
    kind: tuple[str, ...]
    missed: Floats
    told: str


def pools_of(rows: Iterable[RowResult]) -> tuple[Pool, ...]:
    """The pools of a measured study, by name; a photo that goes with no other is in none.

    Two cameras are never pooled: photos whose cameras are named differently, or that misread the
    chart otherwise, go apart. Photos stored without a chart reading are left out.

    Parameters
    ----------
    rows : iterable of RowResult
        Rows of the sheet after measuring.
    """
    charts = {row.sha256: _chart(row) for row in rows if row.error is None and row.reading}
    kinds: dict[tuple[str, ...], list[_Chart]] = {}
    for _, chart in sorted(charts.items()):
        kinds.setdefault(chart.kind, []).append(chart)
    found = []
    for kind, members in kinds.items():
        missed = np.stack([chart.missed for chart in members])
        groups = group_alike(missed, least=LEAST[bool(kind[0])])
        for group in range(int(groups.max()) + 1):
            inside = groups == group
            if inside.sum() > 1:
                chosen = [chart for chart, is_in in zip(members, inside, strict=True) if is_in]
                found.append(_pool(chosen, missed[inside]))
    return tuple(sorted(found, key=lambda pool: pool.name))


def unpooled(rows: Iterable[RowResult], pools: tuple[Pool, ...]) -> tuple[str, ...]:
    """Photos that were measured and are in no pool, in the order of the sheet."""
    inside = {photo for pool in pools for photo in pool.photos}
    out = (r.row.photo for r in rows if r.error is None and r.sha256 not in inside)
    return tuple(dict.fromkeys(out))


def _chart(row: RowResult) -> _Chart:
    reading = row.reading
    missed = np.array(reading["missed"], np.float64)  # None becomes NaN
    return _Chart(
        sha256=row.sha256,
        session=row.row.session,
        kind=(
            str(row.photo.get("camera", "")),
            "linear" if reading["is_linear"] else "encoded",
            str(row.photo["chart"]["reference"]),
        ),
        missed=missed,
        told=json.dumps([row.sha256, reading], sort_keys=True),
    )


def _pool(charts: list[_Chart], missed: Floats) -> Pool:
    told = "\n".join([f"pool {VERSION}", *(chart.told for chart in charts)])
    names, sessions = np.unique([chart.session for chart in charts], return_inverse=True)
    off = drift_of(missed, np.asarray(sessions, np.int64))
    return Pool(
        name=hashlib.sha256(told.encode()).hexdigest()[:NAME_LENGTH],
        photos=tuple(chart.sha256 for chart in charts),
        alike=share_alike(missed),
        drifts=tuple(
            Drift(
                session=str(name),
                photos=int((sessions == at).sum()),
                delta_e=float(np.nanmean(off[at])),
                largest=float(np.nanmax(off[at])),
                patch=int(np.nanargmax(off[at])) + 1,
            )
            for at, name in enumerate(names)
        ),
    )


def write_pools(pools: tuple[Pool, ...], folder: Path) -> Path:
    """Keep beside the tables which pools they were written with, so that stale ones are known.

    Raises
    ------
    StoreError
        The folder cannot be written to.
    """
    path = folder / POOLS
    write_atomically(path, json.dumps([pool.to_dict() for pool in pools], indent=1) + "\n")
    return path


def drift_flags(pools: tuple[Pool, ...]) -> tuple[Flag, ...]:
    """Sessions whose charts are read far otherwise than those of their pool; no number changes."""
    limit = read_limits("calibration")["flag_drift"]
    return tuple(
        Flag(
            code="chart-drift",
            says=f"The {drift.photos} photos of session {drift.session or '(not named)'} read the "
            f"chart {drift.delta_e:.1f} ΔE₀₀ otherwise than the {len(pool.photos)} photos of pool "
            f"{pool.name} on average (told above {limit:g}; patch {drift.patch} by "
            f"{drift.largest:.1f}).",
            remedy="Look for another lamp, another picture mode or a soiled chart in it.",
        )
        for pool in pools
        if len(pool.drifts) > 1
        for drift in pool.drifts
        if drift.delta_e > limit
    )


def pool_notes(folder: Path, rows: Iterable[RowResult], pools: tuple[Pool, ...]) -> tuple[str, ...]:
    """What a person should know about the pools of a study.

    Parameters
    ----------
    folder : Path
        The study's ``results`` folder.
    rows : iterable of RowResult
        Rows of the sheet after measuring.
    pools : tuple of Pool
        From `pools_of`.
    """
    rows = tuple(rows)
    notes = [
        f"Pool {pool.name}: {len(pool.photos)} photos by one camera misread the chart alike "
        f"({pool.alike:.0%}); what they have in common drops out of the changes between them"
        for pool in pools
    ]
    apart = [photo for photo in unpooled(rows, pools) if pools]
    kept = {row.row.photo for row in rows if row.reading}
    old = [r.row.photo for r in rows if r.error is None and r.photo.get("chart") and not r.reading]
    alone = [photo for photo in apart if photo in kept]
    if alone:
        notes.append(
            f"{_listed(alone)} in no pool: another camera, or a look of the picture that no other "
            f"photo has; changes to and from such a photo carry its whole uncertainty"
        )
    if old:
        notes.append(
            f"{_listed(list(dict.fromkeys(old)))} in no pool: no chart reading is kept of it; put "
            f"the photo back and measure again"
        )
    return (*notes, *_stale(folder, pools))


def _stale(folder: Path, pools: tuple[Pool, ...]) -> tuple[str, ...]:
    """Whether tables lie in the folder that were written with other pools."""
    try:
        told = json.loads((folder / POOLS).read_text(encoding="utf-8"))
        before = {str(pool["name"]): set(map(str, pool["photos"])) for pool in told}
    except (OSError, ValueError, KeyError, TypeError):
        return ()  # no tables yet, or not ours to judge
    now = {pool.name: set(pool.photos) for pool in pools}
    if before.keys() == now.keys():
        return ()
    were: set[str] = set().union(*before.values())
    are: set[str] = set().union(*now.values())
    old, new = (" ".join(sorted(names)) or "none" for names in (before, now))
    came, went = len(are - were), len(were - are)
    why = f"{came} photos came, {went} went" if came or went else "they were measured anew"
    return (
        f"The tables and the report are stale: they were written with pool {old}, the photos now "
        f"make {new} ({why}): write the report again",
    )


def _listed(photos: list[str]) -> str:
    named = ", ".join(photos[:_NAMED])
    more = len(photos) - _NAMED
    return f"{named}{f' and {more} more' if more > 0 else ''} {'is' if len(photos) == 1 else 'are'}"
