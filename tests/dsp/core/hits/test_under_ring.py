from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.core.hits.envelopes import BandEnvelopes, frame_length
from spillgate.dsp.core.hits.lows import LowBand, low_rate
from spillgate.dsp.core.hits.novelty import novelty
from spillgate.dsp.core.hits.under_ring import with_those_under_ring

SR = 48000


def measured(feature: BandEnvelopes | LowBand, x: np.ndarray) -> np.ndarray:
    state = feature.start(SR)
    rows, state = feature.push(x, state)
    return np.concatenate([rows, feature.finish(state)])


def stroke(level: float, at_s: float) -> np.ndarray:
    """Odd partials: they all turn round in half a period of the lowest.  The stick takes 3 ms."""
    t = np.arange(SR) / SR - at_s
    tones = sum(a * np.exp(-t / 0.4) * np.sin(2 * np.pi * f * t) for f, a in ((100.0, 1.0), (300.0, 0.1)))
    return np.where(t >= 0, level * tones * np.clip(t / 0.003, 0.0, 1.0), 0.0)


def found(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Moments that rise, and those that are added, s."""
    x = x.astype(np.float32)
    energy, low = measured(BandEnvelopes(), x), measured(LowBand(), x)[:, 0]
    known = novelty(energy)
    frame_s = frame_length(SR) / SR
    every = with_those_under_ring(known.candidates, energy, known.quiet, known.reference, low, low_rate(SR), frame_s)
    assert set(known.candidates) <= set(every)
    assert (np.diff(every) > 0).all()
    return known.candidates * frame_s, np.setdiff1d(every, known.candidates) * frame_s


@pytest.mark.parametrize("half_periods", [71, 81, 101])
def test_a_stroke_that_meets_the_ring_out_of_phase_is_a_candidate(half_periods: int) -> None:
    second = 0.2 + half_periods * 0.005
    hiss = 0.05 * np.random.default_rng(3).standard_normal(SR)
    rises, added = found(hiss + stroke(1.0, 0.2) + stroke(0.25, second))
    assert np.abs(rises - 0.2).min() < 0.012
    assert np.abs(rises - second).min() > 0.015  # energies do not tell
    assert np.abs(added - second).min() < 0.006


def test_a_ring_alone_adds_nothing_and_silence_is_no_trouble() -> None:
    noise = 1e-4 * np.random.default_rng(3).standard_normal(SR)
    _, added = found(noise + stroke(1.0, 0.2))
    assert not ((added > 0.24) & (added < 0.7)).any()
    _, added = found(np.zeros(SR))
    assert len(added) == 0
