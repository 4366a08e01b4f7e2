"""Names and sound together, on takes made by the program (their truth is exact) and on simple made sounds."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from spillgate.dsp.synth import MadeTake, random_take
from spillgate.dsp.take.content import HEARD_S, guess_tracks, stretches
from spillgate.dsp.take.model import AudioFile, Track

Audio = Mapping[str, NDArray[np.float32]]


def bare(name: str, sr: int = 48_000, n_channels: int = 1, channel: int = 0) -> Track:
    file = AudioFile(
        path=Path(name), name=name, sr=sr, n_channels=n_channels, n_samples=1, format="WAV", subtype="PCM_24"
    )
    return Track(id=name if n_channels == 1 else f"{name}:{channel}", files=(file,), channel=channel)


def reader(audio: Audio, seen: list[str] | None = None) -> Callable[[Track, int, int], NDArray[np.float32]]:
    def read(track: Track, start: int, stop: int) -> NDArray[np.float32]:
        if seen is not None:
            seen.append(track.id)
        return audio[track.id][start:stop]

    return read


def guess(audio: Audio, sr: int) -> dict[str, Track]:
    n = max(len(x) for x in audio.values())
    return {t.id: t for t in guess_tracks([bare(name, sr) for name in audio], {}, reader(audio), sr, n)}


@pytest.fixture(scope="module")
def made() -> MadeTake:
    """A take none of whose figures the weights were set on."""
    return random_take(7301, 48_000, 20.0, kit="rock", style="groove", bleed_db=6.0)


@pytest.fixture(scope="module")
def hidden(made: MadeTake) -> dict[str, Track]:
    """The made take without its names: true track -> what was guessed."""
    names = {f"Audio {k:02d}.wav": t.id for k, t in enumerate(made.take.tracks)}
    found = guess({n: made.audio[t] for n, t in names.items()}, made.take.sr)
    return {names[n]: t for n, t in found.items()}


def test_clear_names_need_no_sound() -> None:
    names = ["Kick.wav", "Snare Top.wav", "Tom 1.wav", "Floor.wav", "OH L.wav", "OH R.wav", "Bass DI.wav"]
    seen: list[str] = []
    tracks = guess_tracks([bare(n) for n in reversed(names)], {}, reader({}, seen), 48_000, 48_000)
    assert seen == []
    assert [t.id for t in tracks] == names
    assert not any(t.doubt for t in tracks)


def test_channel_names_go_before_useless_file_names() -> None:
    tracks = guess_tracks([bare("Audio 07.wav")], {"Audio 07.wav": "Kick In"}, reader({}), 48_000, 48_000)
    assert [(t.role, t.position, t.doubt) for t in tracks] == [("kick", "in", "")]


def test_stereo_overheads_are_left_and_right() -> None:
    tracks = guess_tracks([bare("OH.wav", n_channels=2, channel=c) for c in (0, 1)], {}, reader({}), 48_000, 48_000)
    assert [(t.id, t.role, t.position) for t in tracks] == [
        ("OH.wav:0", "overhead", "left"),
        ("OH.wav:1", "overhead", "right"),
    ]


def test_nameless_files_are_told_by_their_sound(made: MadeTake, hidden: dict[str, Track]) -> None:
    right = [hidden[t.id].role == t.role for t in made.take.tracks]
    assert np.mean(right) >= 0.8
    for t in made.take.tracks:
        if t.role in ("kick", "room"):
            assert hidden[t.id].role == t.role


def test_every_nameless_file_stays_a_question(hidden: dict[str, Track]) -> None:
    assert all("the name does not say what it is" in t.doubt for t in hidden.values())


def test_nameless_toms_are_ordered_by_pitch(made: MadeTake, hidden: dict[str, Track]) -> None:
    true = [t.id for t in made.take.tracks if t.role == "tom" and hidden[t.id].role == "tom"]
    assert len(true) >= 2
    assert true == sorted(true, key=lambda t: hidden[t].drum or "")


def test_a_name_that_means_nothing_is_weighed_by_sound(made: MadeTake) -> None:
    kick = next(t.id for t in made.take.tracks if t.role == "kick")
    audio = {("Symphony.wav" if t.id == kick else t.id): made.audio[t.id] for t in made.take.tracks}
    found = guess(audio, made.take.sr)["Symphony.wav"]
    assert found.role == "kick"
    assert "means nothing" in found.doubt
    assert "sounds like a kick" in found.doubt


def test_names_that_fit_are_not_questioned_when_others_are(made: MadeTake) -> None:
    audio = {t.id: made.audio[t.id] for t in made.take.tracks} | {"Audio 99.wav": made.audio[made.take.tracks[0].id]}
    found = guess(audio, made.take.sr)
    assert [t.id for t in found.values() if t.doubt] == ["Audio 99.wav"]
    assert all(found[t.id].role == t.role for t in made.take.tracks)


def test_a_kick_that_is_none_is_questioned(made: MadeTake) -> None:
    # the snare's file named kick, and one doubtful name so that there is listening at all
    ids = {t.role: t.id for t in made.take.tracks}
    audio = {t.id: made.audio[t.id] for t in made.take.tracks if t.role not in ("kick", "snare")} | {
        "Kick.wav": made.audio[ids["snare"]],
        "Audio 99.wav": made.audio[ids["kick"]],
    }
    found = guess(audio, made.take.sr)["Kick.wav"]
    assert found.role == "kick"
    assert found.doubt == "it sounds like a snare"


def test_doubt_of_a_name_goes_when_the_sound_agrees(made: MadeTake) -> None:
    kick = next(t.id for t in made.take.tracks if t.role == "kick")
    audio = {("Kick comp.wav" if t.id == kick else t.id): made.audio[t.id] for t in made.take.tracks}
    found = guess(audio, made.take.sr)["Kick comp.wav"]
    assert (found.role, found.drum, found.doubt) == ("kick", "kick", "")


def strokes(seed: int, hz: float, times: NDArray[np.float64], sr: int = 48_000) -> NDArray[np.float32]:
    t = np.arange(8 * sr) / sr
    x = 1e-4 * np.random.default_rng(seed).standard_normal(len(t))
    for at in times:
        s = np.clip(t - at, 0, None)
        x += (t >= at) * np.exp(-s / 0.08) * np.sin(2 * np.pi * hz * s)
    return np.asarray(0.5 * x, np.float32)


def test_two_kick_mics_or_two_kicks() -> None:
    beats = np.arange(0.2, 7.5, 0.8)
    one = {"Kick 1.wav": strokes(1, 60, beats), "Kick 2.wav": np.roll(strokes(1, 60, beats), 70)}
    assert [(t.drum, t.doubt) for t in guess(one, 48_000).values()] == [("kick", ""), ("kick", "")]
    two = {"Kick 1.wav": strokes(1, 60, beats), "Kick 2.wav": strokes(2, 70, beats + 0.4)}
    found = guess(two, 48_000)
    assert [t.drum for t in found.values()] == ["kick", "kick2"]
    assert all("two kicks, or two mics" in t.doubt for t in found.values())


def test_a_silent_nameless_file_is_a_question() -> None:
    beats = np.arange(0.2, 7.5, 0.8)
    found = guess({"Kick.wav": strokes(1, 60, beats), "Audio 07.wav": np.zeros(8 * 48_000, np.float32)}, 48_000)
    assert found["Audio 07.wav"].role == "other"
    assert "nothing is to be heard" in found["Audio 07.wav"].doubt


def test_what_is_no_drum_by_name_is_not_read() -> None:
    audio = {"Kick comp.wav": strokes(1, 60, np.arange(0.2, 7.5, 0.8)), "Vox.wav": np.zeros(10, np.float32)}
    seen: list[str] = []
    guess_tracks([bare(n) for n in audio], {}, reader(audio, seen), 48_000, 8 * 48_000)
    assert set(seen) == {"Kick comp.wav"}


@pytest.mark.filterwarnings("error")
def test_odd_audio_is_survived() -> None:
    bad = np.full(4 * 48_000, np.nan, np.float32)
    short = np.zeros(1, np.float32)
    found = guess_tracks(
        [bare("Audio 01.wav"), bare("Audio 02.wav")],
        {},
        lambda t, a, b: (bad if t.id == "Audio 01.wav" else np.pad(short, (0, 4 * 48_000 - 1)))[a:b],
        48_000,
        4 * 48_000,
    )
    assert [t.role for t in found] == ["other", "other"]
    assert len(guess_tracks([bare("Audio 01.wav")], {}, lambda t, a, b: short[:0], 48_000, 0)) == 1


def test_the_rate_does_not_matter(made: MadeTake) -> None:
    from scipy.signal import resample_poly

    names = {f"Audio {k:02d}.wav": t.id for k, t in enumerate(made.take.tracks)}
    once = guess({n: made.audio[t] for n, t in names.items()}, made.take.sr)
    doubled = {n: np.asarray(resample_poly(made.audio[t], 2, 1), np.float32) for n, t in names.items()}
    twice = guess(doubled, 2 * made.take.sr)
    assert [dataclasses.replace(t, files=()) for t in once.values()] == [
        dataclasses.replace(t, files=()) for t in twice.values()
    ]


@pytest.mark.parametrize("seconds", [5, 29, 31, 240, 3600])
def test_at_most_half_a_minute_is_listened_to(seconds: int) -> None:
    parts = stretches(48_000, seconds * 48_000)
    assert sum(b - a for a, b in parts) == min(seconds, HEARD_S) * 48_000
    assert parts[0][0] == 0
    assert parts[-1][1] == seconds * 48_000
    assert all(a[1] <= b[0] for a, b in pairwise(parts))
