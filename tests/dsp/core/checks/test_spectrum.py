"""Third octaves against the standard's own figures and closed forms."""

import numpy as np
import pytest

from spillgate.dsp.core.checks.spectrum import third_octave_levels, third_octaves


def test_bands_of_the_standard() -> None:
    mid, edge = third_octaves(48_000)
    assert len(edge) == len(mid) + 1
    # IEC 61260-1, base-10 system: 1 kHz band from 891.2509 to 1122.0185 Hz; middles 63.0957, 79.4328, 100, 125.8925 Hz
    k = int(np.argmin(abs(mid - 1000)))
    assert edge[k] == pytest.approx(891.2509, abs=1e-4)
    assert edge[k + 1] == pytest.approx(1122.0185, abs=1e-4)
    for hz in (63.0957, 79.4328, 100.0, 125.8925):
        assert abs(mid - hz).min() < 1e-4
    assert third_octaves(22_050)[1][-1] <= 11_025


@pytest.mark.parametrize("hz", [100.0, 1000.0, 7943.28])
def test_a_tone_is_in_its_band_with_its_mean_square(hz: float) -> None:
    x = 0.5 * np.sin(2 * np.pi * hz * np.arange(48_000) / 48_000)
    level = third_octave_levels(x, 48_000)
    mid, _ = third_octaves(48_000)
    k = int(np.argmax(level))
    assert mid[k] == pytest.approx(hz, rel=1e-4)
    assert level[k] == pytest.approx(20 * np.log10(0.5) - 3.01, abs=0.05)  # half the square of the amplitude
    assert np.delete(level, k).max() < level[k] - 40


def test_white_noise_rises_by_one_db_a_band() -> None:
    # each band is 10^(1/10) wider than the one below: 1 dB
    x = np.random.default_rng(0).standard_normal(480_000)
    level = third_octave_levels(x, 48_000)[10:]
    assert np.polyfit(np.arange(len(level)), level, 1)[0] == pytest.approx(1.0, abs=0.03)
    assert third_octave_levels(np.zeros(100), 48_000).max() == -200.0
    assert third_octave_levels(np.zeros(0), 48_000).max() == -200.0
