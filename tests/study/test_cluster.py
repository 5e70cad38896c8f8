"""A study over the workers of a cluster: the same table, whatever is lost on the way."""

from __future__ import annotations

import os
import subprocess
import sys
import warnings
from types import SimpleNamespace

import pytest
from folders import measure_fast, measured, series, write_study

from hairtone.errors import HairtoneError
from hairtone.study import records as recipe
from hairtone.study.run import measure_study
from hairtone.study.sheet import read_study
from hairtone.study.workers import Cluster, PhotoJob, _done, _refuse_open_door

distributed = pytest.importorskip("distributed", reason="needs the extra cluster")
pytestmark = pytest.mark.filterwarnings("ignore")  # the engine's own, about ports and closing


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two workers in processes of their own."""
    folder = tmp_path_factory.mktemp("dask")
    path = os.pathsep.join(p for p in sys.path if p)
    environment = {**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1"}
    code = (
        "import asyncio, distributed, sys\n"
        "async def main():\n"
        "    async with distributed.Scheduler(port=0, host='127.0.0.1', dashboard=False) as s:\n"
        "        print(s.address, flush=True)\n"
        "        await s.finished()\n"
        "asyncio.run(main())\n"
    )
    options = {"env": environment, "cwd": folder, "stderr": subprocess.DEVNULL, "text": True}
    scheduler = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, **options)
    address = scheduler.stdout.readline().strip()
    workers = [
        subprocess.Popen(
            [
                sys.executable,
                "-m",
                "distributed.cli.dask_worker",
                address,
                "--no-dashboard",
                "--nthreads",
                "1",
                "--no-nanny",
                "--local-directory",
                str(folder),
            ],
            stdout=subprocess.DEVNULL,
            **options,
        )
        for _ in range(3)
    ]
    with distributed.Client(address, set_as_default=False, timeout=20) as client:
        client.wait_for_workers(3, timeout=30)
        recipe.versions.cache_clear()  # both sides look at the same text of the package
        client.run(recipe.versions)
        recipe.versions()
    yield address, workers
    for process in (*workers, scheduler):
        process.kill()
        process.wait()
    scheduler.stdout.close()


def test_a_cluster_gives_the_same_table_and_loses_no_photo_with_a_worker(tmp_path, cluster):
    address, workers = cluster
    rows = series(("T1", "T2", "T3", "T4"))
    here = measured(write_study(tmp_path / "here", rows))
    folder = write_study(tmp_path / "there", rows)

    def kill_one(done, total):
        if done == 3:
            workers[0].kill()

    there = measure_study(
        read_study(folder), measure=measure_fast, progress=kill_one, cluster=address
    )

    assert there.to_json() == here.to_json()


def test_task_names_hold_no_path_and_no_code(tmp_path, cluster):
    address, _ = cluster
    folder = write_study(tmp_path, series(("SECRET",)))
    for path in (folder / "photos").iterdir():
        path.write_bytes(path.read_bytes() + b" slow")
    seen = []

    def look(done, total):
        with distributed.Client(address, set_as_default=False) as client:
            seen.extend(client.run_on_scheduler(lambda dask_scheduler: list(dask_scheduler.tasks)))

    measure_study(read_study(folder), measure=measure_fast, progress=look, cluster=address)

    assert seen
    assert not [key for key in seen if "SECRET" in str(key) or str(tmp_path) in str(key)]


def test_a_photo_that_cannot_be_measured_is_refused_alone(tmp_path, cluster):
    address, _ = cluster
    folder = write_study(tmp_path, series())
    (folder / "photos/T1_0.jpg").write_bytes(b"bug")

    outcome = measure_study(
        read_study(folder), measure=measure_fast, progress=False, cluster=address
    )

    assert [row.status for row in outcome.rows] == ["measured", "refused", "measured"]
    assert str(tmp_path) not in str(outcome.rows[1].error)


def test_workers_with_other_versions_are_refused(tmp_path, cluster, monkeypatch):
    """RUN-09."""
    address, _ = cluster
    monkeypatch.setattr("hairtone.study.workers.versions", lambda: {"numpy": "1.0"})

    with pytest.raises(HairtoneError, match=r"other versions.*numpy"):
        measure_study(
            read_study(write_study(tmp_path, series())),
            measure=measure_fast,
            progress=False,
            cluster=address,
        )


def test_workers_that_do_not_see_the_study_are_refused(tmp_path, cluster, monkeypatch):
    """RUN-08: the probe file's hash is another one there."""
    address, _ = cluster
    monkeypatch.setattr("hairtone.study.workers.sha256_of", lambda path: "0")

    with pytest.raises(HairtoneError, match=r"workers do not see the study"):
        measure_study(
            read_study(write_study(tmp_path, series())),
            measure=measure_fast,
            progress=False,
            cluster=address,
        )


def test_an_address_where_nothing_answers_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("hairtone.study.workers._CONNECT_S", 1)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(HairtoneError, match=r"No scheduler answers"):
            measure_study(
                read_study(write_study(tmp_path, series())),
                measure=measure_fast,
                progress=False,
                cluster="tcp://127.0.0.1:9",
            )


@pytest.mark.parametrize("address", ["tcp://10.1.2.3:8786", "10.1.2.3:8786", "tcp://0.0.0.0:1"])
def test_an_unsecured_scheduler_on_the_network_is_refused_unless_told(address, monkeypatch):
    """SEC-04."""
    with pytest.raises(HairtoneError, match=r"not secured"):
        _refuse_open_door(address)
    monkeypatch.setenv("HAIRTONE_PLAIN_CLUSTER", "1")

    _refuse_open_door(address)


@pytest.mark.parametrize("address", ["tls://10.1.2.3:1", "tcp://127.0.0.1:1", "localhost:1"])
def test_a_secured_or_near_scheduler_is_taken(address):
    _refuse_open_door(address)


def test_the_extra_is_named_where_it_is_missing(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)

    with pytest.raises(HairtoneError, match="needs the extra 'cluster'"):
        list(Cluster(measure_fast, address="localhost:1", folder=tmp_path).run([]))


def test_what_a_worker_says_becomes_the_photo_s_result_or_refusal():
    job = PhotoJob(name="a.jpg", request=None)
    bug = SimpleNamespace(status="finished", result=lambda: ("bug", "ValueError in x.py line 3"))
    lost = SimpleNamespace(status="error", exception=lambda: RuntimeError("gone"))

    assert "ValueError in x.py" in str(_done(job, bug).error)
    assert "lost (RuntimeError)" in str(_done(job, lost).error)


def test_a_lost_scheduler_stops_the_run_with_a_remedy():
    """RUN-07."""
    job = PhotoJob(name="a.jpg", request=None)

    with pytest.raises(HairtoneError, match=r"scheduler was lost.*what was stored is kept"):
        _done(job, SimpleNamespace(status="cancelled"))
