"""How much of what is new in a mic's lows has the shape of one drum's strokes: a matched filter behind a recursion."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.hits.foretold import FIT_MS, GAP_MS, ORDERS, RIDGE, fit_recursion, piece

__all__ = ["NOT_NEAR", "SHAPE_LEAD_MS", "SHAPE_SLACK_MS", "of_own_shape"]

SHAPE_LEAD_MS, SHAPE_SLACK_MS = 1.0, 2.5
"""The shape of a stroke begins so long before the moment, and may lie so much earlier or later.  These and the next
two: tuned on made takes."""
LEAST_THERE = 0.1
"""Of a stroke that another drum has a little earlier or later, such a share must lie in what is looked at."""
LEAST_OWN = 0.2
"""Of the drum's own shape at least this share counts as not like the other's: two that are alike cannot be parted."""
NOT_NEAR = 1 << 20
"""Stands for a stroke that is far away."""
TINY = 1e-30


def of_own_shape(
    x: NDArray[np.floating],
    rate: float,
    times_s: NDArray[np.float64],
    others: NDArray[np.float64],
    begins: NDArray[np.int64],
    own: NDArray[np.float64],
    which: NDArray[np.int64],
    k: int,
) -> NDArray[np.float32]:
    """Tell how much of what the past does not foretell has the shape of the drum's own strokes.

    Parameters
    ----------
    x : ndarray, shape (n,)
        One of the `ranges` of a mic.
    rate : float
        Its rate in Hz.
    times_s : ndarray, shape (n_moments,)
        Seconds from the first sample.
    others : ndarray, shape (n_others, length)
        How other drums' strokes look in this mic.
    begins : ndarray of int64, shape (n_moments, n_others)
        Samples from each moment to the stroke of each of them that is near it, `NOT_NEAR` where there is none.
    own : ndarray, shape (n_own, length)
        How the drum's own do.
    which : ndarray of int64, shape (n_moments,)
        The row of `own` that each moment is compared to.
    k : int
        Which of the ranges.

    Returns
    -------
    share : ndarray, shape (n_moments,), float32
        Correlation, 0 to 1, with what of the drum's own shape the other that fits best cannot account for.  Beyond
        its ends the sound stays at its first or last value.

    Notes
    -----
    Shapes and sound pass the same recursion, which makes the ring before white: the matched filter for noise that is
    not white.  G. L. Turin, "An introduction to matched filters", IRE Trans. Information Theory 6(3), 1960.
    """
    fit, gap, lead, slack = (max(round(v * rate / 1000.0), 1) for v in (FIT_MS, GAP_MS, SHAPE_LEAD_MS, SHAPE_SLACK_MS))
    at = np.round(np.asarray(times_s) * rate).astype(np.int64)
    found = _of_own_shape(x, at - gap, fit, at - lead - slack, slack, others, begins, own, which, ORDERS[k], RIDGE)
    return np.asarray(found, np.float32)


@njit(nogil=True, cache=True)
def _of_own_shape(x, stops, n_fit, firsts, slack, others, begins, own, which, order, ridge):  # type: ignore[no-untyped-def]
    length, n_lags = own.shape[1], 2 * slack + 1
    found = np.zeros(len(stops))
    products = np.empty((order + 1, order + 1))
    w, error, other = np.empty(order), np.empty(length + 2 * slack), np.empty(length + 2 * slack)
    shape = np.empty(length)
    for j in range(len(stops)):
        begin, last = stops[j] - n_fit - order, firsts[j] + length + 2 * slack
        if which[j] < 0:
            continue
        y = piece(x, begin, last)
        y -= y[: stops[j] - begin].mean()
        fit_recursion(y, order, order + n_fit, products, w, ridge)
        first = firsts[j] - begin
        for i in range(len(error)):
            error[i] = y[first + i]
            for p in range(order):
                error[i] -= w[p] * y[first + i - 1 - p]
        _best_other(error, others, begins[j], n_lags, w, shape, other)
        _through(own[which[j]], w, shape)
        energy = _energy_where_it_fits(error, shape, n_lags)
        error -= other
        found[j] = min(_beside(error, shape, other, n_lags) / np.sqrt(energy), 1.0)
    return found


@njit(nogil=True, cache=True)
def _through(wave, w, out):  # type: ignore[no-untyped-def]
    """What the recursion leaves of a shape, of energy 1."""
    total = TINY
    for i in range(len(wave)):
        out[i] = wave[i]
        for p in range(min(len(w), i)):
            out[i] -= w[p] * wave[i - 1 - p]
        total += out[i] * out[i]
    out *= 1.0 / np.sqrt(total)


@njit(nogil=True, cache=True)
def _best_other(error, others, begins, n_lags, w, shape, out):  # type: ignore[no-untyped-def]
    """The other drum's stroke that fits the error best, as loud as it fits; zeros if there is none."""
    length, best = others.shape[1], 0.0
    out[:] = 0.0
    for k in range(len(others)):
        if begins[k] == NOT_NEAR:
            continue
        _through(others[k], w, shape)
        for at in range(begins[k], begins[k] + n_lags):
            a, b = max(-at, 0), min(length, len(error) - at)
            total, there = 0.0, 0.0
            for i in range(a, b):
                total += error[at + i] * shape[i]
                there += shape[i] * shape[i]
            if there >= LEAST_THERE and total > 0.0 and total * total > best * there:
                best = total * total / there
                out[:] = 0.0
                for i in range(a, b):
                    out[at + i] = shape[i] * total / there


@njit(nogil=True, cache=True)
def _energy_where_it_fits(error, shape, n_lags):  # type: ignore[no-untyped-def]
    """Energy of the error under the shape, laid where the two correlate most (in the middle if nowhere)."""
    best, at = 0.0, n_lags // 2
    for lag in range(n_lags):
        total = 0.0
        for i in range(len(shape)):
            total += error[lag + i] * shape[i]
        if total > best:
            best, at = total, lag
    energy = TINY
    for i in range(len(shape)):
        energy += error[at + i] * error[at + i]
    return energy


@njit(nogil=True, cache=True)
def _beside(error, shape, other, n_lags):  # type: ignore[no-untyped-def]
    """Greatest correlation of what is left with the part of the shape that is orthogonal to the other's stroke."""
    norm, best = TINY, 0.0
    for i in range(len(other)):
        norm += other[i] * other[i]
    for lag in range(n_lags):
        total, alike = 0.0, 0.0
        for i in range(len(shape)):
            total += error[lag + i] * shape[i]
            alike += other[lag + i] * shape[i]
        best = max(best, total / np.sqrt(max(1.0 - alike * alike / norm, LEAST_OWN)))
    return best
