import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.closing import mask_of
from spillgate.dsp.core.cleaning.softmask import gain_jump_db, ring_gains, silences, soft_mask

FRAME_S = 0.016


def test_steady_powers_give_wieners_gain():
    # closed form: Wiener's gain S/(S + N); 0.5 where both are equal
    ring, bleed = np.full((2, 30), 3.0, np.float32), np.full((2, 30), 1.0, np.float32)
    assert ring_gains(ring, bleed, 1.0) == pytest.approx(np.full((2, 30), 0.75))
    assert ring_gains(bleed, bleed, 1.0) == pytest.approx(np.full((2, 30), 0.5))
    assert ring_gains(ring, bleed, 3.0) == pytest.approx(np.full((2, 30), 0.5))


def test_no_bleed_is_left_alone_and_no_ring_is_silent():
    one, zero = np.ones((2, 10), np.float32), np.zeros((2, 10), np.float32)
    assert np.all(ring_gains(one, zero, 0.85) == 1)
    assert np.all(ring_gains(zero, one, 0.85) == 0)
    assert np.all(ring_gains(zero, zero, 0.85) == 0)


def test_given_up_14_db_under_the_bleed():
    # closed form: 40 dB/s from 0 dB over a bleed of −26 dB is 14 dB under it after 1 s
    age = np.arange(300) * FRAME_S
    ring = np.tile(10 ** (-4 * age), (3, 1)).astype(np.float32)
    bleed = np.full_like(ring, 10**-2.6)
    closing = silences(ring, bleed, np.array([0]), FRAME_S)
    assert closing.closes[0] * FRAME_S == pytest.approx([1.0], abs=1.01 * FRAME_S)
    assert silences(ring, bleed, np.array([0]), FRAME_S, hold_s=0.16).closes[0] == closing.closes[0] + 10
    # without bleed, 50 dB down
    assert silences(ring, 0 * bleed, np.array([0]), FRAME_S).closes[0] * FRAME_S == pytest.approx([1.25], abs=FRAME_S)


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 200), max_size=6), st.floats(0, 0.9))
@settings(max_examples=30, deadline=None)
def test_masks_stay_between_floor_and_one(seed, hits, floor):
    rng = np.random.default_rng(seed)
    ring, bleed = (rng.random((2, 5, 200)) ** 6).astype(np.float32)
    firsts = np.sort(np.asarray(hits, np.int64))
    gains = ring_gains(ring, bleed, 0.85)
    closing = silences(ring, bleed, firsts, FRAME_S)
    mask = soft_mask(gains, mask_of(closing, np.zeros(1, np.int64), FRAME_S)[:, 0], floor)
    assert mask.shape == (200, 5)
    assert mask.min() >= np.float32(floor)
    assert mask.max() <= 1
    assert np.all(mask[: firsts[0] if len(firsts) else 200] == np.float32(floor))
    again = ring_gains(4 * ring, 4 * bleed, 0.85)
    assert again == pytest.approx(gains, rel=1e-6)


def test_restlessness_is_the_mean_jump():
    x = np.ones((4, 100), np.float32)
    assert gain_jump_db(np.full((100, 4), 0.5), x) == 0
    flutter = np.where(np.arange(100)[:, None] % 2, 0.5, 0.25) * np.ones((1, 4))
    assert gain_jump_db(flutter, x) == pytest.approx(20 * np.log10(2))  # closed form
    assert gain_jump_db(np.zeros((100, 4)), x) == 0
    # plain spectral subtraction of noise from noise flutters far more than any mask of ours may
    rng = np.random.default_rng(0)
    noise = rng.exponential(1.0, (4, 2000)).astype(np.float32)
    subtracted = np.sqrt(np.maximum(1 - 0.9 / np.maximum(noise, 1e-9), 1e-3)).T
    assert gain_jump_db(subtracted, noise) > 6
