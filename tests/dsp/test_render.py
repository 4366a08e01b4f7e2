"""The render: blocks, threads, formats, what passes untouched, and what is refused."""

import os
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pytest
import soundfile as sf

from spillgate.dsp import registry
from spillgate.dsp import render as rendering
from spillgate.dsp.core.audio.interpolation import delay
from spillgate.dsp.core.audio.overview import expand
from spillgate.dsp.core.audio.quantise import dither_key, quantise
from spillgate.dsp.errors import AudioFileError, OutputError, ParameterError, PlanError, PluginError
from spillgate.dsp.plan.model import Alignment, Plan, StepSpec, TrackFacts
from spillgate.dsp.render import render
from spillgate.dsp.steps.base import Step
from spillgate.dsp.take.audio import FileReader, probe
from spillgate.dsp.take.model import Take, Track

SR = 48_000
N = 20_011


def sound(n_channels=1, n=N, seed=0):
    x = np.random.default_rng(seed).standard_normal((n, n_channels)) * 0.1
    return np.round(x * 2**23) / 2**23


def take_of(folder, names, workers=1, n=N):
    """A take of these files; all tracks are toms."""
    tracks = []
    for name in names:
        file = probe(folder / name).file
        for c in range(file.n_channels):
            tid = name if file.n_channels == 1 else f"{name}:{c}"
            tracks.append(Track(id=tid, files=(replace(file, start=0),), channel=c, role="tom", drum="tom1"))
    return Take(name="take", sr=SR, n_samples=n, tracks=tuple(tracks), reader=FileReader(), workers=workers)


def move(d, polarity=1):
    return (StepSpec(step="move", params={"delay_samples": d, "polarity": polarity}),)


@pytest.fixture
def folder(tmp_path):
    home = tmp_path / "take"
    home.mkdir()
    for k, name in enumerate(["a.wav", "b.wav", "c.wav"]):
        sf.write(home / name, sound(seed=k), SR, subtype="PCM_24")
    sf.write(home / "st.wav", sound(2, seed=9), SR, subtype="PCM_24")
    sf.write(home / "f.flac", sound(seed=4), SR, subtype="PCM_24")
    return home


ALL = ["a.wav", "b.wav", "c.wav", "st.wav", "f.flac"]


def stems(out):
    return {p.name: p.read_bytes() for p in sorted((out / "stems").iterdir())}


def test_moved_copied_and_turned(folder, tmp_path):
    out = tmp_path / "out"
    take = take_of(folder, ALL)
    plan = Plan(steps={"a.wav": move(5), "b.wav": move(0, -1), "f.flac": move(-3.25), "st.wav:1": move(7)})
    report = render(take, plan, out)
    got = {n: sf.read(out / "stems" / n, always_2d=True)[0] for n in ALL}
    x = {n: sf.read(folder / n, always_2d=True)[0] for n in ALL}
    assert np.array_equal(got["a.wav"][5:], x["a.wav"][:-5])
    assert not got["a.wav"][:5].any()
    assert np.array_equal(got["b.wav"], -x["b.wav"])
    assert (out / "stems/c.wav").read_bytes() == (folder / "c.wav").read_bytes()
    # the untouched channel of a stereo file stays bit for bit, the other moves
    assert np.array_equal(got["st.wav"][:, 0], x["st.wav"][:, 0])
    assert np.array_equal(got["st.wav"][7:, 1], x["st.wav"][:-7, 1])
    # an integer format: the interpolation, dither, rounding, and nothing else
    ideal = quantise(delay(x["f.flac"][:, 0], -3.25), 24, dither_key("f.flac"), 0)[0] / 2**23
    assert np.array_equal(got["f.flac"][:, 0], ideal)
    assert {s.track: s.copied for s in report.stems} == {
        "a.wav": False,
        "b.wav": False,
        "c.wav": True,
        "st.wav:0": False,
        "st.wav:1": False,
        "f.flac": False,
    }
    assert sorted(os.listdir(out / "stems")) == sorted(ALL)
    take.reader.close()


@pytest.mark.parametrize(("workers", "block"), [(2, 1 << 18), (1, 1000), (3, 4097), (1, N), (2, 131)])
def test_same_bytes_whatever_the_workers_and_blocks(folder, tmp_path, workers, block):
    steps = {"a.wav": move(40.3), "b.wav": move(-0.5, -1), "st.wav:0": move(3.3), "f.flac": move(17.8)}
    plan = Plan(steps=steps)
    one = render(take_of(folder, ALL), plan, tmp_path / "one")
    two = render(take_of(folder, ALL, workers), plan, tmp_path / "two", block=block)
    assert stems(tmp_path / "one") == stems(tmp_path / "two")
    assert len(one.stems) == len(two.stems)


