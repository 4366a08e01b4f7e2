"""A batch on a real dask scheduler with real worker processes, one of which is killed at its work."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(find_spec("distributed") is None, reason="needs the extra: pip install '.[cluster]'"),
]

ENV = {**os.environ, "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "60s", "OMP_NUM_THREADS": "1"}
SONGS = ("one", "two", "three", "four")


@contextlib.contextmanager
def started(*words: str | Path, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    with log.open("wb") as stream:
        command = [sys.executable, "-W", "ignore", *map(str, words)]
        process = subprocess.Popen(command, stdout=stream, stderr=stream, stdin=subprocess.DEVNULL, env=ENV)
        try:
            yield process
        finally:
            process.kill()
            process.wait(60)


def wait(due: Callable[[], bool], what: str, seconds: float = 180.0) -> None:
    stop = time.monotonic() + seconds
    while not due():
        assert time.monotonic() < stop, what
        time.sleep(0.01)


def scheduler(folder: Path) -> contextlib.AbstractContextManager[subprocess.Popen[bytes]]:
    words = ("--scheduler-file", folder / "scheduler.json", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    return started("-m", "distributed.cli.dask_scheduler", *words, log=folder / "scheduler.log")


def worker(folder: Path, name: str) -> contextlib.AbstractContextManager[subprocess.Popen[bytes]]:
    words = ("--scheduler-file", folder / "scheduler.json", "--nthreads", "1", "--no-nanny", "--no-dashboard")
    more = ("--name", name, "--local-directory", folder / name)
    return started("-m", "distributed.cli.dask_worker", *words, *more, log=folder / f"{name}.log")


def address(folder: Path) -> str:
    file = folder / "scheduler.json"
    wait(
        lambda: file.is_file() and file.read_text().endswith("}"), "the scheduler starts"
    )  # there before it is written
    return str(json.loads(file.read_text())["address"])


def digest(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.name not in ("source.json", "report.html"))
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_a_killed_worker_loses_no_take_and_changes_no_byte(small_take, tmp_path, spillgate) -> None:
    for song in SONGS:
        shutil.copytree(small_take, tmp_path / "songs" / song)
    out = tmp_path / "cluster"
    with scheduler(tmp_path), worker(tmp_path, "a") as first, worker(tmp_path, "b") as second:
        words = ("batch", tmp_path / "songs", "-o", out, "--cluster", address(tmp_path), "--json")
        with started("-m", "spillgate.cli", *words, log=tmp_path / "batch.log") as batch:
            at_work = [out / song / ".lock" for song in SONGS]
            wait(lambda: sum(p.exists() for p in at_work) == 2, "both workers are at work")
            first.kill()
            first.wait(60)
            assert batch.wait(240) == 0, (tmp_path / "batch.log").read_text()
        assert second.poll() is None
    told = json.loads((tmp_path / "batch.log").read_text())
    assert {o["take"]: o["state"] for o in told} == dict.fromkeys(SONGS, "done")
    assert spillgate("batch", tmp_path / "songs", "-o", "local", "--workers", "1", "--quiet").returncode == 0
    assert digest(out) == digest(tmp_path / "local")
    assert not [p for p in out.rglob(".*")]


def test_where_no_cluster_answers(small_take, tmp_path, spillgate) -> None:
    shutil.copytree(small_take, tmp_path / "songs" / "one")
    result = spillgate("batch", tmp_path / "songs", "-o", "out", "--cluster", "tcp://127.0.0.1:9")
    assert result.returncode == 1
    line = "spillgate: --cluster tcp://127.0.0.1:9: no scheduler answers there; start one, see the README"
    assert result.stderr.splitlines() == [line]
    assert not (tmp_path / "out").exists()


def test_a_cluster_without_workers(small_take, tmp_path, spillgate, monkeypatch) -> None:
    shutil.copytree(small_take, tmp_path / "songs" / "one")
    monkeypatch.setenv("DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT", "60s")
    with scheduler(tmp_path):
        result = spillgate("batch", tmp_path / "songs", "-o", "out", "--cluster", address(tmp_path))
    assert result.returncode == 1
    assert "has no worker; start one, see the README" in result.stderr
    assert result.stderr.count("\n") == 1
