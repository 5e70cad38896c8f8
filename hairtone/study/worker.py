"""What a child process of the supervisor does: measure one photo after another, as told.

Requests come in by standard input, results go out by a copy of standard output; anything a
library prints goes nowhere. When the parent is gone, the child ends.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import pickle
import queue
import re
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, Final

_SIZE: Final = 8  # bytes of a frame's length

# what a child is started with: the parent's search path, then this module
BOOT: Final = (
    "import sys, json; sys.path[:] = json.loads(sys.argv[1]); "
    "from hairtone.study.worker import main; main()"
)
THREADS: Final = {  # one thread a child: same numbers everywhere, no fight for the cores
    name: "1"
    for name in (
        "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS", "BLIS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM",
    )
}  # fmt: skip


def send(stream: BinaryIO, message: Any) -> None:
    """Write one message."""
    data = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(len(data).to_bytes(_SIZE, "big") + data)
    stream.flush()


def receive(stream: BinaryIO) -> Any:
    """Read one message; `EOFError` when the other side is gone."""
    head = stream.read(_SIZE)
    if len(head) < _SIZE:
        raise EOFError
    size = int.from_bytes(head, "big")
    data = stream.read(size)
    if len(data) < size:
        raise EOFError
    return pickle.loads(data)


def main() -> None:
    """Serve the parent until it closes the pipe."""
    out = os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    with contextlib.suppress(ValueError):  # not the main thread
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    requests: queue.SimpleQueue[Any] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(requests,), daemon=True).start()
    module, name, memory_bytes = requests.get()
    _limit_memory(memory_bytes)
    measure = load(module, name)
    send(out, ("ready", None))
    while True:
        send(out, run(measure, requests.get()))


def _listen(requests: queue.SimpleQueue[Any]) -> None:
    """Pass messages on; end the process at once when the parent is gone."""
    stream = os.fdopen(os.dup(0), "rb")
    try:
        while True:
            requests.put(receive(stream))
    finally:
        os._exit(0)


def load(module: str, name: str) -> Callable[[Any], Any]:
    """The measuring function of that name."""
    found: Any = importlib.import_module(module)
    for part in name.split("."):
        found = getattr(found, part)
    return found


def run(measure: Callable[[Any], Any], request: Any) -> tuple[str, Any]:
    """``("done", Packed)``, or what went wrong: ``("memory", …)``, ``("bug", …)`` …"""
    from hairtone.study.pack import pack

    try:
        return "done", pack(measure(request))
    except MemoryError:
        return "memory", "more memory was needed than a photo may take"
    except OSError as error:
        return (
            "unreadable",
            f"the disk or system refused ({error.strerror or type(error).__name__})",
        )
    except Exception as error:  # a bug of ours costs this photo, never the batch
        return "bug", _bug(error)


def _bug(error: Exception) -> str:
    """What failed and in which line of ours; no path, no argument of a person's."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    words = re.sub(r"(/|[A-Za-z]:\\)\S*", "…", str(error))[:120]
    return f"{type(error).__name__} in {Path(frame.filename).name} line {frame.lineno}: {words}"


def _limit_memory(size: int) -> None:
    """Let an allocation beyond `size` bytes fail instead of the machine; POSIX only."""
    if sys.platform == "win32" or size <= 0:
        return
    import resource

    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    limit = size if hard == resource.RLIM_INFINITY else min(size, hard)
    with contextlib.suppress(ValueError, OSError):  # a system that knows no such limit
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))
