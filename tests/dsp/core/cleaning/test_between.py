"""Level between hits and where a hit has sunk into it, by closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.core.cleaning.between import closes_between, usual_level

FRAME_S = 0.016


def decay(n: int, firsts: list[int], db_per_frame: float, bleed: float = 1e-4) -> np.ndarray:
    """Power of 1 at each hit that falls by so many dB a frame, over bleed."""
    power = np.full(n, bleed)
    for a in firsts:
        power[a:] = np.maximum(10 ** (-db_per_frame * np.arange(n - a) / 10), bleed)
    return power


def test_usual_level_is_what_lies_between() -> None:
    firsts = np.array([20, 80, 140])
    power = decay(200, [20, 80, 140], 4.0, bleed=3e-4)
    power[:10] = 1e-9  # not all of the time is alike
    assert usual_level(power, firsts, FRAME_S) == pytest.approx(3e-4)


def test_usual_level_of_a_track_that_never_rests_is_its_quiet_part() -> None:
    power = np.linspace(1.0, 2.0, 100)
    assert usual_level(power, np.arange(0, 100, 10), FRAME_S) == pytest.approx(np.quantile(power[:20], 0.9))
    assert usual_level(np.zeros(0), np.zeros(0, np.int64), FRAME_S) == 0.0


@pytest.mark.parametrize("rate", [0.5, 1.0, 2.0])
def test_a_hit_closes_where_its_decay_meets_the_level(rate: float) -> None:
    # 10·log10 of the power falls by `rate` a frame: it is under −30 dB from frame 30/rate + 1 on
    power = decay(400, [50], rate, bleed=1e-6)
    (at,) = closes_between(power, np.array([50]), FRAME_S, 0.0, 1e-3)
    assert at == 50 + int(30 / rate) + 1


def test_it_stays_open_at_least_and_until_the_next() -> None:
    power = decay(400, [50, 60], 2.0, bleed=1e-6)
    closes = closes_between(power, np.array([50, 60]), FRAME_S, 0.5, 1e-3)
    assert list(closes) == [60, 60 + 32]  # 0.5 s are 31.25 frames
    assert list(closes_between(np.ones(100), np.array([10]), FRAME_S, 0.1, 1e-3)) == [100]


@given(st.lists(st.integers(0, 99), min_size=1, max_size=8), st.floats(0, 2), st.integers(0, 2**32 - 1))
def test_no_hit_closes_before_it_opens_or_after_the_next(hits: list[int], least: float, seed: int) -> None:
    firsts = np.array(sorted(hits))
    power = np.random.default_rng(seed).random(100)
    closes = closes_between(power, firsts, FRAME_S, least, 0.5)
    assert np.all(closes >= firsts)
    assert np.all(closes <= np.append(firsts, 100)[1:])
