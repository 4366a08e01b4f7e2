from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, signal

from spillgate.dsp.core.hits.foretold import (
    FIT_MS,
    GAP_MS,
    NOT_NEAR,
    ORDERS,
    SHAPE_LEAD_MS,
    SHAPE_SLACK_MS,
    of_own_shape,
)
from spillgate.dsp.core.hits.scene import Lows
from spillgate.dsp.core.hits.shapes import LENGTH_MS, UNKNOWN, learned, own_shape

RATE = 2400.0


def wave(hz: float, n: int = 48, decay_s: float = 0.05) -> np.ndarray:
    t = np.arange(n) / RATE
    x = np.exp(-t / decay_s) * np.sin(2 * np.pi * hz * t)
    return np.asarray(x / np.linalg.norm(x))


def with_strokes(at: list[int], gains: list[float], x: np.ndarray, noise: float, n: int = 24000) -> np.ndarray:
    out = noise * np.random.default_rng(7).standard_normal(n)
    for k, g in zip(at, gains, strict=True):
        out[k : k + len(x)] += g * x
    return out.astype(np.float32)


def test_the_shape_of_strokes_of_any_loudness_and_place_is_their_wave() -> None:
    at = [2000, 5000, 9000, 14000, 20000]
    x = with_strokes(at, [1.0, 0.3, 0.8, 0.1, 0.5], wave(180.0, 100), 0.003)
    off = np.array([0, 3, -4, 2, -1])  # samples: within the 2.5 ms that are looked through
    shape = learned(x, RATE, (np.array(at) + off) / RATE, 48)
    assert np.linalg.norm(shape) == pytest.approx(1.0)
    # the best correlation coefficient with a piece of the wave, by numpy
    pieces = np.lib.stride_tricks.sliding_window_view(np.r_[np.zeros(10), wave(180.0, 100)], 48)
    assert max(np.corrcoef(p, shape)[0, 1] for p in pieces[:20]) > 0.97


def test_share_is_the_correlation_behind_the_same_recursion() -> None:
    # the recursion by scipy's least squares, the filter by scipy, the correlation by numpy
    rng = np.random.default_rng(4)
    ring = signal.lfilter([1.0], [1.0, -1.6, 0.81], 0.1 * rng.standard_normal(4800))
    own = wave(220.0)
    at = 2400
    x = ring.copy()
    x[at : at + 48] += 6.0 * own
    x = x.astype(np.float32)
    none = np.zeros((0, 48))
    found = of_own_shape(
        x, RATE, np.array([at / RATE]), none, np.zeros((1, 0), np.int64), own[None], np.zeros(1, np.int64), 1
    )
    order, n, gap = ORDERS[1], round(FIT_MS * 2.4), round(GAP_MS * 2.4)
    stop = at - gap
    y = x.astype(float) - x[stop - n - order : stop].astype(float).mean()
    rows = np.array([y[i - order : i][::-1] for i in range(stop - n, stop)])
    w, *_ = linalg.lstsq(rows, y[stop - n : stop])
    left = np.r_[1.0, -w]
    error, shape = signal.lfilter(left, [1.0], y), signal.lfilter(left, [1.0], own)
    shape /= np.linalg.norm(shape)
    lead, slack = round(SHAPE_LEAD_MS * 2.4), 6
    best = max(range(at - lead - slack, at - lead + slack + 1), key=lambda a: error[a : a + 48] @ shape)
    there = error[best : best + 48]
    assert found[0] == pytest.approx(there @ shape / np.linalg.norm(there), abs=0.01)
    assert found[0] > 0.7


def test_what_another_drum_leaks_is_not_ones_own() -> None:
    own, other = wave(120.0), wave(310.0)
    x = with_strokes([3000, 6000], [1.0, 1.0], other, 0.01)
    x[9000:9048] += own
    times, which = np.array([3000, 6000, 9000]) / RATE, np.zeros(3, np.int64)
    near = np.array([[0], [0], [NOT_NEAR]])
    found = of_own_shape(x, RATE, times, other[None], near, own[None], which, 1)
    assert found[:2].max() < 0.3 < 0.9 < found[2]
    # polarity tells: a head that is struck moves the same way every time
    assert of_own_shape(-x, RATE, times[2:], other[None], near[2:], own[None], which[2:], 1)[0] < 0.7 * found[2]


