import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning import sources
from spillgate.dsp.core.cleaning.bleed import take_apart
from spillgate.dsp.core.cleaning.leaks import fit_leaks
from spillgate.dsp.core.cleaning.ring import ages
from spillgate.dsp.core.cleaning.sources import Mic, cymbals_of

FRAME_S = 0.016


def divergence(x, v):
    """Itakura–Saito divergence, from its definition."""
    return float(np.sum(x / v - np.log(x / v) - 1))


def slow_update(x, p, w, ring, a, bound):
    """One multiplicative update, written from Févotte, Bertin & Durrieu 2009 (from memory) in plain numpy."""
    v = ring + 1e-12 * x.mean() + a @ p
    return np.minimum(a * np.sqrt((p @ (w * x / v**2)) / (p @ (w / v))), bound)


@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(9, 60))
@settings(max_examples=20, deadline=None)
def test_updates_agree_with_plain_numpy(seed, n_sources, n):
    rng = np.random.default_rng(seed)
    p = rng.gamma(0.5, 1, (n_sources, n)) + 1e-3
    x, w, ring = rng.gamma(0.5, 1, n) + 1e-3, rng.random(n), rng.random(n) * 0.1
    a = rng.random(n_sources) + 0.01
    bound = np.where(rng.random(n_sources) < 0.5, np.inf, 0.3)
    single = (x.astype(np.float32), p.astype(np.float32), w.astype(np.float32), ring.astype(np.float32))
    ours = fit_leaks(*single, a, bound, 5)
    # the sources are updated from one and the same sum
    for _ in range(5):
        a = slow_update(x, p, w, ring, a, bound)
    assert ours == pytest.approx(a, rel=2e-4)


def test_the_divergence_never_rises():
    # Févotte, Bertin & Durrieu 2009: with the exponent 1/2 the cost is monotone
    rng = np.random.default_rng(1)
    p = (rng.gamma(0.3, 1, (8, 400)) + 1e-4).astype(np.float32)
    x = (0.2 * p[0] + 0.05 * p[3] * rng.exponential(1, 400) + 1e-4).astype(np.float32)
    ones, none, free = np.ones(400, np.float32), np.zeros(400, np.float32), np.full(8, np.inf)
    a = np.full(8, 0.01)
    costs = []
    for _ in range(40):
        costs.append(divergence(x.astype(float), a @ p))
        a = fit_leaks(x, p, ones, none, a, free, 1)
    assert np.all(np.diff(costs) <= 1e-4 * np.abs(costs[:-1]))
    assert costs[-1] < 0.5 * costs[0]


def test_known_leaks_are_found():
    rng = np.random.default_rng(2)
    p = rng.gamma(0.2, 1, (3, 3000)).astype(np.float32) + 1e-6
    truth = np.array([0.1, 0.003, 0.03])
    x = (truth @ p).astype(np.float32)
    a = fit_leaks(x, p, np.ones_like(x), np.zeros_like(x), np.full(3, 0.01), np.full(3, np.inf), 200)
    assert a == pytest.approx(truth, rel=0.02)


def test_missed_hits_pull_no_harder():
    # one frame far over everything: without the limit it lifts the leak, with it hardly
    p = np.ones((1, 200), np.float32)
    x = np.full(200, 0.1, np.float32)
    x[20:24] = 100.0
    ones, none = np.ones_like(x), np.zeros_like(x)
    free = [np.array([0.01]), np.array([np.inf]), 100]
    pulled = fit_leaks(x, p, ones, none, *free)[0]
    limited = fit_leaks(x, p, ones, none, *free, most_over=4.0)[0]
    assert pulled == pytest.approx(x.mean(), rel=0.01)  # the constant of least divergence is the mean
    assert limited < 0.12


def test_bounds_hold():
    x = np.ones(100, np.float32)
    p = np.ones((1, 100), np.float32)
    a = fit_leaks(x, p, np.ones_like(x), np.zeros_like(x), np.array([0.01]), np.array([0.2]), 50)
    assert a[0] == 0.2


def test_smearing_is_one_pole():
    # one-pole closed form: after τ the answer to an impulse has fallen to 1/e, to a step risen to 63.212 %
    tau = 0.4
    a = float(np.exp(-FRAME_S / tau))
    step, impulse = np.empty(1000, np.float32), np.empty(1000, np.float32)
    last = sources._smear(np.ones(1000, np.float32), a, 0.0, step)
    at = round(tau / FRAME_S)
    assert step[at - 1] == pytest.approx(0.63212, abs=1e-4)
    assert last == pytest.approx(step[-1], rel=1e-6)
    sources._smear(np.eye(1, 1000, dtype=np.float32)[0], a, 0.0, impulse)
    assert impulse[at] / impulse[0] == pytest.approx(np.exp(-1), rel=1e-4)
    assert impulse.sum() == pytest.approx(1.0, rel=1e-4)


