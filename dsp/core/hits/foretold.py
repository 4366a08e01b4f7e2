"""What a stroke adds under a ring that goes on: the error in foretelling a mic's lows from their own recent past.

A drum that rings is a sum of a few decaying tones, which a short linear recursion foretells almost exactly; a new
stroke is what it does not foretell.  So a soft stroke shows even where it hardly raises the energy, as in a roll, and
cymbals, which have little down there, do not hide it.  Whether that error has the shape of the drum's own strokes is
told by a matched filter behind the same recursion.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.hits.lows import N_LOWS, range_of

__all__ = ["NOT_NEAR", "SHAPE_LEAD_MS", "SHAPE_SLACK_MS", "innovations", "of_own_shape"]

ORDERS = (10, 16)
"""Coefficients of the recursion in each range; two foretell one decaying tone.  This and the next three: tuned on made
takes."""
FIT_MS, GAP_MS = 28.0, 1.5
"""The recursion is fitted to so much of the past, ending so long before the moment."""
LEAD_MS, ERROR_MS = 0.5, 6.0
"""Its error counts from so long before the moment on, for so long."""
RIDGE = 1e-4
"""Added to the diagonal of the normal equations, re its mean."""
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
def _piece(x, begin, last):  # type: ignore[no-untyped-def]
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
        y = _piece(x, begin, last)
        y -= y[: stops[j] - begin].mean()  # an offset is no tone
        _fit(y, start, stop, products, w, ridge)
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
def _fit(y, start, stop, products, w, ridge):  # type: ignore[no-untyped-def]
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
        y = _piece(x, begin, last)
        y -= y[: stops[j] - begin].mean()
        _fit(y, order, order + n_fit, products, w, ridge)
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
