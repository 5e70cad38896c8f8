"""Pools: photos of a study by one camera, and the one posterior that all draws are rows of.

A second pass over the stored chart readings. Nothing of a photo's own result changes; a pool says
how far draws of its photos go together row by row, so that what is common to two photos drops out
of their difference. It depends on the set of photos and readings alone: not on their order, the
time, or how many processes measured them. Notes say which pools there are, which photos are left
out, and which tables are stale.

Row k of all draws is one world [ours]. Its errors have three parts, none of which moves a point:

* what the chart tells of camera, lamp and rendering. The draws take the same numbers in every
  photo, each photo's chart bending them its own way; as large a share of them as the charts of a
  pool err in the same way is in one order for all its photos, more in those of one session, and the
  rest in an order of the photo's own (`world_draws`);
* the hair: which spectrum lies behind its colour, of all that the camera reads alike. It is the
  same in all photos of a hair whichever camera took them, so it is one field over colour for each
  hair, wide enough to hold a fade from end to end;
* what a photo has for itself, which its own draws carry already.

What became of a study: every row of its sheet measured, flagged or refused.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from hairtone import __version__
from hairtone.calibration.field import (
    COSINES,
    LAW,
    SCATTER_PART,
    HairSpread,
    SmoothField,
    field_of,
    photo_field,
)
from hairtone.colorimetry import Floats, Viewing, viewing_named
from hairtone.errors import Flag, HairtoneError
from hairtone.hair.types import Profile
from hairtone.locations import read_limits
from hairtone.measures.zones import drift_of, group_alike, share_alike, share_within
from hairtone.result import SCHEMA, error_dict, flag_dict, joint_error, rounded
from hairtone.study.files import write_atomically
from hairtone.study.records import RowResult, unpack_profile
from hairtone.study.sheet import Study
from hairtone.study.store import read_draws
from hairtone.uncertainty import DRAWS

# Correlation with the mean pattern of a pool that a photo needs to join it; our choice. Photos of
# one simulated camera reach it nine times in ten or more; a camera without a name must be known by
# its pattern, which one pair of simulated cameras in 20 comes near to.
LEAST: Final = {True: 0.6, False: 0.8}  # by whether the camera wrote its name
# Of a pool's shared error, by how far its charts err alike: hair is none of the patches. By
# changes in simulated series (seeds from 700 000): 0.95 is likeliest over all kinds, 0.9 holds for
# photos taken with ordinary care, too
CHART: Final = 0.9
# L*a*b* over which the spectrum behind one hair's colour stays alike: that of a fade is one dye at
# other strengths. By simulated fades under exactly known cameras: at 20, 30 and 40 from wash 0 the
# whitened error still agrees to 0.94 and more
HAIR_LENGTH: Final = 40.0
BASE: Final = 0.5  # of that error, what hair has in common before and after; likewise, 0.3 to 1
ANY_CAMERA: Final = 0.4  # of that error, what two cameras have in common; likewise, 0.39
SAME_DYE: Final = 0.5  # of that error, what two hairs of one dye have in common; our choice
DIRECTIONS: Final = 9  # that readings may tie down: three colours' worth; our choice
VERSION: Final = 2  # of how photos are pooled; another number, other names
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
        Mean over the patches of how differently they read. [ΔE00]
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
    """Photos of one camera whose readings of the chart err in the same way.

    Attributes
    ----------
    name : str
        Twelve hex digits of a hash of the photos and their chart readings.
    photos : tuple of str
        SHA-256 of each photo, sorted.
    alike : float
        Share of the charts' errors that they have in common, 0..1.
    within : float
        The same of photos of one session, at least `alike`.
    drifts : tuple of Drift
        One a session, by name.
    """

    name: str
    photos: tuple[str, ...]
    alike: float
    within: float = 0.0
    drifts: tuple[Drift, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "name": self.name,
            "photos": list(self.photos),
            "alike": round(self.alike, 4),
            "within": round(max(self.alike, self.within), 4),
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
    identity: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One hair in one photo, as far as its errors go together with those of others.

    Attributes
    ----------
    photo : str
        SHA-256 of the photo.
    pool : Pool or None
        The photo's pool.
    session : str
        As the sheet names it.
    hair : str
        Name of the hair's subject: all its sections are of one base and one dye.
    dye : str
        Name of what was put on it; empty where that is not known.
    is_before : bool
        Before colouring.
    """

    photo: str
    pool: Pool | None
    session: str
    hair: str
    dye: str = ""
    is_before: bool = False


