"""The desk as an extension application of Jupyter Server, and how it is started."""

from __future__ import annotations

import secrets
import shutil
import tempfile
from pathlib import Path
from typing import Any, Final

from jupyter_server.extension.application import ExtensionApp
from traitlets import Unicode

from hairtone.desk import handlers, pages
from hairtone.desk.helper import Helper
from hairtone.desk.jobs import Jobs
from hairtone.desk.lab import lab_arguments
from hairtone.errors import StoreError

PORT: Final = 8791  # of no service that is registered; our choice
_ROOM: Final = Path(__file__).resolve().parent
_PICKER: Final = _ROOM.parent / "report" / "web"  # one picker, here and in notebooks
_LARGEST: Final = 512 << 20  # bytes of one photo; RAW of 150 Mpx has about 300 MB; our choice


class Desk(ExtensionApp):
    """The desk: pages, what their buttons do, and the processes beside them."""

    name = "hairtone_desk"
    default_url = "/desk"
    load_other_extensions = True
    base = Unicode("", help="The folder that holds the studies.").tag(config=True)
    static_paths: Any = [  # noqa: RUF012 - a trait of the base class
        str(_ROOM / "web"),
        str(_PICKER),
    ]
    template_paths: Any = [  # noqa: RUF012
        str(_ROOM / "templates")
    ]

    @classmethod
    def get_extension_package(cls) -> str:
        """Where `_jupyter_server_extension_points` is."""
        return "hairtone.desk"

    def initialize_settings(self) -> None:
        """What handlers find in the server's settings."""
        looking, making = Helper(), Helper()
        self.settings["desk_base"] = Path(self.base)
        self.settings["desk_looking"] = looking
        self.settings["desk_jobs"] = Jobs(making)
        self.settings["desk_checks"] = {}
        self.settings["desk_largest"] = _LARGEST

    def initialize_handlers(self) -> None:
        """The desk's addresses."""
        self.handlers.extend(addresses())

    async def _start_jupyter_server_extension(self, serverapp: Any) -> None:
        """Say the address, on a line of its own, once the server answers."""
        token = serverapp.identity_provider.token
        print(f"http://127.0.0.1:{serverapp.port}/desk?token={token}", flush=True)
        await self.settings["desk_looking"].warm()

    async def stop_extension(self) -> None:
        """End the processes beside the server."""
        await self.settings["desk_looking"].end()
        await self.settings["desk_jobs"].end()


def addresses() -> list[tuple[str, Any]]:
    """Return every address of the desk with what answers it."""
    names = "|".join(pages.PAGES)
    study = r"/desk/s/(?P<code>[^/]+)"
    return [
        (r"/desk/?", handlers.HomePage),
        (r"/desk/new", handlers.NewPage),
        (r"/desk/alive", handlers.Alive),
        (r"/desk/do/(?P<act>[a-z-]+)", handlers.Do),
        (rf"{study}/(?P<page>{names})", handlers.StudyPage),
        (rf"{study}/do/(?P<act>[a-z-]+)", handlers.Do),
        (rf"{study}/check", handlers.CheckPhoto),
        (rf"{study}/picture", handlers.SmallPicture),
        (rf"{study}/send", handlers.Upload),
        (rf"{study}/written/(?P<file>[^/]+)", handlers.Written),
    ]


def open_desk(folder: Path, *, port: int = PORT, browser: bool = True) -> int:
    """Serve the desk for a folder until it is stopped; the exit status.

    Parameters
    ----------
    folder : Path
        The folder that holds the studies, or one study; made when it does not exist.
    port : int, optional
        Where it listens, on this machine alone; the next free one if it is taken.
    browser : bool, optional
        Whether to open a browser window.

    Raises
    ------
    StoreError
        The folder cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            "folder-not-writable", f"The folder cannot be made ({error.strerror}).",
            where=folder.name, remedy="Choose a folder of your own.",
        ) from None  # fmt: skip
    private = Path(tempfile.mkdtemp(prefix="hairtone-desk-"))
    Desk.serverapp_config = {
        "jpserver_extensions": {"jupyterlab": True},
        "root_dir": str(folder.resolve()),
        "ip": "127.0.0.1",
        "port": port,
        "port_retries": 20,
        "allow_root": True,  # in a container one is root; nothing but this machine is served
        "allow_unauthenticated_access": False,
        "allow_remote_access": False,  # a foreign Host is refused
        "open_browser": browser,
        "answer_yes": True,
        "max_body_size": _LARGEST,
    }
    arguments = [  # read by the server itself: they stand on no command line
        f"--Desk.base={folder.resolve()}",
        f"--IdentityProvider.token={secrets.token_urlsafe(24)}",
        *[f"--{app}.log_level=ERROR" for app in ("ServerApp", "LabApp", "Desk")],
        *lab_arguments(private),
    ]
    try:
        Desk.launch_instance(argv=arguments)  # type: ignore[no-untyped-call]
    finally:
        shutil.rmtree(private, ignore_errors=True)
    return 0
