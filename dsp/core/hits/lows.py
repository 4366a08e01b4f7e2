"""What a stroke adds under a ring that goes on: the error in foretelling a mic's lows from their own recent past.

A drum that rings is a sum of a few decaying tones, which a short linear recursion foretells almost exactly; a new
stroke is what it does not foretell.  So a soft stroke shows even where it hardly raises the energy, as in a roll, and
cymbals, which have little down there, do not hide it.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["N_LOWS", "LowBand", "greatest_near", "innovations", "low_rate", "of_own_shape", "ranges", "unit"]

LEAST_RATE_HZ = 2400.0
"""Least rate at which the lows are kept.  This and the next five: tuned on made takes."""
CUTOFFS_HZ = (350.0, 1000.0)
"""Upper ends of the two ranges that are looked at: the lowest tones of any tom, and with them the rest of its body."""
ORDERS = (10, 16)
"""Coefficients of the recursion in each range; two foretell one decaying tone."""
FIT_MS, GAP_MS = 28.0, 1.5
"""The recursion is fitted to so much of the past, ending so long before the moment."""
LEAD_MS, ERROR_MS = 0.5, 6.0
"""Its error counts from so long before the moment on, for so long."""
SHAPE_LEAD_MS, SHAPE_SLACK_MS = 1.0, 2.5
"""The shape of a stroke begins so long before the moment, and may lie so much earlier or later."""
RIDGE = 1e-4
"""Added to the diagonal of the normal equations, re its mean."""
N_LOWS = len(CUTOFFS_HZ)
"""Number of ranges."""
TINY = 1e-30
"""Keeps the equations solvable in silence."""
AT_ONCE = 65_536
"""Samples of the lowest range worked out at a time."""
THIRD = 3
"""The lower range keeps every third sample."""
CYCLES = 8.0 / 4.8
"""Half the length of a low-pass in periods of its cutoff."""
LOUD, LOUD_RANGE, LOUD_MIN = 3, 0.01, 8
"""A mic's unit is the third strongest error, or the strongest where fewer than 8 lie within 20 dB of it."""


def low_rate(sr: int) -> float:
    """Give the rate at which the lows are kept.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    rate : float
        Hz: `sr` divided by a whole number.
    """
    return sr / _every(sr)


def _every(sr: int) -> int:
    return max(int(sr / LEAST_RATE_HZ), 1)


def _low_pass(cutoff: float) -> NDArray[np.float64]:
    """Windowed sinc (Hamming) with a gain of 1 at 0 Hz; `cutoff` in cycles per sample.

    Method: A. V. Oppenheim, R. W. Schafer, "Discrete-Time Signal Processing", section on design by windowing.
    """
    half = max(round(CYCLES / cutoff), 1)
    n = np.arange(-half, half + 1)
    taps = np.sinc(2.0 * cutoff * n) * (0.54 + 0.46 * np.cos(np.pi * n / (half + 1)))
    return np.asarray(taps / taps.sum())


@dataclass(frozen=True)
class _State:
    """`kept` is what the next row still needs, from where its low-pass starts; `heard` samples, `given` rows."""

    kept: NDArray[np.float64]
    taps: NDArray[np.float64]
    every: int
    heard: int = 0
    given: int = 0


