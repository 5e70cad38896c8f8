"""Doubts about where and when results are kept: clock, network folders, copies beside the store."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Final

from hairtone.study.store import BACKUP, STORE

_EARLIEST: Final = dt.date(2026, 1, 1)  # before this program was written
_LATEST: Final = dt.date(2037, 12, 31)  # a 32-bit clock ends on 2038-01-19
_NETWORK: Final = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "afs"})


def now() -> str:
    """Date and time with zone, for the record only; nothing is ordered by it."""
    return dt.datetime.now().astimezone().isoformat(timespec="seconds")


def clock_is_suspect(today: dt.date | None = None) -> bool:
    """Whether the clock shows a date that cannot be."""
    return not _EARLIEST <= (today or dt.date.today()) <= _LATEST


def store_notes(folder: Path) -> tuple[str, ...]:
    """What a person should know about the place results are kept in."""
    notes = []
    if clock_is_suspect():
        notes.append(
            f"The clock of this computer shows {dt.date.today()}: dates of this run are not to "
            f"be relied on"
        )
    copies = stray_copies(folder)
    if copies:
        notes.append(
            f"{', '.join(copies)} beside {STORE} looks like a copy made by a sync service; it is "
            f"not read"
        )
    kind = file_system(folder)
    if kind in _NETWORK:
        notes.append(
            f"The study lies on a network folder ({kind}): let one computer at a time measure it"
        )
    return tuple(notes)


def stray_copies(folder: Path) -> tuple[str, ...]:
    """Stores beside the store that hairtone did not write."""
    return tuple(
        sorted(
            path.name
            for path in folder.glob("*.sqlite*")
            if path.name not in (STORE, BACKUP, f"{STORE}-journal")
            and not path.name.startswith("results-schema")
        )
    )


def file_system(folder: Path, mounts: Path = Path("/proc/mounts")) -> str:
    """Kind of file system a folder lies on, where the system tells (Linux); else empty."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    best = ("", "")
    for line in lines:
        parts = line.split(" ")
        if len(parts) < 3:
            continue
        point = parts[1].replace("\\040", " ")
        if folder.resolve().is_relative_to(point) and len(point) >= len(best[0]):
            best = (point, parts[2])
    return best[1]
