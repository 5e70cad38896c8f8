"""A desk running for a folder, and a client that knows its token or does not."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import socket
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote, urlsplit

SLOWEST_START_S = 300  # on a machine that tests keep busy


@dataclass
class Desk:
    """A running desk."""

    address: str  # as it was printed, token included
    base: Path
    process: subprocess.Popen
    log: Path
    cookies: dict = field(default_factory=dict)

    @property
    def port(self):
        return urlsplit(self.address).port

    @property
    def token(self):
        return self.address.partition("token=")[2]

    def ask(self, method, path, *, body=None, headers=None, known=True):
        """Status, headers and body of a request; with the cookie of a page that was let in."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        sent = dict(headers or {})
        if known:
            sent.setdefault("Cookie", "; ".join(f"{k}={v}" for k, v in self.cookies.items()))
        try:
            connection.request(method, path, body=body, headers=sent)
            answer = connection.getresponse()
            data = answer.read()
            if known:
                for name, value in answer.getheaders():
                    if name.lower() == "set-cookie":
                        key, _, rest = value.partition("=")
                        self.cookies[key] = rest.partition(";")[0]
            return answer.status, dict(answer.getheaders()), data
        finally:
            connection.close()

    def let_in(self):
        """Open the printed address once, as a browser does."""
        status, headers, _ = self.ask("GET", f"/desk?token={self.token}")
        self.ask("GET", "/desk")
        return status, headers

    def do(self, path, told, *, xsrf=True):
        """Press a button: status and what came back."""
        headers = {"Content-Type": "application/json"}
        if xsrf:
            headers["X-XSRFToken"] = self.cookies["_xsrf"]
        status, _, data = self.ask("POST", path, body=json.dumps(told), headers=headers)
        return status, json.loads(data)

    def send(self, code, name, data):
        """Send a photo."""
        headers = {"X-XSRFToken": self.cookies["_xsrf"]}
        path = f"/desk/s/{quote(code)}/send?name={quote(name)}"
        status, _, told = self.ask("POST", path, body=data, headers=headers)
        return status, json.loads(told)


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def running_desk(base: Path, private: Path, *, port=None):
    """A desk for `base` that keeps Jupyter's own files in `private`; let in already."""
    keep = {
        name: str(private / part)
        for name, part in (
            ("JUPYTER_CONFIG_DIR", "config"), ("JUPYTER_DATA_DIR", "data"),
            ("JUPYTER_RUNTIME_DIR", "runtime"), ("IPYTHONDIR", "ipython"),
        )
    }  # fmt: skip
    private.mkdir(parents=True, exist_ok=True)
    log = private / "desk.log"
    command = [sys.executable, "-m", "hairtone", "desk", str(base), "--no-browser"]
    command += ["--port", str(port or free_port())]
    with log.open("ab") as out:
        start = out.tell()
        process = subprocess.Popen(
            command, env={**os.environ, **keep}, stdout=out, stderr=out, stdin=subprocess.DEVNULL
        )
    try:
        desk = Desk(address=_address(process, log, start), base=base, process=process, log=log)
        desk.let_in()
        yield desk
    finally:
        stop(process)


def stop(process):
    """End a server that a test started."""
    process.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(15)
    if process.poll() is None:
        process.kill()
        process.wait()


def _address(process, log, start):
    end = time.monotonic() + SLOWEST_START_S
    while time.monotonic() < end:
        text = log.read_bytes()[start:].decode(errors="replace")
        found = re.search(r"^(http://127\.0\.0\.1:\d+/desk\?token=\S+)$", text, re.MULTILINE)
        if found:
            return found[1]
        if process.poll() is not None:
            raise AssertionError(f"The desk stopped:\n{text[-3000:]}")
        time.sleep(0.1)
    raise AssertionError("The desk did not say its address.")
