"""What a picture of a waveform needs: smallest and largest sample per short piece, in one byte each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["compand", "expand", "extremes"]


def extremes(x: NDArray[np.floating], first: int, per_piece: int, n_pieces: int) -> NDArray[np.float32]:
    """Smallest and largest sample of equally long pieces that sit on an absolute grid.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    first : int
        Absolute number of the first sample of `x`; a multiple of `per_piece`.
    per_piece : int
        Samples per piece.
    n_pieces : int
        Pieces wanted; pieces beyond the end of `x` are 0.

    Returns
    -------
    pairs : ndarray, shape (n_pieces, 2), float32
        (smallest, largest).

    Raises
    ------
    ValueError
        If `first` is off the grid.

    Examples
    --------
    >>> extremes(np.array([0.5, -1.0, 0.25]), 0, 2, 2).tolist()
    [[-1.0, 0.5], [0.0, 0.25]]
    """
    if first % per_piece:
        raise ValueError(f"first: {first} is no multiple of {per_piece}")
    pairs = np.zeros((n_pieces, 2), np.float32)
    whole = min(len(x) // per_piece, n_pieces)
    if whole:
        cut = x[: whole * per_piece].reshape(whole, per_piece)
        pairs[:whole, 0], pairs[:whole, 1] = cut.min(1), cut.max(1)
    rest = x[whole * per_piece : n_pieces * per_piece]
    if len(rest) and whole < n_pieces:
        pairs[whole] = min(float(rest.min()), 0.0), max(float(rest.max()), 0.0)
    return pairs


def compand(pairs: NDArray[np.floating]) -> NDArray[np.int8]:
    """Squeeze samples into one byte so that quiet ones stay visible: sign × 127 × the square root.

    Parameters
    ----------
    pairs : ndarray, any shape
        1.0 = full scale; beyond it is cut.

    Returns
    -------
    small : ndarray, same shape, int8
        Rounded away from zero, so that nothing but silence becomes 0.
    """
    size = np.sqrt(np.minimum(np.abs(pairs.astype(np.float64)), 1.0)) * 127.0
    small: NDArray[np.int8] = (np.sign(pairs) * np.ceil(size)).astype(np.int8)
    return small


def expand(small: NDArray[np.int8]) -> NDArray[np.float32]:
    """Undo `compand`.

    Parameters
    ----------
    small : ndarray, int8

    Returns
    -------
    values : ndarray, same shape, float32
        To within the one-byte steps.
    """
    v = small.astype(np.float32) / 127.0
    pairs: NDArray[np.float32] = np.sign(v) * v * v
    return pairs
