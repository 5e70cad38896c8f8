"""Ctrl-C and a request to end (SIGTERM): one way out, with what was kept said."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from types import FrameType


class StudyStopped(KeyboardInterrupt):
    """A run was stopped; what was measured is kept.

    Attributes
    ----------
    kept, left : int
        Photos stored, and photos still to be measured.
    exit_status : int
        128 + the signal's number: 130 after Ctrl-C, 143 after SIGTERM.
    """

    def __init__(self, *, kept: int, left: int, signal: int) -> None:
        self.kept, self.left = kept, left
        self.exit_status = 128 + signal
        super().__init__(
            f"Stopped: {kept} photos are stored, {left} are left. Run the same command to go on."
        )


@dataclass(slots=True)
class Stop:
    """Which signal asked to stop."""

    signal: int = int(signal.SIGINT)


@contextlib.contextmanager
def stopping() -> Iterator[Stop]:
    """Let SIGTERM end a run as Ctrl-C does; only where this is the main thread."""
    stop = Stop()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return

    def on_term(number: int, frame: FrameType | None) -> None:
        stop.signal = number
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, on_term)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGTERM, before)
