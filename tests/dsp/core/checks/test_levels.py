"""Levels against EBU Tech 3341, closed forms and scipy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from spillgate.dsp.core.checks.levels import (
    COLUMNS,
    Levels,
    column,
    crest_db,
    frame_hop,
    level_figures,
    low_band,
    low_rate,
    true_peak,
)


def table(x: NDArray[np.floating], sr: int, block: int | None = None) -> NDArray[np.float32]:
    feature = Levels()
    state = feature.start(sr)
    rows = []
    for a in range(0, len(x), block or max(len(x), 1)):
        new, state = feature.push(x[a : a + (block or len(x))].astype(np.float32), state)
        rows.append(new)
    return np.concatenate([*rows, feature.finish(state)])


def faded(x: NDArray[np.float64], n: int = 2000) -> NDArray[np.float64]:
    """A tone switched on at once overshoots its steady level; the cases are about the steady level."""
    ramp = np.sin(np.linspace(0, np.pi / 2, n)) ** 2
    x = x.copy()
    x[:n] *= ramp
    x[-n:] *= ramp[::-1]
    return x


# EBU Tech 3341 (2016), Table 1, cases 15-19: sr / frequency, amplitude, phase in degrees, expected dBTP; tolerance
# +0.2/-0.4 dB.  The exact value is 20 log10(amplitude).
TECH_3341 = [
    (4, 0.50, 0.0, -6.0),
    (4, 0.50, 45.0, -6.0),
    (6, 0.50, 60.0, -6.0),
    (8, 0.50, 67.5, -6.0),
    (4, 1.41, 45.0, 3.0),
]


@pytest.mark.parametrize("sr", [44100, 48000, 96000])
@pytest.mark.parametrize(("period", "amplitude", "phase", "expected"), TECH_3341)
def test_true_peak_cases_15_to_19(period: int, amplitude: float, phase: float, expected: float, sr: int) -> None:
    t = np.arange(sr // 2)
    x = faded(amplitude * np.sin(2 * np.pi * t / period + np.deg2rad(phase)))
    for got in (20 * np.log10(true_peak(x)), level_figures(table(x, sr)).true_peak_db):
        assert expected - 0.4 <= got <= expected + 0.2
        assert got == pytest.approx(20 * np.log10(amplitude), abs=0.02)


@pytest.mark.parametrize("offset", range(4))
def test_true_peak_cases_20_to_23(offset: int) -> None:
    # from memory of EBU Tech 3341: a tone of sr/4 with a burst of greater amplitude, made at 4 x sr and decimated with
    # offset 0...3; expected 0 dBTP +0.2/-0.4.  Here: one wide raised cosine on a carrier of sr/4 at 4 x sr.
    n = 4 * 4800
    t = np.arange(n) - n // 2
    fine = np.cos(2 * np.pi * t / 16) * np.where(abs(t) < n // 4, np.cos(np.pi * t / (n // 2)) ** 2, 0.0)
    got = 20 * np.log10(true_peak(fine[offset::4]))
    assert got == pytest.approx(0.0, abs=0.02)


@settings(max_examples=40, deadline=None)
@given(share=st.floats(0.002, 0.45), phase=st.floats(0, 6.28))
def test_true_peak_of_any_tone_is_its_amplitude(share: float, phase: float) -> None:
    x = faded(0.7 * np.sin(2 * np.pi * share * np.arange(12000) + phase))
    # plain 4 x peak picking would read up to 0.55 dB too little at 0.45 x sr (20 log10 cos(pi 0.45/4))
    assert 20 * np.log10(true_peak(x) / 0.7) == pytest.approx(0.0, abs=0.02)


def test_true_peak_agrees_with_fft_resampling() -> None:
    rng = np.random.default_rng(3)
    b, a = signal.butter(4, 0.8)
    x = faded(signal.lfilter(b, a, rng.standard_normal(4096)), 512)
    fine = signal.resample(x, 64 * len(x))  # exact for periodic signals; both ends are silent
    assert true_peak(x) == pytest.approx(np.abs(fine).max(), rel=0.003)


def test_silence_and_single_sample() -> None:
    assert true_peak(np.zeros(100)) == 0.0
    assert true_peak(np.array([0.5])) == 0.5
    figures = level_figures(table(np.zeros(4800), 48000))
    assert figures.peak_db == figures.noise_db == -200.0
    assert len(table(np.zeros(1), 48000)) == 1


@pytest.mark.parametrize("sr", [44100, 48000, 96000, 22050, 192000])
def test_sine_has_the_book_s_figures(sr: int) -> None:
    x = faded(0.5 * np.sin(2 * np.pi * 997 * np.arange(2 * sr) / sr), 100)
    rows = table(x, sr)
    assert len(rows) == Levels().shape(sr, len(x))[0]
    figures = level_figures(rows)
    assert figures.peak_db == pytest.approx(-6.02, abs=0.01)
    # a sine's r.m.s. is 3.01 dB under its peak
    assert figures.rms_db == pytest.approx(-9.03, abs=0.05)
    assert figures.crest_db == pytest.approx(3.01, abs=0.05)
    assert crest_db(1.0, 0.5) == pytest.approx(3.0103, abs=1e-4)
    # the mean of one frame that cuts a period may be 0.5 / (pi x 10) = 0.016; over all of them little is left
    assert abs(figures.offset) < 5e-4


def test_offset_and_noise_floor() -> None:
    rng = np.random.default_rng(5)
    sr = 48000
    x = 0.02 + 1e-4 * rng.standard_normal(4 * sr)
    x[sr : 2 * sr] += 0.5 * np.exp(-np.arange(sr) / 3000) * np.sin(2 * np.pi * 90 * np.arange(sr) / sr)
    figures = level_figures(table(x, sr))
    assert figures.offset == pytest.approx(0.02, abs=2e-4)
    assert figures.noise_db == pytest.approx(-80.0, abs=0.5)  # 20 log10 1e-4


@settings(max_examples=15, deadline=None)
@given(block=st.integers(1, 3000), seed=st.integers(0, 99))
def test_cutting_into_blocks_changes_no_bit(block: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.clip(rng.standard_normal(3000) * np.repeat(rng.uniform(0, 1, 6), 500), -0.9, 0.9)
    x[700:1300] = 0.0
    assert table(x, 8000, block).tobytes() == table(x, 8000).tobytes()


def test_low_band_is_the_low_passed_signal() -> None:
    sr = 48000
    rng = np.random.default_rng(1)
    x = faded(rng.standard_normal(sr))
    x /= 4 * np.abs(x).max()
    low = low_band(table(x, sr))
    assert low_rate(sr) == 1000.0
    assert low_rate(44100) == pytest.approx(1002.27, abs=0.01)
    # the same from scipy: zero-phase low-pass at 500 Hz of high order, compared below 300 Hz
    sos = signal.butter(12, 500, fs=sr, output="sos")
    ours = np.fft.rfft(low[:1000])
    theirs = np.fft.rfft(signal.sosfiltfilt(sos, x)[24::48][:1000])
    f = np.arange(501)
    inside = (f > 5) & (f < 280)
    assert np.abs(ours - theirs)[inside].max() < 0.02 * np.abs(theirs)[inside].max()


def test_low_band_rejects_what_would_alias() -> None:
    sr = 48000
    for hz in (710, 920, 1700, 9900):
        x = faded(np.sin(2 * np.pi * hz * np.arange(sr) / sr), 12000)
        # designed for 80 dB; Kaiser's formula misses by up to 1.5 dB
        assert np.abs(low_band(table(x, sr))).max() < 10 ** (-78.5 / 20)


def test_rates_at_which_the_interpolator_reaches_beyond_a_frame_give_the_plain_peak() -> None:
    x = np.random.default_rng(2).uniform(-0.5, 0.5, 300)
    rows = table(x, 1000)
    assert np.array_equal(column(rows, "true_peak"), column(rows, "peak"))
    assert column(rows, "peak").max() == np.float32(np.abs(x).max())


def test_frames_sit_on_a_grid_of_about_10_ms() -> None:
    assert [frame_hop(sr) for sr in (44100, 48000, 96000)] == [440, 480, 960]
    x = np.zeros(4800)
    x[961] = 1.0
    peak = column(table(x, 48000), "peak")
    assert np.flatnonzero(peak).tolist() == [2]
    assert table(x, 48000).shape[1] == len(COLUMNS) + 10
