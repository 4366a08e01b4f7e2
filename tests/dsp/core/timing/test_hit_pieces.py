"""Onsets, undisturbed hits, weights and thinning against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.core.timing.hit_pieces import (
    alone,
    analysis_rate,
    at_analysis_rate,
    attack_samples,
    best_hits,
    hit_weights,
    onset_sample,
    thinning,
)


def test_thinning_keeps_the_rate_between_44_and_60_khz() -> None:
    assert [thinning(sr) for sr in (44100, 48000, 88200, 96000, 176400, 192000)] == [1, 1, 2, 2, 4, 4]
    assert analysis_rate(192000) == 48000.0


def test_thinning_moves_nothing() -> None:
    # closed form: a tone in the pass band is the same tone at the lower rate, one above folds to nothing
    sr, n = 96000, 4096
    t = np.arange(n) / sr
    tone = np.sin(2 * np.pi * 3000 * t)
    np.testing.assert_allclose(at_analysis_rate(tone, sr)[100:-100], tone[::2][100:-100], atol=1e-3)
    high = at_analysis_rate(np.sin(2 * np.pi * 30000 * t), sr)
    assert np.abs(high[100:-100]).max() < 1e-3  # would fold to 18 kHz
    assert at_analysis_rate(tone, 48000) is tone


def test_onset_is_the_first_sample_of_a_burst() -> None:
    rng = np.random.default_rng(0)
    x = 1e-4 * rng.standard_normal(4000)
    x[2000:2600] += np.sin(2 * np.pi * 2000 * np.arange(600) / 48000 + 0.5)
    assert onset_sample(x, 2005, 48000.0) == 2000
    assert onset_sample(np.zeros(4000), 2005, 48000.0) == 2005


def test_attack_is_where_it_gets_loud() -> None:
    x = np.zeros((1, 4000))
    x[0, 1000:1150] = 0.02 * np.sin(np.arange(150))
    x[0, 1150:1300] = np.sin(np.arange(150))
    found = attack_samples(x, np.array([1000]), 48000.0)
    assert 1135 <= found[0] <= 1145
    loud = attack_samples(x[:, ::-1].copy(), np.array([2700]), 48000.0)
    assert loud[0] == 2700


def test_disturbed_hits_are_left_out_unless_few_remain() -> None:
    times = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    assert alone(times, np.array([0.995, 2.008])).tolist() == [True, False, True, True, True]
    assert alone(times, np.array([1.996, 3.005])).all()  # only three would be left
    assert alone(times, np.zeros(0)).all()


def test_weights_of_a_known_hit() -> None:
    # closed form: power of the far hit over noise; quality is capped at 30 dB
    rng = np.random.default_rng(1)
    x, y = np.zeros((2, 6000)), 0.01 * rng.standard_normal((2, 6000))
    x[:, 3000:3400] = rng.choice([-1.0, 1.0], (2, 400))  # power of exactly 1
    y[:, 3100:3500] += 0.5 * x[:, 3000:3400]
    y[1] += 0.2 * rng.standard_normal(6000)
    onset = np.array([3000, 3000])
    noise, quality, gain2 = hit_weights(x, y, onset, 48000.0, 30, 400)
    assert noise[1] == pytest.approx(1.5 * (0.2**2 + 0.01**2), rel=0.35)
    assert quality[0] > quality[1] + 8
    assert gain2 == pytest.approx(0.25, rel=0.05)
    assert best_hits(quality, 1).tolist() == [0]
    assert best_hits(np.array([0.0, 30.0, 13.0, 11.0]), 16).tolist() == [1, 2]
    assert best_hits(np.zeros(0), 4).tolist() == []
