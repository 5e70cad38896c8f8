"""Processes that measure photos: one photo a child, on this machine or on many.

A photo that takes its process down is tried once more alone; time and memory have limits. Only the
parent writes the store.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import json
import os
import pickle
import queue
import re
import secrets
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final
from urllib.parse import urlsplit

from hairtone.errors import HairtoneError
from hairtone.study.files import sha256_of
from hairtone.study.records import Packed, versions

_SIZE: Final = 8  # bytes of a frame's length

# what a child is started with: the parent's search path, then this module
BOOT: Final = (
    "import sys, json; sys.path[:] = json.loads(sys.argv[1]); "
    "from hairtone.study.workers import main; main()"
)
THREADS: Final = {  # one thread a child: same numbers everywhere, no fight for the cores
    name: "1"
    for name in (
        "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS", "BLIS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM",
    )
}  # fmt: skip
TIME_LIMIT_S: Final = 60.0  # for one photo on a core of its own; our choice
START_LIMIT_S: Final = 120.0  # for a child to load the libraries, slow disk included; our choice
MEMORY_LIMIT: Final = 6 * 1024**3  # bytes of address space; 120 Mpx take about 2 GB; our choice
_REMEDIES: Final = {
    "crashed": "Save the photo again from the camera's original, or leave it out.",
    "timed-out": "Leave the photo out, or measure it alone on a faster machine.",
    "memory": "Use a smaller photo, or a machine with more memory.",
    "unreadable": "Check the file, its disk and its permissions.",
    "bug": "Leave the photo out and tell the makers of hairtone about it.",
}
_TRIED_AGAIN: Final = frozenset({"crashed", "timed-out", "memory"})
_CONNECT_S: Final = 20  # our choice
_AHEAD: Final = 4  # photos handed out per core at a time, so that memory stays flat; our choice
_TRIES: Final = 1  # times the engine repeats a photo whose worker was lost; as the supervisor does
# a worker died with a result that nobody had fetched yet: the engine measures that photo anew
_GONE_AGAIN: Final = frozenset({"pending", "lost"})
_PLAIN: Final = "HAIRTONE_PLAIN_CLUSTER"
_REMEDY: Final = "Start the workers where the study folder is mounted under the same path."


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
    from hairtone.study.records import pack

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one photo may take: seconds, and bytes of address space (0: no limit)."""

    time_s: float = TIME_LIMIT_S
    memory_bytes: int = MEMORY_LIMIT
    start_s: float = START_LIMIT_S


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoJob:
    """One photo to measure; `request` is what the measuring function takes."""

    name: str
    request: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of a job: a result, or the error it ended in."""

    name: str
    packed: Packed | None
    error: HairtoneError | None = None


class _Child:
    """A process that measures; its messages arrive in the supervisor's queue."""

    def __init__(self, target: tuple[str, str], limits: Limits, inbox: queue.Queue[Any]) -> None:
        self.job: PhotoJob | None = None
        self.deadline = time.monotonic() + limits.start_s
        self.is_ready = False
        self._process = subprocess.Popen(
            [sys.executable, "-c", BOOT, json.dumps(sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **THREADS, "PYTHONHASHSEED": "0", "PYTHONUTF8": "1"},
            start_new_session=True,  # Ctrl-C reaches the parent alone, which ends the children
        )
        self._tell((*target, limits.memory_bytes))
        threading.Thread(target=self._listen, args=(inbox,), daemon=True).start()

    def give(self, job: PhotoJob, *, time_s: float) -> None:
        """Hand over one photo."""
        self.job = job
        self.deadline = time.monotonic() + time_s
        self._tell(job.request)

    def end(self) -> None:
        """Stop the process, whatever it is doing."""
        self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):  # a message that the dead child never read
                    stream.close()

    def cause(self) -> str:
        """How the process ended, in a few words."""
        code = self._process.wait()
        return f"signal {-code}" if code < 0 else f"exit status {code}"

    def _tell(self, message: Any) -> None:
        stream = self._process.stdin
        if stream is not None:
            with contextlib.suppress(OSError):  # it has died: the listener says so
                send(stream, message)  # type: ignore[arg-type]

    def _listen(self, inbox: queue.Queue[Any]) -> None:
        stream = self._process.stdout
        while stream is not None:
            try:
                inbox.put((self, receive(stream)))  # type: ignore[arg-type]
            except (EOFError, OSError, ValueError):
                inbox.put((self, ("ended", None)))
                return


