"""Third-octave spectrum of a track, for a picture of it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["third_octave_levels", "third_octaves"]

LOW, HIGH = -16, 13
"""Bands 25 Hz to 20 kHz by their number re 1 kHz."""


def third_octaves(sr: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middles of the third-octave bands and their edges.

    Parameters
    ----------
    sr : int
        Hz; bands that do not fit under half of it are left out.

    Returns
    -------
    mid_hz : ndarray, shape (n_bands,)
    edge_hz : ndarray, shape (n_bands + 1,)

    References
    ----------
    IEC 61260-1:2014: middles 1000 × 10^(x/10) Hz, edges 10^(±1/20) from them.
    """
    x = np.arange(LOW, HIGH + 1)
    x = x[1000.0 * 10.0 ** ((2 * x + 1) / 20.0) <= 0.5 * sr]
    return 1000.0 * 10.0 ** (x / 10.0), 1000.0 * 10.0 ** ((2.0 * np.append(x, x[-1] + 1) - 1.0) / 20.0)


def third_octave_levels(x: NDArray[Any], sr: int) -> NDArray[np.float64]:
    """Level of each third octave.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    sr : int

    Returns
    -------
    level_db : ndarray, shape (n_bands,)
        Mean square in each band, dB re full scale squared; −200 for silence.
    """
    _, edges = third_octaves(sr)
    n = len(x)
    if n == 0:
        return np.full(len(edges) - 1, -200.0)
    window = np.hanning(n + 2)[1:-1]
    power = np.abs(np.fft.rfft(np.asarray(x, np.float64) * window)) ** 2 * (2.0 / (n * np.sum(window**2)))
    total = np.concatenate([[0.0], np.cumsum(power)])
    # bins reach half a step to each side; a band takes the share of a bin that lies in it
    place = np.clip(edges * n / sr + 0.5, 0.0, len(power))
    inside = np.diff(np.interp(place, np.arange(len(total)), total))
    return np.asarray(10.0 * np.log10(np.maximum(inside, 1e-20)), np.float64)
