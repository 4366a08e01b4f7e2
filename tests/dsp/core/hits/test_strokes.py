"""Playing without clear strokes is told from rings, bleed and strokes."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from spillgate.dsp.core.hits.envelopes import BandEnvelopes
from spillgate.dsp.core.hits.novelty import novelty
from spillgate.dsp.core.hits.strokes import Strokes, averaged, clicks, lead_db, passages

SR = 16000
FRAME_S = 0.001
SECONDS = 12.0
N = round(SECONDS * SR)
T = np.arange(N) / SR
HISS = butter(4, 600, "highpass", fs=SR, output="sos")
NONE = Strokes(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))


def head(level_db: np.ndarray | float, seed: int = 0) -> np.ndarray:
    """Tones of a head with an envelope in dB re full scale."""
    rng = np.random.default_rng(seed)
    tones = sum(np.sin(2 * np.pi * f * T + rng.uniform(0, 6)) for f in (80.0, 131.0, 174.0))
    return np.asarray(10 ** (np.asarray(level_db) / 20) * tones / np.sqrt(1.5))


def noise(level_db: np.ndarray | float, seed: int = 1) -> np.ndarray:
    """Noise over 600 Hz, as cymbals and brushes make it."""
    x = sosfilt(HISS, np.random.default_rng(seed).standard_normal(N))
    return np.asarray(10 ** (np.asarray(level_db) / 20) * x)


def strokes(times: list[float], decay_db_s: float, top_db: float = -10.0) -> np.ndarray:
    """Strokes in dB that die away, the next one starting anew."""
    level = np.full(N, -120.0)
    for t in times:
        level = np.where(t <= T, np.maximum(level, top_db - decay_db_s * (T - t)), level)
    return level


def envelope(x: np.ndarray) -> np.ndarray:
    feature = BandEnvelopes()
    rows, state = feature.push(x, feature.start(SR))
    return np.concatenate([rows, feature.finish(state)])


def level(x: np.ndarray) -> np.ndarray:
    return averaged(envelope(x + noise(-90.0, 9)))


def found(own: np.ndarray, others: list[np.ndarray], toms: list[np.ndarray], played: Strokes = NONE) -> np.ndarray:
    """Spans in seconds."""
    spans = passages(level(own), [level(o) for o in others], [level(o) for o in toms], played, FRAME_S).spans
    return spans * FRAME_S


def clear_at(times: list[float]) -> Strokes:
    n = len(times)
    return Strokes(np.array([round(t / FRAME_S) for t in times]), np.full(n, 0.999), np.full(n, -8.0))


SWELL = np.where((T > 4) & (T < 8), -40.0 + 30.0 * (T - 4) / 4, np.where(T >= 8, -10.0 - 18.0 * (T - 8), -120.0))
"""Four seconds from −40 to −10 dB, then a ring that falls by 18 dB a second (60 dB in 3.3 s)."""


def test_a_swell_is_one_passage_from_its_start_to_its_end() -> None:
    spans = found(head(SWELL), [head(SWELL - 20, 3)], [])
    assert len(spans) == 1
    assert 3.7 < spans[0, 0] < 4.3
    assert 8.5 < spans[0, 1] <= SECONDS


def test_a_single_ring_is_none() -> None:
    # 18 dB a second: 60 dB in 3.3 s, a long ring; missed by the detection, so nothing is clear
    assert len(found(head(strokes([3.0], 18.0)), [head(-80.0, 3)], [])) == 0


def test_a_roll_of_clear_strokes_is_none() -> None:
    times = [float(t) for t in np.arange(3.0, 7.0, 0.09)]
    own = head(strokes(times, 18.0))
    assert len(found(own, [head(-60.0, 3)], [], clear_at(times))) == 0
    assert len(found(own, [head(-60.0, 3)], [])) == 1  # the same without clear strokes


def test_a_swell_is_found_behind_clear_strokes() -> None:
    times = [0.5, 1.0, 1.5, 2.0]
    own = head(np.maximum(strokes(times, 25.0), SWELL))
    spans = found(own, [head(SWELL - 20, 3)], [], clear_at(times))
    assert len(spans) == 1
    assert spans[0, 0] > 3.0


@pytest.mark.parametrize("bleed_db", [-3.0, -10.0, -20.0])
def test_the_neighbours_swell_is_not_ones_own(bleed_db: float) -> None:
    assert len(found(head(SWELL + bleed_db), [head(SWELL, 3)], [head(SWELL, 3)])) == 0


def test_sympathetic_rings_under_other_drums_are_none() -> None:
    kicks = [float(t) for t in np.arange(0.5, 11.0, 0.6)]
    own = head(strokes(kicks, 14.0, -45.0))
    assert len(found(own, [head(strokes(kicks, 60.0), 3)], [])) == 0


def test_brushes_are_an_even_rustle_in_one_tom() -> None:
    sweep = -40.0 + 3.0 * np.sin(2 * np.pi * 4 * T)
    spans = found(noise(sweep), [noise(-40.0, 2), noise(-56.0, 3)], [noise(-56.0, 3)])
    assert len(spans) == 1
    assert spans[0, 1] - spans[0, 0] > 0.9 * SECONDS


def test_a_cymbal_that_all_toms_hear_is_none() -> None:
    wash = -40.0 + 3.0 * np.sin(2 * np.pi * 4 * T)
    assert len(found(noise(wash), [noise(wash - 3, 2)], [noise(wash - 3, 2)])) == 0


def test_a_ride_over_one_tom_is_none() -> None:
    ride = strokes([float(t) for t in np.arange(0.2, 11.5, 0.5)], 40.0, -35.0)
    assert len(found(noise(ride), [noise(ride - 9, 2)], [noise(ride - 9, 2)])) == 0


def test_lead_is_the_difference_of_levels_in_the_low_bands() -> None:
    own, loud, soft = level(head(-20.0)), level(head(-12.0, 3)), level(head(-30.0, 4))
    frames = np.array([2000, 5000])
    np.testing.assert_allclose(lead_db(own, [loud, soft], frames), -8.0, atol=0.3)
    np.testing.assert_allclose(lead_db(loud, [own, soft], frames), 8.0, atol=0.3)
    assert np.isinf(lead_db(own, [], frames)).all()
    assert len(lead_db(own, [loud], np.zeros(0, np.int64))) == 0


def test_silence_one_tom_alone_and_no_length() -> None:
    nothing = np.zeros(N)
    assert len(found(nothing, [nothing], [nothing])) == 0
    assert len(found(head(SWELL), [], [])) == 0  # nothing to compare with
    empty = np.zeros((0, 2))
    assert len(passages(empty, [empty], [empty], NONE, FRAME_S).spans) == 0


def test_clear_strokes_outside_are_counted() -> None:
    times = [0.5, 1.0, 6.0]
    result = passages(level(head(SWELL)), [level(head(SWELL - 20, 3))], [], clear_at(times), FRAME_S)
    assert len(result.spans) == 1
    assert result.clear_outside == 2


@pytest.mark.parametrize(("contact_ms", "clear"), [(1.0, True), (7.0, False)])
def test_a_click_tells_stick_from_felt(contact_ms: float, clear: bool) -> None:
    # A blow of the shape of half a sine: its spectrum falls 12 dB an octave from 1.5/T on, 1500 Hz for a stick's
    # contact of 1 ms and 214 Hz for felt's 7 ms (Fletcher & Rossing, The Physics of Musical Instruments, chapter 18;
    # modes of the ideal membrane from chapter 3).
    k = round(contact_ms * SR / 1000)
    x = np.zeros(N)
    x[SR : SR + k] = np.sin(np.pi * np.arange(k) / k) / k
    rng = np.random.default_rng(4)
    modes = 70.0 * np.sort(np.r_[1.0, 1.59, 2.14, 2.30, 2.65, 2.92, 3.16, rng.uniform(3, 60, 60)])
    n = SR
    response = sum(np.sin(2 * np.pi * m * T[:n]) * np.exp(-T[:n] * (2 + m / 60)) for m in modes)
    y = np.convolve(x, response)[:N] + 1e-6 * rng.standard_normal(N)
    e = envelope(y)
    db = clicks(e, novelty(e), np.array([1000]))[0]
    assert bool(db >= -16.0) is clear
