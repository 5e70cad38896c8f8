"""One writer per study: a lock that the system drops when its process ends, however it ends."""

from __future__ import annotations

import datetime as dt
import os
import socket
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Final

from hairtone.errors import StoreError
from hairtone.study.files import storage_error

_FAR: Final = 1 << 30  # the byte that is locked on Windows, far from the text others read
_PAUSE_S: Final = 0.2  # between two tries; our choice


class WriterLock:
    """A study's writer lock, as a context.

    Parameters
    ----------
    path : Path
        The lock file.
    wait_s : float, optional
        How long to wait for another writer. [s]

    Raises
    ------
    StoreError
        On entering: another process is writing, or the folder cannot be written to.
    """

    def __init__(self, path: Path, *, wait_s: float = 0.0) -> None:
        self._path = path
        self._wait_s = wait_s
        self._handle = -1

    def __enter__(self) -> WriterLock:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise storage_error(error, self._path) from error
        until = time.monotonic() + self._wait_s
        while not _try_lock(self._handle):
            if time.monotonic() >= until:
                holder = _holder(self._handle)
                os.close(self._handle)
                raise StoreError(
                    "store-locked",
                    f"Another run is writing to this study ({holder}).",
                    where=self._path.parent.name,
                    remedy="Wait until it has ended, or stop it, and run the command again.",
                )
            time.sleep(_PAUSE_S)
        self._sign()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            os.ftruncate(self._handle, 0)
        except OSError:
            pass  # a full or failing disk: the text is only for people
        finally:
            os.close(self._handle)

    def _sign(self) -> None:
        """Write down who holds the lock, for the message of a second run."""
        now = dt.datetime.now().astimezone().isoformat(timespec="seconds")
        text = f"host {socket.gethostname()}, process {os.getpid()}, since {now}"
        try:
            os.ftruncate(self._handle, 0)
            os.pwrite(self._handle, text.encode(), 0) if hasattr(os, "pwrite") else os.write(
                self._handle, text.encode()
            )
        except OSError as error:
            os.close(self._handle)
            raise storage_error(error, self._path, needed=len(text)) from error


def _holder(handle: int) -> str:
    try:
        os.lseek(handle, 0, os.SEEK_SET)
        return os.read(handle, 300).decode("utf-8", "replace") or "its name is not known"
    except OSError:
        return "its name is not known"


if sys.platform == "win32":
    import msvcrt

    def _try_lock(handle: int) -> bool:
        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True

else:
    import fcntl

    def _try_lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