def world_draws(away: Floats, spread: HairSpread | None, shot: Shot) -> Floats:
    """A photo's draws about its answer, row k being the world of row k of all others; (K, n, 3).

    The law of one photo's draws stays what it was, but for near colours of one hair, which share
    their spectrum further than a photo by itself takes for granted.

    Parameters
    ----------
    away : ndarray, shape (K, n, 3)
        The draws as they were measured, less the answer. [Lab units]
    spread : HairSpread or None
        What of them is the hair's.
    shot : Shot
        Which photo and which hair.
    """
    if spread is None:
        return _mixed(away, shot)
    mixed = _mixed(away - spread.draws(photo_field(len(away))), shot)
    camera = shot.pool.name if shot.pool else shot.photo
    field = _hair_field(shot.hair, shot.dye, camera, is_before=shot.is_before, draws=len(away))
    return mixed + spread.draws(field)


def _mixed(away: Floats, shot: Shot) -> Floats:
    """Rows in the order of the pool, of the session and of the photo, by their shares."""
    own = row_order(shot.photo, len(away))
    if shot.pool is None:
        return away[own]
    alike = CHART * shot.pool.alike
    within = max(alike, CHART * shot.pool.within)
    mixed = np.sqrt(alike) * away[row_order(shot.pool.name, len(away))]
    mixed += np.sqrt(1 - within) * away[own]
    if within > alike:
        together = row_order(f"{shot.pool.name}\x1f{shot.session}", len(away))
        mixed += np.sqrt(within - alike) * away[together]
    return mixed


@lru_cache(maxsize=64)
def row_order(name: str, draws: int) -> NDArray[np.int64]:
    """The order of draws that belongs to a name, such as a photo's SHA-256, shape (draws,)."""
    return np.random.default_rng(_seed(name)).permutation(draws)


def _seed(name: str) -> int:
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "little")


@lru_cache(maxsize=8)
def _hair_field(hair: str, dye: str, camera: str, *, is_before: bool, draws: int) -> SmoothField:
    """The field of one hair as one camera sees it."""
    parts = [(hair, 1.0)]
    if dye:
        parts = [(hair, 1 - SAME_DYE), (f"dye\x1f{dye}", SAME_DYE)]
    if is_before:
        parts = [(name, BASE * share) for name, share in parts]
        parts.append((f"base\x1f{hair}", 1 - BASE))
    amounts = sum(
        np.sqrt(share * part) * _numbers(f"{name}{of}", draws)
        for name, share in parts
        for of, part in (("", ANY_CAMERA), (f"\x1f{camera}", 1 - ANY_CAMERA))
    )
    return field_of(np.asarray(amounts), length=HAIR_LENGTH, part=SCATTER_PART)


