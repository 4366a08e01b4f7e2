import itertools

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.bandgrid import (
    BandPowers,
    back,
    band_powers,
    band_starts,
    grid,
    transform,
    weigh,
    window,
)

SR = 48_000


def powers_of(x, sr, cuts=()):
    """Band powers of x, pushed in blocks that end at `cuts`."""
    f = BandPowers()
    state, rows = f.start(sr), []
    edges = [0, *sorted(cuts), len(x)]
    for a, b in itertools.pairwise(edges):
        new, state = f.push(x[a:b], state)
        rows.append(new)
    rows.append(f.finish(state))
    return np.concatenate(rows)


@pytest.mark.parametrize(
    ("sr", "length"), [(44100, 3072), (48000, 3072), (88200, 6144), (96000, 6144), (192000, 12288)]
)
def test_frames_grow_with_the_rate(sr, length):
    g = grid(sr)
    assert (g.frame_length, g.hop) == (length, length // 4)
    assert g.n_bands in (46, 47)
    assert g.edges_hz[0] == 56.0
    assert g.edges_hz[-1] == 16000.0
    # never narrower than a bin, never wider than a sixth of an octave
    edges = np.asarray(g.edges_hz)
    widths = np.diff(edges)
    assert widths.min() >= sr / length * (1 - 1e-9)
    narrow = widths < 1.001 * sr / length
    assert np.all((edges[1:] / edges[:-1])[~narrow][:-1] <= 2 ** (1 / 6) * (1 + 1e-9))
    assert np.all(np.diff(band_starts(sr)) >= 1)


def test_squared_windows_add_up():
    # closed form: the squares of periodic Hann windows a quarter apart add up to 3/2
    w = window(3072) ** 2
    assert np.allclose(w.reshape(4, -1).sum(axis=0), 1.5, atol=1e-14)


def test_spectra_agree_with_scipy():
    # scipy.signal.ShortTimeFFT with the same window and hop, frames centred on multiples of the hop
    g = grid(SR)
    x = np.random.default_rng(0).standard_normal(20 * g.hop)
    stft = scipy.signal.ShortTimeFFT(window(g.frame_length), g.hop, SR, fft_mode="onesided", phase_shift=None)
    theirs = stft.stft(x, p0=0, p1=20).T
    ours = powers_of(x.astype(np.float32), SR)
    starts = band_starts(SR)
    scale = 2 / (g.frame_length * np.sum(window(g.frame_length) ** 2))
    for n in (0, 1, 7, 19):
        wanted = [np.sum(np.abs(theirs[n, a:b]) ** 2) * scale for a, b in itertools.pairwise(starts)]
        assert ours[n] == pytest.approx(wanted, rel=1e-4)


def test_white_noise_has_its_share_in_every_band():
    # Parseval: power in proportion to bandwidth, here counted in whole bins
    x = np.random.default_rng(1).standard_normal(30 * SR).astype(np.float32)
    p = powers_of(x, SR)[2:-2].mean(axis=0)
    share = np.diff(band_starts(SR)) * (SR / grid(SR).frame_length) / (SR / 2)
    assert np.abs(10 * np.log10(p / share)).max() < 0.5  # narrowest band: 1 bin × 1800 frames, overlapping


def test_a_tone_lies_in_its_band():
    g = grid(SR)
    k = 20
    x = np.sin(2 * np.pi * g.centres_hz[k] * np.arange(SR) / SR).astype(np.float32)
    p = powers_of(x, SR)[30]
    assert np.argmax(p) == k
    assert p.sum() == pytest.approx(0.5, rel=1e-3)  # mean square of a sine


@given(st.lists(st.integers(0, 40_000), max_size=6), st.integers(1, 40_000))
@settings(max_examples=25, deadline=None)
def test_blocks_change_no_bit(cuts, n):
    x = np.random.default_rng(2).standard_normal(n).astype(np.float32)
    whole = powers_of(x, SR)
    assert np.array_equal(whole, powers_of(x, SR, [min(c, n) for c in cuts]))
    assert whole.shape == BandPowers().shape(SR, n)


@given(st.integers(1, 40))
@settings(max_examples=20, deadline=None)
def test_a_frame_has_the_same_bits_in_any_company(n):
    frames = np.random.default_rng(3).standard_normal((40, 512))
    for kind in (np.float32, np.float64):
        x = frames.astype(kind)
        assert np.array_equal(transform(x)[:n], transform(x[:n]))
        bins = transform(x)
        assert np.array_equal(back(bins, 512)[:n], back(bins[:n], 512))


def test_a_gain_of_two_gives_exactly_four_times_the_power():
    x = np.random.default_rng(4).standard_normal((3, 3072)).astype(np.float32)
    assert np.array_equal(band_powers(2 * x, SR), 4 * band_powers(x, SR))


def test_silence_has_no_power():
    assert not powers_of(np.zeros(10_000, np.float32), SR).any()


def test_gains_are_spread_over_the_bins():
    g = grid(SR)
    n = g.frame_length // 2 + 1

    def weighed(gains):
        bins = np.ones((len(gains), n), np.complex64)
        weigh(bins, gains.astype(np.float32), SR)
        return bins

    bins = weighed(np.linspace(0, 1, g.n_bands)[None, :])[0]
    hz = np.arange(n) * SR / g.frame_length
    # numpy's own interpolation over the logarithm of frequency
    wanted = np.interp(np.log(np.maximum(hz, 1)), np.log(g.centres_hz), np.linspace(0, 1, g.n_bands))
    assert np.allclose(bins, wanted, atol=1e-6)
    for value in (0.0, 1.0, 0.3):
        assert np.all(weighed(np.full((2, g.n_bands), value)) == np.float32(value))
