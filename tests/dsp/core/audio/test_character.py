"""Figures of a track against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.audio.character import (
    EDGES_HZ,
    HOP_S,
    alike,
    band_powers,
    characters,
    common_events,
    onset_strength,
    strongest_partial,
)

SR = 48_000
TIMES = np.arange(0.3, 5.7, 0.45)


def strokes(hz: float, tau_s: float, times: np.ndarray = TIMES, seconds: float = 6.0) -> np.ndarray:
    """Exponentially falling tones."""
    t = np.arange(round(seconds * SR)) / SR
    x = np.zeros(len(t))
    for at in times:
        s = np.clip(t - at, 0, None)
        x += np.where(t >= at, np.exp(-s / tau_s) * np.sin(2 * np.pi * hz * s), 0.0)
    return x


def noise(seed: int, n: int, level: float) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize("hz", [180.0, 720.0, 5700.0])
@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000])
def test_a_sine_has_half_its_squared_amplitude_in_its_band(hz: float, sr: int) -> None:
    # mean square of a sine: A²/2 (closed form)
    x = 0.5 * np.sin(2 * np.pi * hz * np.arange(2 * sr) / sr)
    powers = band_powers(x, sr)
    band = int(np.searchsorted(EDGES_HZ, hz)) - 1
    middle = powers[20:-20]
    # the main lobe of the window is 4 bins of 22 Hz: well inside these bands
    assert np.mean(middle[:, band]) == pytest.approx(0.125, rel=0.05)
    assert np.sum(middle) - np.sum(middle[:, band]) < 0.06 * np.sum(middle)


def test_white_noise_fills_bands_by_their_width() -> None:
    # power density of white noise of variance 1: 2/sr per Hz (closed form)
    powers = np.mean(band_powers(noise(0, 20 * SR, 1.0), SR), axis=0)
    assert powers[2:] == pytest.approx(np.diff(EDGES_HZ)[2:] * 2 / SR, rel=0.08)


@pytest.mark.parametrize("hz", [61.0, 97.3, 152.0, 310.0])
def test_partial_is_found_within_a_hertz(hz: float) -> None:
    x = strokes(hz, 0.3)
    pieces = [x[round((at + 0.02) * SR) :][: round(0.14 * SR)] for at in TIMES]
    found, prominence = strongest_partial(pieces, SR)
    assert found == pytest.approx(hz, abs=1.0)
    assert prominence > 15


def test_decay_is_that_of_the_exponential() -> None:
    # level of exp(-t/τ) falls 20 dB in τ·ln 10 (closed form); frames are 11.5 ms apart and 46 ms long
    for tau_s in (0.03, 0.06, 0.1):
        c, _ = characters([strokes(200.0, tau_s), noise(1, 6 * SR, 1e-4)], SR)
        assert c.decay_s == pytest.approx(tau_s * np.log(10), abs=0.046)


def test_events_are_where_something_is_struck() -> None:
    both = [onset_strength(band_powers(strokes(hz, 0.05, times), SR)) for hz, times in ((80, TIMES[::2]), (900, TIMES))]
    events = common_events(both) * HOP_S
    assert events == pytest.approx(TIMES, abs=0.03)


def test_shares_partial_and_level_of_a_low_drum() -> None:
    x = 0.5 * strokes(60.0, 0.08)
    c, _ = characters([x, strokes(400.0, 0.1)], SR)
    assert c.shares[0] > 0.8
    assert np.sum(c.shares) == pytest.approx(1.0)
    assert c.partial_hz == pytest.approx(60.0, abs=3.0)


@pytest.mark.parametrize("ms", [3.0, 9.0])
def test_a_late_mic_is_late(ms: float) -> None:
    x = strokes(300.0, 0.05)
    late = np.roll(x, round(ms / 1000 * SR))
    first, second = characters([x, 0.3 * late], SR)
    assert first.lag_ms == pytest.approx(0.0, abs=0.6)
    assert second.lag_ms == pytest.approx(ms, abs=0.6)  # grid of 0.5 ms


def test_a_mic_in_the_room_answers_and_a_line_does_not() -> None:
    hiss = np.concatenate(
        [noise(k, round(0.45 * SR), 1.0) * np.exp(-np.arange(round(0.45 * SR)) / 2000) for k in range(12)]
    )
    kit = np.concatenate([np.zeros(round(0.3 * SR)), hiss])
    bleed = 0.01 * kit + 0.5 * np.pad(strokes(60.0, 0.08, TIMES[::3]), (0, len(kit)))[: len(kit)]
    line = 0.3 * np.sin(2 * np.pi * 110 * np.arange(len(kit)) / SR)
    _, mic, di = characters([kit, bleed, line], SR)
    assert mic.answers > 0.6
    assert di.answers < 0.2
    assert di.together < mic.together


def test_alike_knows_two_mics_of_one_drum() -> None:
    x = strokes(80.0, 0.08, TIMES[::2]) + noise(1, 6 * SR, 1e-4)
    y = strokes(95.0, 0.08, TIMES[1::2]) + noise(2, 6 * SR, 1e-4)
    assert alike(x, 0.3 * np.roll(x, 60), SR) > 0.9
    assert alike(x, y, SR) < 0.3


@settings(max_examples=6, deadline=None)
@given(st.floats(-20, 20), st.sampled_from([-1.0, 1.0]))
def test_gain_and_polarity_change_nothing_but_the_level(gain_db: float, sign: float) -> None:
    x, y = strokes(90.0, 0.1) + noise(3, 6 * SR, 0.003), strokes(300.0, 0.05) + noise(4, 6 * SR, 0.003)
    gain = sign * 10 ** (gain_db / 20)
    (a, _), (b, _) = characters([x, y], SR), characters([gain * x, y], SR)
    assert b.level_db == pytest.approx(a.level_db + gain_db, abs=0.01)
    assert b.shares == pytest.approx(a.shares, abs=1e-6)
    assert (b.decay_s, b.lag_ms, b.share_of_events) == pytest.approx((a.decay_s, a.lag_ms, a.share_of_events), abs=1e-6)
    assert b.partial_hz == pytest.approx(a.partial_hz)


def test_silence_and_short_tracks() -> None:
    silent, short = characters([np.zeros(SR), noise(5, SR, 0.1)], SR)
    assert silent.level_db == -np.inf
    assert np.isfinite(short.level_db) or short.level_db == -np.inf
    assert characters([], SR) == ()
    for n in (0, 1, 100):
        (c,) = characters([np.zeros(n)], SR)
        assert c.level_db == -np.inf
