import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.bandmask import Attack, attack_window
from spillgate.dsp.core.cleaning.cancel import (
    BEFORE_S,
    MARGIN,
    TOP_END_HZ,
    TOP_HZ,
    cancelling_filters,
    cancelling_signal,
    decimate,
    factor_of,
    interpolate,
    lowpass,
    mute_window,
)

SR = 44_100
F = factor_of(SR)
RATE = SR / F


def lowered(x):
    return decimate(np.pad(x, MARGIN * F), F)


@pytest.mark.parametrize(("sr", "factor"), [(44100, 8), (48000, 9), (88200, 16), (96000, 17), (192000, 35)])
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


def test_muted_round_every_hit():
    attack = Attack.of(1.5, 7.5, SR)
    muted = attack_window(np.array([5000]), mute_window(attack, SR), 0, 10_000)
    kept = attack_window(np.array([5000]), attack, 0, 10_000)
    assert np.all(muted[kept > 0] == 1)
    assert np.all(muted[5000 - 265 : 5000] == 1)  # from 6 ms before
    assert not muted[: 5000 - 310].any()
    assert not muted[5000 + 331 + 794 + 50 :].any()


def take(seconds=20.0, seed=0):
    """A drum struck every 4 s, bleed that is a filtered copy of two other mics, and the drum's leak in one of them."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    b, a = scipy.signal.butter(2, 1300, fs=RATE)
    sources = [scipy.signal.lfilter(b, a, rng.standard_normal(n)) for _ in range(2)]
    drum = np.zeros(n)
    hits = np.arange(1.0, seconds - 1, 4.0)
    for h in hits:
        t = np.arange(n - int(h * RATE)) / RATE
        drum[int(h * RATE) :] += 3 * np.exp(-t / 0.3) * np.sin(2 * np.pi * 110 * t)
    paths = [np.array([0, 0, 0.2, -0.1, 0, 0.05, 0, 0, 0, 0.02]), np.array([0, 0.1, 0.05])]
    bleed = sum(np.convolve(s, p)[:n] for s, p in zip(sources, paths, strict=True))
    refs = [sources[0] + 0.05 * drum, sources[1]]
    return drum, bleed, [r.astype(np.float32) for r in refs], hits


def powers(drum, bleed, frame_s):
    """Band powers in two bands, as flat estimates."""
    n = int(len(drum) / RATE / frame_s) + 1
    hop = int(frame_s * RATE)
    level = lambda z: np.array([np.mean(z[k * hop : (k + 1) * hop + 1] ** 2) for k in range(n)])  # noqa: E731
    return tuple(np.stack([level(z)] * 2).astype(np.float32) + np.float32(1e-9) for z in (drum, bleed))


def test_a_filtered_copy_is_cancelled_and_the_drum_is_not():
    # closed form: bleed that is a known filtering of the other mics can be taken off to the noise
    drum, bleed, refs, hits = take()
    ring, estimate = powers(drum, bleed, 0.017)
    x = (drum + bleed).astype(np.float32)
    filters = cancelling_filters(x, refs, RATE, ring + estimate, ring, estimate, np.array([200.0, 800.0]), 0.017, hits)
    s = cancelling_signal(refs, filters, RATE)
    db = lambda z: 10 * np.log10(np.mean(z[2000:-2000] ** 2))  # noqa: E731
    assert db(bleed - s) < db(bleed) - 10
    # what the filters make of the drum's own leak stays far below the drum
    leak = cancelling_signal([(0.05 * drum).astype(np.float32), np.zeros_like(refs[1])], filters, RATE)
    assert db(leak) < db(drum) - 35
    # nothing is cancelled above 1.8 kHz
    hz, power = scipy.signal.welch(s, RATE, nperseg=1024)
    assert 10 * np.log10(power[hz > TOP_END_HZ + 100].max() / power.max()) < -40
    assert TOP_HZ < TOP_END_HZ


def test_a_gain_of_two_changes_no_filter():
    drum, bleed, refs, hits = take(8.0)
    ring, estimate = powers(drum, bleed, 0.017)
    x = (drum + bleed).astype(np.float32)
    centres = np.array([200.0, 800.0])
    a = cancelling_filters(x, refs, RATE, ring + estimate, ring, estimate, centres, 0.017, hits)
    b = cancelling_filters(
        2 * x, [2 * r for r in refs], RATE, 4 * (ring + estimate), 4 * ring, 4 * estimate, centres, 0.017, hits
    )
    assert b == pytest.approx(a, abs=1e-9)
    assert a.shape == (2, int(BEFORE_S * RATE) + int(0.2 * RATE))


def test_silence_and_short_takes():
    for n in (1, 50, 4000):
        zero = np.zeros(n, np.float32)
        p = np.zeros((2, 3), np.float32)
        filters = cancelling_filters(zero, [zero], RATE, p, p, p, np.array([200.0, 800.0]), 0.017, np.array([0.0]))
        assert not cancelling_signal([zero], filters, RATE).any()
