"""A tree of takes: a bad one never stops the others, done ones are not done again, bytes do not depend on workers."""

from __future__ import annotations

import csv
import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from spillgate.cli import many
from spillgate.cli.many import Outcome, Task, find_takes, local, ranked, table
from spillgate.dsp.errors import TakeError


def tree(small_take: Path, folder: Path, *names: str) -> Path:
    for name in names:
        shutil.copytree(small_take, folder / name)
    return folder


def digest(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.name not in ("source.json", "report.html"))
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def test_takes_are_the_folders_that_hold_recordings(tmp_path: Path) -> None:
    for name in ("a/one.wav", "a/deep/two.flac", "b/notes.txt", ".hidden/three.wav", "clean/x.wav", "clean/plan.json"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    assert find_takes(tmp_path) == ["a", "a/deep"]
    with pytest.raises(TakeError, match="holds no folder with recordings"):
        find_takes(tmp_path / "b")


@pytest.mark.slow
def test_a_batch_does_every_take_and_a_bad_one_stops_nothing(small_take, tmp_path, spillgate) -> None:
    songs = tree(small_take, tmp_path / "songs", "one", "two", "bad")
    for file in (songs / "bad").glob("*.wav"):
        file.write_bytes(b"no audio")
    first = spillgate("batch", songs, "-o", "out", "detect", "gate", "--workers", "2")
    assert first.returncode == 1
    assert "2 of 3 takes done." in first.stdout
    assert "bad: " in first.stderr
    assert "1 of 3 takes failed" in first.stderr.splitlines()[-1]
    assert "Traceback" not in first.stderr
    rows = list(csv.DictReader((tmp_path / "out" / "takes.csv").read_text().splitlines()))
    assert [(r["take"], r["result"]) for r in rows] == [("bad", "failed"), ("one", "done"), ("two", "done")]
    page = (tmp_path / "out" / "takes.html").read_text()
    assert page.index(">bad<") < page.index(">one<")

    again = spillgate("batch", songs, "-o", "out", "detect", "gate", "--workers", "2")
    assert "2 of 3 takes done, 2 of them before." in again.stdout
    other = spillgate("batch", songs, "-o", "out1", "detect", "gate", "--workers", "1")
    assert other.returncode == 1
    assert digest(tmp_path / "out") == digest(tmp_path / "out1")


@pytest.mark.slow
def test_other_settings_are_done_again(small_take, tmp_path, spillgate) -> None:
    songs = tree(small_take, tmp_path / "songs", "one")
    assert spillgate("batch", songs, "-o", "out", "detect").returncode == 0
    again = spillgate("batch", songs, "-o", "out", "detect", "--spacing-ms", "20")
    assert "1 of 1 takes done." in again.stdout


def test_an_output_inside_the_tree_is_refused(small_take, tmp_path, spillgate) -> None:
    songs = tree(small_take, tmp_path / "songs", "one")
    result = spillgate("batch", songs, "-o", songs / "clean")
    assert result.returncode == 1
    assert "choose a folder apart from the recordings" in result.stderr
    assert not (songs / "clean").exists()


def test_corrections_count_whatever_the_clock_says(small_take, tmp_path) -> None:
    songs, out = tree(small_take, tmp_path / "songs", "one"), tmp_path / "out" / "one"
    task = Task("one", str(songs / "one"), str(out), {"chain": [{"processor": "detect", "params": {}}]})
    assert many.one_take(task).state == "done"
    (out / "corrections.toml").write_text("schema = 1\n")
    os.utime(out / "corrections.toml", (0, 0))  # older than the plan: written after the clock was set back
    assert many.one_take(task).state == "done"
    assert many.one_take(task).state == "had been done"
    (songs / "one" / many.INPUT_LIST).write_text('view = "audience"\n')
    os.utime(songs / "one" / many.INPUT_LIST, (0, 0))
    assert many.one_take(task).state == "done"


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes the Linux way")
def test_a_killed_batch_leaves_no_process_behind(small_take, tmp_path) -> None:
    songs = tree(small_take, tmp_path / "songs", "one")
    words = ["-m", "spillgate.cli", "batch", str(songs), "-o", str(tmp_path / "out"), "--quiet"]
    batch = subprocess.Popen([sys.executable, "-W", "ignore", *words], cwd=tmp_path)

    def children() -> set[str]:
        return {p for t in Path(f"/proc/{batch.pid}/task").iterdir() for p in (t / "children").read_text().split()}

    def wait(due: Callable[[], bool]) -> bool:
        stop = time.monotonic() + 60
        while not due() and time.monotonic() < stop:
            time.sleep(0.02)
        return due()

    assert wait(lambda: (tmp_path / "out" / "one" / ".lock").exists()), "a process of it is at work"
    left = children()
    assert left
    batch.kill()
    batch.wait(60)
    assert wait(lambda: not any(Path(f"/proc/{p}").exists() for p in left))


def _dies(task: Task) -> Outcome:
    import os

    if task.name == "killer":
        os._exit(9)
    return Outcome(task.name, "done")


def test_a_take_that_kills_its_process_is_found_and_the_others_are_done(monkeypatch: pytest.MonkeyPatch) -> None:
    import multiprocessing

    # forked, so that the children know the stand-in for the job
    monkeypatch.setattr(many, "_spawn", lambda: multiprocessing.get_context("fork"))
    monkeypatch.setattr(many, "one_take", _dies)
    tasks = [Task(n, "", "", {}) for n in ("a", "killer", "b")]
    outcomes = {o.take: o for o in local(2)(tasks)}
    assert {n: o.state for n, o in outcomes.items()} == {"a": "done", "b": "done", "killer": "failed"}
    assert "killed" in outcomes["killer"].verdict


def test_the_worst_come_first_and_the_table_knows_no_order() -> None:
    made = [
        Outcome("quiet", "done"),
        Outcome("asks", "done", questions=2, loudest_question=3.0),
        Outcome("bad", "failed", verdict="no audio"),
        Outcome("asks more", "done", questions=9, loudest_question=1.0),
    ]
    assert [o.take for o in ranked(made)] == ["bad", "asks", "asks more", "quiet"]
    assert table(made) == table(made[::-1])
