"""What a picture of a waveform needs: smallest and largest sample per short piece, in one byte each."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Outline", "compand", "expand", "piece_length"]

PIECES_PER_S = 1000
"""Pieces of the waveform for each second, to the nearest whole number of samples: 1 ms…"""

MOST_PIECES = 600_000
"""…but at most so many: behind ten minutes pieces become twice as long, and again behind twenty."""

STEP = 2
"""Companded extremes are kept in steps of 1/64 of the height, about a pixel: a fifth less to store."""


def piece_length(sr: int, n_samples: int) -> int:
    """Samples behind one pair of extremes.

    Parameters
    ----------
    sr : int
        Hz.
    n_samples : int
        Length of the take.

    Returns
    -------
    length : int

    Examples
    --------
    >>> piece_length(48000, 48000 * 60), piece_length(48000, 48000 * 60 * 30)
    (48, 192)
    """
    length = max(1, round(sr / PIECES_PER_S))
    while n_samples > MOST_PIECES * length:
        length *= 2
    return length


class Outline:
    """Smallest and largest sample of equally long pieces on an absolute grid, filled block by block.

    Parameters
    ----------
    per_piece, n_samples : int
        Samples per piece; length of the picture.
    first, stop : int
        Samples of the picture that will be pushed; the rest is silence.

    Notes
    -----
    Extremes of extremes are the same however the audio is cut.
    """

    def __init__(self, per_piece: int, n_samples: int, first: int, stop: int) -> None:
        first, stop = max(first, 0), min(stop, n_samples)
        self._per_piece, self._first, self._stop = per_piece, first, max(stop, first)
        self._pairs = np.zeros((-(-n_samples // per_piece), 2), np.float32)
        whole = self._pairs[-(-first // per_piece) : max(stop, 0) // per_piece]
        whole[:, 0], whole[:, 1] = np.inf, -np.inf

    def push(self, x: NDArray[np.floating | np.integer], start: int, unit: float = 1.0) -> None:
        """Take in some samples.

        Parameters
        ----------
        x : ndarray, shape (n,)
            Finite.
        start : int
            Place of the first one in the picture; what lies outside is ignored.
        unit : float
            What `x` is multiplied by to make 1.0 full scale.
        """
        a, b = max(self._first - start, 0), min(self._stop - start, len(x))
        if b > a:
            _extremes(x[a:b], start + a, self._per_piece, np.float32(unit), self._pairs)

    def pairs(self) -> NDArray[np.float32]:
        """(smallest, largest) of each piece, shape (n_pieces, 2); where samples are missing 0 counts."""
        return self._pairs

    def small(self) -> NDArray[np.int8]:
        """Give the same companded, in steps of `STEP`, shape (n_pieces, 2)."""
        pairs = compand(self._pairs).astype(np.int16)
        # away from zero once more, so that nothing but silence becomes 0; -128 is taken
        rounded: NDArray[np.int8] = np.clip(np.sign(pairs) * (-(-np.abs(pairs) // STEP) * STEP), -126, 126).astype(
            np.int8
        )
        return rounded


@njit(nogil=True, cache=True)
def _extremes(x, start, per_piece, unit, pairs):  # type: ignore[no-untyped-def]
    n, a = len(x), 0
    while a < n:
        k = (start + a) // per_piece
        b = min((k + 1) * per_piece - start, n)
        low0 = low1 = low2 = low3 = high0 = high1 = high2 = high3 = x[a]
        whole = a + (b - a) // 4 * 4
        for i in range(a, whole, 4):  # four at a time: none waits for the other
            low0, low1 = min(low0, x[i]), min(low1, x[i + 1])
            low2, low3 = min(low2, x[i + 2]), min(low3, x[i + 3])
            high0, high1 = max(high0, x[i]), max(high1, x[i + 1])
            high2, high3 = max(high2, x[i + 2]), max(high3, x[i + 3])
        for i in range(whole, b):
            low0, high0 = min(low0, x[i]), max(high0, x[i])
        pairs[k, 0] = min(pairs[k, 0], np.float32(min(min(low0, low1), min(low2, low3)) * unit))
        pairs[k, 1] = max(pairs[k, 1], np.float32(max(max(high0, high1), max(high2, high3)) * unit))
        a = b


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
