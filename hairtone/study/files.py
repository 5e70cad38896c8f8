"""Files written whole or not at all, and hashes of files."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
from pathlib import Path
from typing import Final

from hairtone.errors import StoreError

_CHUNK: Final = 1 << 20
_FULL: Final = frozenset(
    code for name in ("ENOSPC", "EDQUOT", "EFBIG") if (code := getattr(errno, name, None))
)
_FORBIDDEN: Final = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})
_PART: Final = ".part"  # ending of a file in the writing


def write_atomically(path: Path, data: bytes | str) -> None:
    """Put `data` into a file so that a reader sees the old content or the new, never a mixture.

    Written beside the target, forced to the disk, then moved over it; text as UTF-8.

    Parameters
    ----------
    path : Path
        The file. Its folder is made where it is missing.
    data : bytes or str
        The whole content.

    Raises
    ------
    StoreError
        The disk is full, the folder may not be written to, or the disk fails. The old file, if
        there was one, is untouched.
    """
    content = data.encode("utf-8") if isinstance(data, str) else data
    part = path.with_name(f".{path.name[:80]}.{secrets.token_hex(6)}{_PART}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            _write_part(part, content)
            os.replace(part, path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        sync_folder(path.parent)
    except OSError as error:
        raise storage_error(error, path, needed=len(content)) from error


def _write_part(part: Path, content: bytes) -> None:
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
    try:
        view = memoryview(content)
        while view:
            view = view[os.write(handle, view) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Force a folder's entries to the disk, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def storage_error(error: OSError, path: Path, *, needed: int = 0) -> StoreError:
    """What a failed write means, with the folder and the remedy."""
    place = f"{path.parent.name}/{path.name}"
    if error.errno in _FULL:
        return StoreError(
            "disk-full",
            f"The disk is full: {needed} bytes are needed in the folder {path.parent.name}.",
            where=place,
            remedy="Make room and run the same command again; what was stored is kept.",
        )
    if error.errno in _FORBIDDEN:
        return StoreError(
            "store-read-only",
            f"The folder {path.parent.name} cannot be written to ({error.strerror}).",
            where=place,
            remedy="Copy the study to a place you may write to, or give the report another folder "
            "with --out.",
        )
    return StoreError(
        "store-failed",
        f"Writing failed ({error.strerror or error}).",
        where=place,
        remedy="Check the disk and run the same command again; what was stored is kept.",
    )


def remove_parts(folder: Path) -> None:
    """Remove what an interrupted writing left behind."""
    for part in folder.rglob(f".*{_PART}"):
        part.unlink(missing_ok=True)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    digest = hashlib.sha256()
    with path.open("rb", buffering=0) as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
