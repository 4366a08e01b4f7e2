import numpy as np
import pytest
import scipy.signal

from spillgate.dsp.core.cleaning.bandgrid import BandPowers, grid
from spillgate.dsp.core.cleaning.bandmask import Attack, attack_window
from spillgate.dsp.core.cleaning.cancel import (
    BEFORE_S,
    TOP_END_HZ,
    TOP_HZ,
    bounded,
    cancelling_filters,
    cancelling_signal,
    mute_window,
    muted,
    powers_without,
    spectra_of,
)
from spillgate.dsp.core.cleaning.lowrate import MARGIN, decimate, factor_of, interpolate

SR = 44_100
F = factor_of(SR)
RATE = SR / F


def test_muted_round_every_hit():
    attack = Attack.of(1.5, 7.5, SR)
    silent = attack_window(np.array([5000]), mute_window(attack, SR), 0, 10_000)
    kept = attack_window(np.array([5000]), attack, 0, 10_000)
    assert np.all(silent[kept > 0] == 1)
    assert np.all(silent[5000 - 265 : 5000] == 1)  # from 6 ms before
    assert not silent[: 5000 - 310].any()
    assert not silent[5000 + 331 + 221 + 50 :].any()
    # the same at the low rate, to a sample of it
    rest = muted(np.ones(1250, np.float32), np.array([5000]), attack, SR)
    assert np.abs(np.interp(np.arange(10_000), F * np.arange(1250), rest) - (1 - silent)).max() <= 1.0
    assert np.abs((1 - rest).sum() * F - silent.sum()) < 2 * F


@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000])
def test_no_more_is_taken_off_than_can_be_bleed(sr):
    # powers as `BandPowers` measures them at the full rate, so that both scales are checked
    f, n = factor_of(sr), 3 * sr
    taps = scipy.signal.firwin(255, TOP_HZ, fs=sr / f)
    s = scipy.signal.lfilter(taps, 1, np.random.default_rng(5).standard_normal(n // f)).astype(np.float32)

    def measured(z):
        feature = BandPowers()
        rows, state = feature.push(interpolate(z, f, 0, n).astype(np.float32), feature.start(sr))
        return np.concatenate([rows, feature.finish(state)]).T

    power = measured(s)
    none = np.zeros_like(power)
    # where the bleed may be that loud the signal stays, whether the bleed is known or is what lies over the drum
    for x, bleed in ((power, 1.1 * power), (1.1 * power, none)):
        kept = bounded(s, x, none, bleed.astype(np.float32), sr)
        assert np.abs(kept - s)[1000:-1000].max() < 1e-5 * np.abs(s).max()
    # in a drum's ring with bleed a hundred times softer it comes down by 20 dB
    held = measured(bounded(s, power, power, (0.01 * power).astype(np.float32), sr))
    low = grid(sr).centres_hz < TOP_HZ
    down = 10 * np.log10(held[low, 10:-10].sum(axis=1) / power[low, 10:-10].sum(axis=1))
    assert np.all((down > -20.5) & (down < -19.5))
    assert not bounded(s, power, power, none, sr).any()


@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000])
def test_powers_after_cancelling_are_those_of_the_difference(sr):
    # the definition: take the signal off at the full rate and measure again (`BandPowers`)
    rng = np.random.default_rng(5)
    f, g, n = factor_of(sr), grid(sr), 3 * sr
    taps = scipy.signal.firwin(255, TOP_END_HZ - 60, fs=sr / f)  # as the filters: nothing above
    s = (0.5 * scipy.signal.lfilter(taps, 1, rng.standard_normal(n // f))).astype(np.float32)
    s[: len(s) // 3] = 0
    x = 0.05 * rng.standard_normal(n) + 0.8 * interpolate(s, f, 0, n)

    def measured(z):
        feature = BandPowers()
        rows, state = feature.push(z.astype(np.float32), feature.start(sr))
        return np.concatenate([rows, feature.finish(state)])

    before = measured(x)
    ours = powers_without(before, decimate(np.pad(x, MARGIN * f), f), s, sr)
    direct = measured(x - interpolate(s, f, 0, n))
    error = 10 * np.log10(ours[:-4] / direct[:-4])
    low = g.centres_hz < TOP_END_HZ - 100
    assert np.sqrt(np.mean(error[:, low] ** 2)) < 0.1
    assert np.sqrt(np.mean(error**2)) < 0.2
    first = len(before) // 3 - 3
    assert np.array_equal(ours[:first], before[:first])
    assert np.array_equal(ours[:, g.centres_hz > TOP_END_HZ * 1.2], before[:, g.centres_hz > TOP_END_HZ * 1.2])


def test_filtering_is_scipy_s():
    # scipy.signal.oaconvolve in double precision
    rng = np.random.default_rng(6)
    for n in (2500, 4096, 9001):
        refs = [rng.standard_normal(n).astype(np.float32) for _ in range(3)]
        low = scipy.signal.firwin(255, TOP_END_HZ - 60, window=("kaiser", 10), fs=RATE)  # as fitted: nothing above
        filters = np.stack([np.convolve(low, rng.standard_normal(870)) for _ in refs])
        before = int(BEFORE_S * RATE)
        wanted = sum(
            scipy.signal.oaconvolve(r.astype(float), h)[before : before + n] for r, h in zip(refs, filters, strict=True)
        )
        assert cancelling_signal(refs, filters, RATE) == pytest.approx(wanted, abs=2e-5 * np.abs(wanted).max())


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


def filters_of(x, refs, *more):
    return cancelling_filters(spectra_of([x, *refs], RATE), 0, range(1, len(refs) + 1), RATE, *more)


def test_a_filtered_copy_is_cancelled_and_the_drum_is_not():
    # closed form: bleed that is a known filtering of the other mics can be taken off to the noise
    drum, bleed, refs, hits = take()
    ring, estimate = powers(drum, bleed, 0.017)
    x = (drum + bleed).astype(np.float32)
    filters = filters_of(x, refs, ring + estimate, ring, estimate, np.array([200.0, 800.0]), 0.017, hits)
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
    a = filters_of(x, refs, ring + estimate, ring, estimate, centres, 0.017, hits)
    b = filters_of(2 * x, [2 * r for r in refs], 4 * (ring + estimate), 4 * ring, 4 * estimate, centres, 0.017, hits)
    assert b == pytest.approx(a, abs=1e-9)
    assert a.shape == (2, int(BEFORE_S * RATE) + int(0.2 * RATE))


def test_silence_and_short_takes():
    for n in (1, 50, 4000):
        zero = np.zeros(n, np.float32)
        p = np.zeros((2, 3), np.float32)
        filters = filters_of(zero, [zero], p, p, p, np.array([200.0, 800.0]), 0.017, np.array([0.0]))
        assert not cancelling_signal([zero], filters, RATE).any()
