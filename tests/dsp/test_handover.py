"""Handing over: formats, single tracks, markers, what was removed; read back by soundfile, wavinfo, sox, ffprobe."""

import json
import os
import shutil
import struct
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import soundfile as sf
import wavinfo

from spillgate.dsp.core.audio.interpolation import delay
from spillgate.dsp.core.audio.quantise import dither_key, quantise
from spillgate.dsp.core.cleaning.bandgrid import grid
from spillgate.dsp.core.cleaning.bandmask import FULL
from spillgate.dsp.errors import ParameterError
from spillgate.dsp.handover import names_of_stems
from spillgate.dsp.plan import store
from spillgate.dsp.plan.model import Alignment, Hit, Plan, StepSpec, TrackFacts
from spillgate.dsp.plan.output import Output, output_of, with_output
from spillgate.dsp.render import render, with_report
from spillgate.dsp.take.audio import FileReader, probe
from spillgate.dsp.take.model import Take, Track

SR = 48_000
N = 40_011


def tool(name):
    """A program of the system; on the machine that checks every change it must be there."""
    path = shutil.which(name)
    if path is None and not os.environ.get("CI"):
        pytest.skip(f"{name} is not installed")
    return path


def chunk(name, data):
    return struct.pack("<4sI", name, len(data)) + data + b"\0" * (len(data) & 1)


def with_chunks(path, *parts):
    data = path.read_bytes()
    data += b"\0" * (len(data) & 1) + b"".join(parts)
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


def bext(history=b"A=PCM,F=48000,W=24,M=mono,T=first\r\n"):
    fixed = struct.pack("<256s32s32s10s8sIIH", b"Tom", b"desk", b"R", b"2026-01-31", b"10:00:00", 0x66FF3000, 0, 2)
    return fixed + bytes(range(64)) + struct.pack("<5h", -2345, 870, -110, -1800, -2001) + bytes(180) + history


IXML = (
    b"<BWFXML><SCENE>7</SCENE><TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>"
    b"<TRACK><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>OH L</NAME></TRACK>"
    b"<TRACK><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>OH R</NAME></TRACK></TRACK_LIST></BWFXML>"
)


def sound(seed, n_channels=1):
    x = np.random.default_rng(seed).standard_normal((N, n_channels)) * 0.1
    return np.round(x * 2**23) / 2**23


@pytest.fixture
def folder(tmp_path):
    home = tmp_path / "take"
    home.mkdir()
    sf.write(home / "Tom.wav", sound(0), SR, subtype="PCM_24")
    with_chunks(home / "Tom.wav", chunk(b"bext", bext()), chunk(b"odd ", b"kept"))
    sf.write(home / "OH.wav", sound(1, 2), SR, subtype="PCM_24", format="WAVEX")
    with_chunks(home / "OH.wav", chunk(b"iXML", IXML))
    sf.write(home / "Vox.wav", sound(2), SR, subtype="PCM_16")
    sf.write(home / "Kick.wav", sound(3), SR, subtype="PCM_24")
    return home


def take_of(home):
    roles = {
        "Tom.wav": ("tom", "tom1", None),
        "OH.wav:0": ("overhead", None, "left"),
        "OH.wav:1": ("overhead", None, "right"),
        "Vox.wav": ("other", None, None),
        "Kick.wav": ("kick", "kick", None),
    }
    tracks = []
    for name, (role, drum, position) in roles.items():
        file = replace(probe(home / name.partition(":")[0]).file, start=0)
        channel = int(name.partition(":")[2] or 0)
        tracks.append(Track(id=name, files=(file,), channel=channel, role=role, drum=drum, position=position))
    return Take(name="take", sr=SR, n_samples=N, tracks=tuple(tracks), reader=FileReader())