def test_a_single_stroke_does_not_vouch_for_itself_and_what_is_unknown_is_said_to_be() -> None:
    x = with_strokes([4000, 12000], [1.0, 1.0], wave(150.0), 0.01)
    low = Lows(x, RATE, 0.001)
    frames = np.array([round(4000 / 2.4), round(12000 / 2.4), 8000])
    p = np.array([0.9, 0.9, 0.5])
    one = own_shape(low, frames, p, frames[:1], [], [])
    assert one[0].tolist() == pytest.approx([UNKNOWN, UNKNOWN])
    assert one[1].min() > 0.8  # the other one looks like it
    assert (own_shape(low, frames, p, frames[:0], [], []) == np.float32(UNKNOWN)).all()
    assert (own_shape(None, frames, p, frames, [], []) == np.float32(UNKNOWN)).all()
    assert own_shape(low, frames[:0], p[:0], frames[:1], [], []).shape == (0, 2)


def test_ends_of_the_sound_are_no_trouble() -> None:
    x = np.random.default_rng(1).standard_normal(200).astype(np.float32)
    for at in (0.0, 0.04, 200 / RATE, 1.0):
        shape = learned(x, RATE, np.array([at]), round(LENGTH_MS[1] * 2.4))
        assert np.isfinite(shape).all()
        share = of_own_shape(
            x,
            RATE,
            np.array([at]),
            np.zeros((0, 48)),
            np.zeros((1, 0), np.int64),
            wave(99.0)[None],
            np.zeros(1, np.int64),
            1,
        )
        assert share[0] == 0.0 or 0 <= share[0] <= 1
    assert not learned(np.zeros(5000, np.float32), RATE, np.array([1.0]), 48).any()


def test_what_another_drum_leaks_a_little_later_does_not_hide_ones_own() -> None:
    # joint least squares by numpy: what the own shape explains beyond the other's, of the energy that is there
    own, other = wave(120.0), wave(310.0)
    rng = np.random.default_rng(8)
    at, late, lead, slack = 4800, 17, round(SHAPE_LEAD_MS * 2.4), round(SHAPE_SLACK_MS * 2.4)
    x = 1e-3 * rng.standard_normal(9600)
    x[at - lead : at - lead + 48] += own
    x[at - lead + late : at - lead + late + 48] += 3.0 * other
    x = x.astype(np.float32)

    def share(begins: int) -> float:
        row = np.array([[begins]])
        return float(
            of_own_shape(x, RATE, np.array([at / RATE]), other[None], row, own[None], np.zeros(1, np.int64), 1)[0]
        )

    order, n, stop = ORDERS[1], round(FIT_MS * 2.4), at - round(GAP_MS * 2.4)
    y = x.astype(float) - x[stop - n - order : stop].astype(float).mean()
    rows = np.array([y[i - order : i][::-1] for i in range(stop - n, stop)])
    w, *_ = linalg.lstsq(rows, y[stop - n : stop])
    left = np.r_[1.0, -w]
    window = slice(at - lead - slack, at - lead + 48 + slack)
    error, laid = signal.lfilter(left, [1.0], y)[window], np.zeros((2, 48 + 2 * slack))
    laid[0, slack : slack + 48] = signal.lfilter(left, [1.0], own)
    laid[1, slack + late :] = signal.lfilter(left, [1.0], other)[: 48 + slack - late]

    def explained(shapes: np.ndarray) -> float:
        return float(np.sum(error**2) - np.sum((error - shapes.T @ linalg.lstsq(shapes.T, error)[0]) ** 2))

    best = max(range(2 * slack + 1), key=lambda lag: error[lag : lag + 48] @ laid[0, slack : slack + 48])
    expected = np.sqrt((explained(laid) - explained(laid[1:])) / np.sum(error[best : best + 48] ** 2))
    assert share(late) == pytest.approx(expected, abs=0.02)
    assert share(NOT_NEAR) < share(late) - 0.05
