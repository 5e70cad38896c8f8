"""Photographs as they come in: streamed to the disk, whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import time
from pathlib import Path
from typing import Any, Final

from tornado import web

from hairtone.desk.folder import HALF, DeskStudy
from hairtone.desk.handlers import DeskHandler
from hairtone.errors import HairtoneError, PhotoError
from hairtone.study.editing import PHOTO_ENDINGS, free_name
from hairtone.study.files import storage_error, sync_folder

_ROOM: Final = 50 << 20  # bytes that stay free on the disk for results; our choice
_OLD_S: Final = 6 * 3600.0  # age at which a half-received file is nobody's any more; our choice


@web.stream_request_body
class Upload(DeskHandler):
    """One photograph of a study; its bytes are kept as they are."""

    async def prepare(self, **_: Any) -> None:
        """Refuse what cannot be kept before it is sent; open the file it goes to."""
        self._error: HairtoneError | None = None
        self._part: Path | None = None
        self._handle = -1
        await super().prepare()
        if self._finished:
            return
        largest = int(self.settings["desk_largest"])
        self.request.connection.set_max_body_size(largest)  # type: ignore[union-attr]
        self._study = self.study(self.path_kwargs["code"])
        self._name = self.get_query_argument("name", "")
        size = int(self.request.headers.get("Content-Length", "0") or 0)
        try:
            self._open(size, largest)
        except HairtoneError as error:
            self._error = error
        except OSError as error:
            self._error = storage_error(error, self._study.path / "photos", needed=size)

    def _open(self, size: int, largest: int) -> None:
        ending = Path(self._name).suffix.lower()
        if ending not in PHOTO_ENDINGS:
            raise PhotoError(
                "not-a-photo", f"{self._name[:80]} is no photo that hairtone reads.",
                remedy="Send JPEG, HEIC, PNG, TIFF, WebP or the camera's RAW file.",
            )  # fmt: skip
        if size > largest:
            raise PhotoError(
                "too-large", f"The file has {size >> 20} MB; {largest >> 20} MB at most are taken.",
                remedy="Send the photo itself, not a collection.",
            )  # fmt: skip
        folder = self._study.path / "photos"
        folder.mkdir(parents=True, exist_ok=True)
        remove_old_halves(folder)
        if shutil.disk_usage(folder).free < size + _ROOM:
            raise OSError(28, "No space left on device")
        self._part = folder / f"{HALF}{secrets.token_hex(8)}"
        self._handle = os.open(self._part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)

    def data_received(self, chunk: bytes) -> None:
        """Write what has come."""
        if self._handle < 0 or self._error is not None:
            return
        try:
            view = memoryview(chunk)
            while view:
                view = view[os.write(self._handle, view) :]
        except OSError as error:
            self._error = storage_error(error, self._study.path / "photos", needed=len(chunk))

    @web.authenticated
    def post(self, code: str) -> None:
        """Keep the photo under a name of its own, or say why not."""
        if self._error is None:
            try:
                name = self._keep()
            except OSError as error:
                self._error = storage_error(error, self._study.path / "photos")
        self._clean()
        if self._error is not None:
            status = 507 if self._error.code == "disk-full" else 422
            says = f"{self._error.says} {_on_page(self._error)}"
            self.tell(status, code=self._error.code, lines=[says])
            return
        self.tell(200, photo=f"photos/{name}", version=DeskStudy(
            path=self._study.path, code=code).version)  # fmt: skip

    def _keep(self) -> str:
        part, folder = self._part, self._study.path / "photos"
        if part is None:
            raise OSError(5, "no file was opened")
        os.fsync(self._handle)
        os.close(self._handle)
        self._handle = -1
        name = free_name(
            Path(self._name.replace("\\", "/")).name, {p.name.casefold() for p in folder.glob("*")}
        )
        os.replace(part, folder / name)
        sync_folder(folder)
        return name

    def on_connection_close(self) -> None:
        """The browser went away: nothing half is left."""
        super().on_connection_close()
        self._clean()

    def _clean(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
        if self._part is not None:
            with contextlib.suppress(OSError):
                self._part.unlink(missing_ok=True)


def _on_page(error: HairtoneError) -> str:
    """What to do, for a person at the page."""
    if error.code == "disk-full":
        return "Make room on the disk and send the photo again."
    if error.code in ("store-read-only", "store-failed"):
        return "Check the folder's disk and rights, and send the photo again."
    return error.remedy


def remove_old_halves(folder: Path) -> None:
    """Remove half-received files that nobody is sending any more."""
    for path in folder.glob(f"{HALF}*"):
        with contextlib.suppress(OSError):
            if time.time() - path.stat().st_mtime > _OLD_S:
                path.unlink()