def plan_of(take, output, shift=7.0, oh=0.0):
    """The tom is open from 0.2 to 0.5 s, moved by `shift`; the right overhead by `oh`."""
    g = grid(SR)
    gains = np.zeros((g.n_frames(N), g.n_bands), np.uint16)
    a, b = round(0.2 * SR / g.hop), round(0.5 * SR / g.hop)
    gains[a:b] = FULL
    gains[b : b + 3] = (FULL * np.array([0.8, 0.5, 0.2]))[:, None]
    hits = np.array([round(0.2 * SR)], np.int64)
    arrays = {"gate/gains": gains, "gate/cuts": hits}
    mask = StepSpec(step="mask", arrays={"gains": "gate/gains", "cuts": "gate/cuts"}, by="gate")
    facts = tuple(
        TrackFacts(
            track=t.id, file=t.file.name, channel=t.channel, role=t.role, drum=t.drum, position=t.position, sr=SR,
            n_samples=N, start=0, fingerprint=f"f{t.id}",
        )
        for t in take.tracks
    )  # fmt: skip
    steps = {"Tom.wav": (mask,)}
    moved = []
    for track, by in (("Tom.wav", shift), ("OH.wav:1", oh)):
        if by:
            step = StepSpec(step="move", params={"delay_samples": by, "polarity": 1}, by="align")
            steps[track] = (*steps.get(track, ()), step)
            moved.append(
                Alignment(
                    track=track, measured_samples=by, measured_polarity=1, delay_samples=by, polarity=1, target="",
                    margin=9, confidence="sure", applied=True,
                )
            )  # fmt: skip
    found = (
        Hit(track="Tom.wav", drum="tom1", time_s=0.2, level_db=0.0, confidence=1.0),
        Hit(track="Tom.wav", drum="tom1", time_s=0.3, level_db=-9.0, confidence=0.7),
        Hit(track="Kick.wav", drum="kick", time_s=0.1, level_db=0.0, confidence=1.0),
    )
    spans = {"gate": {"Tom.wav": {"spans": [[0.1985, 0.5]]}}}
    plan = Plan(
        sr=SR, n_samples=N, tracks=facts, steps=steps, arrays=arrays, alignments=tuple(moved), figures=spans
    ).with_hits(found)  # fmt: skip
    return with_output(plan, output)


def go(home, out, output, **more):
    take = take_of(home)
    plan = plan_of(take, output, **more)
    report = render(take, plan, out)
    take.reader.close()
    return plan, report


def ints(path):
    return sf.read(path, dtype="int32", always_2d=True)[0].astype(np.int64)


@pytest.mark.parametrize("shift", [7.0, -12.0, 0.0])
def test_kept_and_removed_are_the_recording_bit_for_bit(folder, tmp_path, shift):
    _, report = go(folder, tmp_path / "out", Output(removed=True), shift=shift)
    x, kept, left = (
        ints(p) for p in (folder / "Tom.wav", tmp_path / "out/stems/Tom.wav", tmp_path / "out/removed/Tom.wav")
    )
    moved = np.zeros_like(x)
    k = int(shift)
    moved[max(k, 0) : N + min(k, 0)] = x[max(-k, 0) : N - max(k, 0)]
    assert np.array_equal(kept + left, moved)
    assert left.any()
    assert kept.any()
    # the one-sample test: where nothing was taken away, the stem moved back nulls against the recording
    a, b = round(0.25 * SR), round(0.45 * SR)
    assert not np.any(kept[a + k : b + k] - x[a:b])
    assert os.listdir(tmp_path / "out/removed") == ["Tom.wav"]  # only of tracks that were cleaned
    assert {s.track: s.removed_file for s in report.stems if s.removed_file} == {"Tom.wav": "Tom.wav"}


def test_removed_with_a_fraction_of_a_sample(folder, tmp_path):
    """Then the sum is what the plan gives without its mask: the same interpolation with the same dither."""
    go(folder, tmp_path / "out", Output(removed=True), shift=7.37)
    kept, left = (ints(tmp_path / "out" / d / "Tom.wav") for d in ("stems", "removed"))
    x = sf.read(folder / "Tom.wav")[0]
    expected = quantise(delay(x, 7.37), 24, dither_key("Tom.wav"), 0)[0].astype(np.int64) << 8
    assert np.array_equal((kept + left)[:, 0], expected)


def test_removed_in_floating_point(folder, tmp_path):
    x = sf.read(folder / "Tom.wav")[0].astype(np.float32)
    sf.write(folder / "Tom.wav", x, SR, subtype="FLOAT")
    go(folder, tmp_path / "out", Output(removed=True), shift=3.0)
    kept, left = (sf.read(tmp_path / "out" / d / "Tom.wav", dtype="float32")[0] for d in ("stems", "removed"))
    total = kept.astype(np.float64) + left
    assert np.max(np.abs(total[3:] - x[:-3])) <= 2.0**-25 * np.max(np.abs(x))  # half a step of a 24-bit significand
    assert np.array_equal(left[kept == 0.0][3:], np.concatenate([np.zeros(3, np.float32), x[:-3]])[kept == 0.0][3:])


