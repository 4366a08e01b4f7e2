"""Fitting how much of every source leaks into a track, one band at a time.

References
----------
Févotte, Bertin & Durrieu, "Nonnegative matrix factorization with the Itakura-Saito divergence", Neural Computation
21(3), 2009: multiplicative updates (here with the exponent 1/2, under which the cost cannot rise).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["fit_leaks", "sum_of"]

LANES = 8
"""Products added up side by side, in an order that a vector register keeps."""


def fit_leaks(
    x: NDArray[np.float32],
    powers: NDArray[np.float32],
    weight: NDArray[np.float32],
    ring: NDArray[np.float32],
    leaks: NDArray[np.float64],
    bounds: NDArray[np.float64],
    rounds: int,
    most_over: float = np.inf,
) -> NDArray[np.float64]:
    """Fit the leaks of one band: ``x ≈ ring + Σ leak · power`` by the Itakura–Saito divergence.

    Parameters
    ----------
    x : ndarray, shape (n_frames,), float32
        Power of the track.
    powers : ndarray, shape (n_sources, n_frames), float32
        What may explain it.
    weight, ring : ndarray, shape (n_frames,), float32
        Weight of each frame; power that is explained already.
    leaks, bounds : ndarray, shape (n_sources,), float64
        Start and upper limits.
    rounds : int
        Updates; without bounds none of them raises the divergence.
    most_over : float, optional
        Power over so many times what is explained counts as that.

    Returns
    -------
    leaks : ndarray, shape (n_sources,), float64
    """
    if not len(x):
        return leaks.copy()
    # single precision squares powers: near 1 they neither overflow nor vanish
    scale = np.float32(np.mean(x, dtype=np.float64))
    if not scale > 0:
        return leaks.copy()
    found = leaks.copy()
    _fit(x / scale, powers / scale, weight, ring / scale, found, bounds, rounds, np.float32(most_over))
    return found


@njit(nogil=True, cache=True)
def sum_of(powers: NDArray[np.float32], leaks: NDArray[np.float64]) -> NDArray[np.float32]:  # pragma: no cover
    """Add up what leaks.

    Parameters
    ----------
    powers : ndarray, shape (n_sources, n_frames), float32
    leaks : ndarray, shape (n_sources,), float64

    Returns
    -------
    total : ndarray, shape (n_frames,), float32
        Σ leak · power.
    """
    v = np.zeros(powers.shape[1], np.float32)
    for s in range(len(powers)):
        a, p = np.float32(leaks[s]), powers[s]
        for i in range(len(v)):
            v[i] += a * p[i]
    return v


@njit(nogil=True, cache=True)
def _fit(
    x: NDArray[np.float32],
    powers: NDArray[np.float32],
    weight: NDArray[np.float32],
    ring: NDArray[np.float32],
    leaks: NDArray[np.float64],
    bounds: NDArray[np.float64],
    rounds: int,
    most: np.float32,
) -> None:  # pragma: no cover - compiled
    """Update the leaks in place: a ← min(a·√(Σ w·P·x/V² / Σ w·P/V), bound), V = ring + Σ a·P."""
    n_sources, n = powers.shape
    v = np.empty(n, np.float32)
    g = np.empty(n, np.float32)
    h = np.empty(n, np.float32)
    floor = np.float32(1e-12)
    whole = n // LANES * LANES
    for _ in range(rounds):
        for i in range(n):
            v[i] = ring[i] + floor
        for s in range(n_sources):
            a = np.float32(leaks[s])
            for i in range(n):
                v[i] += a * powers[s, i]
        for i in range(n):
            g[i] = weight[i] / v[i]
            h[i] = g[i] * min(x[i] / v[i], most)
        for s in range(n_sources):
            p = powers[s]
            more = 0.0
            less = 0.0
            # written out by eights: sums in this order fill a vector register
            for i in range(0, whole, LANES):
                u0 = p[i] * h[i] + p[i + 1] * h[i + 1]
                u1 = p[i + 2] * h[i + 2] + p[i + 3] * h[i + 3]
                u2 = p[i + 4] * h[i + 4] + p[i + 5] * h[i + 5]
                u3 = p[i + 6] * h[i + 6] + p[i + 7] * h[i + 7]
                d0 = p[i] * g[i] + p[i + 1] * g[i + 1]
                d1 = p[i + 2] * g[i + 2] + p[i + 3] * g[i + 3]
                d2 = p[i + 4] * g[i + 4] + p[i + 5] * g[i + 5]
                d3 = p[i + 6] * g[i + 6] + p[i + 7] * g[i + 7]
                more += (u0 + u1) + (u2 + u3)
                less += (d0 + d1) + (d2 + d3)
            for i in range(whole, n):
                more += p[i] * h[i]
                less += p[i] * g[i]
            if less > 0.0:
                leaks[s] = min(leaks[s] * np.sqrt(more / less), bounds[s])
