"""Files of a study: paths inside its folder, hashes, and writing that leaves no half file.

References
----------
.. [1] Microsoft Learn, Naming files, paths and namespaces (reserved names and characters). From
   memory.
.. [2] Unicode Standard Annex 15, normalization forms.
"""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import stat
import unicodedata
from pathlib import Path
from typing import Final

from hairtone.errors import PhotoError, SheetError, StoreError
from hairtone.study.values import shown

_CHUNK: Final = 1 << 20
_FULL: Final = frozenset(
    code for name in ("ENOSPC", "EDQUOT", "EFBIG") if (code := getattr(errno, name, None))
)
_FORBIDDEN: Final = frozenset({errno.EROFS, errno.EACCES, errno.EPERM})
_PART: Final = ".part"  # ending of a file in the writing
_RESERVED: Final = frozenset(  # [1]
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789¹²³"]
)
_LONGEST: Final = 255  # bytes of one part of a name: ext4, APFS and NTFS hold no more; from memory
_COPY_IT: Final = "Copy the photo into the study folder and write its name from there."


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


def clean_name(text: str) -> str:
    """The name as the study keeps it: from the study folder down, with ``/``, composed (NFC).

    Raises
    ------
    SheetError
        The name leads outside the study folder, or is no file name on every system.
    """
    name = unicodedata.normalize("NFC", text).replace("\\", "/")
    _refuse_outside(name, text)
    if ":" in name or any(unicodedata.category(c) in ("Cc", "Cs") for c in name):
        raise SheetError(
            "not-a-file-name",
            f"{shown(text)} is not a file name (a colon or a control character, or an address).",
            remedy=_COPY_IT,
        )
    parts = [part for part in name.split("/") if part not in ("", ".")]
    if not parts:
        raise SheetError("not-a-file-name", f"{shown(text)} is not a file name.", remedy=_COPY_IT)
    for part in parts:
        _refuse_part(part, text)
    return "/".join(parts)


def _refuse_outside(name: str, text: str) -> None:
    has_drive = len(name) > 1 and name[1] == ":" and name[0].isalpha()
    if name.startswith("/") or has_drive or ".." in name.split("/"):
        raise SheetError(
            "outside-study",
            f"{shown(text)} lies outside the study folder; only files inside it are read.",
            remedy=_COPY_IT,
        )


def _refuse_part(part: str, text: str) -> None:
    if len(part.encode("utf-8")) > _LONGEST:
        raise SheetError(
            "name-too-long",
            f"{shown(text)} is a name too long: {len(part.encode('utf-8'))} bytes of "
            f"{_LONGEST} at most.",
            remedy="Give the photo a shorter name.",
        )
    if part.split(".")[0].rstrip(" ").casefold() in _RESERVED:
        raise SheetError(
            "reserved-name",
            f"{shown(text)} holds a reserved name ({part}) that means a device on Windows.",
            remedy="Give the photo another name.",
        )
    if part.endswith((".", " ")):
        raise SheetError(
            "not-a-file-name",
            f"{shown(text)} is not a file name on every system: {shown(part)} ends in a dot or "
            f"a blank.",
            remedy="Give the photo a name without it.",
        )


class Folder:
    """The study folder as its files are looked up; directory listings are read once.

    Parameters
    ----------
    root : Path
        The study folder.
    """

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()
        self._listings: dict[Path, dict[str, list[str]]] = {}

    def find(self, name: str) -> Path:
        """The file of a name that `clean_name` returned.

        Raises
        ------
        PhotoError
            No such file, one of other case, two spellings of one name, a link that leads
            outside, or something that is not an ordinary file.
        """
        path = self.root
        for part in name.split("/"):
            path = path / self._spelling(path, part, name)
        real = path.resolve()
        if not real.is_relative_to(self.root):
            raise PhotoError(
                "outside-study",
                f"{name} is a link to a file outside the study folder.",
                where=name,
                remedy=_COPY_IT,
            )
        try:
            is_file = stat.S_ISREG(real.stat().st_mode)
        except OSError as error:
            raise PhotoError(
                "not-readable",
                f"{name} cannot be opened ({error.strerror or error}).",
                where=name,
                remedy="Check the file and its permissions.",
            ) from error
        if not is_file:
            raise PhotoError(
                "not-a-file",
                f"{name} is not an ordinary file.",
                where=name,
                remedy="Put the photograph itself there.",
            )
        return real

    def _spelling(self, folder: Path, part: str, name: str) -> str:
        """How the disk spells this part of the name."""
        found = self._listing(folder).get(part, [])
        if len(found) == 1:
            return found[0]
        if found:
            raise PhotoError(
                "two-files",
                f"{name} could be two files: their names look alike but are spelt with "
                f"different accents (composed and decomposed).",
                where=name,
                remedy="Rename or remove one of them.",
            )
        raise PhotoError(
            "not-found", f"{name} was not found{self._near(folder, part)}.", where=name,
            remedy="Check the name in the sheet and that the photo lies in the study folder.",
        )  # fmt: skip

    def _near(self, folder: Path, part: str) -> str:
        listing = self._listing(folder)
        alike = [real for key, real in listing.items() if key.casefold() == part.casefold()]
        if alike:
            return f"; {alike[0][0]} is there (upper and lower case differ)"
        inside = self._listing(self.root / "photos") if folder == self.root else {}
        return f"; photos/{part} is there" if part in inside else ""

    def _listing(self, folder: Path) -> dict[str, list[str]]:
        """Names in a folder by their composed form."""
        if folder not in self._listings:
            names: dict[str, list[str]] = {}
            try:
                entries = sorted(os.listdir(folder))
            except OSError:
                entries = []
            for entry in entries:
                names.setdefault(unicodedata.normalize("NFC", entry), []).append(entry)
            self._listings[folder] = names
        return self._listings[folder]
