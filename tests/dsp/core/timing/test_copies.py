"""Copies of hits against scipy.stats.pearsonr and loops that are copies by construction."""

from __future__ import annotations

import numpy as np
from scipy.stats import pearsonr

from spillgate.dsp.core.timing.copies import distinct

RATE = 48_000.0


def strokes(n: int, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.arange(1440) / RATE
    tone = np.sin(2 * np.pi * 180 * t) * np.exp(-t / 0.05)
    x = tone + 0.2 * rng.standard_normal((n, len(t))) * np.exp(-t / 0.003)
    return x + 1e-3 * rng.standard_normal(x.shape)


def test_a_loop_counts_each_of_its_hits_once() -> None:
    two, far = strokes(2), strokes(2, 1)
    close, overhead = (np.concatenate([v] * 8) for v in (two, far))
    assert distinct([close, overhead], RATE).tolist() == [True, True] + [False] * 14


def test_strokes_that_are_only_alike_all_count() -> None:
    x = strokes(8)
    assert pearsonr(x[0], x[1]).statistic > 0.9  # alike, yet each was struck
    assert distinct([x], RATE).all()
    # the same stroke in the close microphone, but the rest of the kit plays on in the overheads
    same = np.repeat(x[:1], 8, axis=0)
    assert distinct([same, strokes(8, 2)], RATE).all()
    louder = np.stack([x[0], 1.2 * x[0]])
    assert distinct([louder], RATE).all()


def test_a_copy_found_a_few_samples_off_is_a_copy() -> None:
    x = np.zeros((2, 2000))
    stroke = strokes(1)[0][:1200]
    x[0, 300:1500], x[1, 317:1517] = stroke, stroke
    assert distinct([x], RATE).tolist() == [True, False]
    assert distinct([x, x[::-1].copy()], RATE).all()  # shifted the other way in the second one: no copy
    assert distinct([np.zeros((0, 2000))], RATE).tolist() == []