FORMATS = [
    ("wav", "16", "WAV", "PCM_16", ".wav"),
    ("wav", "float", "WAV", "FLOAT", ".wav"),
    ("wav", "double", "WAV", "DOUBLE", ".wav"),
    ("rf64", "24", "RF64", "PCM_24", ".wav"),
    ("bw64", "32", "RF64", "PCM_32", ".wav"),
    ("aiff", "24", "AIFF", "PCM_24", ".aif"),
    ("flac", "24", "FLAC", "PCM_24", ".flac"),
    ("caf", "float", "CAF", "FLOAT", ".caf"),
    ("w64", "16", "W64", "PCM_16", ".w64"),
]


@pytest.mark.parametrize(("chosen", "samples", "container", "subtype", "ending"), FORMATS)
def test_other_formats(folder, tmp_path, chosen, samples, container, subtype, ending):
    out = tmp_path / "out"
    go(folder, out, Output(format=chosen, subtype=samples))
    assert sorted(os.listdir(out / "stems")) == sorted([f"{n}{ending}" for n in ("Tom", "OH", "Kick")] + ["Vox.wav"])
    assert (out / "stems/Vox.wav").read_bytes() == (folder / "Vox.wav").read_bytes()  # no drum: as it came
    info = probe(out / f"stems/OH{ending}").file
    assert info.format in (container, f"{container}EX")
    assert (info.subtype, info.n_channels, info.n_samples) == (subtype, 2, N)
    x, y = sf.read(folder / "OH.wav")[0], probe_read(out / f"stems/OH{ending}")
    if samples == "16":  # TPDF dither and rounding: at most a step and a half away (Lipshitz et al. 1992)
        assert 0 < np.max(np.abs(x - y)) <= 1.5 / 2**15
    else:
        assert np.array_equal(x, y)


def probe_read(path):
    data = path.read_bytes()
    if data[:4] == b"BW64":
        path = path.with_name("as-rf64.wav")
        path.write_bytes(b"RF64" + data[4:])
    return sf.read(path)[0]


@pytest.mark.parametrize("chosen", ["wav", "rf64", "bw64", "aiff", "flac", "caf", "w64"])
def test_other_readers_agree(folder, tmp_path, chosen):
    sox, ffprobe, ffmpeg = tool("sox"), tool("ffprobe"), tool("ffmpeg")
    go(folder, tmp_path / "out", Output(format=chosen), shift=5.0)
    go(folder, tmp_path / "plain", Output(), shift=5.0)
    path = next(p for p in (tmp_path / "out/stems").iterdir() if p.stem == "Tom")
    ours = ints(tmp_path / "plain" / "stems" / "Tom.wav")[:, 0]
    told = json.loads(
        subprocess.run(
            [ffprobe, "-v", "error", "-of", "json", "-show_streams", str(path)], check=True, capture_output=True
        ).stdout
    )["streams"][0]
    assert (int(told["sample_rate"]), told["channels"]) == (SR, 1)
    assert float(told["duration"]) == pytest.approx(N / SR, abs=1e-5)
    decode = [ffmpeg, "-v", "error", "-i", str(path), "-f", "s32le", "-c:a", "pcm_s32le", "-"]
    assert np.array_equal(np.frombuffer(subprocess.run(decode, check=True, capture_output=True).stdout, "<i4"), ours)
    if chosen not in ("rf64", "bw64", "caf"):  # which sox does not know, or only where it was built for it
        raw = subprocess.run([sox, str(path), "-t", "s32", "-"], check=True, capture_output=True).stdout
        assert np.array_equal(np.frombuffer(raw, "<i4"), ours)