def kit(seed=3, n=3000, n_bands=6):
    """Powers of a tom, a snare, an overhead, their hits, and what in the tom track is tom and bleed."""
    rng = np.random.default_rng(seed)
    tom_hits, snare_hits = np.arange(200, n, 700), np.arange(30, n, 61)
    crash_hits = np.arange(100, n, 410)

    def drum(hits, db_s):
        age = ages(hits, n)
        base = np.where(age >= 0, 10 ** (-db_s * np.maximum(age, 0) * FRAME_S / 10), 0.0)
        return base[:, None] * rng.gamma(8, 1 / 8, (n, n_bands))

    tom, snare, crash = drum(tom_hits, 25.0), drum(snare_hits, 120.0), drum(crash_hits, 20.0)
    noise = 1e-6 * rng.gamma(8, 1 / 8, (n, n_bands))
    leak = 0.02 * snare + 0.05 * crash + noise
    overhead = 0.1 * tom + 0.3 * snare + crash + noise
    top = snare + 0.01 * tom + 0.01 * crash + noise
    return tom + leak, leak, tom, top, overhead, tom_hits, snare_hits


def apart(scale=1.0):
    mixed, leak, tom, top, overhead, tom_hits, snare_hits = kit()
    f = [(scale * p).astype(np.float32) for p in (mixed, top, overhead)]
    close = [Mic(f[0], tom_hits, True), Mic(f[1], snare_hits, True)]
    mics = [close[1], Mic(cymbals_of(f[2], close), None, False)]
    return take_apart(f[0], mics, tom_hits, FRAME_S), leak.T, tom.T


def test_bleed_and_ring_are_told_apart():
    parts, leak, tom = apart()
    quiet = tom < leak / 10
    error = 10 * np.log10(parts.bleed[quiet] / leak[quiet])
    assert abs(np.median(error)) < 2.0
    ringing = tom > 10 * leak
    error = 10 * np.log10(parts.ring[ringing] / tom[ringing])
    assert abs(np.median(error)) < 1.0
    assert np.all(parts.ring[quiet].mean() < leak[quiet].mean())


def test_shared_gain_changes_no_decision():
    a, _, _ = apart()
    b, _, _ = apart(scale=4.0)
    assert np.allclose(b.bleed, 4 * a.bleed, rtol=1e-3)
    assert np.array_equal(b.ring > b.bleed, a.ring > a.bleed)


def test_overheads_are_left_with_their_cymbals():
    mixed, _, _, top, overhead, tom_hits, snare_hits = (np.asarray(v) for v in kit())
    f = [p.astype(np.float32) for p in (mixed, top, overhead)]
    rest = cymbals_of(f[2], [Mic(f[0], tom_hits, True), Mic(f[1], snare_hits, True)])
    at = snare_hits[10:40]
    assert np.median(rest[at] / f[2][at]) < 0.5  # the snare is mostly out
    crash = np.arange(100, 3000, 410) + 20
    assert np.median(rest[crash] / f[2][crash]) > 0.7  # the crash is not
    assert np.all(rest >= 0.05 * f[2] * (1 - 1e-6))


@pytest.mark.parametrize("n", [1, 2, 5, 40])
def test_short_silent_and_lonely_tracks_are_no_trouble(n):
    for x in (np.zeros((n, 4), np.float32), np.ones((n, 4), np.float32)):
        for hits in (np.zeros(0, np.int64), np.array([0]), np.array([n - 1])):
            for mics in ([], [Mic(x, hits, True), Mic(x, None, False)]):
                parts = take_apart(x, mics, hits, FRAME_S)
                assert np.isfinite(parts.bleed).all()
                assert np.isfinite(parts.ring).all()
                assert parts.ring.shape == (4, n)


def test_a_long_take_in_stretches_gives_the_same_bits(monkeypatch):
    # what is gone through once or three times, eight bands together or one after the other, must not matter
    f = kit(n_bands=24)
    tom, _, _, snare, overhead, hits, snare_hits = f
    mics = [Mic(snare, snare_hits, True), Mic(overhead, None, False)]
    whole = take_apart(tom, mics, hits, FRAME_S, chosen=np.array([True, False]))
    monkeypatch.setattr(sources, "MOST_TURNED", 1)
    monkeypatch.setattr(sources, "STRETCH", 700)
    pieces = take_apart(tom, mics, hits, FRAME_S, chosen=np.array([True, False]))
    for name in ("bleed", "ring", "rates", "chosen"):
        np.testing.assert_array_equal(getattr(pieces, name), getattr(whole, name))
