import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.hits.events import Events
from spillgate.dsp.core.hits.explain import Kit, _cost, explain, learn_leaks

KIT = Kit(
    drums=("kick", "snare", "tom1", "floor"),
    kinds=("kick", "snare", "tom", "tom"),
    own=((0,), (1,), (2,), (3,)),
    overhead=(False, False, False, False, True, True),
)
LEAK_DB = np.array([
    [0, -40, -20, -25, -20, -22],
    [-35, 0, -12, -18, -8, -12],
    [-30, -25, 0, -16, -12, -14],
    [-28, -30, -20, 0, -14, -10],
])  # fmt: skip


def events(level_db: np.ndarray) -> Events:
    """Events in which the four drums sound at the given levels (−inf: not)."""
    power = 10 ** (level_db / 10) @ 10 ** (LEAK_DB / 10)
    after = np.repeat((power + 1e-5)[:, :, None], 8, axis=2).astype(np.float32)
    n = len(after)
    frames = 100 * np.arange(n)
    valid = np.ones(after.shape, bool)
    valid[:, 4:, :2] = valid[:, 4:, 6:] = False
    return Events(frames, np.repeat(frames[:, None], 6, 1), after, np.full_like(after, 1e-5), valid)


def strokes(n: int) -> np.ndarray:
    rng = np.random.default_rng(3)
    level = np.full((n, 4), -np.inf)
    level[np.arange(n), rng.integers(0, 4, n)] = rng.uniform(-15, 0, n)
    both = rng.random(n) < 0.3
    level[both, rng.integers(0, 4, both.sum())] = rng.uniform(-10, 0, both.sum())
    return level


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(1, 37))
def test_cost_is_the_bounded_square_of_the_difference_in_decibels(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    rest, source = 10 ** rng.uniform(-5, 2, (2, n))
    seen, weights, gain = rng.uniform(-40, 20, n), rng.uniform(0, 1, n), 10 ** rng.uniform(-3, 1)
    r = (seen - 10 * np.log10(rest + gain * source)) / 4.0
    expected = np.sum(weights * r**2 / (1 + r**2 / 16))
    f32 = [v.astype(np.float32) for v in (seen, rest, source, weights)]
    found = _cost(f32[0], f32[1], f32[2], gain, f32[3], 0.25, np.empty((2, n), np.float32))
    assert found == pytest.approx(expected, rel=2e-3, abs=1e-3)


def test_leaks_are_learned_from_mixed_strokes() -> None:
    leaks = 10 * np.log10(learn_leaks(events(strokes(200)), KIT)[:4])
    # what is under the floor of −38 dB cannot be known
    loud = LEAK_DB > -30
    np.testing.assert_allclose(leaks[:, :, 2][loud], LEAK_DB[loud], atol=2.5)


def test_explanation_finds_who_sounded_and_how_loud() -> None:
    level = strokes(100)
    e = events(level)
    leaks = np.concatenate([np.repeat(10 ** (LEAK_DB / 10)[:, :, None], 8, 2), np.full((3, 6, 8), 1e-5)])
    found = explain(e, KIT, leaks).level_db[:, :4]
    played = level > -12
    assert (found[played] > -20).mean() > 0.98
    assert (found[level == -np.inf] == -np.inf).mean() > 0.98
    both = played & (found > -20)
    error = np.abs(found[both] - level[both])
    assert np.quantile(error, 0.95) < 0.6  # the search stops at steps of half a decibel
    assert error.max() < 3.0  # a drum that another one's leak nearly covers


def test_no_events_no_harm() -> None:
    e = events(np.zeros((0, 4)))
    assert len(explain(e, KIT, learn_leaks(e, KIT)).level_db) == 0
