"""A made take keeps its contract, and its truth is true."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfiltfilt

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.synth import KITS, Faults, Layout, MadeTake, Performance, Room, Stroke, make_take, perform

SR = 48000
ROOM = Room(rt60_s=0.25)


def _strokes(*rows: tuple[str, float, float]) -> Performance:
    strokes = tuple(Stroke(drum=d, time_s=t, level_db=v) for d, t, v in rows)
    return Performance(strokes=strokes, seconds=3.0, bpm=120.0, style="groove")


@pytest.fixture(scope="module")
def small() -> MadeTake:
    played = _strokes(
        ("snare", 0.3, -1.0), ("tom1", 0.8, 0.0), ("tom1", 1.4, -12.0), ("floor", 1.9, -2.0), ("crash_l", 2.2, -3.0)
    )
    layout = Layout(mismatch_cm=7.0, room=False)
    faults = Faults(flipped=("tom1",), late={"floor": 100})
    return make_take(KITS["rock"], ROOM, played, SR, 3, layout=layout, faults=faults, spread_cm=0.0, sympathetic=False)


def _id(made: MadeTake, drum: str) -> str:
    return next(t.id for t in made.take.tracks if t.drum == drum)


def test_delays_are_distance_over_speed(small: MadeTake) -> None:
    # Closed form: (distance to the overhead − distance to the close mic) / c, c = 343.2 √(T/293.15 K).
    c = 343.2 * np.sqrt((ROOM.temperature_c + 273.15) / 293.15)
    for (close, far), delay in small.delays.items():
        drum = np.array(small.sources[small.take.track(close).drum or ""])
        paths = [np.linalg.norm(np.array(small.places[t]) - drum) for t in (far, close)]
        late = small.late_samples.get(far, 0) - small.late_samples.get(close, 0)
        assert delay == pytest.approx((paths[0] - paths[1]) / c * SR + late, abs=1e-6)


def test_mismatch_is_what_was_asked(small: MadeTake) -> None:
    assert small.mismatch_cm == pytest.approx(7.0, abs=1e-6)


def test_arrivals_are_where_the_sound_begins(small: MadeTake) -> None:
    # The wanted track is silent before an arrival and sounds right after it.
    for drum in ("tom1", "floor"):
        track = _id(small, drum)
        first = small.arrivals[track][0][0]
        x = np.abs(small.wanted[track])
        at = int(np.floor(first * SR))
        assert np.max(x[: at - 20]) < 2e-3 * np.max(x)
        assert np.max(x[at : at + 96]) > 0.1 * np.max(x)


def test_levels_of_arrivals(small: MadeTake) -> None:
    levels = [row[2] for row in small.arrivals[_id(small, "tom1")]]
    assert max(levels) == 0.0
    assert levels[1] == pytest.approx(-12.0, abs=4.0)  # a softer stroke is darker and elsewhere on the head, too


def test_polarity_counts_flips_and_the_bottom_mic(small: MadeTake) -> None:
    for (close, _), sign in small.polarity.items():
        track = small.take.track(close)
        wanted = -1 if track.drum == "tom1" or track.position == "bottom" else 1
        assert sign == wanted
    assert small.faults["flipped"] == (_id(small, "tom1"),)
    assert small.faults["late"] == (_id(small, "floor"),)


def test_flip_and_lateness_do_what_they_say(small: MadeTake) -> None:
    layout = Layout(mismatch_cm=7.0, room=False)
    clean = make_take(KITS["rock"], ROOM, small.performance, SR, 3, layout=layout, spread_cm=0.0, sympathetic=False)
    tom, floor = _id(small, "tom1"), _id(small, "floor")
    np.testing.assert_array_equal(small.wanted[tom], -clean.wanted[tom])
    np.testing.assert_array_equal(small.wanted[floor][100:], clean.wanted[floor][:-100])


def test_same_seed_same_samples_other_seed_others(small: MadeTake) -> None:
    played = perform("groove", 2.0, 1, drums=KITS["club"].drums)
    a, b, c = (make_take(KITS["club"], ROOM, played, SR, seed) for seed in (1, 1, 2))
    assert list(a.audio) == list(b.audio)
    for track, x in a.audio.items():
        np.testing.assert_array_equal(x, b.audio[track])
    assert any(not np.array_equal(x, c.audio[t]) for t, x in a.audio.items())


def test_reader_gives_the_audio(small: MadeTake) -> None:
    for track in small.take.tracks:
        np.testing.assert_array_equal(small.take.read(track), small.audio[track.id])


def test_unknown_fault_track() -> None:
    with pytest.raises(ParameterError, match="no track is called 'Tom 9'"):
        make_take(KITS["rock"], ROOM, _strokes(("snare", 0.3, 0.0)), SR, 1, faults=Faults(flipped=("Tom 9",)))


def test_bleed_knob_raises_the_rest_only() -> None:
    played = _strokes(("snare", 0.3, -1.0), ("tom1", 1.0, 0.0))
    a, b = (make_take(KITS["rock"], ROOM, played, SR, 3, bleed_db=d) for d in (0.0, 6.0))
    tom, snare = _id(a, "tom1"), _id(a, "snare")
    assert b.bleed_db[tom]["snare"] - a.bleed_db[tom]["snare"] == pytest.approx(6.0, abs=0.02)
    assert b.bleed_db[snare]["tom1"] == pytest.approx(a.bleed_db[snare]["tom1"], abs=0.02)


def test_delays_and_polarity_are_heard() -> None:
    # Independent of the truth's own arithmetic: lag and sign of the cross-correlation of the attacks (2.5 ms, above
    # 1.5 kHz, before any reflection) of lone strokes, parabolic peak.
    drums = ("snare", "tom1", "tom2", "floor")
    played = _strokes(*((d, 0.3 + 0.6 * k, -1.0) for k, d in enumerate(drums)))
    layout = Layout(mismatch_cm=7.0, hat=False, room=False)
    made = make_take(
        KITS["rock"],
        ROOM,
        played,
        SR,
        3,
        layout=layout,
        faults=Faults(flipped=("tom2",), late={"floor": 31}),
        spread_cm=0.0,
        sympathetic=False,
        noise_dbfs=-120.0,
    )
    sos = butter(2, 1500, "high", fs=SR, output="sos")
    sharp = {t: sosfiltfilt(sos, x.astype(float)) for t, x in made.audio.items()}
    seen = 0
    for (close, far), delay in made.delays.items():
        if made.take.track(close).drum not in drums:
            continue
        start, n, near = int(made.arrivals[close][0][0] * SR) - 10, 120, round(delay)
        window = np.hanning(n)
        x, y = sharp[close][start : start + n] * window, sharp[far][start + near : start + near + n] * window
        c = np.correlate(y, x, "full") * made.polarity[close, far]
        k = int(np.argmax(c))
        top = 0.5 * (c[k - 1] - c[k + 1]) / (c[k - 1] - 2 * c[k] + c[k + 1])
        assert near + k - (n - 1) + top == pytest.approx(delay, abs=0.25), (close, far)
        assert c[k] > -np.min(c)
        seen += 1
    assert seen == 10
