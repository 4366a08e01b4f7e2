import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.bandgrid import grid
from spillgate.dsp.core.cleaning.bandmask import FULL, Attack, attack_window, dequantise, quantise, render_mask

SR = 48_000
G = grid(SR)
ATTACK = Attack.of(1.5, 7.5, SR)


def run(x, gains, hits=(), cuts=(), sr=SR, attack=ATTACK):
    """Render a whole signal in blocks that end at `cuts`."""
    n, pad = len(x), grid(sr).frame_length
    padded = np.concatenate([np.zeros(pad), x, np.zeros(pad)])
    hits = np.asarray(hits, np.int64)
    edges = [0, *sorted({c for c in cuts if 0 < c < n}), n]
    parts = [
        render_mask(padded[a : b + 2 * pad], a - pad, a, b - a, gains, hits, attack, sr)
        for a, b in itertools.pairwise(edges)
    ]
    return np.concatenate(parts)


def noise(n, seed=0):
    return np.random.default_rng(seed).standard_normal(n)


def flat(n, value, sr=SR):
    g = grid(sr)
    return quantise(np.full((g.n_frames(n), g.n_bands), value))


def test_the_window_is_open_before_the_first_swing():
    # 1.5 ms ahead it begins to open, half a millisecond ahead it is open, 7.5 ms later still, 5 ms on no more
    c = attack_window(np.array([1000]), ATTACK, 0, 3000)
    assert not c[: 1000 - 72].any()
    assert np.all(c[1000 - 24 : 1000 + 360 + 1] == 1)
    assert np.all(np.diff(c[1000 - 72 : 1000 - 23]) > 0)
    assert np.all(np.diff(c[1361:1602]) < 0)
    assert not c[1601:].any()


@pytest.mark.parametrize(("before", "after"), [(0.0, 0.0), (0.3, 2.0), (20.0, 50.0)])
def test_any_window_is_in_order(before, after):
    a = Attack.of(before, after, 44100)
    assert a.start < a.full <= 0 < a.fall < a.stop
    assert attack_window(np.array([5000]), a, 0, 10_000)[5000] == 1


@given(st.lists(st.integers(-2000, 12_000), max_size=8), st.integers(0, 10_000), st.integers(1, 3000))
@settings(max_examples=50, deadline=None)
def test_the_window_is_the_same_in_pieces(hits, start, n):
    hits = np.unique(np.asarray(hits, np.int64))
    whole = attack_window(hits, ATTACK, 0, 13_000)
    assert np.array_equal(attack_window(hits, ATTACK, start, n), whole[start : start + n])


@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.integers(0, 20_000), max_size=6),
    st.lists(st.integers(0, 20_000), max_size=9),
)
@settings(max_examples=25, deadline=None)
def test_blocks_change_no_bit_and_attacks_pass_bit_for_bit(seed, cuts, hits):
    rng = np.random.default_rng(seed)
    n = 20_000
    frames = G.n_frames(n)
    gains = rng.choice([0.0, 0.0, 0.3, 1.0, 1.0], (frames, 1)) * np.ones((1, G.n_bands))
    some = rng.random(frames) < 0.4
    gains[some] = rng.random((int(some.sum()), G.n_bands))
    stored, hits = quantise(gains), np.unique(np.asarray(hits, np.int64))
    x = noise(n, seed % 1000)
    y = run(x, stored, hits)
    assert np.array_equal(y, run(x, stored, hits, cuts))
    c = attack_window(hits, ATTACK, 0, n)
    assert np.array_equal(y[c == 1], x[c == 1])
    assert np.isfinite(y).all()


@given(st.lists(st.integers(0, 20_000), max_size=9), st.sampled_from([44100, 48000, 96000]))
@settings(max_examples=10, deadline=None)
def test_all_open_is_the_input_and_all_closed_is_nothing_but_attacks(hits, sr):
    x = noise(20_000)
    hits = np.unique(np.asarray(hits, np.int64))
    assert np.array_equal(run(x, flat(len(x), 1.0, sr), hits, sr=sr), x)
    closed = run(x, flat(len(x), 0.0, sr), hits, sr=sr)
    c = attack_window(hits, ATTACK, 0, len(x))
    assert np.array_equal(closed, c * x)
    assert not np.signbit(closed[c == 0]).any()  # plain zeros


