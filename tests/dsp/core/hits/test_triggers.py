"""Triggers: what they confirm, what they add, and that a bad one does no harm."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.hits.envelopes import BandEnvelopes
from spillgate.dsp.core.hits.triggers import confirm, firings

SR = 48000
HITS = np.arange(40) * 500 + 300
OTHERS = np.arange(80) * 250 + 430
"""Frames of a drum's strokes, and of what its mic hears besides them."""


def candidates(soft: int = 5) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frames and probabilities of a drum's candidates, some of the true hits doubtful; and which are hits."""
    frame = np.concatenate([HITS, OTHERS])
    p = np.concatenate([np.full(len(HITS), 0.995), np.full(len(OTHERS), 0.01)])
    p[3 : 3 + soft] = 0.35
    order = np.argsort(frame, kind="stable")
    return frame[order], p[order], (np.arange(len(frame)) < len(HITS))[order]


def test_confirms_doubtful_hits_and_nothing_else() -> None:
    frame, p, hit = candidates()
    found = confirm(frame, p, HITS - 3)
    assert found.offset == 3
    assert found.agreed == len(HITS)
    assert (found.probability[hit] > 0.97).all()
    np.testing.assert_array_equal(found.probability[~hit], p[~hit])
    assert len(found.added) == 0


def test_odds_are_those_of_bayes() -> None:
    # posterior odds = prior odds × P(pulse | hit)/P(pulse | none), both shares by Laplace's rule (n + 1)/(N + 2):
    # 35 of 35 sure hits have a pulse, 0 of 80 others: (36/37)/(1/82) = 79.8; 0.35/0.65 × 79.8 = 42.97 → 0.97726
    frame, p, _ = candidates()
    raised = confirm(frame, p, HITS).probability[p == 0.35]
    assert raised == pytest.approx(0.97726, abs=1e-5)


@pytest.mark.parametrize("offset", [-40, -5, 0, 7, 55])
def test_learns_a_constant_offset(offset: int) -> None:
    frame, p, _ = candidates()
    rng = np.random.default_rng(1)
    found = confirm(frame, p, np.sort(HITS - offset + rng.integers(-1, 2, len(HITS))))
    assert found.offset is not None
    assert abs(found.offset - offset) <= 1


def test_a_stroke_that_no_mic_heard_is_added_as_a_doubt() -> None:
    frame, p, _ = candidates()
    alone = np.array([5123, 9871])
    found = confirm(frame, p, np.sort(np.r_[HITS, alone]) - 3)
    np.testing.assert_array_equal(found.added, alone)
    assert (found.added_probability > 0.4).all()
    assert (found.added_probability < 0.6).all()


def test_missing_and_double_pulses_do_no_harm() -> None:
    frame, p, hit = candidates()
    pulses = np.sort(np.r_[HITS[::2], HITS[::4] + 35])
    found = confirm(frame, p, pulses)
    assert (found.probability >= p).all()
    np.testing.assert_array_equal(found.probability[~hit], p[~hit])
    assert len(found.added) == 0


def test_a_trigger_that_feels_the_neighbours_says_little() -> None:
    frame, p, hit = candidates()
    both = np.sort(np.r_[HITS, OTHERS])
    found = confirm(frame, p, both)
    assert (found.probability[~hit] < 0.05).all()
    assert found.probability[p == 0.35] == pytest.approx(0.35, abs=0.02)


def test_a_trigger_of_another_drum_is_not_heeded() -> None:
    frame, p, _ = candidates()
    rng = np.random.default_rng(2)
    found = confirm(frame, p, np.sort(rng.integers(0, 20000, 60)))
    assert found.offset is None
    np.testing.assert_array_equal(found.probability, p)
    assert len(found.added) == 0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 50), st.integers(0, 50))
def test_never_lowers_and_never_breaks(seed: int, n: int, m: int) -> None:
    rng = np.random.default_rng(seed)
    frame, p = np.unique(rng.integers(0, 3000, n)), rng.random(n)
    found = confirm(frame, p[: len(frame)], np.unique(rng.integers(0, 3000, m)))
    assert (found.probability >= p[: len(frame)] - 1e-12).all()
    assert (found.probability <= 1).all()
    assert len(found.added) == len(found.added_probability)
    assert not np.isin(found.added, frame).any()


def test_pulses_are_found_once_each() -> None:
    rng = np.random.default_rng(3)
    n = 10 * SR
    at = np.cumsum(rng.integers(SR // 12, SR // 3, 40))
    at = at[at < n - SR]
    x = 1e-4 * rng.standard_normal(n)
    t = np.arange(SR // 50) / SR
    for k, i in enumerate(at):
        x[i : i + len(t)] += (0.1 + 0.8 * (k % 2)) * np.sin(2 * np.pi * 900 * t) * np.exp(-t / 0.0015)
    feature = BandEnvelopes()
    rows, state = feature.push(x, feature.start(SR))
    found = firings(np.concatenate([rows, feature.finish(state)]))
    assert len(found) == len(at)
    assert np.abs(found - at // 48).max() <= 3  # less than what still counts as together


def test_a_dead_trigger_never_fires() -> None:
    assert len(firings(np.zeros((5000, 6), np.float32))) == 0
    assert len(firings(np.zeros((0, 6), np.float32))) == 0
