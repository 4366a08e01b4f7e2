import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.bandgrid import grid
from spillgate.dsp.core.cleaning.closing import Closing, close_by_band, group_of, mask_of, open_spans, until

SR = 48_000
FRAME_S = 0.016
GROUP = np.arange(8)


def falling(n, hits, db_s):
    """Power per band (here one band per group) that is 1 at each hit and falls by db_s[k]."""
    x = np.zeros((8, n), np.float32)
    for a, b in zip(hits, [*hits[1:], n], strict=True):
        age = np.arange(b - a) * FRAME_S
        x[:, a:b] = 10 ** (-np.asarray(db_s)[:, None] * age / 10)
    return x


def test_groups_are_cut_at_their_edges():
    group = group_of(grid(SR).centres_hz)
    assert group[0] == 0
    assert group[-1] == 7
    assert np.all(np.diff(group) >= 0)
    assert np.diff(group).max() == 1


def test_a_group_closes_where_the_ring_meets_the_bleed():
    # closed form: an exponential of d dB/s meets a level of −40 dB after 40/d s
    db_s = np.array([40.0, 20.0, 25.0, 40.0, 80.0, 160.0, 320.0, 640.0])
    ring = falling(400, [10], db_s)
    closing = close_by_band(ring, np.full_like(ring, 1e-4), np.array([10]), GROUP, FRAME_S)
    wanted = np.maximum(40.0 / db_s, 0.040)
    assert (closing.closes[0] - 10) * FRAME_S == pytest.approx(wanted, abs=1.01 * FRAME_S)


def test_a_burst_of_bleed_shorter_than_45_ms_closes_nothing():
    ring = falling(200, [0], [10.0] * 8)
    bleed = np.full_like(ring, 1e-9)
    bleed[:, 40:42] = 10.0
    assert np.all(close_by_band(ring, bleed, np.array([0]), GROUP, FRAME_S).closes > 100)
    bleed[:, 40:44] = 10.0
    assert np.all(close_by_band(ring, bleed, np.array([0]), GROUP, FRAME_S).closes == 40)


def test_a_ring_50_db_down_is_over():
    ring = falling(200, [0], [50.0] * 8)
    closing = close_by_band(ring, np.zeros_like(ring), np.array([0]), GROUP, FRAME_S)
    assert closing.closes[0] * FRAME_S == pytest.approx([1.0] * 8, abs=1.01 * FRAME_S)


def test_no_hole_in_the_middle():
    # the top group's ring would outlast the middle ones
    db_s = np.array([30.0, 20.0, 30.0, 60.0, 200.0, 200.0, 60.0, 30.0])
    ring = falling(400, [0], db_s)
    closes = close_by_band(ring, np.full_like(ring, 1e-4), np.array([0]), GROUP, FRAME_S).closes[0]
    assert np.all(np.diff(closes[1:]) <= 0)
    assert np.all(np.diff(closes[:2]) >= 0)


def test_hold_closes_later():
    ring = falling(400, [0], [40.0] * 8)
    bleed = np.full_like(ring, 1e-4)
    a = close_by_band(ring, bleed, np.array([0]), GROUP, FRAME_S).closes
    b = close_by_band(ring, bleed, np.array([0]), GROUP, FRAME_S, hold_s=0.16).closes
    assert np.all(b == a + 10)


