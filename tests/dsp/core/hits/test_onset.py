import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.hits.onset import arrivals


def stroke(n: int, at: int, sr: int, level: float = 1.0) -> np.ndarray:
    t = np.arange(n - at) / sr
    x = np.zeros(n)
    x[at:] = level * np.exp(-t / 0.05) * np.cos(2 * np.pi * 180 * t)
    return x


@settings(max_examples=25, deadline=None)
@given(at=st.integers(900, 1300), sr=st.sampled_from([44100, 48000, 96000]), off=st.integers(-2, 3))
def test_finds_the_very_sample_a_stroke_begins(at: int, sr: int, off: int) -> None:
    x = stroke(5000, at, sr).astype(np.float32)
    assert arrivals(x, np.array([at + off * sr // 1000]), sr)[0] == at


def test_bleed_before_does_not_catch_it() -> None:
    sr, at = 48000, 3000
    # another drum 5 ms earlier at a tenth of the level: a threshold crossed forward would stop there
    x = stroke(8000, at, sr) + stroke(8000, at - 240, sr, 0.1)
    found = arrivals(x.astype(np.float32), np.array([at]), sr)[0]
    assert abs(found - at) <= 2


def test_a_soft_stroke_in_loud_cymbals_is_not_led_astray() -> None:
    # cymbals steeper than the stroke itself, so the walk back finds no calm; the frame is at most 2 ms off
    sr, at = 48000, 4000
    cymbals = 0.2 * np.random.default_rng(3).standard_normal(8000)
    x = (stroke(8000, at, sr, 0.3) + cymbals).astype(np.float32)
    for off in (-1, 0, 1, 2):
        found = arrivals(x, np.array([at + off * sr // 1000]), sr)[0]
        assert -5 * sr / 1000 <= found - at <= 2 * sr / 1000


@pytest.mark.parametrize("n", [1, 5, 200])
def test_ends_of_the_audio_are_no_trouble(n: int) -> None:
    assert 0 <= arrivals(np.ones(n, np.float32), np.array([0]), 48000)[0] < max(n, 2)


def test_polarity_and_gain_change_nothing() -> None:
    x = (stroke(6000, 2000, 44100) + 0.01 * np.random.default_rng(0).standard_normal(6000)).astype(np.float32)
    at = np.array([1990])
    first = arrivals(x, at, 44100)
    np.testing.assert_array_equal(arrivals(-x, at, 44100), first)
    np.testing.assert_array_equal(arrivals(2 * x, at, 44100), first)