def test_metadata_of_a_changed_wav(folder, tmp_path):
    go(folder, tmp_path / "out", Output(new_umid=True))
    path = tmp_path / "out/stems/Tom.wav"
    info = wavinfo.WavInfoReader(str(path))
    lines = info.bext.coding_history.strip().split("\r\n")
    assert lines[0] == "A=PCM,F=48000,W=24,M=mono,T=first"
    assert lines[1].startswith("A=PCM,F=48000,W=24,M=mono,T=Spillgate ")
    assert lines[1].endswith("; mask; move delay_samples 7 polarity 1")
    assert info.bext.time_reference == 1_728_000_000
    data = path.read_bytes()
    assert data.endswith(chunk(b"odd ", b"kept"))
    at = data.index(b"bext") + 8
    assert data[at + 348 : at + 358] == bytes.fromhex("060a2b34010101050101")
    assert data[at + 412 : at + 422] == b"\xff\x7f" * 5
    assert (tmp_path / "out/stems/Kick.wav").read_bytes() == (folder / "Kick.wav").read_bytes()
    go(folder, tmp_path / "again", Output(new_umid=True))
    assert (tmp_path / "again/stems/Tom.wav").read_bytes() == data


@pytest.mark.parametrize("which", ["hits", "cuts", "both"])
def test_markers_in_the_stems(folder, tmp_path, which):
    go(folder, tmp_path / "out", Output(markers=which), shift=6.6)
    tom = wavinfo.WavInfoReader(str(tmp_path / "out/stems/Tom.wav"))
    got = []
    for c in tom.cues.cues:
        label, _ = tom.cues.label_and_note(c.name)
        got.append((c.sample_offset, tom.cues.range(c.name), label.strip("\0")))
    hits = [(9607, None, "tom1"), (14407, None, "tom1 ?")]  # 0.2 s and 0.3 s, 6.6 samples later
    region = (9600 - 72 + 7, 24000 - 9528, "tom1 open")  # opens 1.5 ms before, shut at 0.5 s
    assert got == {"hits": hits, "cuts": [region], "both": [region, *hits]}[which]
    # a track with hits and nothing to do: its samples and its coding history stay as they are
    assert np.array_equal(ints(tmp_path / "out/stems/Kick.wav"), ints(folder / "Kick.wav"))
    kick = wavinfo.WavInfoReader(str(tmp_path / "out/stems/Kick.wav"))
    found = [c.sample_offset for c in kick.cues.cues] if kick.cues is not None else []
    assert found == ([] if which == "cuts" else [4800])


@pytest.mark.parametrize("oh", [0.0, 4.0])
def test_single_tracks(folder, tmp_path, oh):
    out = tmp_path / "out"
    _, report = go(folder, out, Output(split=True, suffix=" clean"), oh=oh)
    names = ["Tom clean.wav", "OH_L clean.wav", "OH_R clean.wav", "Kick clean.wav", "Vox.wav"]
    assert sorted(os.listdir(out / "stems")) == sorted(names)
    x = ints(folder / "OH.wav")
    left, right = ints(out / "stems/OH_L clean.wav"), ints(out / "stems/OH_R clean.wav")
    assert np.array_equal(left[:, 0], x[:, 0])
    assert np.array_equal(right[int(oh) :, 0], x[: N - int(oh), 1])
    for name, label in (("OH_L", "OH L"), ("OH_R", "OH R")):
        info = wavinfo.WavInfoReader(str(out / f"stems/{name} clean.wav"))
        assert [t.name for t in info.ixml.track_list] == [label]
        assert info.fmt.channel_count == 1
    assert [s.file for s in report.stems if s.track.startswith("OH")] == ["OH_L clean.wav", "OH_R clean.wav"]


def test_only_what_changed(folder, tmp_path):
    plan, report = go(folder, tmp_path / "out", Output(changed_only=True, markers="hits", format="wav"))
    assert os.listdir(tmp_path / "out/stems") == ["Tom.wav"]
    assert {s.track: s.written for s in report.stems} == {
        "Tom.wav": True, "OH.wav:0": False, "OH.wav:1": False, "Vox.wav": False, "Kick.wav": False,
    }  # fmt: skip
    assert report.files["Kick.wav"] == ()
    assert with_report(plan, report).figures["render"]["files"]["Tom.wav"] == ["stems/Tom.wav"]


def test_what_a_format_cannot_take_over_is_told(folder, tmp_path):
    _, report = go(folder, tmp_path / "out", Output(format="flac", markers="hits"))
    told = {s.track: s.notes for s in report.stems}
    assert told["Tom.wav"] == (
        "FLAC cannot take over bext (place on the timeline, coding history), odd from the recording",
        "no markers: they can only be written to WAV files, not to FLAC",
    )
    assert told["OH.wav:0"][0] == "FLAC cannot take over iXML from the recording"
    assert told["Vox.wav"] == ()


