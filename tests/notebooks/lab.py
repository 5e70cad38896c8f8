"""JupyterLab on this machine, and its start notebook in a real browser."""

from __future__ import annotations

import contextlib
import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request

NO_NEWS = '{"fetchNews": "false", "checkForUpdates": false}'
SETTINGS = '{"windowingMode": "none"}'  # every cell is in the page, seen or not


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def running_lab(folder, private):
    """Address of a JupyterLab that serves `folder` and keeps its own files in `private`."""
    port, token = free_port(), secrets.token_hex(12)
    settings = private / "config/lab/user-settings/@jupyterlab/notebook-extension"
    settings.mkdir(parents=True)
    (settings / "tracker.jupyterlab-settings").write_text(SETTINGS, encoding="utf-8")
    quiet = private / "config/lab/user-settings/@jupyterlab/apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text(NO_NEWS, encoding="utf-8")
    command = [
        sys.executable, "-m", "jupyter", "lab", "--no-browser", "--allow-root",
        "--ip=127.0.0.1", f"--port={port}", "--ServerApp.port_retries=0",
        f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={folder}",
        "--LabApp.extension_manager=readonly", "--LabApp.expose_app_in_browser=True",
        "--LabApp.news_url=",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        f"--LabApp.user_settings_dir={private / 'config/lab/user-settings'}",
        f"--LabApp.workspaces_dir={private / 'workspaces'}",
    ]  # fmt: skip
    keep = {
        name: str(private / part)
        for name, part in (
            ("JUPYTER_CONFIG_DIR", "config"),
            ("JUPYTER_DATA_DIR", "data"),
            ("JUPYTER_RUNTIME_DIR", "runtime"),
            ("IPYTHONDIR", "ipython"),
        )
    }
    with (private / "lab.log").open("wb") as log:
        server = subprocess.Popen(
            command, env={**os.environ, **keep}, stdout=log, stderr=log, stdin=subprocess.DEVNULL
        )
    try:
        wait_until_up(server, port, token, private / "lab.log")
        yield f"http://127.0.0.1:{port}", token
    finally:
        server.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(20)
        if server.poll() is None:
            server.kill()
            server.wait()


def wait_until_up(server, port, token, log):
    end = time.monotonic() + 90
    while time.monotonic() < end:
        if server.poll() is not None:
            raise AssertionError(f"JupyterLab stopped:\n{log.read_text(errors='replace')[-2000:]}")
        try:
            address = f"http://127.0.0.1:{port}/api/status?token={token}"
            with urllib.request.urlopen(address, timeout=2):
                return
        except OSError:
            time.sleep(0.3)
    raise AssertionError("JupyterLab did not answer within 90 s")


KERNEL = (
    "window.jupyterapp && jupyterapp.shell.currentWidget && "
    "jupyterapp.shell.currentWidget.context && "
    "jupyterapp.shell.currentWidget.context.sessionContext.session && "
    "jupyterapp.shell.currentWidget.context.sessionContext.session.kernel && "
    "jupyterapp.shell.currentWidget.context.sessionContext.session.kernel.status === 'idle'"
)


def run_all(page, address, token, notebook):
    """Open a notebook and run all of its cells."""
    page.goto(f"{address}/doc/tree/{notebook}?token={token}&reset")
    page.wait_for_function(KERNEL, timeout=90_000)
    page.evaluate("jupyterapp.commands.execute('notebook:run-all-cells')")
