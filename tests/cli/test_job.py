"""The main job around the arithmetic: what it writes, what it says about compiling, the same bytes every time."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from spillgate.cli import job

Run = Callable[..., Any]


def contents(folder: Path) -> dict[str, bytes]:
    """Everything below a folder but the one file that is outside the promise, which says where the take was."""
    found = {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
    found.pop("source.json")
    return found


def test_what_is_written(small_take: Path, inside: Run, untouched: Callable[[Path], Any]) -> None:
    before = untouched(small_take)
    result = inside("run", "take", "-o", "out", "--json")
    assert (result.returncode, result.stderr) == (0, "")
    out = small_take.parent / "out"
    assert untouched(small_take) == before
    assert {p.name for p in (out / "stems").iterdir()} == {p.name for p in small_take.iterdir()}
    assert json.loads((out / "source.json").read_text("utf-8"))["take"] == str(small_take.resolve())
    assert not (out / ".work").exists()
    assert not (out / ".lock").exists()
    told = json.loads(result.stdout)
    with open(out / "hits.csv", newline="", encoding="utf-8") as stream:
        hits = list(csv.DictReader(stream))
    assert list(hits[0]) == [
        "track",
        "time_s",
        "stem_time_s",
        "piece",
        "level_db",
        "confidence",
        "source",
        "open_s",
        "close_s",
    ]
    for track in told["tracks"]:
        assert sum(h["track"] == track["track"] for h in hits) == track["hits"]
    with open(out / "alignment.csv", newline="", encoding="utf-8") as stream:
        columns = "track,channel,delay_samples,delay_ms,distance_cm,polarity,target,margin,confidence,applied"
        assert list(csv.DictReader(stream).fieldnames or ())[:10] == columns.split(",")
    machine = (str(small_take), str(Path.home()))
    for name, data in contents(out).items():
        if not name.startswith("stems"):
            assert not any(m.encode() in data for m in machine), f"{name} names a place on this machine"


def test_a_track_that_only_explains_bleed_is_still_copied(small_take: Path, inside: Run) -> None:
    kick = next(p for p in small_take.iterdir() if "kick" in p.name.lower())
    guitar = small_take / "Guitar.wav"
    guitar.write_bytes(kick.read_bytes())
    listed = inside("inputs", "take").stdout
    assert 'file = "Guitar.wav"\nrole = "other"' in listed
    told = listed.replace('file = "Guitar.wav"\nrole = "other"', 'file = "Guitar.wav"\nrole = "other"\nexplains = true')
    (small_take.parent / "list.toml").write_text(told, "utf-8")
    result = inside("run", "take", "-o", "out", "--inputs", "list.toml", "--quiet", "detect", "align", "gate", "spill")
    assert (result.returncode, result.stderr) == (0, "")
    out = small_take.parent / "out"
    assert (out / "stems" / guitar.name).read_bytes() == guitar.read_bytes()
    assert inside("render", "out", "--verify").returncode == 0
    mics = [f["mics"] for f in json.loads((out / "plan.json").read_text("utf-8"))["figures"]["gate"].values()]
    alone = inside("run", "take", "-o", "alone", "--quiet")
    assert alone.returncode == 0
    plan = json.loads((small_take.parent / "alone" / "plan.json").read_text("utf-8"))
    assert [m - 1 for m in mics] == [f["mics"] for f in plan["figures"]["gate"].values()]


def test_the_same_bytes_whatever_the_number_of_workers(small_take: Path, inside: Run) -> None:
    for out, workers in (("one", "1"), ("three", "3")):
        assert inside("run", "take", "-o", out, "--quiet", "--workers", workers).returncode == 0
    assert contents(small_take.parent / "one") == contents(small_take.parent / "three")


def test_an_output_is_verified(small_take: Path, inside: Run) -> None:
    assert inside("run", "take", "-o", "out", "--quiet").returncode == 0
    result = inside("render", "out", "--verify")
    assert (result.returncode, result.stdout) == (0, "All 6 stems are what the plan gives.\n")
    stem = small_take.parent / "out" / "stems" / "03 Rack Tom.wav"
    data = bytearray(stem.read_bytes())
    data[-1] ^= 1
    stem.write_bytes(data)
    result = inside("render", "out", "--verify")
    assert result.returncode == 1
    assert result.stderr.startswith("spillgate: out: 03 Rack Tom.wav differ")
    assert stem.read_bytes() == data, "verifying writes nothing"


def test_another_take_of_the_same_name_is_refused(small_take: Path, inside: Run) -> None:
    assert inside("run", "take", "-o", "out", "--quiet").returncode == 0
    path = small_take / "01 Kick.wav"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    result = inside("render", "out", "--verify")
    assert result.returncode == 1
    assert result.stderr.startswith("spillgate: 01 Kick.wav: ")
    assert result.stderr.count("\n") == 1


def test_compiling_is_announced_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "cache"))
    job.prepare_kernels(quiet=False)
    assert capsys.readouterr().err == ""  # no terminal, no remarks
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    job.prepare_kernels(quiet=True)
    assert capsys.readouterr().err == ""
    job.prepare_kernels(quiet=False)
    assert capsys.readouterr().err == "spillgate: first run on this machine: compiling, about half a minute longer\n"
    (tmp_path / "cache" / "dsp").mkdir(parents=True)
    (tmp_path / "cache" / "dsp" / "f.nbi").touch()
    job.prepare_kernels(quiet=False)
    assert capsys.readouterr().err == ""


def test_the_progress_is_for_terminals(capsys: pytest.CaptureFixture[str]) -> None:
    with job.progress_bar(quiet=False) as tell:
        assert tell is None
    assert capsys.readouterr().err == ""
