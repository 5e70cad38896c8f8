"""A process beside the server that does the heavy work, as the server sees it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable
from typing import Any, Final

from hairtone.errors import HairtoneError
from hairtone.study.workers import THREADS

_LINE: Final = 64 << 20  # bytes of the longest answer: a result page with its figures; our choice
_BOOT: Final = (  # the server's search path, then the child; nothing else on its command line
    "import sys, json; sys.path[:] = json.loads(sys.argv[1]); "
    "from hairtone.desk.child import main; main()"
)
_SECRETS: Final = ("TOKEN", "PASSWORD", "COOKIE")
Progress = Callable[[int, int, str], None]


class TaskError(HairtoneError):
    """What a task could not do; `lines` holds everything that is wrong, one sentence each."""

    lines: tuple[str, ...] = ()


class Helper:
    """One process that answers one request at a time; it is started when first asked.

    A process that dies or hangs costs the request it was at. The next one gets a fresh process.
    """

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process | None = None
        self._turn = asyncio.Lock()
        self._number = 0

    async def ask(
        self, task: str, *, limit_s: float, progress: Progress | None = None, **asked: Any
    ) -> dict[str, Any]:
        """The answer to a task.

        Parameters
        ----------
        task : str
            One of `hairtone.desk.child.TASKS`.
        limit_s : float
            Longest silence before the process is taken for hung. [s]
        progress : callable, optional
            Gets (done, total, words).
        **asked
            What the task needs, JSON-ready.

        Raises
        ------
        TaskError
            It could not be done, with the reason and what to do.
        """
        async with self._turn:
            try:
                return await self._asked(task, asked, limit_s, progress)
            except (TaskError, asyncio.CancelledError) as error:
                if isinstance(error, asyncio.CancelledError) or error.code in ("ended", "hung"):
                    await self.end()
                raise

    async def warm(self) -> None:
        """Start the process now, so that the first request does not wait for it."""
        async with self._turn:
            await self._started()

    async def end(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None and process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()

    @property
    def pid(self) -> int | None:
        """Of the process that runs now."""
        alive = self._process is not None and self._process.returncode is None
        return self._process.pid if alive and self._process else None

    async def _started(self) -> asyncio.subprocess.Process:
        if self._process is None or self._process.returncode is not None:
            clean = {k: v for k, v in os.environ.items() if not any(s in k for s in _SECRETS)}
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-c", _BOOT, json.dumps(sys.path),
                stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL, limit=_LINE, start_new_session=True,
                env={**clean, **THREADS, "PYTHONUTF8": "1"},
            )  # fmt: skip
        return self._process

    async def _asked(
        self, task: str, asked: dict[str, Any], limit_s: float, progress: Progress | None
    ) -> dict[str, Any]:
        process = await self._started()
        self._number += 1
        request = {"id": self._number, "task": task, **asked}
        stream, answers = process.stdin, process.stdout
        if stream is None or answers is None:
            raise _lost()
        try:
            stream.write(json.dumps(request).encode() + b"\n")
            await stream.drain()
            while True:
                line = await asyncio.wait_for(answers.readline(), limit_s)
                if not line:
                    raise _lost()
                answer = json.loads(line)
                if "progress" in answer and progress:
                    progress(*answer["progress"])
                if "error" in answer:
                    raise _task_error(answer["error"])
                if "ok" in answer:
                    return dict(answer["ok"])
        except TimeoutError as error:
            raise TaskError(
                "hung", f"No answer came within {limit_s:.0f} s.",
                remedy="Try again; a smaller photo helps.",
            ) from error  # fmt: skip
        except (ConnectionError, ValueError) as error:
            raise _lost() from error


def _lost() -> TaskError:
    return TaskError(
        "ended", "The measuring process ended before it was done.",
        remedy="Try again: what was measured is kept.",
    )  # fmt: skip


def _task_error(told: dict[str, Any]) -> TaskError:
    error = TaskError(told["code"], " ".join(told["lines"]), remedy="")
    error.lines = tuple(told["lines"])
    return error