def test_a_step_that_changes_nothing_gives_a_copy(folder, tmp_path):
    path = folder / "a.wav"
    path.write_bytes(path.read_bytes() + b"junk behind the chunks")
    report = render(take_of(folder, ["a.wav"]), Plan(steps={"a.wav": move(0.0)}), tmp_path / "out")
    assert stems(tmp_path / "out")["a.wav"] == path.read_bytes()
    assert report.stems[0].copied


def test_float_stems_are_not_dithered(folder, tmp_path):
    x = np.random.default_rng(0).standard_normal(N).astype(np.float32)
    sf.write(folder / "x.wav", x, SR, subtype="FLOAT")
    render(take_of(folder, ["x.wav"]), Plan(steps={"x.wav": move(2.5)}), tmp_path / "out")
    y = sf.read(tmp_path / "out/stems/x.wav", dtype="float32")[0]
    assert np.array_equal(y, delay(x.astype(np.float64), 2.5).astype(np.float32))


def test_overs_are_told(folder, tmp_path):
    x = np.zeros(N)
    x[5000:5080:2], x[5001:5080:2] = 0.999, -0.999  # full scale at half the rate: overshoots between the samples
    x[4960:5000] = 0.999
    sf.write(folder / "x.wav", x, SR, subtype="PCM_16")
    report = render(take_of(folder, ["x.wav"]), Plan(steps={"x.wav": move(0.5)}), tmp_path / "out")
    overs = report.stems[0].overs
    ideal = delay(sf.read(folder / "x.wav")[0], 0.5)
    assert overs.count == np.sum(ideal >= 1 - 0.5**16) + np.sum(ideal < -1 - 0.5**16) > 0
    assert overs.peak == pytest.approx(np.max(np.abs(ideal)))
    assert 4900 < overs.first < 5100
    assert np.max(np.abs(sf.read(tmp_path / "out/stems/x.wav")[0])) <= 1.0


def test_what_a_delay_pushes_past_the_end_is_told(folder, tmp_path):
    x = np.zeros(N)
    x[-100] = 0.5
    x[50] = 0.25
    sf.write(folder / "x.wav", x, SR, subtype="PCM_24")
    later = render(take_of(folder, ["x.wav"]), Plan(steps={"x.wav": move(300)}), tmp_path / "1").stems[0]
    assert later.cut_db == pytest.approx(-6.02, abs=0.01)
    assert later.cut_s == pytest.approx(201 / SR)
    earlier = render(take_of(folder, ["x.wav"]), Plan(steps={"x.wav": move(-300)}), tmp_path / "2").stems[0]
    assert earlier.cut_db == pytest.approx(-12.04, abs=0.01)
    assert earlier.cut_s == pytest.approx(250 / SR)
    kept = render(take_of(folder, ["x.wav"]), Plan(steps={"x.wav": move(30)}), tmp_path / "3").stems[0]
    assert (kept.cut_s, kept.cut_db) == (0.0, float("-inf"))


def test_only_some(folder, tmp_path):
    plan = Plan(steps={n: move(3) for n in ("a.wav", "b.wav")})
    render(take_of(folder, ALL), plan, tmp_path / "out", only=["b.wav", "st.wav:1"])
    assert sorted(os.listdir(tmp_path / "out/stems")) == ["b.wav", "st.wav"]
    with pytest.raises(ParameterError, match=r"^bb\.wav: no such track in take; did you mean 'b\.wav'\?$"):
        render(take_of(folder, ALL), plan, tmp_path / "out", only=["bb.wav"])