class Supervisor:
    """Runs jobs over children; iterate over `run`.

    Parameters
    ----------
    measure : callable
        The measuring function, importable by name: a request in, a `PhotoResult` out.
    workers : int
        Children at a time.
    limits : Limits, optional
        What one photo may take.
    """

    def __init__(
        self, measure: Callable[[Any], Any], *, workers: int, limits: Limits | None = None
    ) -> None:
        self._target = (measure.__module__, measure.__qualname__)
        self._workers = workers
        self._limits = limits or Limits()
        self._inbox: queue.Queue[Any] = queue.Queue()
        self._children: list[_Child] = []
        self._failed: list[PhotoJob] = []

    def run(self, jobs: Iterable[PhotoJob]) -> Iterator[Done]:
        """Results in the order they are ready, one per job.

        Raises
        ------
        HairtoneError
            No child could be started at all.
        """
        waiting = deque(jobs)
        try:
            yield from self._serve(waiting, workers=self._workers, is_last=False)
            for job in sorted(self._failed, key=lambda job: job.name):
                self._end_all()  # alone, in a fresh process
                yield from self._serve(deque([job]), workers=1, is_last=True)
        finally:
            self._end_all()

    def _serve(self, waiting: deque[PhotoJob], *, workers: int, is_last: bool) -> Iterator[Done]:
        crowd = max(1.0, workers / (os.cpu_count() or 1))
        while waiting or any(child.job for child in self._children):
            busy = sum(child.job is not None for child in self._children)
            while len(self._children) < min(workers, busy + len(waiting)):
                self._children.append(_Child(self._target, self._limits, self._inbox))
            for child in self._children:
                if child.is_ready and child.job is None and waiting:
                    child.give(waiting.popleft(), time_s=self._limits.time_s * crowd)
            done = self._next(is_last=is_last)
            if done is not None:
                yield done

    def _next(self, *, is_last: bool) -> Done | None:
        """Wait for one message or one deadline, and act on it."""
        active = [child for child in self._children if child.job or not child.is_ready]
        soonest = min(child.deadline for child in active)
        try:
            child, (kind, value) = self._inbox.get(
                timeout=min(0.5, max(0.0, soonest - time.monotonic()))
            )
        except queue.Empty:
            late = [child for child in active if child.deadline <= time.monotonic()]
            return self._lose(late[0], "timed-out", is_last=is_last) if late else None
        if child not in self._children:
            return None  # last words of a child already ended
        if kind == "ready":
            child.is_ready = True
            return None
        if kind == "ended":
            return self._lose(child, "crashed", is_last=is_last)
        job, child.job = child.job, None
        if kind == "memory":
            return self._fail(job, "memory", str(value), is_last=is_last)
        if kind != "done":
            return self._fail(job, kind, str(value), is_last=True)
        return Done(name=job.name, packed=value)

    def _lose(self, child: _Child, code: str, *, is_last: bool) -> Done | None:
        """A child is gone or must go, and its photo with it."""
        self._children.remove(child)
        cause = "it did not answer" if code == "timed-out" else child.cause()
        child.end()
        if not child.is_ready:
            raise HairtoneError(
                "worker-start",
                f"A measuring process could not be started ({cause}).",
                remedy="Install hairtone again, or allow it more memory.",
            )
        if child.job is None:
            return None
        says = (
            f"the photo took longer than {self._limits.time_s:.0f} s"
            if code == "timed-out"
            else f"the process that measured it ended ({cause})"
        )
        return self._fail(child.job, code, says, is_last=is_last)

    def _fail(self, job: PhotoJob, code: str, says: str, *, is_last: bool) -> Done | None:
        """Put a photo aside for a second try alone, or refuse it."""
        if not is_last:
            self._failed.append(job)
            return None
        twice = ", twice, the second time alone" if code in _TRIED_AGAIN else ""
        error = HairtoneError(
            code, f"It could not be measured: {says}{twice}.", where=job.name,
            remedy=_REMEDIES[code],
        )  # fmt: skip
        return Done(name=job.name, packed=None, error=error)

    def _end_all(self) -> None:
        while self._children:
            self._children.pop().end()


