import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from spillgate.dsp.core.hits.envelopes import EDGES_HZ, BandEnvelopes, frame_length


def whole(x: np.ndarray, sr: int, cuts: list[int] | None = None) -> np.ndarray:
    feature = BandEnvelopes()
    state, rows = feature.start(sr), []
    for piece in np.split(x, sorted(cuts or [])):
        new, state = feature.push(piece, state)
        rows.append(new)
    return np.concatenate([*rows, feature.finish(state)])


@pytest.mark.parametrize("sr", [44100, 48000, 96000, 192000])
def test_bands_are_the_butterworth_ladder_of_scipy(sr: int) -> None:
    x = np.random.default_rng(1).standard_normal(sr // 2).astype(np.float32)
    rest, bands = sosfilt(butter(2, EDGES_HZ[0], "high", fs=sr, output="sos"), x.astype(float) - x[0]), []
    for edge in EDGES_HZ[1:]:
        bands.append(sosfilt(butter(2, edge, "low", fs=sr, output="sos"), rest))
        rest = sosfilt(butter(2, edge, "high", fs=sr, output="sos"), rest)
    hop = frame_length(sr)
    n = len(x) // hop
    expected = (np.array([*bands, rest])[:, : n * hop] ** 2).reshape(6, n, hop).mean(2).T
    # float32 keeps 24 bits: 6e-8
    np.testing.assert_allclose(whole(x, sr)[:n], expected, rtol=2e-7, atol=1e-12 * expected.max())


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, 3000), max_size=6), sr=st.sampled_from([44100, 48000]))
def test_cutting_changes_no_bit(cuts: list[int], sr: int) -> None:
    x = np.random.default_rng(2).standard_normal(3000).astype(np.float32)
    rows = whole(x, sr)
    np.testing.assert_array_equal(whole(x, sr, cuts), rows)
    assert rows.shape == BandEnvelopes().shape(sr, len(x))
    assert rows.dtype == np.float32


def test_a_constant_leaves_nothing() -> None:
    # the first sample is taken off, and a second-order high-pass has two zeros at 0 Hz
    assert whole(np.full(48000, 0.5, np.float32), 48000).max() == 0
    late = np.r_[np.zeros(100), np.full(48000, 0.5)].astype(np.float32)
    assert whole(late, 48000)[-1].max() < 1e-20


def test_a_tone_lands_in_its_band_with_half_its_amplitude_squared() -> None:
    sr = 48000
    t = np.arange(sr) / sr
    rows = whole((0.5 * np.sin(2 * np.pi * 1000 * t)).astype(np.float32), sr)[500:].mean(0)
    # 1 kHz lies between 600 and 1800 Hz; Butterworth of order 2: |H|² = 1/(1 + (f/fc)^±4), edges pre-warped
    w = np.tan(np.pi * 1000 / sr) / np.tan(np.pi * np.array(EDGES_HZ) / sr)
    high, low = 1 / (1 + w**-4.0), 1 / (1 + w**4.0)
    assert rows[3] == pytest.approx(0.125 * np.prod(high[:4]) * low[4], rel=1e-4)
    assert np.argmax(rows) == 3


def test_no_samples_no_rows() -> None:
    assert whole(np.zeros(0, np.float32), 48000).shape == (0, 6)