def test_parts_and_places(folder, tmp_path):
    # one recording in two files that begins 500 samples into the take: the delay carries over the seam
    x = sf.read(folder / "a.wav")[0]
    sf.write(folder / "p_001.wav", x[:9000], SR, subtype="PCM_24")
    sf.write(folder / "p_002.wav", x[9000:], SR, subtype="PCM_24")
    one, two = (probe(folder / n).file for n in ("p_001.wav", "p_002.wav"))
    parts = Track(id="p_001.wav", files=(replace(one, start=500), replace(two, start=9500)), role="tom")
    take = Take(name="take", sr=SR, n_samples=N + 500, tracks=(parts,), reader=FileReader())
    report = render(take, Plan(steps={"p_001.wav": move(100)}), tmp_path / "out", block=4000)
    first, second = (sf.read(tmp_path / "out/stems" / n)[0] for n in ("p_001.wav", "p_002.wav"))
    assert (len(first), len(second)) == (9000, N - 9000)
    assert np.array_equal(np.concatenate([first, second]), np.concatenate([np.zeros(100), x[:-100]]))
    # at the seam nothing is lost; at the end it is
    assert [s.cut_s > 0 for s in report.stems] == [False, True]
    take.reader.close()


@dataclass(frozen=True, kw_only=True)
class Smooth(Step):
    """Mean of five samples, times a stored gain, plus another track."""

    name: ClassVar[str] = "smooth"
    stage: ClassVar = "clean"

    def margins(self, sr):
        return 2, 2

    def reads(self):
        return ("b.wav",)

    def apply(self, block, context):
        n = context.n_out
        assert len(block) == n + 4
        assert context.start >= 0
        assert context.start + n <= context.n_samples
        y = sum(block[k : k + n] for k in range(5)) / 5
        return y * context.arrays["gain"][context.start : context.start + n] + context.read(
            "b.wav", context.start, context.start + n
        )


def install(monkeypatch, cls, distribution):
    entry = registry.Entry(cls.name, "somewhere:Cls", distribution, "1.0")
    load, listing = registry.get_step, registry.listing
    monkeypatch.setattr(registry, "get_step", lambda n: cls if n == cls.name else load(n))
    monkeypatch.setattr(registry, "listing", lambda kind="processor": {**listing(kind), cls.name: entry})


@pytest.mark.parametrize("owner", ["spillgate", "their-steps"])
@pytest.mark.parametrize("block", [997, 1 << 18])
def test_steps_run_by_stage_with_arrays_and_other_tracks(folder, tmp_path, monkeypatch, owner, block):
    install(monkeypatch, Smooth, owner)
    gain = np.linspace(0, 1, N)
    smooth = StepSpec(step="smooth", arrays={"gain": "x/gain"})
    # written down in the wrong order: the move still comes last
    plan = Plan(steps={"a.wav": (*move(12.6), smooth)}, arrays={"x/gain": gain})
    render(take_of(folder, ALL), plan, tmp_path / "out", block=block)
    a, b = (sf.read(folder / n)[0] for n in ("a.wav", "b.wav"))
    p = np.pad(a, 2)
    ideal = delay(sum(p[k : k + N] for k in range(5)) / 5 * gain + b, 12.6)
    y = sf.read(tmp_path / "out/stems/a.wav")[0]
    assert np.max(np.abs(y - ideal)) <= 1.5001 / 2**23  # dither and rounding


def broken(result):
    @dataclass(frozen=True, kw_only=True)
    class Broken(Step):
        name: ClassVar[str] = "broken"

        def apply(self, block, context):
            return result(block, context)

    return Broken


@pytest.mark.parametrize(
    ("result", "said"),
    [
        (lambda x, c: 1 / 0, "failed (ZeroDivisionError: division by zero)"),
        (lambda x, c: x[:-1], "returned shape (20010,) instead of 20011 samples"),
        (lambda x, c: None, "returned NoneType instead of 20011 samples"),
        (lambda x, c: x * np.nan, "returned samples that are no finite numbers"),
        (lambda x, c: x.astype(int), "returned samples that are no finite numbers"),
        (lambda x, c: x.__imul__(2), "failed (ValueError: output array is read-only)"),
    ],
)
def test_a_third_partys_step_that_fails_is_named_and_nothing_is_left(folder, tmp_path, monkeypatch, result, said):
    install(monkeypatch, broken(result), "their-steps")
    plan = Plan(steps={"a.wav": move(2), "b.wav": (StepSpec(step="broken"),)})
    with pytest.raises(PluginError) as error:
        render(take_of(folder, ALL), plan, tmp_path / "out")
    assert str(error.value) == f"their-steps: step 'broken' on b.wav {said}"
    assert os.listdir(tmp_path / "out/stems") == []


