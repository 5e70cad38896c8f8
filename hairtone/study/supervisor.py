"""Photos measured in child processes: a crash, a hang or a hungry photo costs that photo alone.

One photo per child at a time. A photo whose child dies, hangs or runs out of memory is tried
once more when nothing else runs; then it is refused with the reason. Results come in the order
they are ready; each depends on its own photo only, so their number and order change nothing.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from hairtone.errors import HairtoneError
from hairtone.study.pack import Packed
from hairtone.study.worker import BOOT, THREADS, receive, send

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one photo may take: seconds, and bytes of address space (0: no limit)."""

    time_s: float = TIME_LIMIT_S
    memory_bytes: int = MEMORY_LIMIT
    start_s: float = START_LIMIT_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
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
        self.job: Job | None = None
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

    def give(self, job: Job, *, time_s: float) -> None:
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
        self._failed: list[Job] = []

    def run(self, jobs: Iterable[Job]) -> Iterator[Done]:
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

    def _serve(self, waiting: deque[Job], *, workers: int, is_last: bool) -> Iterator[Done]:
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

    def _fail(self, job: Job, code: str, says: str, *, is_last: bool) -> Done | None:
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
