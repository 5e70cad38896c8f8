"""The desk's pages and what their buttons do.

Every page is made from the study folder as it is now. Buttons post JSON and get JSON: what to say
beside the button, and where to go. Nothing is served without the token or its cookie, nothing is
changed without the page's own mark against forged requests.
"""

from __future__ import annotations

import json
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
from hairtone.desk.folder import HERE, Changed, DeskStudy, find_study, preview_path
from hairtone.errors import HairtoneError

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


class Check(DeskHandler):
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


class Picture(DeskHandler):
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