class Cluster:
    """Runs jobs over the workers of a scheduler; iterate over `run`.

    Parameters
    ----------
    measure : callable
        The measuring function, importable by name on every worker.
    address : str
        Address of a running scheduler.
    folder : Path
        The study folder, seen by every worker under the same path.
    """

    def __init__(self, measure: Callable[[Any], Any], *, address: str, folder: Path) -> None:
        self._target = (measure.__module__, measure.__qualname__)
        self._address = address
        self._folder = folder

    def run(self, jobs: Iterable[PhotoJob]) -> Iterator[Done]:
        """Results in the order they are ready, one per job.

        Raises
        ------
        HairtoneError
            The extra is missing, the scheduler does not answer, or a worker does not see the
            study or has other versions.
        """
        try:
            distributed: Any = importlib.import_module("distributed")
        except ImportError as error:
            raise HairtoneError(
                "extra-missing",
                "A cluster needs the extra 'cluster' of hairtone.",
                remedy="Install the checkout with it: pip install '.[cluster]'.",
            ) from error
        _refuse_open_door(self._address)
        try:
            client = distributed.Client(self._address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise HairtoneError(
                "no-cluster",
                f"No scheduler answers at the address given ({type(error).__name__}).",
                remedy="Check the address, or leave --cluster out to measure on this computer.",
            ) from error
        with client:
            self._preflight(client)
            yield from self._serve(client, list(jobs))

    def _preflight(self, client: Any) -> None:
        """Every worker must see the study and hold the same versions."""
        probe = self._folder / "study.toml"
        mine = (sha256_of(probe), versions())
        theirs = client.run(_probe, str(probe))
        if not theirs:
            raise HairtoneError(
                "no-workers", "The scheduler has no workers.", remedy="Start some workers first."
            )
        blind = sum(found[0] != mine[0] for found in theirs.values())
        if blind:
            raise HairtoneError(
                "study-not-seen",
                f"{blind} of {len(theirs)} workers do not see the study folder.",
                remedy=_REMEDY,
            )
        for found in theirs.values():
            other = {k: v for k, v in found[1].items() if mine[1].get(k) != v}
            if other:
                differing = ", ".join(f"{k} {v or 'missing'}" for k, v in other.items())
                raise HairtoneError(
                    "other-versions",
                    f"A worker has other versions than this computer ({differing}).",
                    remedy="Give every worker the same installation: versions are never mixed.",
                )

    def _serve(self, client: Any, jobs: list[PhotoJob]) -> Iterator[Done]:
        distributed: Any = importlib.import_module("distributed")
        cores = max(1, sum(client.ncores().values()))
        waiting = iter(enumerate(jobs))
        batch = secrets.token_hex(8)
        asked: dict[str, PhotoJob] = {}

        def submit(number: int, job: PhotoJob) -> Any:
            key = f"hairtone-{hashlib.sha256(f'{batch}{number}'.encode()).hexdigest()[:24]}"
            asked[key] = job
            return client.submit(
                _measure_one, self._target, job.request, key=key, pure=False, retries=_TRIES
            )

        first = [submit(*pair) for _, pair in zip(range(_AHEAD * cores), waiting, strict=False)]
        queue = distributed.as_completed(first, loop=client.loop)
        for future in queue:
            if future.status in _GONE_AGAIN:
                queue.add(future)
                continue
            yield _done(asked.pop(future.key), future)
            future.release()
            following = next(waiting, None)
            if following is not None:
                queue.add(submit(*following))


def _refuse_open_door(address: str) -> None:
    """Refuse a scheduler that anybody on the network could send work to."""
    host = urlsplit(address if "//" in address else f"tcp://{address}").hostname or ""
    is_near = host == "localhost" or host.startswith("127.") or host == "::1"
    if address.startswith("tls://") or is_near or os.environ.get(_PLAIN) == "1":
        return
    raise HairtoneError(
        "cluster-not-secured",
        "The scheduler's address is on the network and not secured (no tls://): whoever reaches "
        "it can run anything on the workers.",
        remedy=f"Start it with TLS, or set {_PLAIN}=1 on a network you trust.",
    )


def _done(job: PhotoJob, future: Any) -> Done:
    """What became of a photo; a worker lost under it is that photo's refusal."""
    if future.status == "finished":
        kind, value = future.result()
        if kind == "done":
            return Done(name=job.name, packed=value)
        says = str(value)
    elif future.status != "error":
        raise HairtoneError(
            "cluster-lost",
            f"The scheduler was lost (task {future.status}).",
            remedy="Start it again and run the same command: what was stored is kept.",
        )
    else:
        says = f"the workers that measured it were lost ({type(future.exception()).__name__})"
        kind = "crashed"
    error = HairtoneError(
        kind,
        f"It could not be measured: {says}.",
        where=job.name,
        remedy="Measure it on this computer (without --cluster), or leave it out.",
    )
    return Done(name=job.name, packed=None, error=error)


def _measure_one(target: tuple[str, str], request: Any) -> tuple[str, Any]:
    return run(load(*target), request)


def _probe(path: str) -> tuple[str, dict[str, str]]:
    try:
        return sha256_of(Path(path)), versions()
    except OSError:
        return "", versions()