def test_a_floor_tom_groove_is_one_open_span():
    # eighths at 120 bpm on a drum that rings for a second: open throughout, and no group flutters that is mostly open
    hits = np.arange(5, 5 + 64 * 16, 16)
    db_s = [60.0, 25.0, 25.0, 60.0, 150.0, 170.0, 300.0, 600.0]
    n = int(hits[-1]) + 200
    ring = falling(n, hits.tolist(), db_s)
    closing = close_by_band(ring, np.full_like(ring, 1e-3), hits, GROUP, FRAME_S)
    gains = mask_of(closing, GROUP, FRAME_S)
    spans = open_spans(gains > 0, hits * 768 - 72, 768, SR, n * 768)
    assert len(spans) == 1
    assert np.all(gains[hits[0] : hits[-1], :6] == 1.0)  # 170 dB/s: open for 0.18 of 0.256 s
    assert np.all(gains[hits[1:] - 1, 7] == 0.0)  # the cymbals' bands still close between strokes
    # apart by more than the ring, each has its own
    wide = np.arange(5, 5 + 6 * 160, 160)
    alone = mask_of(
        close_by_band(falling(1000, wide.tolist(), db_s), np.full((8, 1000), 1e-3), wide, GROUP, FRAME_S),
        GROUP,
        FRAME_S,
    )
    assert len(open_spans(alone > 0, wide * 768 - 72, 768, SR, 768_000)) == 6


def test_the_last_ring_is_kept_to_its_end():
    db_s = [30.0] * 8
    ring = falling(400, [10, 100], db_s)
    bleed = np.full_like(ring, 1e-2)
    cut = close_by_band(ring, bleed, np.array([10, 100]), GROUP, FRAME_S).closes
    kept = close_by_band(ring, bleed, np.array([10, 100]), GROUP, FRAME_S, final=ring + 1e-9).closes
    assert np.array_equal(kept[0], cut[0])
    assert (kept[1] - 100) * FRAME_S == pytest.approx([2.0] * 8, abs=1.01 * FRAME_S)  # 60 dB at 30 dB/s
    assert np.all(cut[1] < kept[1])


def test_fades_are_half_cosines_in_proportion_to_the_ring():
    closing = Closing(np.array([0]), np.full((1, 8), 125), 300)
    gains = mask_of(closing, GROUP, FRAME_S)[:, 0]
    assert np.all(gains[:125] == 1)
    faded = np.flatnonzero((gains > 0) & (gains < 1))
    assert len(faded) * FRAME_S == pytest.approx(0.2 * 125 * FRAME_S, abs=2 * FRAME_S)
    fixed = mask_of(closing, GROUP, FRAME_S, fade_s=10 * FRAME_S)[:, 0]
    # closed form: (1 + cos πt)/2
    assert fixed[124:136] == pytest.approx([*(0.5 + 0.5 * np.cos(np.pi * np.arange(11) / 10)), 0.0], abs=1e-6)


def test_until_shortens_and_lengthens():
    closing = Closing(np.array([10, 200]), np.array([[20, 50, 40, 30, 25, 20, 15, 15], [250] * 8]), 400)
    assert until(closing, 0, 30).closes[0].tolist() == [20, 30, 30, 30, 25, 20, 15, 15]
    assert until(closing, 0, 90).closes[0].tolist() == [30, 90, 70, 50, 40, 30, 20, 20]
    assert until(closing, 0, 5000).closes[0].max() == 200  # the next hit
    assert np.array_equal(until(closing, 0, 30).closes[1], closing.closes[1])


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 300), max_size=12), st.floats(0, 0.9))
@settings(max_examples=40, deadline=None)
def test_gains_stay_between_floor_and_one(seed, hits, floor):
    rng = np.random.default_rng(seed)
    ring, bleed = (rng.random((2, 8, 300)) ** 6).astype(np.float32)
    firsts = np.sort(np.asarray(hits, np.int64))
    closing = close_by_band(ring, bleed, firsts, GROUP, FRAME_S)
    gains = mask_of(closing, GROUP, FRAME_S, floor=floor)
    assert gains.shape == (300, 8)
    assert gains.min() >= np.float32(floor)
    assert gains.max() <= 1
    assert np.all(gains[: firsts[0] if len(firsts) else 300] == np.float32(floor))
    # a gain of two on everything changes no decision
    again = close_by_band(4 * ring, 4 * bleed, firsts, GROUP, FRAME_S)
    assert np.array_equal(again.closes, closing.closes)
    assert np.all(closing.closes >= closing.firsts[:, None])
    assert np.all(closing.closes <= closing.stops[:, None])
