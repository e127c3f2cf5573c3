"""A season on a Dask cluster and on object storage: `pytest -m acceptance -k cluster -s`.

Needs `pip install 'buswright[cluster]' s3fs 'moto[server]'`. The object storage is moto's server on this computer.
"""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CAR = ROOT / "dbc_examples" / "wrenfell.toml"
RUN = ROOT / "captures" / "wrenfell_run.log"
CAPTURES, LINES = 24, 4000

pytestmark = [pytest.mark.acceptance, pytest.mark.filterwarnings("default")]


@pytest.fixture
def store(monkeypatch):
    """An s3fs on an empty store with the bucket `team`; every process started from here finds the same one."""
    pytest.importorskip("s3fs")
    server = pytest.importorskip("moto.server").ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    given = {"AWS_ENDPOINT_URL": f"http://{host}:{port}", "AWS_ACCESS_KEY_ID": "no", "AWS_SECRET_ACCESS_KEY": "no"}
    for name, value in (given | {"AWS_DEFAULT_REGION": "us-east-1"}).items():
        monkeypatch.setenv(name, value)
    import s3fs

    reset = urllib.request.Request(f"http://{host}:{port}/moto-api/reset", method="POST")
    urllib.request.urlopen(reset).close()  # its state is the process's, not the server's
    files = s3fs.S3FileSystem(skip_instance_cache=True)
    files.mkdir("team")
    yield files
    server.stop()


@pytest.fixture
def captures(store):
    lines = RUN.read_bytes().splitlines(keepends=True)
    step = (len(lines) - LINES) // CAPTURES
    for k in range(CAPTURES):
        store.pipe_file(f"team/captures/run_{k:02d}.log", b"".join(lines[k * step : k * step + LINES]))
    return "s3://team/captures"


def season(*words, status=0):
    done = subprocess.run(
        [sys.executable, "-m", "buswright", "season", *words, "--json"], capture_output=True, text=True, timeout=300
    )
    assert done.returncode == status, done.stderr[-2000:] + done.stdout[-2000:]
    return json.loads(done.stdout)


@contextlib.contextmanager
def cluster(workers=4):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None
    ) as made:
        yield made


def hashes(files, place):
    """Every file of the runs of a season, with its content."""
    return {path.partition("/runs/")[2]: files.cat_file(path) for path in files.find(f"{place}/runs")}


def test_a_season_is_written_listed_read_and_checked_on_object_storage(store, captures):
    place = ("--season", "s3://team/season")
    for path in store.ls("team/captures")[4:]:
        store.rm_file(path)
    began = time.monotonic()
    done = season("add", captures, "--car", str(CAR), *place)
    print(f"\n4 captures of {LINES:,} frames from and to object storage: {time.monotonic() - began:.1f} s")
    assert [run["capture"] for run in done["added"]] == [f"run_{k:02d}.log" for k in range(4)]
    assert len(season("add", captures, "--car", str(CAR), *place)["known"]) == 4
    assert len(season("list", *place)["runs"]) == 4
    over = season("channel", "oil_pressure", "--over", "mean", *place)
    assert len(over["numbers"]) == 4
    assert season("check", *place)["faults"] == []
    lost = next(path for path in store.find("team/season/runs") if path.endswith("numbers.parquet"))
    store.rm_file(lost)
    assert [each["what"] for each in season("check", *place, status=1)["faults"]] == ["missing"]
    assert len(season("add", captures, "--car", str(CAR), *place)["again"]) == 1
    assert season("check", *place)["faults"] == []


def test_a_killed_worker_costs_no_run_and_none_is_there_twice(store, captures):
    place, killed = "s3://team/season", []
    with cluster() as made:

        def kill():
            while len(store.find("team/season/catalogue")) < 3:
                time.sleep(0.1)
                store.invalidate_cache()
            busy = [worker for worker in made.scheduler.workers.values() if worker.processing]
            nanny = made.workers[random.Random(os.urandom(8)).choice(busy).name]
            killed.append((nanny.pid, len(store.find("team/season/catalogue"))))
            os.kill(nanny.pid, signal.SIGKILL)

        killer = threading.Thread(target=kill, daemon=True)
        killer.start()
        began = time.monotonic()
        done = season("add", captures, "--car", str(CAR), "--season", place, "--scheduler", made.scheduler_address)
        took = time.monotonic() - began
        killer.join(timeout=5)
    assert len(killed) == 1
    assert killed[0][1] < CAPTURES, "it was killed when all was done"
    print(f"\n{CAPTURES} captures, four workers, one killed after {killed[0][1]} commits: {took:.1f} s")
    assert len(done["added"]) == CAPTURES
    assert done["refused"] == []
    # parts of one run have trends
    listed = season("list", "--season", place, "--fail-on", "never")["runs"]
    assert sorted(run["capture"] for run in listed) == [f"run_{k:02d}.log" for k in range(CAPTURES)]
    assert len({run["name"] for run in listed}) == CAPTURES
    assert season("check", "--season", place)["faults"] == []
    assert len(store.ls("team/season/runs")) == CAPTURES
    # one process, without a cluster, writes the same to the last bit
    season("add", captures, "--car", str(CAR), "--season", "s3://team/alone")
    store.invalidate_cache()
    assert hashes(store, "team/season") == hashes(store, "team/alone")
