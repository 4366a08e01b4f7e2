"""Planted faults are there, at the size asked."""

from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.synth import KITS, Faults, Layout, MadeTake, Performance, Room, Stroke, make_take, random_take

SR = 48000
PLAYED = Performance(
    strokes=(
        Stroke(drum="snare", time_s=0.3, level_db=0.0),
        Stroke(drum="snare", time_s=0.7, level_db=-9.0),
        Stroke(drum="tom1", time_s=1.0, level_db=0.0),
        Stroke(drum="floor", time_s=1.4, level_db=0.0),
    ),
    seconds=2.0,
    bpm=120.0,
    style="line_check",
)


def _make(faults: Faults | None = None, **more: object) -> MadeTake:
    return make_take(KITS["club"], Room(rt60_s=0.2), PLAYED, SR, 1, faults=faults, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def faulty() -> MadeTake:
    faults = Faults(
        hum={"tom1": -50.0},
        dc={"floor": 0.02},
        clipped={"Snare Top": 5.0},
        gain_db={"Room L": -30.0},
        silent=("hat",),
        dropped=("Overhead R",),
        late={"Overhead L": -48},
    )
    return _make(faults)


def _id(made: MadeTake, drum: str) -> str:
    return next(t.id for t in made.take.tracks if t.drum == drum)


def test_lists_name_the_tracks(faulty: MadeTake) -> None:
    assert faulty.faults == {
        "flipped": (),
        "late": ("Overhead L.wav",),
        "clipped": ("Snare Top.wav",),
        "hum": (_id(faulty, "tom1"),),
        "dc_offset": (_id(faulty, "floor"),),
        "silent": (_id(faulty, "hat"),),
        "very_quiet": ("Room L.wav",),
    }
    assert "Overhead R.wav" not in [t.id for t in faulty.take.tracks]
    assert all(far == "Overhead L.wav" for _, far in faulty.delays)


def test_hum_has_its_level(faulty: MadeTake) -> None:
    # Closed form: amplitudes 1 : 0.5 : 0.35 at 50, 100, 150 Hz, the sum's RMS at −50 dBFS; read in the quiet start.
    x = faulty.audio[_id(faulty, "tom1")][: int(0.28 * SR)].astype(float)
    t = np.arange(len(x)) / SR
    basis = np.stack([g(2 * np.pi * f * t) for f in (50, 100, 150) for g in (np.sin, np.cos)], axis=1)
    weights = np.linalg.lstsq(basis, x, rcond=None)[0]
    assert 10 * np.log10(np.sum(weights**2) / 2) == pytest.approx(-50.0, abs=0.2)


def test_offset_is_there(faulty: MadeTake) -> None:
    assert np.mean(faulty.audio[_id(faulty, "floor")][: int(0.28 * SR)]) == pytest.approx(0.02, abs=1e-4)


def test_only_the_loudest_stroke_clips(faulty: MadeTake) -> None:
    (begin,) = faulty.clipped_s["Snare Top.wav"]
    assert begin == pytest.approx(0.3, abs=0.01)
    assert np.max(np.abs(faulty.audio["Snare Top.wav"])) >= 1 - 2**-23


def test_dead_channel_holds_noise_only(faulty: MadeTake) -> None:
    # −86 dBFS RMS is asked by default.
    x = faulty.audio[_id(faulty, "hat")].astype(float)
    assert 10 * np.log10(np.mean(x**2)) == pytest.approx(-86.0, abs=0.2)


def test_early_track_lengthens_the_delay_to_it(faulty: MadeTake) -> None:
    clean = _make()
    for (close, far), delay in faulty.delays.items():
        assert delay == pytest.approx(clean.delays[close, far] - 48)


def test_one_shots_take_the_place_of_the_model() -> None:
    click = np.zeros(4800, np.float32)
    click[:40] = np.hanning(40)
    made = _make(samples={"tom1": [(0.0, click), (-10.0, 0.5 * click)]}, layout=Layout(room=False), spread_cm=0.0)
    track = _id(made, "tom1")
    x = np.abs(made.wanted[track])
    ((at, _, _, _),) = made.arrivals[track]
    # A pulse of under a millisecond: its energy lies there and not in a ring.
    start = int(at * SR)
    assert np.sum(x[start - 5 : start + 60] ** 2) > 0.8 * np.sum(x**2)


@pytest.mark.parametrize("seed", [4, 5])
def test_random_takes_are_finite_and_repeat(seed: int) -> None:
    a, b = (random_take(seed, 44100, 4.0) for _ in range(2))
    assert a.take.sr == 44100
    for track, x in a.audio.items():
        assert np.all(np.isfinite(x))
        assert np.max(np.abs(x)) <= 1.0
        np.testing.assert_array_equal(x, b.audio[track])
