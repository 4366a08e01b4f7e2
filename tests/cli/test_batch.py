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
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from spillgate.cli import many, output, spread
from spillgate.cli.desk import open_desk
from spillgate.cli.many import Outcome, Task, find_takes, places
from spillgate.cli.spread import local
from spillgate.cli.takes_page import overview, ranked, table
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

    def batch(*words: str) -> str:
        result = spillgate("batch", songs, "-o", "out", *words)
        assert result.returncode == 0, result.stderr
        return str(result.stdout).splitlines()[0]

    anew, before = "1 of 1 takes done.", "1 of 1 takes done, 1 of them before."
    assert batch("detect") == anew
    assert batch("detect") == before
    assert batch("detect", "--spacing-ms", "20") == anew
    stems = ("--format", "flac", "--suffix", "_clean", "--removed")
    assert batch("detect", "gate", *stems) == anew
    assert sorted(p.suffix for p in (tmp_path / "out" / "one" / "stems").iterdir() if "_clean" in p.name) != []
    assert batch("detect", "gate", *stems) == before
    gone = next((tmp_path / "out" / "one" / "removed").iterdir())
    gone.unlink()
    assert batch("detect", "gate", *stems) == anew
    assert gone.is_file()
    assert batch("detect", "gate") == anew


def test_what_was_overruled_since_is_not_done_again(small_take, tmp_path) -> None:
    songs, out = tree(small_take, tmp_path / "songs", "one"), tmp_path / "out" / "one"
    chain = {"chain": [{"processor": "detect", "params": {}}, {"processor": "gate", "params": {}}]}
    task = Task("one", str(songs / "one"), str(out), chain)
    assert many.one_take(task).state == "done"
    track = open_desk(out).take.of_role("tom")[0].label
    text = f'[[parameter]]\ntrack = "{track}"\nprocessor = "gate"\nname = "floor_db"\nvalue = -18.0\n'
    (out / "corrections.toml").write_text(text, "utf-8")
    assert open_desk(out).render()
    assert many.one_take(task).state == "had been done"
    desk = open_desk(out)
    desk.take_back(["gate"])
    desk.render()
    assert many.one_take(task).state == "had been done"


def test_takes_inside_one_another_go_side_by_side() -> None:
    assert places(["a", "b/c"], "songs") == {"a": "a", "b/c": "b/c"}
    assert places(["a", "a/stems", "a/x/y", "a - stems"], "songs") == {
        "a": "a",
        "a - stems": "a - stems",
        "a/stems": "a - stems_",
        "a/x/y": "a - x - y",
    }
    assert places([".", "a", "songs"], "songs") == {".": "songs_", "a": "songs - a", "songs": "songs - songs"}


def test_a_worker_of_another_version_does_nothing(small_take, tmp_path) -> None:
    outcome = many.one_take(Task("one", str(small_take), str(tmp_path / "out"), {"chain": []}, version="0.0.1"))
    assert (outcome.state, "the batch 0.0.1; install the same" in outcome.verdict) == ("failed", True)
    assert not (tmp_path / "out").exists()


def test_a_take_waits_for_the_process_that_is_at_it(small_take, tmp_path) -> None:
    out = tmp_path / "out"
    task = Task("one", str(small_take), str(out), {"chain": [{"processor": "detect", "params": {}}]})
    out.mkdir()
    with ThreadPoolExecutor(1) as pool:
        with output._lock(out):
            waiting = pool.submit(many.one_take, task)
            time.sleep(0.5)
            assert not waiting.done()
        assert waiting.result().state == "done"


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


@pytest.mark.slow
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
    monkeypatch.setattr(spread, "_spawn", lambda: multiprocessing.get_context("fork"))
    monkeypatch.setattr(spread, "one_take", _dies)
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
    page = overview(made, 6)
    assert [page.index(f">{name}<") for name in ("bad", "asks", "asks more", "quiet")] == sorted(
        page.index(f">{name}<") for name in ("bad", "asks", "asks more", "quiet")
    )
    assert "1 failed, 11 questions, 2 not done yet" in page
    assert "&lt;b&gt;" in overview([Outcome("<b>", "failed", verdict="<b>")], 1)


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="no such names there")
def test_a_folder_whose_name_is_not_utf_8_stops_nothing_and_is_listed(small_take, tmp_path, spillgate) -> None:
    songs = tree(small_take, tmp_path / "songs", "one")
    os.mkdir(os.fsencode(songs) + b"/A\xff")
    shutil.copy(next(small_take.glob("*.wav")), os.fsdecode(os.fsencode(songs) + b"/A\xff/Kick.wav"))
    out = tmp_path / "out"
    result = spillgate("batch", songs, "-o", out, "--quiet", "--workers", "1")
    assert result.returncode == 1
    assert "fault of the program" not in result.stderr
    rows = list(csv.DictReader((out / "takes.csv").read_text("utf-8").splitlines()))
    assert {r["take"]: r["result"] for r in rows} == {"A\\udcff": "failed", "one": "done"}
    assert "A\\udcff" in (out / "takes.html").read_text("utf-8")
