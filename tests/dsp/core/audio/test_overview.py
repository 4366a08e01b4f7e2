from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.core.audio.overview import MOST_PIECES, Outline, compand, expand, piece_length


@given(st.integers(0, 400), st.integers(1, 60), st.integers(1, 90), st.integers(0, 2**32 - 1))
def test_pieces_agree_with_numpys_reduceat_however_the_audio_is_cut(
    n: int, per_piece: int, block: int, seed: int
) -> None:
    x = np.random.default_rng(seed).uniform(-1, 1, n).astype(np.float32)
    outline = Outline(per_piece, n, 0, n)
    for a in range(0, n, block):
        outline.push(x[a : a + block], a)
    n_pieces = -(-n // per_piece)
    assert outline.pairs().shape == (n_pieces, 2)
    padded = np.r_[x, np.zeros(n_pieces * per_piece - n, np.float32)]
    starts = np.arange(n_pieces) * per_piece
    if n:
        np.testing.assert_array_equal(outline.pairs()[:, 0], np.minimum.reduceat(padded, starts))
        np.testing.assert_array_equal(outline.pairs()[:, 1], np.maximum.reduceat(padded, starts))


@given(st.integers(-70, 70), st.integers(0, 2**32 - 1))
def test_what_lies_outside_the_picture_is_silence(shift: int, seed: int) -> None:
    x = np.random.default_rng(seed).uniform(-1, 1, 200)
    outline = Outline(16, 200, -shift, 200 - shift)
    outline.push(x[:90], -shift)
    outline.push(x[90:], 90 - shift)
    moved = np.zeros(208, np.float32)
    a, b = max(-shift, 0), min(200 - shift, 200)
    moved[a:b] = x[a + shift : b + shift]
    np.testing.assert_array_equal(outline.pairs()[:, 0], moved.reshape(-1, 16).min(1))
    np.testing.assert_array_equal(outline.pairs()[:, 1], moved.reshape(-1, 16).max(1))


def test_integers_are_drawn_as_the_samples_they_stand_for() -> None:
    x = np.random.default_rng(1).integers(-(2**23), 2**23, 480).astype(np.int32)
    a, b = Outline(48, 480, 0, 480), Outline(48, 480, 0, 480)
    a.push(x, 0, 2.0**-23)
    b.push((x / 2.0**23).astype(np.float32), 0)
    np.testing.assert_array_equal(a.small(), b.small())


@pytest.mark.parametrize("sr", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("minutes", [1, 10, 11, 60, 180])
def test_long_takes_get_longer_pieces(sr: int, minutes: int) -> None:
    n = sr * 60 * minutes
    length = piece_length(sr, n)
    assert n / length <= MOST_PIECES
    assert length == round(sr / 1000) or n / (length / 2) > MOST_PIECES


def test_small_pairs_are_rounded_away_from_zero() -> None:
    outline = Outline(2, 8, 0, 8)
    outline.push(np.array([1.0, -1.0, 0.25, 0.0, 2.0**-23, 0.0, 0.0, 0.0]), 0)
    assert outline.small().tolist() == [[-126, 126], [0, 64], [0, 2], [0, 0]]


def test_companding_is_one_byte_of_square_root() -> None:
    # closed form: 1 → 127, 1/4 → half of it (rounded away from zero), the least 24-bit step is still seen
    assert compand(np.array([1.0, -1.0, 0.25, 2.0**-23, 0.0, 7.0])).tolist() == [127, -127, 64, 1, 0, 127]
    x = np.linspace(-1, 1, 4001)
    error = np.abs(np.sqrt(np.abs(expand(compand(x)))) - np.sqrt(np.abs(x)))
    assert error.max() <= 1 / 127 + 1e-6