def test_what_cannot_be_is_refused_before_anything_is_written(folder, tmp_path):
    sf.write(folder / "Kick.wav", sound(3), SR, subtype="FLOAT")
    with pytest.raises(ParameterError, match=r"^Kick\.wav: FLAC holds no float samples; --subtype can be 16, 24$"):
        go(folder, tmp_path / "out", Output(format="flac"))
    shutil.copy(folder / "Tom.wav", folder / "Tom.bwf")
    take = take_of(folder)
    twin = replace(take.tracks[0], id="Tom.bwf", files=(replace(probe(folder / "Tom.bwf").file, start=0),))
    take = take.replace(tracks=(*take.tracks, twin))
    with pytest.raises(ParameterError, match=r"^Tom\.flac: two stems would have this name"):
        names_of_stems(take, with_output(Plan(), Output(format="flac")))
    assert not (tmp_path / "out").exists()
    for wrong in ({"format": "mp3"}, {"subtype": "20"}, {"markers": "yes"}, {"suffix": "/x"}):
        with pytest.raises(ParameterError, match=r"^--\w+ [^\n]+$"):
            Output(**wrong)


def test_it_stays_in_the_plan(folder, tmp_path):
    wanted = Output(format="flac", subtype="24", suffix=" x", markers="both", removed=True, split=True, new_umid=True)
    plan, report = go(folder, tmp_path / "out", wanted)
    store.save(with_report(plan, report), tmp_path / "out")
    again = store.load(tmp_path / "out")
    assert output_of(again) == wanted
    take = take_of(folder)
    render(take, again, tmp_path / "two")
    take.reader.close()
    for d in ("stems", "removed"):
        for p in (tmp_path / "out" / d).iterdir():
            assert p.read_bytes() == (tmp_path / "two" / d / p.name).read_bytes()


def test_the_same_bytes_whatever_the_blocks(folder, tmp_path):
    take = take_of(folder)
    plan = plan_of(take, Output(removed=True, markers="both", subtype="16", split=True), shift=3.3)
    render(take, plan, tmp_path / "one")
    render(take, plan, tmp_path / "two", block=1013)
    take.reader.close()
    for d in ("stems", "removed"):
        for p in (tmp_path / "one" / d).iterdir():
            assert p.read_bytes() == (tmp_path / "two" / d / p.name).read_bytes()


def test_without_wishes_nothing_is_different(folder, tmp_path):
    plan, _ = go(folder, tmp_path / "out", Output())
    assert "output" not in plan.figures
    assert sorted(os.listdir(tmp_path / "out/stems")) == ["Kick.wav", "OH.wav", "Tom.wav", "Vox.wav"]
    assert (tmp_path / "out/stems/OH.wav").read_bytes() == (folder / "OH.wav").read_bytes()


def test_a_correction_makes_a_drum_of_a_track(folder, tmp_path):
    """Then its stem follows the wishes for drums, although the take was opened with another role."""
    take = take_of(folder)
    plan = plan_of(take, Output(format="flac", subtype="24"))
    plan = plan.replace(tracks=tuple(replace(t, role="tom") if t.track == "Vox.wav" else t for t in plan.tracks))
    report = render(take, plan, tmp_path / "out")
    take.reader.close()
    assert report.files["Vox.wav"] == ("stems/Vox.flac",)
    assert sf.info(tmp_path / "out/stems/Vox.flac").subtype == "PCM_24"


def test_an_rf64_file_can_become_plain_again(folder, tmp_path):
    x = sf.read(folder / "Tom.wav")[0]
    sf.write(folder / "Tom.wav", x, SR, subtype="PCM_24", format="RF64")
    go(folder, tmp_path / "out", Output(format="wav"))
    go(folder, tmp_path / "same", Output())
    assert (tmp_path / "out/stems/Tom.wav").read_bytes()[:4] == b"RIFF"
    assert b"ds64" not in (tmp_path / "out/stems/Tom.wav").read_bytes()[:100]
    assert (tmp_path / "same/stems/Tom.wav").read_bytes()[:4] == b"RF64"
    assert np.array_equal(ints(tmp_path / "out/stems/Tom.wav"), ints(tmp_path / "same/stems/Tom.wav"))
