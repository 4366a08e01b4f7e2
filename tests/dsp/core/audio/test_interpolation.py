"""Fractional delay, against closed forms, an FFT-domain delay and Kaiser's published design rule."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import kaiser_atten, kaiser_beta, kaiserord

from spillgate.dsp.core.audio import interpolation as ip

FRACTIONS = (0.01, 0.1, 0.25, 0.37, 0.5, 0.75, 0.9, 0.99)


def response(taps, sr, f):
    """Gain in dB and phase delay in samples of taps whose middle one stands for no delay."""
    k = np.arange(len(taps)) - (ip.HALF_TAPS - 1)
    w = 2 * np.pi * f / sr
    h = np.exp(-1j * np.outer(w, k)) @ taps
    return 20 * np.log10(np.abs(h)), -np.unwrap(np.angle(h)) / w


@pytest.mark.parametrize("fraction", FRACTIONS)
def test_gain_and_phase_delay_up_to_20_khz(fraction):
    # closed form: an ideal delay has gain 1 and phase delay `fraction` at every frequency
    f = np.linspace(20, 20_000, 3000)
    gain, phase_delay = response(ip.fractional_taps(fraction), 44_100, f)
    assert np.max(np.abs(gain)) < 2e-4
    assert np.max(np.abs(phase_delay - fraction)) < 2e-5


def test_window_is_what_kaisers_rule_asks_for():
    # scipy's kaiser_beta, kaiserord, kaiser_atten: Kaiser 1974; published example A = 60 dB, Δω = 0.2π: β = 5.653
    # (Oppenheim & Schafer, Discrete-Time Signal Processing; from memory), the same formula as used here
    assert kaiser_beta(60) == pytest.approx(5.653, abs=5e-4)
    attenuation = ip.KAISER_BETA / 0.1102 + 8.7
    assert kaiser_beta(attenuation) == pytest.approx(ip.KAISER_BETA)
    width = 2 * (22_050 - 20_930) / 22_050
    needed, beta = kaiserord(attenuation, width)
    assert beta == pytest.approx(ip.KAISER_BETA)
    assert needed <= 2 * ip.HALF_TAPS
    assert kaiser_atten(2 * ip.HALF_TAPS, width) > 99


@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("delay_samples", [-17.3, -0.5, 0.123, 3.5, 250.77])
def test_tones_are_delayed(sr, delay_samples):
    # closed form: sin(w (n - d)), away from the ends
    n = np.arange(6000)
    for f in (50.0, 997.0, 10_000.0, 20_000.0):
        w = 2 * np.pi * f / sr
        y = ip.delay(np.sin(w * n), delay_samples)
        inner = slice(400, -400)
        assert np.max(np.abs(y - np.sin(w * (n - delay_samples)))[inner]) < 2e-5  # −94 dB


def test_same_as_a_delay_in_the_fft_domain():
    # independent method: phase ramp on the spectrum of a band-limited signal (nothing above 20 kHz)
    n, sr = 8192, 44_100
    rng = np.random.default_rng(3)
    spectrum = np.fft.rfft(rng.standard_normal(n) * np.hanning(n) ** 4)
    f = np.fft.rfftfreq(n, 1 / sr)
    spectrum *= np.clip((20_000 - f) / 1000, 0, 1)
    x = np.fft.irfft(spectrum, n)
    for d in (0.3, -4.6, 11.5):
        ideal = np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * d / sr), n)
        error = ip.delay(x, d) - ideal
        assert 10 * np.log10(np.sum(error[100:-100] ** 2) / np.sum(ideal**2)) < -95


@given(st.integers(-50, 50), st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_whole_samples_keep_the_bits(d, seed):
    x = np.random.default_rng(seed).standard_normal(64)
    y = ip.delay(x, float(d))
    ideal = np.zeros(64)
    ideal[max(d, 0) : 64 + min(d, 0)] = x[max(-d, 0) : 64 - max(d, 0)]
    assert np.array_equal(y, ideal)


def test_zero_keeps_the_bits_of_float32():
    x = np.random.default_rng(0).standard_normal(100).astype(np.float32)
    y = ip.delay(x, 0)
    assert y.dtype == np.float32
    assert np.array_equal(x, y)
    assert y is not x


@given(st.floats(-300, 300, allow_nan=False), st.lists(st.integers(1, 700), min_size=1, max_size=6))
@settings(max_examples=40, deadline=None)
def test_cuts_change_no_bit(d, sizes):
    n = sum(sizes)
    x = np.random.default_rng(5).standard_normal(n)
    before, after = ip.delay_margins(d)
    padded = np.concatenate([np.zeros(before), x, np.zeros(after)])
    whole = ip.delay_block(padded, d, n)
    at, pieces = 0, []
    for m in sizes:
        pieces.append(ip.delay_block(padded[at : at + before + m + after], d, m))
        at += m
    assert np.array_equal(np.concatenate(pieces), whole)
    assert np.array_equal(whole, ip.delay(x, d))


def test_there_and_back():
    # a delay and its opposite cancel for what lies under 20 kHz: a tone, to −120 dB
    x = np.sin(0.3 * np.arange(3000))
    y = ip.delay(ip.delay(x, 7.31), -7.31)
    assert np.max(np.abs(x - y)[300:-300]) < 1e-6


def test_kernel_is_the_plain_convolution():
    # numpy.convolve as the slow, obvious version
    x = np.random.default_rng(1).standard_normal(5000)
    y = ip.delay(x, 12.4)
    full = np.convolve(x, ip.fractional_taps(12.4 - 12))
    start = ip.HALF_TAPS - 1 - 12
    assert np.max(np.abs(y - full[start : start + 5000])) < 1e-13


def test_beyond_the_end():
    assert not ip.delay(np.ones(10), 1e6).any()
    assert not ip.delay(np.ones(10), -1e6).any()


def test_compiled_and_plain_kernel_agree():
    x, taps = np.random.default_rng(4).standard_normal(300), ip.fractional_taps(0.3)
    compiled, plain = np.zeros(150), np.zeros(150)
    ip._convolve(x, taps, 7, compiled)
    ip._convolve.py_func(x, taps, 7, plain)
    assert np.array_equal(compiled, plain)
