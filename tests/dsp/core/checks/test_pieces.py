"""Sums, arrivals and direct sound of pieces against closed forms and a room of known geometry."""

import numpy as np
import pyroomacoustics as pra
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from spillgate.dsp.core.checks.pieces import arrival_after, direct_share, sum_gain_db

SR = 48000


def bursts(n_hits: int = 6, start: int = 960, n: int = 14400) -> NDArray[np.float64]:
    rng = np.random.default_rng(0)
    x = 1e-5 * rng.standard_normal((n_hits, n))
    t = np.arange(4800) / SR
    for row in x:
        row[start : start + 4800] += rng.standard_normal(4800) * np.exp(-t / 0.01)
    return x


@settings(max_examples=30, deadline=None)
@given(delay_ms=st.floats(0.0, 8.0), sign=st.sampled_from([-1, 1]))
def test_sum_of_a_delayed_sine_is_the_comb(delay_ms: float, sign: int) -> None:
    # |1 + e^{-jwT}|^2 / |1 - e^{-jwT}|^2 = cot^2(wT / 2)
    t = np.arange(14400) / SR
    window = np.hanning(len(t))
    x = (window * np.sin(2 * np.pi * 100 * t))[None]
    y = (sign * window * np.sin(2 * np.pi * 100 * (t - delay_ms / 1000)))[None]
    half = np.pi * 100 * delay_ms / 1000
    expected = sign * 20 * np.log10(max(abs(np.cos(half)), 1e-3) / max(abs(np.sin(half)), 1e-3))
    got = sum_gain_db(x, y, SR, 40.0, 150.0)
    assert got == pytest.approx(float(np.clip(expected, -30, 30)), abs=0.3)


def test_unlike_signals_make_no_difference() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.standard_normal((2, 8, 14400))
    assert abs(sum_gain_db(x, y, SR, 150.0, 600.0)) < 1.0
    assert sum_gain_db(x, 0 * y, SR, 150.0, 600.0) == 0.0


@pytest.mark.parametrize("distance_m", [2.0, 4.0])
def test_arrival_in_a_room_of_known_geometry(distance_m: float) -> None:
    room = pra.ShoeBox([8.0, 6.0, 3.2], fs=SR, materials=pra.Material(0.3), max_order=6)
    dry = bursts(4)
    near = np.array([3.0, 3.0, 0.8])
    far = near + np.array([distance_m, 0.0, 0.0])
    room.add_source([2.95, 3.0, 0.8], signal=np.concatenate(dry))
    room.add_microphone_array(np.stack([near, far], axis=1))
    room.simulate()
    a, b = (s[: dry.size].reshape(dry.shape) for s in room.mic_array.signals)
    expected = 1000.0 * distance_m / room.c
    got = arrival_after(a, b, SR)
    assert got is not None
    assert got == pytest.approx(expected, abs=0.5)
    # nearer means more direct sound; all of it in the dry signal
    assert direct_share(a, SR) > direct_share(b, SR)


def test_direct_share_of_an_exponential() -> None:
    # 1 - e^(-5 ms / 5 ms) of the energy of e^(-t / 10 ms) falls into the first 5 ms
    assert direct_share(bursts(40), SR) == pytest.approx(1 - np.exp(-1.0), abs=0.06)


def test_nothing_to_hear() -> None:
    assert arrival_after(np.zeros((3, 9600)), bursts(3, n=9600), SR) is None
    assert direct_share(np.zeros((3, 9600)), SR) == 0.0
