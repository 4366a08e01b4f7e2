from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.core.hits.rolls import support


def test_even_neighbours_support_by_their_geometric_mean() -> None:
    frames = np.array([0, 45, 90, 135, 180])
    found = support(frames, np.array([0.1, 0.3, 0.2, 0.4, 0.1]), np.zeros(5))
    assert found[2, 0] == pytest.approx(np.sqrt(0.3 * 0.4))
    assert found[2, 1] == pytest.approx((0.1 * 0.3 * 0.4 * 0.1) ** 0.25)
    assert found[0, 0] == pytest.approx(np.sqrt(0.3 * 0.2))  # two in a row on one side


def test_uneven_far_and_unlike_neighbours_do_not() -> None:
    p = np.full(3, 0.5)
    assert support(np.array([0, 45, 70]), p, np.zeros(3))[1, 0] < 0.01
    assert support(np.array([0, 200, 400]), p, np.zeros(3)).max() == 0  # slower than any roll
    assert support(np.array([0, 10, 20]), p, np.zeros(3)).max() == 0  # no hand is so fast
    assert support(np.array([0, 45, 90]), p, np.array([0.0, -15.0, 0.0]))[1].max() == 0


def test_one_that_is_off_by_little_counts() -> None:
    assert support(np.array([0, 43, 90]), np.full(3, 0.5), np.zeros(3))[1, 0] == pytest.approx(0.5)


def test_what_is_far_away_changes_nothing_and_more_never_harms() -> None:
    rng = np.random.default_rng(6)
    frames = np.sort(rng.choice(5000, 300, replace=False))
    p, level = rng.random(300), rng.uniform(-20, 0, 300)
    found = support(frames, p, level)
    np.testing.assert_array_equal(support(frames + 77, p, level), found)
    assert np.all(support(frames, np.minimum(p + 0.2, 1.0), level) >= found)
    assert np.all((found >= 0) & (found <= 1))
    some = frames < 2500
    inner = frames[some] < 2500 - 3 * 144
    np.testing.assert_array_equal(support(frames[some], p[some], level[some])[inner], found[some][inner])
