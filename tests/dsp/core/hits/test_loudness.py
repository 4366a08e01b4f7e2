from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.core.hits.loudness import fresh_level_db


def test_a_stroke_on_a_bed_of_bleed_counts_without_the_bed() -> None:
    # independent sounds add in power; scipy-free closed form: mean square times samples
    rng = np.random.default_rng(1)
    bed, n = 0.1 * rng.standard_normal(2_000_000), 1_000_000
    stroke = np.r_[np.zeros(n), 0.2 * rng.standard_normal(n)]
    assert fresh_level_db(bed + stroke) == pytest.approx(10 * np.log10(0.2**2 * n), abs=0.02)
    assert fresh_level_db(2.0 * (bed + stroke)) - fresh_level_db(bed + stroke) == pytest.approx(20 * np.log10(2.0))


def test_nothing_added_is_nothing() -> None:
    assert fresh_level_db(np.zeros(64)) == -200.0
    assert fresh_level_db(np.r_[np.ones(32), np.zeros(32)]) == -200.0
