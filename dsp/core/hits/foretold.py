"""What a stroke adds under a ring that goes on: the error in foretelling a mic's lows from their own recent past.

A drum that rings is a sum of a few decaying tones, which a short linear recursion foretells almost exactly; a new
stroke is what it does not foretell.  So a soft stroke shows even where it hardly raises the energy, as in a roll, and
cymbals, which have little down there, do not hide it.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.hits.lows import N_LOWS, range_of

__all__ = ["FIT_MS", "GAP_MS", "ORDERS", "RIDGE", "fit_recursion", "innovations", "piece"]

ORDERS = (10, 16)
"""Coefficients of the recursion in each range; two foretell one decaying tone.  This and the next three: tuned on made
takes."""
FIT_MS, GAP_MS = 28.0, 1.5
"""The recursion is fitted to so much of the past, ending so long before the moment."""
LEAD_MS, ERROR_MS = 0.5, 6.0
"""Its error counts from so long before the moment on, for so long."""
RIDGE = 1e-4
"""Added to the diagonal of the normal equations, re its mean."""
TINY = 1e-30
"""Keeps the equations solvable in silence."""


def innovations(
    low: NDArray[np.float32], rate: float, times_s: NDArray[np.float64], only: int | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Measure how far a mic's lows depart from what their past foretells.

    Parameters
    ----------
    low : ndarray, shape (n,)
        From `LowBand`.
    rate : float
        Its rate in Hz.
    times_s : ndarray, shape (n_moments,)
        Seconds from the first sample.
    only : int, optional
        The one range that is wanted; the other is given as 0.

    Returns
    -------
    after, before : ndarray, shape (n_moments, 2), float32
        Mean square of the error of foretelling each sample from those before it, from each moment on and in the past
        to which the recursion was fitted; in the lowest range and in all.  Beyond its ends the sound stays at its
        first or last value.

    Notes
    -----
    Linear prediction by the covariance method: J. Makhoul, "Linear prediction: a tutorial review", Proceedings of the
    IEEE 63(4), 1975.  Its error as the sign of an onset: J. P. Bello et al., "A tutorial on onset detection in music
    signals", IEEE Trans. Speech and Audio Processing 13(5), 2005.
    """
    found = np.zeros((2, len(times_s), N_LOWS))
    for k in range(N_LOWS) if only is None else (only,):
        order, (x, hz) = ORDERS[k], range_of(low, rate, k)
        fit, gap, lead, error = (max(round(v * hz / 1000.0), 1) for v in (FIT_MS, GAP_MS, LEAD_MS, ERROR_MS))
        at = np.round(np.asarray(times_s) * hz).astype(np.int64)
        found[:, :, k] = _innovations(x, at - gap, fit, at - lead, error, order, RIDGE)
    return found[0].astype(np.float32), found[1].astype(np.float32)


@njit(nogil=True, cache=True)
def piece(x, begin, last):  # type: ignore[no-untyped-def]
    """Samples from `begin` to before `last`; beyond the ends the first and the last one stand for what is not there."""
    if begin >= 0 and last <= len(x):
        return x[begin:last].astype(np.float64)
    y = np.zeros(last - begin)
    for i in range(len(y)):
        if len(x) > 0:
            y[i] = x[min(max(begin + i, 0), len(x) - 1)]
    return y


@njit(nogil=True, cache=True)
def _innovations(x, stops, n_fit, firsts, n_error, order, ridge):  # type: ignore[no-untyped-def]
    found = np.zeros((2, len(stops)))
    products = np.empty((order + 1, order + 1))
    w = np.empty(order)
    for j in range(len(stops)):
        begin, last = stops[j] - n_fit - order, firsts[j] + n_error
        start, stop, first = order, order + n_fit, firsts[j] - begin
        y = piece(x, begin, last)
        y -= y[: stops[j] - begin].mean()  # an offset is no tone
        fit_recursion(y, start, stop, products, w, ridge)
        for k in range(2):
            a, n = (first, n_error) if k == 0 else (start, n_fit)
            total = 0.0
            for i in range(a, a + n):
                error = y[i]
                for p in range(order):
                    error -= w[p] * y[i - 1 - p]
                total += error * error
            found[k, j] = total / n
    return found


@njit(nogil=True, cache=True)
def fit_recursion(y, start, stop, products, w, ridge):  # type: ignore[no-untyped-def]
    """The recursion that foretells y[start:stop] best."""
    order = len(w)
    # products of the signal with itself delayed; each diagonal follows from its first entry
    for q in range(order + 1):
        total = 0.0
        for i in range(start, stop):
            total += y[i] * y[i - q]
        products[0, q] = total
    for p in range(1, order + 1):
        for q in range(p, order + 1):
            products[p, q] = products[p - 1, q - 1] + y[start - p] * y[start - q] - y[stop - p] * y[stop - q]
    _solve(products, w, ridge)


@njit(nogil=True, cache=True)
def _solve(products, w, ridge):  # type: ignore[no-untyped-def]
    """Normal equations by Cholesky's method; the upper triangle from the second row on is overwritten."""
    order = len(w)
    more = 0.0
    for p in range(1, order + 1):
        more += products[p, p]
    more = ridge * more / order + TINY
    for p in range(order):
        for q in range(p, order):
            total = products[p + 1, q + 1] + (more if p == q else 0.0)
            for k in range(p):
                total -= products[k + 1, p + 1] * products[k + 1, q + 1]
            if p == q:
                products[p + 1, p + 1] = np.sqrt(max(total, TINY))
            else:
                products[p + 1, q + 1] = total / products[p + 1, p + 1]
    for p in range(order):
        total = products[0, p + 1]
        for k in range(p):
            total -= products[k + 1, p + 1] * w[k]
        w[p] = total / products[p + 1, p + 1]
    for p in range(order - 1, -1, -1):
        total = w[p]
        for k in range(p + 1, order):
            total -= products[p + 1, k + 1] * w[k]
        w[p] = total / products[p + 1, p + 1]
