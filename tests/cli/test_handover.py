"""Handing over by the command line: formats, what was removed, markers, taking back, and the files beside the stems."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile as sf
import wavinfo

from spillgate.cli.job import main_job
from spillgate.dsp.chain import Chain

TOM = "03 Rack Tom"


def stems(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted((out / "stems").iterdir())}


def test_taking_back_gives_what_a_run_without_gives(finished: Path, inside: Callable, tmp_path: Path) -> None:
    take = tmp_path / "take"
    main_job(take, tmp_path / "ungated", Chain.from_names(("detect", "align")), quiet=True)
    main_job(take, tmp_path / "unmoved", Chain.from_names(("detect", "gate")), quiet=True)
    whole = stems(finished)
    assert stems(tmp_path / "ungated") != whole != stems(tmp_path / "unmoved")
    assert inside("render", finished, "--without", "gate").returncode == 0
    assert stems(finished) == stems(tmp_path / "ungated")
    assert inside("render", finished, "--verify").returncode == 0
    # it stays so until it is taken in again
    assert inside("render", finished).stdout.startswith("Nothing to change")
    assert inside("render", finished, "--with", "gate", "--without", "align").returncode == 0
    assert stems(finished) == stems(tmp_path / "unmoved")
    assert inside("render", finished, "--with", "align").returncode == 0
    assert stems(finished) == whole
    assert "without" not in json.loads((finished / "plan.json").read_text())["figures"]


def test_taking_back_what_cannot_be(finished: Path, inside: Callable) -> None:
    before = stems(finished)
    for words, said in (
        (("--without", "gait"), "gait: is not among what was run; did you mean 'gate'?"),
        (("--without", "detect"), "align: needs hits; put detect before it"),
        (("--verify", "--without", "gate"), "--verify compares only; leave out --without and --with"),
    ):
        result = inside("render", finished, *words)
        assert result.returncode != 0
        assert result.stderr.strip() == f"spillgate: {said}"
    assert stems(finished) == before


def test_everything_at_once(finished: Path, inside: Callable, tmp_path: Path) -> None:
    take, out = tmp_path / "take", tmp_path / "delivered"
    words = ("--format", "wav", "--subtype", "32", "--suffix", "_v2", "--markers", "both", "--removed", "--new-umid")
    result = inside("run", take, "-o", out, *words)
    assert result.returncode == 0, result.stderr
    names = {p.stem: p for p in take.iterdir() if p.suffix == ".wav"}
    kept, left = (sf.read(out / d / f"{TOM}_v2.wav", dtype="int32")[0].astype(np.int64) for d in ("stems", "removed"))
    plain = sf.read(finished / "stems" / f"{TOM}.wav", dtype="float64")[0]
    assert np.max(np.abs(kept / 2.0**31 - plain)) <= 1.5 * 2.0**-23  # the 24-bit stem: dither and rounding apart
    assert left.any()
    told = json.loads((out / "plan.json").read_text())["figures"]
    assert told["output"]["suffix"] == "_v2"
    assert told["render"]["files"][names[TOM].name] == [f"stems/{TOM}_v2.wav", f"removed/{TOM}_v2.wav"]
    hits = json.loads((out / "hits.json").read_text())["hits"]
    marks = [c.sample_offset for c in wavinfo.WavInfoReader(str(out / "stems" / f"{TOM}_v2.wav")).cues.cues]
    assert {h["stem_sample"] for h in hits if h["track"].startswith(TOM)} <= set(marks)
    with open(out / "cuts.csv", newline="") as stream:
        cuts = list(csv.DictReader(stream))
    assert {int(c["stem_start_samples"]) for c in cuts if c["track"].startswith(TOM)} <= set(marks)
    assert f"{TOM}_v2.wav" in (out / "session.txt").read_text("utf-8")
    assert "Session sheet" in (out / "report.html").read_text("utf-8")
    # the same wishes hold for every later render
    assert inside("render", out, "--verify").returncode == 0
    before = {d: {p.name: p.read_bytes() for p in (out / d).iterdir()} for d in ("stems", "removed")}
    assert inside("render", out, "--without", "gate").returncode == 0
    assert list((out / "removed").iterdir()) == []
    assert inside("render", out, "--with", "gate").returncode == 0
    assert {d: {p.name: p.read_bytes() for p in (out / d).iterdir()} for d in ("stems", "removed")} == before
    # another wish: the files of the first one go
    assert inside("run", take, "-o", out, "--overwrite", "--format", "flac", "--subtype", "24").returncode == 0
    assert all(p.suffix == ".flac" or p.name in {n.name for n in names.values()} for p in (out / "stems").iterdir())
    assert list((out / "removed").iterdir()) == []


def test_a_changed_marker_renders_its_stem_again(finished: Path, inside: Callable, tmp_path: Path) -> None:
    take, out = tmp_path / "take", tmp_path / "marked"
    assert inside("run", take, "-o", out, "--markers", "hits").returncode == 0
    plan = json.loads((out / "plan.json").read_text())
    hit = next(h for h in plan["hits"] if h["drum"] == "kick")
    (out / "corrections.toml").write_text(
        f'schema = 1\n[[hit]]\ntrack = "{hit["track"]}"\ntime_s = {hit["time_s"]:.4f}\ndo = "leave out"\n'
    )
    result = inside("render", out)
    assert result.returncode == 0, result.stderr
    assert hit["track"] in result.stdout
    marks = wavinfo.WavInfoReader(str(out / "stems" / hit["track"])).cues.cues
    assert len(marks) == sum(h["track"] == hit["track"] for h in plan["hits"]) - 1
    assert inside("render", out, "--verify").returncode == 0


def test_wrong_wishes_are_refused_at_once(finished: Path, inside: Callable, tmp_path: Path) -> None:
    for words, said in (
        (("--format", "flak"), "--format flak: did you mean 'flac'?"),
        (("--subtype", "20"), "--subtype 20: "),
        (("--format", "flac", "--subtype", "float"), "FLAC holds no float samples; --subtype can be 16, 24"),
        (("--suffix", "a/b"), "--suffix a/b: holds characters that a file name cannot have"),
    ):
        result = inside("run", tmp_path / "take", "-o", tmp_path / "none", *words)
        assert result.returncode == 2
        assert said in result.stderr
        assert not (tmp_path / "none").exists()


def test_only_what_changed(finished: Path, inside: Callable, tmp_path: Path) -> None:
    out = tmp_path / "few"
    assert inside("run", tmp_path / "take", "-o", out, "--changed-only").returncode == 0
    full = stems(finished)
    few = stems(out)
    assert few.items() <= full.items()
    same = {p.name for p in (tmp_path / "take").iterdir() if p.suffix == ".wav" and p.read_bytes() == full.get(p.name)}
    assert same
    assert set(few) == set(full) - same
    assert inside("render", out).stdout.startswith("Nothing to change")


def test_the_stems_have_a_help_of_their_own(inside: Callable) -> None:
    said = inside("run", "--help-stems").stdout
    for name in ("format", "subtype", "suffix", "markers", "removed", "split", "changed-only", "new-umid"):
        assert f"  --{name}" in said
    assert max(map(len, said.splitlines())) <= 80
    assert "FORMATS" not in said
