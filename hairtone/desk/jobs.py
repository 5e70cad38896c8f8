"""Measuring and writing pages for one study after another, and how far each has come."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from hairtone.desk.helper import Helper, TaskError

SILENCE_S: Final = 600.0  # longest time without a word of progress; our choice
_TRIES: Final = 2  # a process that was lost is given a second try; what it measured is kept


@dataclass(slots=True)
class Work:
    """One piece of work as its page shows it."""

    task: str
    state: str = "waiting"  # waiting, running, done, failed
    done: int = 0
    total: int = 1
    words: str = "Waiting for its turn"
    lines: tuple[str, ...] = ()
    answer: dict[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "task": self.task, "state": self.state, "done": self.done, "total": self.total,
            "words": self.words, "lines": list(self.lines), "answer": self.answer,
        }  # fmt: skip

    @property
    def is_open(self) -> bool:
        """Whether it waits or runs."""
        return self.state in ("waiting", "running")


class Jobs:
    """The work asked for, by study; one at a time, as measuring uses every core already.

    Parameters
    ----------
    helper : Helper
        The process that does it.
    """

    def __init__(self, helper: Helper) -> None:
        self._helper = helper
        self._jobs: dict[str, Work] = {}
        self._running: set[asyncio.Task[None]] = set()

    def of(self, code: str) -> Work | None:
        """The last job of a study."""
        return self._jobs.get(code)

    def start(self, code: str, task: str, folder: Path, **asked: Any) -> Work:
        """Begin a job; the one that runs for the study already, if it is the same work."""
        known = self._jobs.get(code)
        if known is not None and known.is_open and known.task == task and not asked:
            return known
        job = self._jobs[code] = Work(task=task)
        running = asyncio.get_running_loop().create_task(self._run(job, folder, asked))
        self._running.add(running)
        running.add_done_callback(self._running.discard)
        return job

    async def _run(self, job: Work, folder: Path, asked: dict[str, Any]) -> None:
        def progress(done: int, total: int, words: str) -> None:
            job.state, job.done, job.total, job.words = "running", done, total, words

        for left in reversed(range(_TRIES)):
            try:
                job.answer = await self._helper.ask(
                    job.task, limit_s=SILENCE_S, progress=progress, folder=str(folder), **asked
                )
                job.state, job.done, job.words = "done", job.total, "Done"
                return
            except TaskError as error:
                if error.code != "ended" or not left:
                    job.state = "failed"
                    job.lines = error.lines or (str(error),)
                    return

    async def end(self) -> None:
        """Stop what runs."""
        for running in list(self._running):
            running.cancel()
        await self._helper.end()

    @property
    def pid(self) -> int | None:
        """Of the measuring process."""
        return self._helper.pid
