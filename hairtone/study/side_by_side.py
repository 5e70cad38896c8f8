"""Work on many things by several processes, results in the order of the things."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Final, TypeVar

from hairtone.errors import HairtoneError

Thing = TypeVar("Thing")
Result = TypeVar("Result")
_AHEAD: Final = 2  # things a process that wait ready for it, so that memory stays flat; our choice


def side_by_side(
    work: Callable[[Thing], Result], things: Iterable[Thing], *, workers: int
) -> Iterator[Result]:
    """``map(work, things)``, by `workers` processes where there are more than one.

    Parameters
    ----------
    work : callable
        Importable by name; it and what it takes and gives can be sent to another process.
    things : iterable
        Drawn on only as fast as they are worked on.
    workers : int
        Processes. The results do not depend on it.

    Raises
    ------
    HairtoneError
        ``process-lost``: a process was ended from outside, as where memory runs out.
    """
    if workers == 1:
        yield from map(work, things)
        return
    from concurrent.futures import Future, ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    try:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            waiting: deque[Future[Result]] = deque()
            for thing in things:
                waiting.append(pool.submit(work, thing))
                if len(waiting) > _AHEAD * workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
    except BrokenProcessPool:
        raise HairtoneError(
            "process-lost",
            "A process of the analysis was ended from outside; memory may have run out.",
            remedy="Run again with fewer workers; what was measured is kept.",
        ) from None
