"""Cuts as data: an editor's own fades and cuts give the same."""

import csv
import os
import shutil
import subprocess

import numpy as np
import pytest
import soundfile as sf

from spillgate.dsp.core.audio.marker import Marker
from spillgate.dsp.plan.cuts import CUT_COLUMNS, Cut, cuts_of, markers_of, write_cuts
from spillgate.dsp.plan.model import Alignment, Hit, Plan, StepSpec, TrackFacts

SR = 48_000
N = 4 * SR


def plan_of(hits=(0.5, 0.6, 2.0), spans=((0.4985, 1.4), (1.9985, 2.2)), floor=0, start=0, delay=0.0, **gate):
    gains = np.full((100, 4), floor, np.uint16)
    if spans:
        gains[50] = 65535
    fact = TrackFacts(
        track="Tom.wav",
        file="Tom.wav",
        channel=0,
        role="tom",
        drum="tom1",
        position=None,
        sr=SR,
        n_samples=N,
        start=start,
    )
    moved = Alignment(
        track="Tom.wav", measured_samples=delay, measured_polarity=1, delay_samples=delay, polarity=1, target="",
        margin=9, confidence="sure", applied=True,
    )  # fmt: skip
    step = StepSpec(
        step="mask", params={"open_before_ms": 1.5, "attack_ms": 7.5}, arrays={"gains": "gate/gains"}, by="gate"
    )
    return Plan(
        sr=SR, n_samples=N + start, tracks=(fact,), alignments=(moved,), steps={"Tom.wav": (step,)},
        hits=tuple(Hit(track="Tom.wav", drum="tom1", time_s=t, level_db=0, confidence=1.0) for t in hits),
        figures={"gate": {"Tom.wav": {"spans": [list(s) for s in spans]}}}, arrays={"gate/gains": gains},
        chain=({"processor": "gate", "version": "1", "params": {"fade_ms": None, **gate}},),
    )  # fmt: skip


def drawn(cuts, n):
    """The gain that the cuts stand for, sample by sample, as `write_cuts` describes them."""
    gains = np.full(n, cuts[0].between)
    for c in cuts:
        at = np.arange(c.start, c.stop, dtype=np.float64)
        up = (at - c.start) / c.fade_in if c.fade_in else np.ones(len(at))
        down = (c.stop - at) / c.fade_out if c.fade_out else np.ones(len(at))
        gains[c.start : c.stop] = c.between + (c.gain - c.between) * np.clip(np.minimum(up, down), 0.0, 1.0)
    return gains


def test_regions():
    first, second = cuts_of(plan_of(), "Tom.wav")
    # 1.5 ms before the first hit, 1 ms of fade; the fade out is a sixth of the 0.8 s since the last hit
    assert (first.start, first.fade_in, first.stop, first.fade_out) == (24_000 - 72, 48, 67_200, round(0.8 / 6 * SR))
    # at least 60 ms
    assert (second.start, second.stop, second.fade_out) == (96_000 - 72, 105_600, 2880)
    assert (first.gain, first.between) == (1.0, 0.0)
    assert cuts_of(plan_of(fade_ms=100.0), "Tom.wav")[0].fade_out == 4800
    assert cuts_of(plan_of(), "Kick.wav") == ()


def test_ends_without_fades():
    only = cuts_of(plan_of(hits=(0.5,), spans=((0.0, 4.0),)), "Tom.wav")
    assert [(c.start, c.stop, c.fade_in, c.fade_out) for c in only] == [(0, N, 0, 0)]


def test_turned_down_throughout():
    only = cuts_of(plan_of(hits=(), spans=(), floor=8250), "Tom.wav")
    assert [(c.start, c.stop, round(c.gain, 4)) for c in only] == [(0, N, 0.1259)]  # -18 dB
    assert cuts_of(plan_of(hits=(), spans=()), "Tom.wav")[0].gain == 0.0


def test_a_region_by_hand():
    cut = Cut(track="t", start=10, stop=20, fade_in=2, fade_out=4, between=0.5)
    expected = [0.5, 0.5, 0.75, 1, 1, 1, 1, 1, 0.875, 0.75, 0.625, 0.5]
    assert drawn([cut], 21)[9:].tolist() == expected


def test_markers():
    plan = plan_of(delay=10.4, start=1000)
    regions = markers_of(plan, "Tom.wav", "cuts")
    assert regions[0] == Marker(24_000 - 72 + 10, 67_200 - 24_000 + 72, "tom1 open")
    assert [m.at for m in markers_of(plan, "Tom.wav", "hits")] == [24_010, 28_810, 96_010]
    assert len(markers_of(plan, "Tom.wav", "both")) == 5


def rows_of(path):
    with open(path, newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_table(tmp_path):
    write_cuts(plan_of(delay=10.4, start=1000), tmp_path / "cuts.csv")
    rows = rows_of(tmp_path / "cuts.csv")
    assert tuple(rows[0]) == CUT_COLUMNS
    assert rows[0]["start_samples"] == str(24_000 - 72 - 1000)  # from the file's first sample
    assert rows[0]["stem_start_samples"] == str(24_000 - 72 - 1000 + 10)
    assert rows[0]["fade_in_s"] == "0.001000"
    assert [r["region"] for r in rows] == ["1", "2"]
    write_cuts(Plan(), tmp_path / "cuts.csv")
    assert rows_of(tmp_path / "cuts.csv") == []


def test_another_editor_makes_the_same_edit_of_the_table(tmp_path):
    """Sox trims each region, fades it linearly and puts it back at its place."""
    sox = shutil.which("sox")
    if sox is None and not os.environ.get("CI"):
        pytest.skip("sox is not installed")
    plan = plan_of()
    x = np.random.default_rng(0).uniform(-0.5, 0.5, N)
    sf.write(tmp_path / "Tom.wav", x, SR, subtype="PCM_24")
    write_cuts(plan, tmp_path / "cuts.csv")
    total = np.zeros(N)
    for k, r in enumerate(rows_of(tmp_path / "cuts.csv")):
        start, stop = int(r["start_samples"]), int(r["end_samples"])
        target = tmp_path / f"{k}.wav"
        fade = ["fade", "t", f"{r['fade_in_samples']}s", f"{stop - start}s", f"{r['fade_out_samples']}s"]
        place = ["pad", f"{start}s", f"{N - stop}s"]
        command = [sox, "-D", str(tmp_path / "Tom.wav"), str(target), "trim", f"{start}s", f"={stop}s", *fade, *place]
        subprocess.run(command, check=True, capture_output=True)
        total += sf.read(target)[0]
    ours = sf.read(tmp_path / "Tom.wav")[0] * drawn(cuts_of(plan, "Tom.wav"), N)
    # sox counts the steps of its fades from 0 at the first to 1 at the last sample or beside it: a step of the shortest
    # fade (48 samples) apart at most; everywhere else to its rounding to 24 bits
    error = np.abs(total - ours)
    assert error.max() <= 0.5 / 48 * 1.01
    inside = [slice(c.start + c.fade_in, c.stop - c.fade_out) for c in cuts_of(plan, "Tom.wav")]
    assert max(error[s].max() for s in inside) <= 2.0**-23