@lru_cache(maxsize=16)
def _numbers(name: str, draws: int) -> NDArray[np.float32]:
    return np.random.default_rng(_seed(name)).standard_normal((COSINES, draws, 3), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tie:
    """What readings by an instrument tell of all rows of the posterior.

    Attributes
    ----------
    weights : ndarray, shape (K,)
        Share of each row in what all colours move by.
    along, kept : ndarray, shape (K, c) and (c,)
        Directions among the rows that the readings tell of, and how much of each is left.
    pools, hairs : frozenset of str
        Names of pools and subjects that were read; others stay as they are.
    flags : tuple of Flag
        Which readings were used or left out, and what they moved.
    """

    weights: Floats
    along: Floats
    kept: Floats
    pools: frozenset[str]
    hairs: frozenset[str]
    flags: tuple[Flag, ...] = ()

    @classmethod
    def none(cls, flags: tuple[Flag, ...]) -> Tie:
        """What readings tie down of which none could be used."""
        nothing = np.zeros((DRAWS, 0))
        empty = frozenset[str]()
        return cls(
            weights=np.zeros(DRAWS), along=nothing, kept=np.ones(0), pools=empty, hairs=empty,
            flags=flags,
        )  # fmt: skip

    def reaches(self, shot: Shot) -> bool:
        """Whether a photo's colours are tied: by its camera, or by its hair."""
        return shot.hair in self.hairs or bool(shot.pool and shot.pool.name in self.pools)

    def applied(self, away: Floats, shot: Shot) -> tuple[Floats, Floats]:
        """What colours move by, shape (n, 3), and their rows about the new answer, (K, n, 3)."""
        if not self.reaches(shot):
            return np.zeros(away.shape[1:]), away
        rows = away.reshape(len(away), -1)
        known = self.along @ ((1 - self.kept)[:, None] * (self.along.T @ rows))
        return (self.weights @ rows).reshape(away.shape[1:]), (rows - known).reshape(away.shape)


def tie_down(away: Floats, noise: Floats, gap: Floats) -> tuple[Floats, Floats, Floats]:
    """How readings tie the posterior down: weights, directions and what is left of each.

    The square-root form of updating an ensemble [1]_. Few directions are kept, those that the
    readings tell most of: each tells of colours that it has nothing to do with by chance, to one
    part in as many as there are rows.

    Parameters
    ----------
    away : ndarray, shape (K, p)
        Rows at what was read, less the answer.
    noise : ndarray, shape (p, p)
        Covariance of the readings about the truth, and of what the answers have for themselves.
    gap : ndarray, shape (p,)
        Readings less the answer.

    References
    ----------
    .. [1] C. H. Bishop, B. J. Etherton, S. J. Majumdar, Mon. Weather Rev. 129 (2001) 420-436.
       From memory.
    """
    count = len(away)
    root = np.linalg.cholesky(noise)
    scaled = np.linalg.solve(root, away.T).T / np.sqrt(count)
    along, size, back = np.linalg.svd(scaled, full_matrices=False)
    along, size, back = along[:, :DIRECTIONS], size[:DIRECTIONS], back[:DIRECTIONS]
    weights = along @ (size / (1 + size**2) * (back @ np.linalg.solve(root, gap)))
    return weights / np.sqrt(count), along, 1 / np.sqrt(1 + size**2)


def pools_of(rows: Iterable[RowResult]) -> tuple[Pool, ...]:
    """Return the pools of a measured study by name; a photo that fits no other is in none.

    Two cameras are never pooled: photos whose cameras are named differently, or whose charts
    err in other ways, go apart. Photos stored without a chart reading, or with draws of another
    law, are left out.

    Parameters
    ----------
    rows : iterable of RowResult
        Rows of the sheet after measuring.
    """
    charts = {row.sha256: _chart(row) for row in rows if row.error is None and has_law(row)}
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


def has_law(row: RowResult) -> bool:
    """Whether a photo's stored draws go together with those of others."""
    return bool(row.reading) and row.reading.get("law") == LAW


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
        identity=json.dumps([row.sha256, reading], sort_keys=True),
    )


