"""A track that is late is found; one that only stands far away is not."""

from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.core.timing.latency import arrival_range, latency

RATE = 48_000.0


def overhead(arrival_s: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    onset = np.full(5, 4800)
    y = 0.01 * rng.standard_normal((5, 8640))
    at = 4800 + round(arrival_s * RATE)
    n = 8640 - at
    y[:, at:] += rng.standard_normal((5, n)) * np.exp(-np.arange(n) / 1500)
    return y, onset


@pytest.mark.parametrize("arrival_s", [0.0012, 0.003, 0.006, 0.0085])
def test_a_distance_is_no_latency(arrival_s: float) -> None:
    y, onset = overhead(arrival_s, 1)
    y2, _ = overhead(arrival_s + 0.0005, 2)
    assert latency([y, y2], onset, RATE) is None


@pytest.mark.parametrize("arrival_s", [-0.0503, -0.0023, 0.020, 0.055])
def test_a_late_or_early_track_is_found(arrival_s: float) -> None:
    y, onset = overhead(arrival_s, 3)
    y2, _ = overhead(arrival_s + 0.001, 4)
    found = latency([y, y2], onset, RATE)
    assert found == pytest.approx(arrival_s, abs=0.003)
    low, high = arrival_range(found, RATE)
    assert low / RATE < arrival_s < high / RATE


def test_usual_range_and_too_few_hits() -> None:
    assert arrival_range(None, RATE) == (29, 432)  # 0.6 ms: 20 cm, 9 ms: 3 m
    y, onset = overhead(0.02, 1)
    assert latency([y[:2]], onset[:2], RATE) is None
    assert latency([], onset, RATE) is None