@pytest.mark.parametrize("workers", [1, 2])
def test_nan_is_named_and_nothing_is_left(folder, tmp_path, workers):
    x = np.zeros(N, np.float32)
    x[4800] = np.nan
    sf.write(folder / "x.wav", x, SR, subtype="FLOAT")
    plan = Plan(steps={"a.wav": move(1), "x.wav": move(0, -1)})
    with pytest.raises(AudioFileError) as error:
        render(take_of(folder, ["a.wav", "b.wav", "x.wav"], workers), plan, tmp_path / "out")
    assert str(error.value) == "x.wav: sample 4800 (at 0.100 s) is not a finite number; export the file again"
    assert os.listdir(tmp_path / "out/stems") == []


def test_what_does_not_fit_is_refused_before_anything_is_written(folder, tmp_path, monkeypatch):
    take = take_of(folder, ALL).replace(fingerprints={"a.wav": "new"})
    out = tmp_path / "out"
    facts = TrackFacts(
        track="a.wav", file="a.wav", channel=0, role="tom", drum="tom1", position=None, sr=SR, n_samples=N, start=0,
        fingerprint="old",
    )  # fmt: skip
    cases = [
        (Plan(steps={"z.wav": move(1)}), out, PlanError, "z.wav: is in the plan, but not in take"),
        (Plan(sr=44_100, steps={"a.wav": move(1)}), out, PlanError, "take: has 48000 Hz, but the plan was made for"),
        (Plan(sr=SR, n_samples=5, steps={"a.wav": move(1)}), out, PlanError, "take: is 20011 samples long"),
        (Plan(steps={"a.wav": move(1e9)}), out, PlanError, "a.wav: move.delay_samples: 1000000000.0 is not allowed"),
        (
            Plan(steps={"a.wav": (StepSpec(step="move", arrays={"g": "x/g"}),)}),
            out,
            PlanError,
            "a.wav: step 'move' needs the array 'x/g', which the plan lacks",
        ),
        (
            Plan(tracks=(facts,), steps={"a.wav": move(1)}),
            out,
            PlanError,
            "a.wav: is not the recording that the plan was made from; run the main job again",
        ),
        (Plan(), folder / "out", OutputError, f"{folder / 'out'}: lies inside the take take"),
    ]
    for plan, where, kind, said in cases:
        with pytest.raises(kind) as error:
            render(take, plan, where)
        assert str(error.value).startswith(said)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match=r"cannot be made \((Not a directory|File exists)\)"):
        render(take, Plan(), tmp_path / "file")
    assert not out.exists()
    monkeypatch.setattr(rendering.shutil, "disk_usage", lambda _p: SimpleNamespace(free=1000))
    with pytest.raises(OutputError, match=r"needs 0\.02 GB, but the disk has 0\.00 GB left; make room$"):
        render(take, Plan(), out)
    assert sorted(os.listdir(folder)) == sorted(ALL)


def test_the_recordings_stay_as_they_are(folder, tmp_path):
    before = {n: ((folder / n).read_bytes(), (folder / n).stat().st_mtime_ns) for n in ALL}
    render(take_of(folder, ALL), Plan(steps={n: move(2.5) for n in ("a.wav", "f.flac")}), tmp_path / "out")
    assert before == {n: ((folder / n).read_bytes(), (folder / n).stat().st_mtime_ns) for n in ALL}


@pytest.mark.parametrize("block", [1000, 1 << 18])
def test_pictures_are_those_of_the_stems_over_the_recordings(folder, tmp_path, block):
    take = take_of(folder, ALL)
    measured = {"measured_samples": 5.3, "measured_polarity": 1, "margin": 9.0, "confidence": "sure"}
    moved = Alignment(track="a.wav", target="b.wav", delay_samples=5.3, polarity=1, applied=True, **measured)
    plan = Plan(steps={"a.wav": move(5.3), "f.flac": move(0, -1)}, alignments=(moved,))
    report = render(take, plan, tmp_path / "out", block=block)
    assert set(report.outlines) == {"a.wav", "f.flac"}
    for name, shift in (("a.wav", 5), ("f.flac", 0)):
        x = sf.read(tmp_path / "out/stems" / name, dtype="float32")[0]
        over = np.r_[x[shift:], np.zeros(shift + -N % 48, np.float32)].reshape(-1, 48)
        pairs = np.stack([over.min(1), over.max(1)], axis=1)
        got = np.sqrt(np.abs(expand(report.outlines[name])))
        assert np.max(np.abs(got - np.sqrt(np.abs(pairs)))) <= 3 / 127
        assert np.array_equal(np.sign(report.outlines[name]), np.sign(pairs))
