from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from spillgate.dsp import testing
from spillgate.dsp.core.audio.filtering import fir_block, fir_margins, low_cut_taps
from spillgate.dsp.steps.repair import LowCutStep, OffsetStep


def test_steps_keep_the_contract() -> None:
    testing.check_step(LowCutStep(cut_hz=60.0), n_samples=80_000)
    testing.check_step(OffsetStep(offset=0.01))


@pytest.mark.parametrize("sr", [44100, 48000, 96000])
@pytest.mark.parametrize("cut_hz", [25.0, 60.0, 200.0])
def test_low_cut_has_the_closed_form_gain_of_a_butterworth(sr: int, cut_hz: float) -> None:
    # |H|² = 1/(1 + (fc/f)^4) on the warped axis of the bilinear transform (Oppenheim & Schafer)
    taps = low_cut_taps(cut_hz, sr)
    f = np.array([cut_hz / 2, cut_hz / np.sqrt(0.49), cut_hz, 2 * cut_hz, 4 * cut_hz])
    _, h = signal.freqz(taps, worN=f, fs=sr)
    warped = np.tan(np.pi * cut_hz / sr) / np.tan(np.pi * f / sr)
    np.testing.assert_allclose(20 * np.log10(np.abs(h)), -10 * np.log10(1 + warped**4), atol=1e-4)


def test_low_cut_at_the_highest_share_leaves_the_partial() -> None:
    _, h = signal.freqz(low_cut_taps(70.0, 48000), worN=[100.0], fs=48000)
    assert -1.0 < 20 * np.log10(abs(h[0])) < -0.8  # 10·log10(1 + 0.7⁴) = 0.94 dB


def test_filter_agrees_with_scipy_and_never_sounds_before_the_attack() -> None:
    rng = np.random.default_rng(0)
    x = np.r_[np.zeros(40_000), rng.normal(size=60_000)]
    taps = low_cut_taps(40.0, 48000)
    before, after = fir_margins(len(taps))
    y = fir_block(np.r_[np.zeros(before), x, np.zeros(after)], taps, 0, len(x))
    wanted = signal.sosfilt(signal.butter(2, 40.0, "highpass", fs=48000, output="sos"), x)
    # float64 transforms of 2^16 samples: relative rounding under 1e-12; the tail was cut at −150 dB
    np.testing.assert_allclose(y, wanted, atol=1e-6)
    assert not y[:40_000].any()


def test_single_zeros_inside_sound_are_sound() -> None:
    from spillgate.dsp.steps.base import Context

    rng = np.random.default_rng(1)
    x = np.r_[np.zeros(200), np.round(rng.normal(0, 2, 5000)) / 32768 + 0.004, np.zeros(100), np.full(300, 0.3)]
    x[np.arange(300, 5000, 37)] = 0.0  # lone zeros, as 16-bit sound has them
    step = OffsetStep(offset=0.004)
    before, after = step.margins(48000)
    padded = np.r_[np.zeros(before), x, np.zeros(after)]
    context = Context(start=0, n_out=len(x), sr=48000, n_samples=len(x), track="t", arrays={}, read=lambda *a: x)
    y = step.apply(padded, context)
    np.testing.assert_array_equal(y[:200], 0.0)
    np.testing.assert_array_equal(y[5200:5300], 0.0)
    np.testing.assert_array_equal(y[200:5200], x[200:5200] - 0.004)


def test_silence_before_the_attack_is_exact_silence() -> None:
    # so that an integer stem has no dither there
    x = np.r_[np.zeros(50_000), np.random.default_rng(2).normal(size=20_000)]
    taps = low_cut_taps(60.0, 48000)
    before, after = fir_margins(len(taps))
    y = fir_block(np.r_[np.zeros(before), x, np.zeros(after)], taps, 0, len(x))
    assert not y[:50_000].any()
    assert y[50_000] == pytest.approx(taps[0] * x[50_000])
