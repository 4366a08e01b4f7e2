"""Hits that are copies of one another: in a loop they tell nothing new, so they count once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import correlate

__all__ = ["distinct"]

Floats = NDArray[np.float64]

ALIKE = 0.9999
"""Correlation, in every microphone, from which a hit is a copy; two strokes of one drum reach 0.99 at most in the
overheads, where the rest of the kit plays on."""
ENERGY = 0.02
"""Copies have the same energy within this share."""
MOST_SHIFT_S = 0.001
"""A copy's detected time may differ by so much."""


def distinct(pieces: Sequence[Floats], rate: float) -> NDArray[np.bool_]:
    """Mark the first of all hits that are copies of one another.

    Parameters
    ----------
    pieces : sequence of ndarray, shape (n_hits, n_samples), float64
        Per microphone, cut at the same places round the hits.
    rate : float
        Hz.

    Returns
    -------
    first : ndarray of bool, shape (n_hits,)
        False for a hit that is one seen before in all microphones.
    """
    n = len(pieces[0])
    length = pieces[0].shape[1]
    shift = round(MOST_SHIFT_S * rate)
    cut = [p[:, shift : length - shift] for p in pieces]
    energy = np.stack([np.einsum("ij,ij->i", c, c) for c in cut])
    first = np.ones(n, bool)
    for k in range(1, n):
        for r in np.flatnonzero(first[:k]):
            same = np.abs(energy[:, k] - energy[:, r]) <= ENERGY * np.maximum(energy[:, k], energy[:, r])
            if same.all() and _copy(pieces, cut, int(k), int(r), shift):
                first[k] = False
                break
    return first


def _copy(pieces: Sequence[Floats], cut: Sequence[Floats], k: int, r: int, shift: int) -> bool:
    """Whether hit k is hit r, at one shift in all microphones."""
    first = correlate(pieces[0][k], cut[0][r], "valid")
    at = int(first.argmax())
    for p, c in zip(pieces, cut, strict=True):
        a, b = p[k, at : at + c.shape[1]], c[r]
        if a @ b < ALIKE * np.sqrt((a @ a) * (b @ b)):
            return False
    return True
