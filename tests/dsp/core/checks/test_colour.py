"""Colour and pitch of drums with known spectra: partials of the ideal membrane (zeros of Bessel functions)."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import jn_zeros

from spillgate.dsp.core.checks.colour import colour, pitch_step, ring_spectrum
from spillgate.dsp.core.checks.levels import Levels
from spillgate.dsp.core.hits.envelopes import EDGES_HZ, BandEnvelopes

SR = 48000
TIMES = np.array([0.6, 1.6, 2.6, 3.6])
MODES = [jn_zeros(m, 2)[k] / jn_zeros(0, 1)[0] for m, k in ((0, 0), (1, 0), (2, 0), (0, 1), (1, 1))]


def strokes(one: NDArray[np.float64], seconds: float = 5.0) -> NDArray[np.float64]:
    x = np.zeros(int(seconds * SR))
    for t in TIMES:
        a = int(t * SR)
        x[a : a + len(one)] += one
    return x


def membrane(hz: float, weights: tuple[float, ...] = (1.0, 0.8, 0.5, 0.3, 0.2)) -> NDArray[np.float64]:
    t = np.arange(SR // 2) / SR
    partials = sum(w * np.sin(2 * np.pi * hz * m * t) * np.exp(-t / 0.15) for w, m in zip(weights, MODES, strict=True))
    return np.asarray(0.1 * partials)


def envelopes(x: NDArray[np.float64]) -> NDArray[np.float32]:
    feature = BandEnvelopes()
    rows, state = feature.push(x, feature.start(SR))
    return np.concatenate([rows, feature.finish(state)])


def spectrum(x: NDArray[np.float64]) -> NDArray[np.float64]:
    feature = Levels()
    rows, state = feature.push(x.astype(np.float32), feature.start(SR))
    found = ring_spectrum(np.concatenate([rows, feature.finish(state)]), SR, TIMES)
    assert found is not None
    return found


FRAMES = np.round(TIMES * 1000).astype(np.int64)


def test_white_noise_has_energy_by_bandwidth() -> None:
    noise = np.random.default_rng(0).standard_normal(SR // 2)
    found = colour(envelopes(strokes(0.1 * noise)), FRAMES)
    assert found is not None
    low = (EDGES_HZ[1] - EDGES_HZ[0]) / (SR / 2 - EDGES_HZ[0])
    high = (SR / 2 - EDGES_HZ[4]) / (SR / 2 - EDGES_HZ[0])
    assert found.low_db == pytest.approx(10 * np.log10(low), abs=2.5)  # second-order filters overlap
    assert found.bright_db == pytest.approx(10 * np.log10(high / low), abs=2.5)


def test_a_low_tone_is_dark() -> None:
    t = np.arange(SR // 4) / SR
    found = colour(envelopes(strokes(0.3 * np.sin(2 * np.pi * 65 * t) * np.minimum(t / 0.005, 1))), FRAMES)
    assert found is not None
    assert found.low_db > -1.5
    assert found.bright_db < -25.0
    assert colour(np.zeros((100, 6)), np.zeros(0, np.int64)) is None


@pytest.mark.parametrize("semitones", [-9, -5, -2, 2, 4, 7, 12])
@pytest.mark.parametrize("weights", [(1.0, 0.8, 0.5, 0.3, 0.2), (0.4, 1.0, 0.3, 0.2, 0.1)])
def test_a_transposed_membrane(semitones: int, weights: tuple[float, ...]) -> None:
    # the second drum's overtones may be stronger than its fundamental: strongest partials would say otherwise
    a, b = spectrum(strokes(membrane(80.0))), spectrum(strokes(membrane(80.0 * 2 ** (semitones / 12), weights)))
    found, lead = pitch_step(a, b)
    assert found == pytest.approx(semitones, abs=0.5)
    assert (lead > 0) == (semitones > 0)
    back, _ = pitch_step(b, a)
    assert back == pytest.approx(-found, abs=0.2)


def test_nothing_struck() -> None:
    assert ring_spectrum(np.zeros((100, 22), np.float32), SR, np.zeros(0)) is None
