from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.core.audio.overview import compand, expand, extremes


@given(st.integers(0, 400), st.integers(1, 60), st.integers(0, 2**32 - 1))
def test_pieces_agree_with_numpys_reduceat(n: int, per_piece: int, seed: int) -> None:
    x = np.random.default_rng(seed).uniform(-1, 1, n)
    n_pieces = -(-n // per_piece) if n else 1
    got = extremes(x, 0, per_piece, n_pieces)
    padded = np.r_[x, np.zeros(n_pieces * per_piece - n)]
    starts = np.arange(n_pieces) * per_piece
    np.testing.assert_array_equal(got[:, 0], np.minimum.reduceat(padded, starts).astype(np.float32))
    np.testing.assert_array_equal(got[:, 1], np.maximum.reduceat(padded, starts).astype(np.float32))


def test_off_the_grid_is_refused() -> None:
    with pytest.raises(ValueError, match="no multiple"):
        extremes(np.zeros(4), 3, 2, 2)


def test_companding_is_one_byte_of_square_root() -> None:
    # closed form: 1 → 127, 1/4 → half of it (rounded away from zero), the least 24-bit step is still seen
    assert compand(np.array([1.0, -1.0, 0.25, 2.0**-23, 0.0, 7.0])).tolist() == [127, -127, 64, 1, 0, 127]
    x = np.linspace(-1, 1, 4001)
    error = np.abs(np.sqrt(np.abs(expand(compand(x)))) - np.sqrt(np.abs(x)))
    assert error.max() <= 1 / 127 + 1e-6
