import itertools

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.cancel import TOP_END_HZ
from spillgate.dsp.core.cleaning.lowrate import MARGIN, LowRate, decimate, factor_of, interpolate, lowpass

SR = 44_100
F = factor_of(SR)
RATE = SR / F


def lowered(x):
    return decimate(np.pad(x, MARGIN * F), F)


@pytest.mark.parametrize(("sr", "factor"), [(44100, 8), (48000, 8), (88200, 16), (96000, 16), (192000, 32)])
def test_the_rate_is_lowered_by_a_whole_number(sr, factor):
    assert factor_of(sr) == factor
    assert sr / factor > 2 * TOP_END_HZ * 1.4


def test_the_low_pass_is_flat_below_and_closed_above():
    # scipy.signal.freqz: flat to 0.01 dB where anything is cancelled, 75 dB down where its images would fold
    hz, h = scipy.signal.freqz(lowpass(F), worN=8192, fs=SR)
    level = 20 * np.log10(np.abs(h) + 1e-12)
    assert np.abs(level[hz < TOP_END_HZ]).max() < 0.01
    assert level[hz > RATE - TOP_END_HZ].max() < -75


@given(st.floats(30.0, TOP_END_HZ), st.integers(0, 5000), st.integers(1, 3000))
@settings(max_examples=30, deadline=None)
def test_down_and_up_again_moves_nothing(hz, start, n):
    # closed form: a tone inside the pass band comes back at its own place
    t = np.arange(12_000)
    x = np.sin(2 * np.pi * hz * t / SR + 0.3)
    low = lowered(x)
    assert len(low) == -(-len(x) // F)
    assert np.allclose(low[200:1200], np.sin(2 * np.pi * hz * F * np.arange(200, 1200) / SR + 0.3), atol=2e-3)
    back = interpolate(low, F, 0, len(x))
    assert np.allclose(back[1000:11_000], x[1000:11_000], atol=2e-3)
    assert np.array_equal(interpolate(low, F, start, start + n), np.pad(back, (0, 9000))[start : start + n])


def test_outside_it_is_silent():
    low = np.ones(50, np.float32)
    assert not interpolate(low, F, -5000, -1000).any()
    assert not interpolate(low, F, 50 * F + 1000, 50 * F + 2000).any()


def test_rates_are_changed_as_scipy_does():
    # scipy.signal.upfirdn with the same taps, in double precision
    rng = np.random.default_rng(4)
    x = rng.standard_normal(5003)
    wide = np.pad(x, MARGIN * F)
    n = -(-len(x) // F)
    low = decimate(wide, F)
    assert low == pytest.approx(scipy.signal.upfirdn(lowpass(F), wide, 1, F)[2 * MARGIN : 2 * MARGIN + n], abs=3e-6)
    high = scipy.signal.upfirdn(lowpass(F) * F, low.astype(float), F, 1)[MARGIN * F :]
    assert interpolate(low, F, 0, 4000) == pytest.approx(high[:4000], abs=1e-6)


@given(st.integers(0, 6000), st.lists(st.integers(0, 2000), max_size=6))
@settings(max_examples=40, deadline=None)
def test_streaming_gives_the_same_bits_however_it_is_cut(n, cuts):
    x = np.random.default_rng(5).standard_normal(n).astype(np.float32)
    feature = LowRate()
    state, rows = feature.start(SR), []
    at = [0, *sorted(min(c, n) for c in cuts), n]
    for a, b in itertools.pairwise(at):
        new, state = feature.push(x[a:b], state)
        rows.append(new)
    rows.append(feature.finish(state))
    got = np.concatenate(rows)
    assert got.shape == feature.shape(SR, n)
    assert np.array_equal(got[:, 0], lowered(x))