def _pool(charts: list[_Chart], missed: Floats) -> Pool:
    identity = "\n".join([f"pool {VERSION}", *(chart.identity for chart in charts)])
    names, sessions = np.unique([chart.session for chart in charts], return_inverse=True)
    off = drift_of(missed, np.asarray(sessions, np.int64))
    return Pool(
        name=hashlib.sha256(identity.encode()).hexdigest()[:NAME_LENGTH],
        photos=tuple(chart.sha256 for chart in charts),
        alike=(alike := share_alike(missed)),
        within=max(alike, share_within(missed, np.asarray(sessions, np.int64)) or alike),
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
    """Return a flag for each session that reads the chart differently; no number changes."""
    limit = read_limits("calibration")["flag_drift"]
    return tuple(
        Flag(
            code="chart-drift",
            says=f"The {drift.photos} photos of session {drift.session or '(not named)'} differ "
            f"by {drift.delta_e:.1f} ΔE₀₀ in their chart from the {len(pool.photos)} photos of "
            f"pool {pool.name} (flagged above {limit:g}; patch {drift.patch} by "
            f"{drift.largest:.1f}).",
            remedy="Look for another lamp, another picture mode or a soiled chart in it.",
        )
        for pool in pools
        if len(pool.drifts) > 1
        for drift in pool.drifts
        if drift.delta_e > limit
    )


def pool_notes(folder: Path, rows: Iterable[RowResult], pools: tuple[Pool, ...]) -> tuple[str, ...]:
    """Return what a person should know about the pools of a study.

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
        f"Pool {pool.name}: {len(pool.photos)} photos come from one camera set-up "
        f"(their errors agree to {pool.alike:.0%}), so changes between them are measured more "
        f"exactly"
        for pool in pools
    ]
    apart = [photo for photo in unpooled(rows, pools) if pools]
    kept = {row.row.photo for row in rows if has_law(row)}
    old = [
        row.row.photo
        for row in rows
        if row.error is None and row.photo.get("chart") and not has_law(row)
    ]
    alone = [photo for photo in apart if photo in kept]
    if alone:
        notes.append(
            f"{_listed(alone)} in no pool: another camera, or a look of the picture that no other "
            f"photo has; changes to and from such a photo carry its whole uncertainty"
        )
    if old:
        notes.append(
            f"{_listed(list(dict.fromkeys(old)))} in no pool: an older version measured it and "
            f"kept too little for that; put the photo back and measure again"
        )
    return (*notes, *_stale(folder, pools))


def _stale(folder: Path, pools: tuple[Pool, ...]) -> tuple[str, ...]:
    """Whether tables lie in the folder that were written with other pools."""
    try:
        stored = json.loads((folder / POOLS).read_text(encoding="utf-8"))
        before = {str(pool["name"]): set(map(str, pool["photos"])) for pool in stored}
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


@dataclass(frozen=True, kw_only=True, eq=False)
class StudyResult:
    """A study after measuring.

    Attributes
    ----------
    study : Study
        What was asked for.
    rows : tuple of RowResult
        One per row of the sheet, in its order.
    notes : tuple of str
        What a person should know about the run and the store.
    pools : tuple of Pool
        Photos of one camera, whose calibration errors are in part one.
    """

    study: Study
    rows: tuple[RowResult, ...]
    notes: tuple[str, ...] = ()
    pools: tuple[Pool, ...] = ()

    @cached_property
    def pool_of(self) -> dict[str, Pool]:
        """The pool of each photo that is in one, by SHA-256."""
        return {photo: pool for pool in self.pools for photo in pool.photos}

    @property
    def viewing(self) -> Viewing:
        """Illuminant and observer of every L*a*b*."""
        return viewing_named(self.study.settings.viewing)

    @property
    def counts(self) -> dict[str, int]:
        """Rows measured, flagged and refused; they add up to the rows of the sheet."""
        counts = {"measured": 0, "flagged": 0, "refused": 0}
        for row in self.rows:
            counts[row.status] += 1
        return counts

    def refusals(self) -> Iterator[tuple[HairtoneError, str]]:
        """Each error with the photo it is about; one that all rows of a photo share, once."""
        seen = set()
        for row in self.rows:
            if row.error is not None:
                key = (row.row.photo, row.error.code, row.error.says)
                if key not in seen:
                    seen.add(key)
                    yield row.error, row.row.photo

    def profile(self, row: RowResult) -> Profile:
        """The profile of a row that was not refused, read from the store.

        Raises
        ------
        StoreError
            The stored draws are missing or damaged.
        """
        arrays = read_draws(self.study.folder / "results", row.draws)
        return unpack_profile(arrays, row.row.place, viewing=self.viewing.name)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, keys as the contract fixes them; ``row`` holds the sheet's fields."""
        photos: dict[str, list[RowResult]] = {}
        for row in self.rows:
            photos.setdefault(row.row.photo, []).append(row)
        return {
            "hairtone": __version__,
            "schema": SCHEMA,
            "viewing": self.viewing.name,
            "counts": self.counts,
            "notes": list(self.notes),
            "pools": [pool.to_dict() for pool in self.pools],
            "photos": [_photo_dict(photo, rows) for photo, rows in photos.items()],
        }

    def to_json(self) -> str:
        """`to_dict` as text."""
        return json.dumps(self.to_dict(), ensure_ascii=False, indent=1, allow_nan=False)

    def _repr_html_(self) -> str:
        from html import escape

        counts = ", ".join(f"{number} {word}" for word, number in self.counts.items())
        said = "".join(
            f"<li>{escape(photo)}: {escape(str(error.says))} {escape(error.remedy)}</li>"
            for error, photo in self.refusals()
        )
        return f"<p>{len(self.rows)} rows: {counts}</p><ul>{said}</ul>"


def _photo_dict(photo: str, rows: list[RowResult]) -> dict[str, Any]:
    statuses = [row.status for row in rows]
    status = "refused" if set(statuses) == {"refused"} else "measured"
    if status == "measured" and set(statuses) != {"measured"}:
        status = "flagged"
    stored = next((row.photo for row in rows if row.photo), {})
    own = [flag for flag in rows[0].flags if all(flag in row.flags for row in rows)]
    errors = [(str(row.row.place), row.error) for row in rows if row.error is not None]
    error = joint_error(errors) if status == "refused" else None
    return {
        "photo": photo,
        "sha256": rows[0].sha256,
        "status": status,
        "flags": [flag_dict(flag) for flag in own],
        "error": error_dict(error),
        "chart": None if status == "refused" else stored.get("chart"),
        "tresses": [] if status == "refused" else [_tress_dict(row) for row in rows],
    }


def _tress_dict(row: RowResult) -> dict[str, Any]:
    empty = {
        "name": str(row.row.place), "place": row.row.place, "line": None, "zones": {},
        "tenths": [], "tenths_u95": [], "evenness": None,
    }  # fmt: skip
    return {
        **(row.hair.get("tress") or empty),
        "status": row.status,
        "flags": [flag_dict(flag) for flag in row.flags],
        "error": error_dict(row.error),
        "row": row.row.to_dict(),
    }
