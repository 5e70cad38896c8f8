"""The store of a study: one SQLite file and one file of draws for each photo, locked while written.

What makes the store's place or time doubtful (clock, network folders, copies beside it) is said.

References
----------
.. [1] SQLite documentation: PRAGMA synchronous, PRAGMA journal_mode, Online backup.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import os
import socket
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final

from filelock import FileLock, Timeout

from hairtone.errors import StoreError
from hairtone.study.files import remove_parts, storage_error, write_atomically
from hairtone.study.records import Packed

_PAUSE_S: Final = 0.2  # between two tries; our choice
NAMELESS: Final = "its name is not known"
LOCK: Final = "writer.lock"
SCHEMA: Final = 1
STORE: Final = "results.sqlite"
BACKUP: Final = "results-backup.sqlite"
DRAWS: Final = "draws"
_BUSY_S: Final = 30.0  # longest wait for a reader's lock; our choice
_APPLICATION: Final = 0x68743031  # "ht01": tells the file from any other SQLite file
_TABLES: Final = """
CREATE TABLE photos (
  photo TEXT PRIMARY KEY, sequence INTEGER NOT NULL UNIQUE, sha256 TEXT NOT NULL,
  recipe TEXT NOT NULL, status TEXT NOT NULL CHECK (status IN ('measured','flagged','refused')),
  record TEXT NOT NULL CHECK (json_valid(record)), draws TEXT NOT NULL, checksum TEXT NOT NULL
) STRICT;
CREATE TABLE registered (photo TEXT PRIMARY KEY, sha256 TEXT NOT NULL, checksum TEXT NOT NULL
) STRICT;
CREATE TABLE runs (sequence INTEGER PRIMARY KEY, started TEXT NOT NULL, versions TEXT NOT NULL,
  clock_suspect INTEGER NOT NULL) STRICT;
"""
# schema n -> what brings a store of schema n to n + 1
MIGRATIONS: Final[dict[int, Callable[[sqlite3.Connection], None]]] = {}
_EARLIEST: Final = dt.date(2026, 1, 1)  # before this program was written
_LATEST: Final = dt.date(2037, 12, 31)  # a 32-bit clock ends on 2038-01-19
_NETWORK: Final = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "fuse.sshfs", "afs"})


class WriterLock:
    """A study's writer lock, as a context; the system drops it when its process ends.

    Parameters
    ----------
    path : Path
        The lock file. What it holds is for people: who has the lock.
    wait_s : float, optional
        How long to wait for another writer. [s]

    Raises
    ------
    StoreError
        On entering: another process is writing, or the folder cannot be written to.
    """

    def __init__(self, path: Path, *, wait_s: float = 0.0) -> None:
        self._path = path
        self._lock = FileLock(path, timeout=wait_s, poll_interval=_PAUSE_S, mode=0o644)

    @property
    def _signature(self) -> Path:
        return self._path.with_suffix(".holder")

    def __enter__(self) -> WriterLock:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
        except Timeout:
            raise StoreError(
                "store-locked",
                f"Another run is writing to this study ({_holder(self._signature)}).",
                where=self._path.parent.name,
                remedy="Wait until it has ended, or stop it, and run the command again.",
            ) from None
        except OSError as error:
            raise storage_error(error, self._path) from error
        self._sign()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with contextlib.suppress(OSError):  # the text is only for people
            self._signature.unlink(missing_ok=True)
        self._lock.release()

    def _sign(self) -> None:
        """Write down who holds the lock, for the message of a second run."""
        now = dt.datetime.now().astimezone().isoformat(timespec="seconds")
        text = f"host {socket.gethostname()}, process {os.getpid()}, since {now}"
        try:
            self._signature.write_text(text, encoding="utf-8")
        except OSError as error:
            self._lock.release()
            raise storage_error(error, self._path, needed=len(text)) from error


def _holder(signature: Path) -> str:
    try:
        return signature.read_text(encoding="utf-8", errors="replace")[:300] or NAMELESS
    except OSError:
        return NAMELESS


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A photo's result as the store keeps it; `draws` names the file of its profiles."""

    photo: str
    sha256: str
    recipe: str
    status: str
    record: str
    draws: str


