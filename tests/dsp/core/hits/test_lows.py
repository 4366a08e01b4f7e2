from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg, signal

from spillgate.dsp.core.hits.foretold import innovations
from spillgate.dsp.core.hits.lows import LowBand, greatest_near, low_rate, unit


def whole(x: np.ndarray, sr: int, cuts: list[int] | None = None) -> np.ndarray:
    feature = LowBand()
    state, rows = feature.start(sr), []
    for piece in np.split(x, sorted(cuts or [])):
        new, state = feature.push(piece, state)
        rows.append(new)
    return np.concatenate([*rows, feature.finish(state)])


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, 3000), max_size=6), sr=st.sampled_from([44100, 48000, 96000]))
def test_cutting_changes_no_bit(cuts: list[int], sr: int) -> None:
    x = np.random.default_rng(2).standard_normal(3000).astype(np.float32)
    rows = whole(x, sr)
    np.testing.assert_array_equal(whole(x, sr, cuts), rows)
    assert rows.shape == LowBand().shape(sr, len(x))
    assert rows.dtype == np.float32


@pytest.mark.parametrize("sr", [44100, 48000, 96000, 192000])
def test_lows_pass_in_their_place_and_the_rest_is_gone(sr: int) -> None:
    t = np.arange(sr) / sr
    every = round(sr / low_rate(sr))
    for hz in (60.0, 200.0, 500.0):  # a zero-phase low-pass leaves a tone under it as it is, sample for sample
        tone = np.sin(2 * np.pi * hz * t)
        np.testing.assert_allclose(whole(tone.astype(np.float32), sr)[100:-100, 0], tone[::every][100:-100], atol=0.01)
    for hz in (2400.0, 5000.0):
        assert np.abs(whole(np.sin(2 * np.pi * hz * t).astype(np.float32), sr)[100:-100]).max() < 0.01


def test_the_recursion_is_that_of_least_squares() -> None:
    # scipy's least squares on the same past, without the ridge; white noise, so that the ridge hardly matters
    x = np.random.default_rng(5).standard_normal(4000)
    after, before = innovations(x.astype(np.float32), 2400.0, np.array([1.0]))
    x = x.astype(np.float32).astype(float)
    stop, n, order = 2400 - round(1.5 * 2.4), round(28 * 2.4), 16
    past = x - x[stop - n - order : stop].mean()
    rows = np.array([past[i - order : i][::-1] for i in range(stop - n, stop)])
    w, error, *_ = linalg.lstsq(rows, past[stop - n : stop])
    assert before[0, 1] == pytest.approx(error / n, rel=1e-3)
    first, m = 2400 - round(0.5 * 2.4), round(6 * 2.4)
    foretold = np.array([past[i - order : i][::-1] @ w for i in range(first, first + m)])
    assert after[0, 1] == pytest.approx(np.mean((past[first : first + m] - foretold) ** 2), rel=1e-3)


def test_a_soft_stroke_under_a_loud_ring_stands_out() -> None:
    # decaying tones are a linear recursion (two coefficients each), so all that is left is the stroke, 20 dB down
    sr = 48000
    t = np.arange(sr) / sr
    ring = sum(np.exp(-t / 0.3) * np.sin(2 * np.pi * f * t) for f in (92.0, 147.0, 210.0))
    stroke = np.zeros(sr)
    at = int(0.5 * sr)
    stroke[at:] = 0.1 * ring[: sr - at] * np.exp(-0.5 / 0.3)
    low = whole((ring + stroke + 0.2).astype(np.float32), sr)[:, 0]
    times = np.array([0.40, 0.45, 0.5, 0.6])
    after, before = innovations(low, low_rate(sr), times)
    rise = 10 * np.log10(after / before)
    assert rise[2].min() > 15
    assert rise[[0, 1, 3]].max() < 8
    # while its energy rises by less than 1 dB
    energy = np.square(np.abs(signal.hilbert(ring + stroke)))
    assert 10 * np.log10(energy[at + 100 : at + 500].mean() / energy[at - 500 : at - 100].mean()) < 1


def test_no_past_no_future_and_silence_say_nothing() -> None:
    after, before = innovations(np.ones(100, np.float32), 2400.0, np.array([0.0, 0.01, 0.0416]), 1)
    assert after.max() == before.max() == 0
    after, before = innovations(np.zeros(0, np.float32), 2400.0, np.array([0.0]))
    assert after.max() == before.max() == 0
    after, before = innovations(np.zeros(1000, np.float32), 2400.0, np.array([0.2]))
    assert after.max() == before.max() == 0


def test_unit_is_the_third_strongest_of_many_or_the_strongest_of_few() -> None:
    errors = np.array([[9.0, 5.0], [8.0, 0.01], [7.0, 0.02], *[[1.0, 0.001]] * 6], np.float32)
    np.testing.assert_array_equal(unit(errors), [7.0, 5.0])
    np.testing.assert_array_equal(unit(np.zeros((3, 2), np.float32)), [1.0, 1.0])


def test_greatest_near() -> None:
    frames, values = np.array([10, 20, 22]), np.array([[1.0, 5.0], [2.0, 4.0], [3.0, 1.0]], np.float32)
    found = greatest_near(frames, values, np.array([0, 12, 21]), 7)
    np.testing.assert_array_equal(found, [[0, 0], [1, 5], [3, 4]])