class LowBand:
    """Streaming low-pass that keeps a sample for every few: what lies under 1 kHz, shape (n, 1).

    Row k is the low-passed signal at sample k·q, q = ⌊sr/2400⌋; before the first and after the last sample is silence.

    Notes
    -----
    Every row is one sum over the low-pass's taps in fixed order, so the cutting of the audio changes no bit.
    """

    roles: ClassVar[frozenset[str]] = frozenset({"kick", "tom"})

    def shape(self, sr: int, n_samples: int) -> tuple[int, int]:
        """Give (n_rows, 1) for a track of this length."""
        return -(-n_samples // _every(sr)), 1

    def start(self, sr: int) -> _State:
        """State before the first block: silence."""
        taps = _low_pass(CUTOFFS_HZ[-1] / sr)
        return _State(np.zeros(len(taps) // 2), taps, _every(sr))

    def push(self, x: NDArray[Any], state: _State) -> tuple[NDArray[np.float32], _State]:
        """Filter one block.

        Parameters
        ----------
        x : ndarray, shape (n,)
            Audio; zero samples are allowed.
        state : _State
            From `start` or the block before; not changed.

        Returns
        -------
        rows : ndarray, shape (n_rows, 1), float32
            The rows that are settled now.
        state : _State
        """
        there = np.concatenate([state.kept, x])
        n = max((len(there) - len(state.taps)) // state.every + 1, 0)
        rows = _every_few(there, state.taps, state.every, n).astype(np.float32)
        new = dataclasses.replace(
            state, kept=there[n * state.every :], heard=state.heard + len(x), given=state.given + n
        )
        return rows[:, None], new

    def finish(self, state: _State) -> NDArray[np.float32]:
        """Give the rows that remain, as if silence followed."""
        n = -(-state.heard // state.every) - state.given
        there = np.concatenate([state.kept, np.zeros(len(state.taps) + n * state.every)])
        return np.asarray(_every_few(there, state.taps, state.every, n), np.float32)[:, None]


def innovations(
    low: NDArray[np.float32], rate: float, times_s: NDArray[np.float64]
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

    Returns
    -------
    after, before : ndarray, shape (n_moments, 2), float32
        Mean square of the error of foretelling each sample from those before it, from each moment on and in the past
        to which the recursion was fitted; in the lowest range and in all.  0 where there is not enough past.

    Notes
    -----
    Linear prediction by the covariance method: J. Makhoul, "Linear prediction: a tutorial review", Proceedings of the
    IEEE 63(4), 1975.  Its error as the sign of an onset: J. P. Bello et al., "A tutorial on onset detection in music
    signals", IEEE Trans. Speech and Audio Processing 13(5), 2005.
    """
    found = np.empty((2, len(times_s), N_LOWS))
    for k, (order, (x, hz)) in enumerate(zip(ORDERS, ranges(low, rate), strict=True)):
        fit, gap, lead, error = (max(round(v * hz / 1000.0), 1) for v in (FIT_MS, GAP_MS, LEAD_MS, ERROR_MS))
        at = np.round(np.asarray(times_s) * hz).astype(np.int64)
        found[:, :, k] = _innovations(x, at - gap, fit, at - lead, error, order, RIDGE)
    return found[0].astype(np.float32), found[1].astype(np.float32)


def ranges(low: NDArray[np.float32], rate: float) -> tuple[tuple[NDArray[np.floating], float], ...]:
    """Give the lowest range and all of a mic's lows, each with its rate in Hz.

    Parameters
    ----------
    low : ndarray, shape (n,)
        From `LowBand`.
    rate : float
        Its rate in Hz.

    Returns
    -------
    ranges : tuple of (ndarray, float)
    """
    return (_lowest(low, rate), rate / THIRD), (low, rate)


def of_own_shape(
    x: NDArray[np.floating],
    rate: float,
    times_s: NDArray[np.float64],
    others: NDArray[np.float64],
    near: NDArray[np.bool_],
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
    near : ndarray of bool, shape (n_moments, n_others)
        Which of them may have been struck at each moment.
    own : ndarray, shape (n_own, length)
        How the drum's own do.
    which : ndarray of int64, shape (n_moments,)
        The row of `own` that each moment is compared to.
    k : int
        Which of the ranges.

    Returns
    -------
    share : ndarray, shape (n_moments,), float32
        Correlation, 0 to 1, with the drum's own shape once the other that fits best is taken away.  0 where there is
        not enough past.

    Notes
    -----
    Shapes and sound pass the same recursion, which makes the ring before white: the matched filter for noise that is
    not white.  G. L. Turin, "An introduction to matched filters", IRE Trans. Information Theory 6(3), 1960.
    """
    fit, gap, lead, slack = (max(round(v * rate / 1000.0), 1) for v in (FIT_MS, GAP_MS, SHAPE_LEAD_MS, SHAPE_SLACK_MS))
    at = np.round(np.asarray(times_s) * rate).astype(np.int64)
    found = _of_own_shape(x, at - gap, fit, at - lead - slack, slack, others, near, own, which, ORDERS[k], RIDGE)
    return np.asarray(found, np.float32)


def _lowest(low: NDArray[np.float32], rate: float) -> NDArray[np.float64]:
    """The lowest range at a third of the rate, worked out some at a time."""
    taps = _low_pass(CUTOFFS_HZ[0] / rate)
    half, n = len(taps) // 2, -(-len(low) // THIRD)
    out = np.empty(n)
    for a in range(0, n, AT_ONCE):
        b = min(a + AT_ONCE, n)
        first, stop = a * THIRD - half, b * THIRD - half + len(taps)
        there = np.zeros(stop - first)
        inside = low[max(first, 0) : stop]
        there[max(-first, 0) : max(-first, 0) + len(inside)] = inside
        out[a:b] = _every_few(there, taps, THIRD, b - a)
    return out


def unit(errors: NDArray[np.float32]) -> NDArray[np.float32]:
    """Give the innovation of a mic's loud hits, to which all others are compared.

    Parameters
    ----------
    errors : ndarray, shape (n, 2)
        `after` of `innovations` at all candidates of the mic.

    Returns
    -------
    units : ndarray, shape (2,), float32
        1 where there is nothing.
    """
    units = np.ones(N_LOWS, np.float32)
    for k in range(N_LOWS):
        strongest = np.sort(errors[:, k])[::-1]
        if len(strongest) and strongest[0] > 0:
            near = int(np.count_nonzero(strongest > LOUD_RANGE * strongest[0]))
            units[k] = strongest[LOUD - 1 if near >= LOUD_MIN else 0]
    return units


def greatest_near(
    frames: NDArray[np.int64], values: NDArray[np.float32], at: NDArray[np.int64], reach: int
) -> NDArray[np.float32]:
    """Give the greatest values near given frames.

    Parameters
    ----------
    frames : ndarray of int64, shape (n,)
        Increasing.
    values : ndarray, shape (n, 2)
        At those frames.
    at : ndarray of int64, shape (n_places,)
    reach : int
        Frames on either side.

    Returns
    -------
    greatest : ndarray, shape (n_places, 2), float32
        0 where there are none.
    """
    first, stop = np.searchsorted(frames, at - reach), np.searchsorted(frames, at + reach, side="right")
    return _greatest(np.ascontiguousarray(values, np.float32), first, stop)  # type: ignore[no-any-return]


@njit(nogil=True, cache=True)
def _greatest(values, first, stop):  # type: ignore[no-untyped-def]
    out = np.zeros((len(first), values.shape[1]), np.float32)
    for j in range(len(first)):
        for i in range(first[j], stop[j]):
            for k in range(values.shape[1]):
                out[j, k] = max(out[j, k], values[i, k])
    return out


@njit(nogil=True, cache=True)
def _every_few(x, taps, every, n):  # type: ignore[no-untyped-def]
    out = np.empty(n)
    for k in range(n):
        total = 0.0
        for i in range(len(taps)):
            total += taps[i] * x[k * every + i]
        out[k] = total
    return out


@njit(nogil=True, cache=True)
def _innovations(x, stops, n_fit, firsts, n_error, order, ridge):  # type: ignore[no-untyped-def]
    found = np.zeros((2, len(stops)))
    products = np.empty((order + 1, order + 1))
    w = np.empty(order)
    for j in range(len(stops)):
        begin, last = stops[j] - n_fit - order, firsts[j] + n_error
        if begin < 0 or last > len(x):
            continue
        start, stop, first = order, order + n_fit, firsts[j] - begin
        y = x[begin:last].astype(np.float64)
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
def _of_own_shape(x, stops, n_fit, firsts, slack, others, near, own, which, order, ridge):  # type: ignore[no-untyped-def]
    length, n_lags = own.shape[1], 2 * slack + 1
    found = np.zeros(len(stops))
    products = np.empty((order + 1, order + 1))
    w, error = np.empty(order), np.empty(length + 2 * slack)
    shape, best_shape = np.empty(length), np.empty(length)
    for j in range(len(stops)):
        begin, last = stops[j] - n_fit - order, firsts[j] + length + 2 * slack
        if begin < 0 or last > len(x) or which[j] < 0:
            continue
        y = x[begin:last].astype(np.float64)
        y -= y[: stops[j] - begin].mean()
        _fit(y, order, order + n_fit, products, w, ridge)
        first = firsts[j] - begin
        for i in range(len(error)):
            error[i] = y[first + i]
            for p in range(order):
                error[i] -= w[p] * y[first + i - 1 - p]
        best, best_lag = 0.0, 0
        for k in range(len(others)):
            if not near[j, k]:
                continue
            _through(others[k], w, shape)
            c, lag = _fits(error, shape, n_lags)
            if c > best:
                best, best_lag = c, lag
                best_shape[:] = shape
        _through(own[which[j]], w, shape)
        _, lag = _fits(error, shape, n_lags)
        energy = TINY
        for i in range(length):
            energy += error[lag + i] * error[lag + i]
        if best > 0.0:
            for i in range(length):
                error[best_lag + i] -= best * best_shape[i]
        c, _ = _fits(error, shape, n_lags)
        found[j] = min(c / np.sqrt(energy), 1.0)
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
def _fits(error, shape, n_lags):  # type: ignore[no-untyped-def]
    """Greatest positive correlation of the shape with the error, and its lag (the middle one if there is none)."""
    best, best_lag = 0.0, n_lags // 2
    for lag in range(n_lags):
        total = 0.0
        for i in range(len(shape)):
            total += error[lag + i] * shape[i]
        if total > best:
            best, best_lag = total, lag
    return best, best_lag


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