class Store:
    """A study's results, open for one writer or for reading.

    Parameters
    ----------
    folder : Path
        The study's ``results`` folder.
    write : bool
        Whether results will be put in. Takes the writer lock.
    wait_s : float, optional
        How long to wait for another writer. [s]

    Raises
    ------
    StoreError
        On entering: locked by another run, damaged, written by a newer version, read-only.
    """

    def __init__(self, folder: Path, *, write: bool, wait_s: float = 0.0) -> None:
        self.folder = folder
        self.path = folder / STORE
        self.write = write
        self._wait_s = wait_s
        self._open = contextlib.ExitStack()
        self._sql: sqlite3.Connection

    def __enter__(self) -> Store:
        with contextlib.ExitStack() as opened:
            if self.write:
                opened.enter_context(WriterLock(self.folder / LOCK, wait_s=self._wait_s))
                remove_parts(self.folder)
            with self._telling():
                self._sql = opened.enter_context(contextlib.closing(self._connect()))
                self._check()
                if self.write:
                    self._prepare()
            self._open = opened.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._open.close()

    def get(self, photo: str) -> Stored | None:
        """What is stored of a photo, or None; what fails its checksum counts as not stored."""
        with self._telling():
            row = self._sql.execute(
                "SELECT photo, sha256, recipe, status, record, draws, checksum FROM photos "
                "WHERE photo = ?", (photo,),
            ).fetchone()  # fmt: skip
        if row is None or row[-1] != _checksum(*row[:-1]):
            return None
        stored = Stored(**dict(zip(Stored.__dataclass_fields__, row[:-1], strict=True)))
        return stored if self._draws_are_whole(stored.draws) else None

    def put(self, photo: str, packed: Packed, *, recipe: str) -> Stored:
        """Keep a photo's result; when this returns, it is on the disk.

        Raises
        ------
        StoreError
            It could not be kept; what was stored before is untouched.
        """
        draws = self._put_draws(packed.arrays)
        stored = Stored(
            photo=photo, sha256=packed.sha256, recipe=recipe, status=packed.status,
            record=packed.record, draws=draws,
        )  # fmt: skip
        values = (photo, packed.sha256, recipe, packed.status, packed.record, draws)
        with self._transaction() as sql:
            sql.execute("DELETE FROM photos WHERE photo = ?", (photo,))
            sql.execute(
                "INSERT INTO photos SELECT ?1, COALESCE(MAX(sequence), 0) + 1, ?2, ?3, ?4, ?5, ?6,"
                " ?7 FROM photos", (*values, _checksum(*values)),
            )  # fmt: skip
            if packed.sha256:
                sql.execute(
                    "INSERT INTO registered VALUES (?1, ?2, ?3) ON CONFLICT (photo) DO NOTHING",
                    (photo, packed.sha256, _checksum(photo, packed.sha256)),
                )
        return stored

    def registered(self) -> dict[str, str]:
        """SHA-256 of every photo as it was when first measured."""
        with self._telling():
            rows = self._sql.execute("SELECT photo, sha256, checksum FROM registered").fetchall()
        return {photo: sha for photo, sha, check in rows if check == _checksum(photo, sha)}

    def photos(self) -> tuple[str, ...]:
        """Names of the photos stored, in the order they were put in."""
        with self._telling():
            rows = self._sql.execute("SELECT photo FROM photos ORDER BY sequence").fetchall()
        return tuple(row[0] for row in rows)

    def note_run(self, *, started: str, versions: str, clock_suspect: bool) -> None:
        """Note that a run has begun."""
        with self._transaction() as sql:
            sql.execute(
                "INSERT INTO runs (started, versions, clock_suspect) VALUES (?, ?, ?)",
                (started, versions, int(clock_suspect)),
            )

    def forget(self, photos: tuple[str, ...]) -> None:
        """Remove photos' results, registrations and draws, and what is left of them on the disk."""
        with self._transaction() as sql:
            for photo in photos:
                sql.execute("DELETE FROM photos WHERE photo = ?", (photo,))
                sql.execute("DELETE FROM registered WHERE photo = ?", (photo,))
        with self._telling():
            self._sql.execute("VACUUM")
        self.remove_orphans()
        if (self.folder / BACKUP).exists():
            self.back_up()

    def remove_orphans(self) -> None:
        """Remove draws that no row names (of an interrupted run, or of replaced results)."""
        with self._telling():
            kept = {row[0] for row in self._sql.execute("SELECT draws FROM photos")}
        for file in (self.folder / DRAWS).glob("*/*.npz"):
            if f"{file.parent.name}/{file.name}" not in kept:
                file.unlink(missing_ok=True)
        for folder in (self.folder / DRAWS).glob("*"):
            with contextlib.suppress(OSError):  # it still holds draws
                folder.rmdir()

    def back_up(self) -> None:
        """Copy the store beside itself; the copy is whole or the one before it stays."""
        part = self.folder / f".{BACKUP}.part"
        with self._telling():
            part.unlink(missing_ok=True)
            with contextlib.closing(sqlite3.connect(part)) as copy:
                self._sql.backup(copy)
            os.replace(part, self.folder / BACKUP)

    def draws(self, name: str) -> bytes:
        """Content of a draws file.

        Raises
        ------
        StoreError
            It is missing or damaged.
        """
        return read_draws(self.folder, name)

    def _connect(self) -> sqlite3.Connection:
        if self.write:
            sql = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
            sql.execute("PRAGMA journal_mode = DELETE")
            sql.execute("PRAGMA synchronous = FULL")
            sql.execute("PRAGMA secure_delete = ON")
            return sql
        if not self.path.exists():
            return _empty()
        uri = f"{self.path.absolute().as_uri()}?mode=ro"
        sql = sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)
        if sql.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            return sql
        sql.close()  # a run has just made the file, or was ended before it wrote the tables
        return _empty()

    def _check(self) -> None:
        """Refuse a damaged or foreign file before anything is taken from it."""
        found = self._sql.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise self._damaged(found)
        version = self._sql.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA:
            raise StoreError(
                "store-newer",
                f"{STORE} was written by a newer hairtone (schema {version}, this one knows "
                f"{SCHEMA}).",
                where=self.folder.name,
                remedy="Update hairtone, or move the folder results away and measure again.",
            )

    def _prepare(self) -> None:
        """Tables of a new store, or the way up from an older schema."""
        version = self._sql.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            with self._transaction() as sql:
                for statement in _TABLES.split(";")[:-1]:
                    sql.execute(statement)
                sql.execute(f"PRAGMA application_id = {_APPLICATION}")
                sql.execute(f"PRAGMA user_version = {SCHEMA}")
        elif version < SCHEMA:
            self._migrate(version)

    def _migrate(self, version: int) -> None:
        """Bring an older store up in one transaction; a copy of the old one is kept."""
        kept = self.folder / f"results-schema{version}.sqlite"
        if not kept.exists():
            self.back_up()
            os.replace(self.folder / BACKUP, kept)
        with self._transaction() as sql:
            for step in range(version, SCHEMA):
                MIGRATIONS[step](sql)
            sql.execute(f"PRAGMA user_version = {SCHEMA}")
        found = self._sql.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise self._damaged(found)

    def _put_draws(self, arrays: bytes) -> str:
        if not arrays:
            return ""
        digest = hashlib.sha256(arrays).hexdigest()
        name = f"{digest[:2]}/{digest}.npz"
        path = self.folder / DRAWS / name
        if not self._draws_are_whole(name):
            write_atomically(path, arrays)
        return name

    def _draws_are_whole(self, name: str) -> bool:
        try:
            return not name or bool(self.draws(name))
        except StoreError:
            return False

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction, taken at once for writing; undone whole when anything fails."""
        with self._telling():
            self._sql.execute("BEGIN IMMEDIATE")
            try:
                yield self._sql
                self._sql.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._sql.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def _telling(self) -> Iterator[None]:
        """Turn errors of SQLite and of the disk into errors that say what to do."""
        try:
            yield
        except sqlite3.Error as error:
            raise self._error_of(error) from error
        except OSError as error:
            raise storage_error(error, self.path) from error

    def _error_of(self, error: sqlite3.Error) -> StoreError:
        name = str(getattr(error, "sqlite_errorname", ""))
        if name.startswith("SQLITE_FULL"):
            return storage_error(OSError(28, "disk full"), self.path, needed=65_536)
        if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
            return storage_error(OSError(30, "read-only"), self.path)
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            return StoreError(
                "store-locked", f"{STORE} is held by another program.", where=self.folder.name,
                remedy="Close the program that has it open and run the command again.",
            )  # fmt: skip
        if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            return self._damaged(str(error))
        return StoreError(
            "store-failed", f"{STORE} failed ({error}).", where=self.folder.name,
            remedy="Check the disk and run the same command again; what was stored is kept.",
        )  # fmt: skip

    def _damaged(self, what: str) -> StoreError:
        backup = f" {BACKUP} is the last good copy." if (self.folder / BACKUP).exists() else ""
        return StoreError(
            "store-damaged",
            f"{STORE} is damaged ({' '.join(what.split())}).{backup}",
            where=self.folder.name,
            remedy="Rename the copy to results.sqlite, or delete results.sqlite and measure "
            "again: the photos are untouched.",
        )


def _empty() -> sqlite3.Connection:
    sql = sqlite3.connect(":memory:", isolation_level=None)
    sql.executescript(_TABLES)
    sql.execute(f"PRAGMA user_version = {SCHEMA}")
    return sql


def _checksum(*values: str) -> str:
    digest = hashlib.sha256()
    for value in values:
        data = value.encode("utf-8", "surrogatepass")
        digest.update(len(data).to_bytes(8, "big") + data)
    return digest.hexdigest()


def read_draws(folder: Path, name: str) -> bytes:
    """Content of a draws file under a ``results`` folder.

    Raises
    ------
    StoreError
        It is missing, or not what was written.
    """
    path = folder / DRAWS / name
    try:
        data = path.read_bytes()
    except OSError as error:
        raise storage_error(error, path) from error
    if hashlib.sha256(data).hexdigest() != path.stem:
        raise StoreError(
            "draws-damaged",
            f"The stored draws {path.name[:12]}… are not what was written.",
            where=folder.name,
            remedy="Measure the study again; only this photo is taken anew.",
        )
    return data


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
