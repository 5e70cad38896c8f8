"""The desk's pages and what their buttons do.

Every page is made from the study folder as it is now. Buttons post JSON and get JSON: what to say
beside the button, and where to go. Nothing is served without the token or its cookie, nothing is
changed without the page's own mark against forged requests.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import shutil
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, urlencode

from jupyter_server.base.handlers import JupyterHandler
from jupyter_server.extension.handler import ExtensionHandlerMixin
from tornado import web

from hairtone.desk import pages
from hairtone.desk.acts import ACTS, HOME_ACTS, Said
from hairtone.desk.folder import HALF, HERE, Changed, DeskStudy, find_study, preview_path
from hairtone.errors import HairtoneError, PhotoError
from hairtone.study.editing import PHOTO_ENDINGS, free_name
from hairtone.study.files import storage_error, sync_folder

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
REPORT_POLICY: Final = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
TABS: Final = (("photos", "Photos"), ("record", "Record"), ("result", "Result"))
NAMES: Final = {**dict(TABS), "line": "Where the hair lies", "remove": "Remove"}
_SIZES: Final = frozenset({"240", "900", "1600"})  # longer sides of small pictures [pixels]
_ROOM: Final = 50 << 20  # bytes that stay free on the disk for results; our choice
_OLD_S: Final = 6 * 3600.0  # age at which a half-received file is nobody's any more; our choice
_CHECK_S: Final = 90.0  # longest time for one photo, 150 Mpx on a slow machine; our choice
_WRITTEN: Final = {".html": "text/html; charset=utf-8", ".pdf": "application/pdf",
                   ".zip": "application/zip"}  # fmt: skip


class DeskHandler(ExtensionHandlerMixin, JupyterHandler):
    """What every address of the desk shares."""

    policy = POLICY

    @property
    def content_security_policy(self) -> str:
        """What a page may load: its own script, style and pictures."""
        return self.policy

    def set_default_headers(self) -> None:
        """Pages are for this screen alone: kept by no cache, shown in no other page."""
        super().set_default_headers()
        self.set_header("Cache-Control", "no-store")
        self.set_header("Referrer-Policy", "no-referrer")
        self.set_header("Cross-Origin-Resource-Policy", "same-origin")

    async def prepare(self, **_: Any) -> None:
        """Let in who is known, then take the token out of the address."""
        await super().prepare()
        if self.current_user is None:
            raise web.HTTPError(403)
        if self._finished or self.request.method != "GET" or not self.get_argument("token", ""):
            return
        left = {k: v[-1].decode() for k, v in self.request.query_arguments.items() if k != "token"}
        self.redirect(self.request.path + (f"?{urlencode(left)}" if left else ""))

    def get_login_url(self) -> str:
        """There is no login page: the address that the desk printed lets in."""
        raise web.HTTPError(403)

    @property
    def base(self) -> Path:
        """The folder that holds the studies."""
        return Path(self.settings["desk_base"])

    def study(self, code: str) -> DeskStudy:
        """The study of an address.

        Raises
        ------
        HTTPError
            404: there is none of that code.
        """
        found = find_study(self.base, code)
        if found is None:
            raise web.HTTPError(404)
        return found

    def show(self, template: str, **facts: Any) -> None:
        """Answer with a page."""
        facts |= {
            "xsrf": self.xsrf_token.decode(),
            "static": f"/static/{self.name}",
            "quote": quote,
        }
        self.finish(templates().get_template(template).render(**facts))

    def tell(self, answer: int, /, **told: Any) -> None:
        """Answer with JSON."""
        self.set_status(answer)
        self.set_header("Content-Type", "application/json; charset=utf-8")
        self.finish(json.dumps(told, ensure_ascii=False))

    def write_error(self, status_code: int, **kwargs: Any) -> None:
        """Say in plain words what was refused, as a page or as JSON."""
        says = _REFUSALS.get(status_code, "hairtone made a mistake here. Nothing of yours is lost.")
        if self.request.method != "GET" or self.request.headers.get("Accept") == "application/json":
            self.tell(status_code, code=str(status_code), lines=[says])
            return
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish(templates().get_template("refused.html").render(
            says=says, static=f"/static/{self.name}"))  # fmt: skip


_REFUSALS: Final = {
    403: "This page opens with the address that the desk printed when it was started. Open that "
    "address once in this browser.",
    404: "There is no such page. It may have been removed in another window.",
    405: "This cannot be done here.",
}


@cache
def templates() -> Any:
    """The desk's templates; every text is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("hairtone.desk", "templates"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