def test_silence_stays_silence():
    gains = quantise(np.random.default_rng(0).random((G.n_frames(9000), G.n_bands)))
    assert not run(np.zeros(9000), gains, [3000]).any()


def test_transforming_all_open_frames_gives_the_input_back():
    # one band a hair under 1 sends every frame through the transform and back
    x = noise(40_000)
    gains = flat(len(x), 1.0)
    gains[:, -1] -= 1
    y = run(x, gains)
    error = 20 * np.log10(np.sqrt(np.mean((y - x) ** 2)))
    assert error < -90  # 2⁻¹⁶ in the top band
    flat_half = flat(len(x), 0.5)
    nearly = flat_half.copy()
    nearly[:, 0] -= 1
    assert np.abs(run(x, nearly) - flat_half[0, 0] / FULL * x).max() < 1e-4


@pytest.mark.parametrize("hz", [60.0, 440.0, 3000.0])
def test_a_tone_gets_the_gain_of_its_band(hz):
    # closed form: a steady mask is a filter; away from the ends a tone is scaled by the gain at its frequency
    n = 60_000
    x = np.sin(2 * np.pi * hz * np.arange(n) / SR)
    slope = np.linspace(1.0, 0.2, G.n_bands)
    y = run(x, quantise(np.tile(slope, (G.n_frames(n), 1))))
    gain = np.interp(np.log(hz), np.log(G.centres_hz), slope)
    middle = slice(10_000, 50_000)
    assert np.sqrt(np.mean(y[middle] ** 2)) * np.sqrt(2) == pytest.approx(gain, abs=0.012)


def test_a_closing_fade_is_smooth():
    # a fade over 4 frames of a low tone: no step larger than the tone's own
    n = 60_000
    x = np.sin(2 * np.pi * 80 * np.arange(n) / SR)
    gains = np.ones((G.n_frames(n), G.n_bands))
    gains[30:34] = np.array([0.85, 0.5, 0.15, 0.0])[:, None]
    gains[34:] = 0
    y = run(x, quantise(gains))
    assert np.abs(np.diff(y, 2)).max() <= np.abs(np.diff(x, 2)).max() * 1.05
    assert not y[36 * G.hop :].any()
    assert np.array_equal(y[: 28 * G.hop], x[: 28 * G.hop])


def test_no_frame_sees_the_old_mask_and_the_new_hit():
    # closed until the hit, open after it: nothing of the hit sounds before the window opens
    n, hit = 40_000, 20_000
    x = np.zeros(n)
    x[hit:] = noise(n - hit)
    gains = np.zeros((G.n_frames(n), G.n_bands))
    gains[-(-(hit + ATTACK.start) // G.hop) :] = 1
    y = run(x, quantise(gains), [hit])
    assert np.array_equal(y, x)
    # and with a band mask instead of full closing, the energy before the hit is never above the input's
    gains[: hit // G.hop] = np.linspace(1, 0, G.n_bands)
    x[:hit] = 0.01 * noise(hit, 1)
    y = run(x, quantise(gains), [hit])
    before = slice(hit - 480, hit - 72)
    assert np.sum(y[before] ** 2) <= np.sum(x[before] ** 2)
    assert np.array_equal(y[hit - 24 :], x[hit - 24 :])


@given(st.integers(0, FULL))
def test_stored_gains_come_back(v):
    assert quantise(dequantise(np.array([v], np.uint16)))[0] == v
    assert dequantise(quantise(np.array([0.0, 1.0]))).tolist() == [0.0, 1.0]


def test_closed_frames_cost_nothing(monkeypatch):
    from spillgate.dsp.core.cleaning import bandmask

    def forbidden(*args):
        raise AssertionError("transformed without need")

    monkeypatch.setattr(bandmask, "transform", forbidden)
    x = noise(50_000)
    gains = flat(len(x), 0.0)
    gains[20:40] = FULL
    y = run(x, gains, [20 * G.hop])
    assert np.array_equal(y[21 * G.hop : 38 * G.hop], x[21 * G.hop : 38 * G.hop])
