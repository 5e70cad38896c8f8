"""The same photos over many machines: dask.distributed, photos read where they lie.

Task names are numbers: no path and no name of a person's reaches the scheduler's pages.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import secrets
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from hairtone.errors import HairtoneError
from hairtone.study.files import sha256_of
from hairtone.study.recipe import versions
from hairtone.study.supervisor import Done, Job
from hairtone.study.worker import load, run

_CONNECT_S: Final = 20  # our choice
_AHEAD: Final = 4  # photos handed out per core at a time, so that memory stays flat; our choice
_TRIES: Final = 1  # times the engine repeats a photo whose worker was lost; as the supervisor does
# a worker died with a result that nobody had fetched yet: the engine measures that photo anew
_GONE_AGAIN: Final = frozenset({"pending", "lost"})
_PLAIN: Final = "HAIRTONE_PLAIN_CLUSTER"
_REMEDY: Final = "Start the workers where the study folder is mounted under the same path."


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

    def run(self, jobs: Iterable[Job]) -> Iterator[Done]:
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
                told = ", ".join(f"{k} {v or 'missing'}" for k, v in other.items())
                raise HairtoneError(
                    "other-versions",
                    f"A worker has other versions than this computer ({told}).",
                    remedy="Give every worker the same installation: versions are never mixed.",
                )

    def _serve(self, client: Any, jobs: list[Job]) -> Iterator[Done]:
        distributed: Any = importlib.import_module("distributed")
        cores = max(1, sum(client.ncores().values()))
        waiting = iter(enumerate(jobs))
        batch = secrets.token_hex(8)
        asked: dict[str, Job] = {}

        def submit(number: int, job: Job) -> Any:
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


def _done(job: Job, future: Any) -> Done:
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
