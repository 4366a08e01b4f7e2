"""The exact moment a hit arrives, read from the waveform."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["REACH_AFTER_MS", "REACH_BEFORE_MS", "arrivals", "with_the_first"]

PEAK_MS = (-3.0, 8.0)
"""Where the hit's steepest sample is looked for, re the frame it was found in.  All tuned on takes of three kits."""
BEFORE_MS = (-6.0, -3.0)
"""Where the mic's activity before the hit is read."""
EARLIER_MS = 6.0
"""And once more so much earlier; the calmer of the two counts: where the frame is late, the first holds the attack
itself, and a mask that opens late hurts the attack, while one that opens early costs next to nothing."""
SHARE, BEFORE_SHARE, MOST_SHARE = 0.08, 1.5, 0.5
"""The walk back stops under 8 % of the peak, or under 1.5 times what was before, but never over half the peak."""
GAP_MS = 2.0
"""Quiet stretches up to this length inside an attack are bridged."""
LOST_MS, EARLY_MS = 5.0, 1.5
"""A walk that leads back more than the first from the frame has been led by bleed and says nothing: then the hit begins
the second before the frame."""
OFF_MS = 0.5
"""Two mics of one drum keep their distance within so much: about 17 cm of way."""
REACH_BEFORE_MS, REACH_AFTER_MS = 16.0, 9.0
"""Audio needed before and after the frame."""


def arrivals(x: NDArray[np.float32], at: NDArray[np.int64], sr: int) -> NDArray[np.int64]:
    """Find the first sample of each hit.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
        Audio with `REACH_BEFORE_MS` before and `REACH_AFTER_MS` after each hit where it exists.
    at : ndarray of int64, shape (n_hits,)
        First samples of the frames the hits were found in.
    sr : int
        Hz.

    Returns
    -------
    first : ndarray of int64, shape (n_hits,)

    Notes
    -----
    On the absolute difference of neighbouring samples, from its peak back to the earliest sample over the threshold;
    crossing the threshold forward would be caught by another drum's bleed.  Where the bleed is as steep all the time,
    the frame itself is the better answer.
    """

    def samples(ms: float) -> int:
        return round(ms * sr / 1000)

    bounds = np.array([samples(v) for v in (*PEAK_MS, *BEFORE_MS, GAP_MS, EARLIER_MS, LOST_MS, EARLY_MS)])
    return _arrivals(np.ascontiguousarray(x), at, bounds)  # type: ignore[no-any-return]


def with_the_first(first: NDArray[np.int64], second: NDArray[np.int64], sr: int) -> NDArray[np.int64]:
    """Steady the arrivals in a drum's second mic by those in its first.

    Parameters
    ----------
    first, second : ndarray of int64, shape (n_hits,)
        Arrivals in samples.
    sr : int
        Hz.

    Returns
    -------
    second : ndarray of int64, shape (n_hits,)
        Where the two mics are farther from their usual distance than a stroke's place on the head explains, the
        first mic's arrival plus that distance.
    """
    if len(first) == 0:
        return second
    usual = int(np.median(second - first))
    off = np.abs(second - first - usual) > OFF_MS * sr / 1000
    return np.where(off, first + usual, second)


@njit(nogil=True, cache=True)
def _arrivals(x, at, bounds):  # type: ignore[no-untyped-def]
    n = len(x)
    first = np.empty(len(at), np.int64)
    for j in range(len(at)):
        k = at[j]
        peak, where = 0.0, min(max(k, 1), n - 1)
        for i in range(max(k + bounds[0], 1), min(k + bounds[1] + 1, n)):
            slope = abs(np.float64(x[i]) - x[i - 1])
            if slope > peak:
                peak, where = slope, i
        before = np.inf
        for early in (0, bounds[5]):
            most = 0.0
            for i in range(max(k + bounds[2] - early, 1), min(k + bounds[3] - early, n)):
                most = max(most, abs(np.float64(x[i]) - x[i - 1]))
            before = min(before, most)
        threshold = max(SHARE * peak, min(BEFORE_SHARE * before, MOST_SHARE * peak))
        i, found = where, where
        while i > 0 and found - i <= bounds[4] and i > k - 8 * bounds[4]:
            if abs(np.float64(x[i]) - x[i - 1]) >= threshold:
                found = i
            i -= 1
        first[j] = max(k - bounds[7], 0) if found < k - bounds[6] else found
    return first
