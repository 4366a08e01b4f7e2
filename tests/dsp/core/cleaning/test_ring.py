import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.ring import _track, age_class, ages, decay_rates, track_ring

FRAME_S = 0.016


def decaying(n, hits, db_s, level=1.0):
    """Power that is struck to `level` at every hit and falls by db_s."""
    age = ages(np.asarray(hits), n)
    return np.where(age >= 0, level * 10 ** (-db_s * age * FRAME_S / 10), 0.0).astype(np.float32)


def test_ages_count_from_the_latest_hit():
    assert ages(np.array([2, 4]), 6).tolist() == [-1, -1, 0, 1, 0, 1]
    assert ages(np.zeros(0, np.int64), 3).tolist() == [-1, -1, -1]


@pytest.mark.parametrize("db_s", [8.0, 60.0, 300.0])
def test_the_decay_is_measured(db_s):
    # closed form: an exponential has one slope
    hits = np.array([5, 105, 205])
    x = decaying(300, hits, db_s)
    rates = decay_rates(x, np.full(300, 1e-24, np.float32), ages(hits, 300), FRAME_S)
    measurable = [r for r in rates if r != 200.0]
    assert measurable == pytest.approx([db_s] * len(measurable), rel=1e-3)
    assert len(measurable) >= 2


def test_rates_are_held_to_their_limits():
    hits = np.array([0])
    rising = decaying(100, hits, -100.0)
    age = ages(hits, 100)
    assert set(decay_rates(rising, np.zeros(100, np.float32), age, FRAME_S)) == {5.0}
    buried = decay_rates(np.ones(100, np.float32), np.ones(100, np.float32), age, FRAME_S)
    assert set(buried) == {200.0}


def test_a_clean_ring_is_followed():
    hits = np.array([5, 205])
    x = decaying(400, hits, 30.0)
    bleed = np.full(400, 1e-9, np.float32)
    age = ages(hits, 400)
    ring = track_ring(x, bleed, age, decay_rates(x, bleed, age, FRAME_S), FRAME_S)
    loud = x > 1e-7
    assert np.abs(10 * np.log10(ring[loud] / x[loud])).max() < 0.2
    assert not ring[:5].any()


def test_it_coasts_under_a_crash():
    hits = np.array([5, 305])
    drum = decaying(600, hits, 20.0)
    bleed = np.full(600, 1e-9, np.float32)
    bleed[330:360] = 30.0  # 15 dB over the hit itself
    age = ages(hits, 600)
    rates = decay_rates(drum + bleed, bleed, age, FRAME_S)
    ring = track_ring(drum + bleed, bleed, age, rates, FRAME_S)
    assert np.abs(10 * np.log10(ring[330:400] / drum[330:400])).max() < 1.0


def test_a_gain_of_two_changes_nothing_but_the_gain():
    rng = np.random.default_rng(0)
    x, bleed = rng.random((2, 300)).astype(np.float32)
    age = ages(np.array([10, 120]), 300)
    rates = decay_rates(x, bleed, age, FRAME_S)
    assert np.array_equal(decay_rates(4 * x, 4 * bleed, age, FRAME_S), rates)
    louder = track_ring(4 * x, 4 * bleed, age, rates, FRAME_S)
    assert np.allclose(louder, 4 * track_ring(x, bleed, age, rates, FRAME_S), rtol=1e-5)


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 199), max_size=4, unique=True))
@settings(max_examples=20, deadline=None)
def test_compiled_and_plain_agree_and_stay_finite(seed, hits):
    rng = np.random.default_rng(seed)
    x, bleed = (rng.random((2, 200)) ** 8).astype(np.float32)
    x[50:60] = 0
    age = ages(np.sort(np.asarray(hits, np.int64)), 200)
    keep, span = np.array([0.9, 0.8, 0.7, 0.6]), age_class(age, FRAME_S)
    compiled = _track(x, bleed, age, span, keep, 6)
    assert np.allclose(compiled, _track.py_func(x, bleed, age, span, keep, 6), rtol=1e-5)
    assert np.isfinite(compiled).all()
    assert (compiled >= 0).all()
    assert not compiled[age < 0].any()


def test_the_median_slope_is_numpy_s():
    rng = np.random.default_rng(3)
    x, bleed = rng.gamma(0.5, 1, (2, 800)).astype(np.float32)
    age = ages(np.array([10, 300, 420]), 800)
    rates = decay_rates(x, 0.05 * bleed, age, 0.02)
    over, step = x.astype(float) - np.float32(0.05) * bleed, 3
    clear = x > 3 * np.float32(0.05) * bleed
    n = np.flatnonzero(clear[:-step] & clear[step:] & (age[:-step] >= 0) & (age[step:] == age[:-step] + step))
    slopes = 10 * np.log10(over[n] / over[n + step]) / (step * 0.02)
    for k, (a, b) in enumerate(((0.03, 0.1), (0.1, 0.3), (0.3, 0.8), (0.8, 99))):
        mine = slopes[(age[n] * 0.02 >= a) & (age[n] * 0.02 < b)]
        assert rates[k] == pytest.approx(np.clip(np.median(mine), 5, 600), rel=1e-6)