class HomePage(DeskHandler):
    """People, practice heads and tests of the folder."""

    @web.authenticated
    def get(self) -> None:
        """Show them as cards."""
        self.show("home.html", **pages.home(self.base, self.settings["desk_jobs"]))


class NewPage(DeskHandler):
    """A new person, practice head or test."""

    @web.authenticated
    def get(self) -> None:
        """Show the questions."""
        self.show("new.html", **pages.new(self.base))


class StudyPage(DeskHandler):
    """A page of one study."""

    @web.authenticated
    def get(self, code: str, page: str) -> None:
        """Show it."""
        study = self.study(code)
        make: Callable[..., dict[str, Any]] = pages.PAGES[page]
        asked = {k: v[-1].decode() for k, v in self.request.query_arguments.items()}
        try:
            facts = make(study, asked)
        except (KeyError, HairtoneError):
            raise web.HTTPError(404) from None
        heading = study.title if study.code == HERE else study.code
        self.show(
            f"{page}.html", study=study, page=page, heading=heading, tabs=TABS, names=NAMES, **facts
        )


class Do(DeskHandler):
    """What a button does."""

    @web.authenticated
    async def post(self, act: str, code: str = "") -> None:
        """Do it, and say what came of it."""
        try:
            asked = json.loads(self.request.body or b"{}")
            if not isinstance(asked, dict):
                raise ValueError
        except ValueError:
            raise web.HTTPError(400) from None
        known = ACTS if code else HOME_ACTS
        if act not in known:
            raise web.HTTPError(404)
        target: Any = self.study(code) if code else self.base
        try:
            said = known[act](target, asked, self.settings)
            said = said if isinstance(said, Said) else await said
        except Changed as error:
            says = f"This was changed elsewhere to “{error.now}”. Nothing was overwritten."
            self.tell(409, code="changed", lines=[says], now=error.now)
        except HairtoneError as error:
            faults = [str(fault) for fault in getattr(error, "faults", ())]
            lines = faults or [f"{error.says} {error.remedy}".strip()]
            self.tell(422, code=error.code, lines=list(getattr(error, "lines", ()) or lines))
        except (KeyError, TypeError, ValueError):
            raise web.HTTPError(400) from None
        else:
            self.tell(200, version=target.version if code else "", **said.to_dict())


class CheckPhoto(DeskHandler):
    """The verdict on one photo."""

    @web.authenticated
    async def get(self, code: str) -> None:
        """Look at it, or tell what was seen when it was looked at last."""
        study = self.study(code)
        try:
            self.tell(200, **await pages.check(study, self.get_argument("photo"), self.settings))
        except HairtoneError as error:
            lines = list(getattr(error, "lines", ()) or [f"{error.says} {error.remedy}".strip()])
            self.tell(422, code=error.code, lines=lines)


class SmallPicture(DeskHandler):
    """A small picture of a photo; the photo itself is never sent."""

    @web.authenticated
    async def get(self, code: str) -> None:
        """Send it, making it first where need be."""
        study, longest = self.study(code), self.get_argument("longest", "240")
        if longest not in _SIZES:
            raise web.HTTPError(404)
        try:
            file = study.file(self.get_argument("photo"))
            out = preview_path(study.path, file, int(longest))
            if not out.is_file():
                await self.settings["desk_looking"].ask(
                    "preview", limit_s=_CHECK_S, file=str(file), out=str(out), longest=longest
                )
            data = out.read_bytes()
        except (HairtoneError, OSError):
            raise web.HTTPError(404) from None
        self.set_header("Content-Type", "image/jpeg")
        self.finish(data)


class Written(DeskHandler):
    """A page to hand over, as it was written."""

    policy = REPORT_POLICY

    @web.authenticated
    def get(self, code: str, file: str) -> None:
        """Send it."""
        folder = self.study(code).path / "results"
        kind = _WRITTEN.get(Path(file).suffix)
        listed = {path.name: path for path in folder.glob("*") if path.is_file()}
        if kind is None or file not in listed or file.startswith("."):
            raise web.HTTPError(404)
        self.set_header("Content-Type", kind)
        if kind == "application/zip":
            self.set_header("Content-Disposition", f'attachment; filename="{file}"')
        self.finish(listed[file].read_bytes())


class Alive(DeskHandler):
    """Whether the server is there, what a study holds by now, and how far its work has come."""

    @web.authenticated
    def get(self) -> None:
        """Tell it."""
        code = self.get_argument("code", "")
        if not code:
            self.tell(200, version="", job=None)
            return
        study, job = find_study(self.base, code), self.settings["desk_jobs"].of(code)
        self.tell(
            200, version=study.version if study else "gone", job=job.to_dict() if job else None
        )


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
