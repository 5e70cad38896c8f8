"""What is said of a study's pools: which there are, who is left out, and tables that are stale."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from hairtone.errors import Flag
from hairtone.reference import read_limits
from hairtone.study.files import write_atomically
from hairtone.study.outcome import RowResult
from hairtone.study.pools import Pool, unpooled

POOLS: Final = "pools.json"  # beside the tables: the pools that they were written with
_NAMED: Final = 3  # photos that a note names; our choice


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
