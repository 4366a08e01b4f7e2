"""The demo take is what it promises to be, in memory and on disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from spillgate.dsp.errors import OutputError, ParameterError
from spillgate.dsp.synth import (
    KITS,
    Layout,
    MadeTake,
    Room,
    demo,
    demo_truth,
    kit_named,
    make_take,
    perform,
    training_takes,
    write_take,
)


@pytest.fixture(scope="module")
def made() -> MadeTake:
    return demo()


def test_twelve_tracks_of_twenty_seconds(made: MadeTake) -> None:
    assert (made.take.sr, made.take.n_samples, len(made.take.tracks)) == (48000, 960000, 12)
    roles = [t.role for t in made.take.tracks]
    assert [roles.count(r) for r in ("kick", "snare", "hat", "tom", "overhead", "room", "other")] == [
        1,
        2,
        1,
        3,
        2,
        2,
        1,
    ]
    assert all(np.max(np.abs(x)) > 0.05 for x in made.audio.values())


def test_what_is_planted(made: MadeTake) -> None:
    truth = demo_truth(made)
    assert truth["mismatch_cm"] == 7.0
    assert truth["flipped"] == [made.take.track("tom2").id]
    assert truth["clipped"] == [made.take.track("kick").id]
    assert [len(s) for s in truth["clipped_s"].values()] == [1]
    assert all(len(rows) >= 6 for rows in truth["hits"].values())


def test_the_clipped_moment_is_flat_and_alone(made: MadeTake) -> None:
    track = made.take.track("kick").id
    flat = np.flatnonzero(np.abs(made.audio[track]) >= 1 - 2**-23)
    (begin,) = made.clipped_s[track]
    assert len(flat) >= 3
    assert flat[0] / 48000 == pytest.approx(begin)
    assert flat[-1] - flat[0] < 0.05 * 48000
    assert all(np.max(np.abs(x)) < 0.999 for t, x in made.audio.items() if t != track)


def test_toms_are_audible_in_their_tracks(made: MadeTake) -> None:
    snr = [row[3] for t in made.wanted for row in made.arrivals[t]]
    assert np.mean(np.array(snr) > -6) > 0.8


def test_files_hold_the_same_samples(made: MadeTake, tmp_path: Path) -> None:
    write_take(made, tmp_path / "demo")
    names = sorted(p.name for p in (tmp_path / "demo").iterdir())
    assert names == sorted(t.file.name for t in made.take.tracks)
    for track in made.take.tracks:
        info = soundfile.info(tmp_path / "demo" / track.file.name)
        assert (info.subtype, info.samplerate, info.format) == ("PCM_24", 48000, "WAV")
        x, _ = soundfile.read(tmp_path / "demo" / track.file.name, dtype="float32")
        np.testing.assert_array_equal(x, made.audio[track.id])
    with pytest.raises(OutputError, match="exists already"):
        write_take(made, tmp_path / "demo")


def test_stereo_files_and_flac(tmp_path: Path) -> None:
    played = perform("line_check", 4.0, 1, drums=KITS["club"].drums)
    layout = Layout(stereo=True, names="terse", others=2)
    small = make_take(KITS["club"], Room(rt60_s=0.2), played, 44100, 1, layout=layout)
    write_take(small, tmp_path, "PCM_16", "FLAC")
    x, sr = soundfile.read(tmp_path / "OH.flac", dtype="float32")
    assert (sr, x.shape) == (44100, (4 * 44100, 2))
    np.testing.assert_allclose(x[:, 1], small.audio["OH.wav:1"], atol=0.501 * 2**-15)


def test_unwritable_folder_and_unknown_format_are_one_line(tmp_path: Path) -> None:
    played = perform("line_check", 3.0, 1, drums=KITS["club"].drums)
    small = make_take(KITS["club"], Room(rt60_s=0.2), played, 44100, 1)
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="choose another folder or format"):
        write_take(small, tmp_path / "file" / "take")
    with pytest.raises(ParameterError, match="no such format"):
        write_take(small, tmp_path / "take", "NOT_A_SUBTYPE")
    assert not (tmp_path / "take").exists()


@pytest.mark.slow
def test_training_takes_go_through_the_kits() -> None:
    takes = list(training_takes(2, 3, 44100, 3.0))
    assert [t.take.name for t in takes] == ["made-3000", "made-3001"]
    assert {len(t.wanted) for t in takes} == {len(KITS["club"].toms), len(KITS["rock"].toms)}


def test_unknown_kit() -> None:
    assert kit_named("rock") is KITS["rock"]
    with pytest.raises(ParameterError, match="did you mean 'rock'"):
        kit_named("rok")
