import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp import params
from spillgate.dsp.core.audio.interpolation import delay
from spillgate.dsp.errors import ParameterError
from spillgate.dsp.registry import get_step
from spillgate.dsp.steps.base import Context
from spillgate.dsp.steps.move import MoveStep


def run(step, x, a=0, b=None):
    """Apply a step to samples `a` to `b` of a whole signal."""
    b = len(x) if b is None else b
    before, after = step.margins(48_000)
    padded = np.concatenate([np.zeros(before), x, np.zeros(after)])[a : b + before + after]
    padded.setflags(write=False)
    context = Context(start=a, n_out=b - a, sr=48_000, n_samples=len(x), track="t", arrays={}, read=None)
    return step.apply(padded, context)


def test_is_registered():
    assert get_step("move") is MoveStep


def test_turning_only_flips_the_signs():
    x = np.random.default_rng(0).standard_normal(1000)
    assert np.array_equal(run(MoveStep(polarity=-1), x), -x)
    assert MoveStep(polarity=-1).margins(48_000) == (0, 0)


def test_nothing_to_do_keeps_the_bits():
    x = np.random.default_rng(0).standard_normal(1000)
    assert np.array_equal(run(MoveStep(), x), x)


@given(st.floats(-200, 200), st.sampled_from([1, -1]), st.integers(0, 500))
@settings(max_examples=30, deadline=None)
def test_blocks_equal_the_whole(d, polarity, cut):
    x = np.random.default_rng(1).standard_normal(500)
    step = MoveStep(delay_samples=d, polarity=polarity)
    joined = np.concatenate([run(step, x, 0, cut), run(step, x, cut, 500)])
    assert np.array_equal(joined, polarity * delay(x, d))


def test_a_tone_arrives_later():
    # closed form; positive is later; the interpolator errs by −103 dB
    n = np.arange(4000)
    y = run(MoveStep(delay_samples=10.4, polarity=-1), np.sin(0.2 * n))
    assert np.max(np.abs(y + np.sin(0.2 * (n - 10.4)))[200:-200]) < 1e-5


def test_bad_values_are_refused():
    with pytest.raises(ParameterError, match=r"move\.polarity: 0 is not allowed; use 1 or -1"):
        MoveStep(polarity=0)
    with pytest.raises(ParameterError, match=r"move\.delay_samples"):
        MoveStep(delay_samples=float("nan"))


def test_comes_back_from_its_parameters():
    step = MoveStep(delay_samples=-3.25, polarity=-1)
    assert MoveStep(**params.from_dict(MoveStep, params.to_dict(step), "move")) == step
