import numpy as np

from spillgate.dsp.core.cleaning.bandgrid import grid
from spillgate.dsp.core.cleaning.bandmask import quantise
from spillgate.dsp.registry import get_step
from spillgate.dsp.steps.mask import MaskStep
from spillgate.dsp.testing import check_step


def test_is_registered():
    assert get_step("mask") is MaskStep


def test_keeps_the_contract():
    g = grid(48_000)
    rng = np.random.default_rng(0)
    gains = rng.random((g.n_frames(30_000), g.n_bands))
    gains[10:20] = 1
    gains[25:] = 0
    arrays = {"gains": quantise(gains), "cuts": np.array([4000, 4400, 21_000])}
    check_step(MaskStep(), arrays)
    check_step(MaskStep(open_before_ms=0, attack_ms=0), arrays)
