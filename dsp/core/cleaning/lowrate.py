"""Lowering and raising the rate of a track without moving anything: bleed is cancelled at the low rate."""

from __future__ import annotations

from functools import cache
from typing import ClassVar

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.cleaning.bandgrid import REFERENCE_SR, BandPowers

__all__ = ["MARGIN", "LowRate", "decimate", "factor_of", "interpolate", "lowpass"]

FACTOR = 8
"""The filters are fitted at an eighth of 44.1 or 48 kHz, a sixteenth of 88.2 or 96: whole samples in a frame's hop."""
PASS = 1.0
"""Edge of the rate-changing low-pass re half the low rate."""
MARGIN = 8
"""Its reach to either side, in samples of the low rate."""
STRETCH = 1024
"""Samples of the low rate worked on at a time; they and their taps' input stay in the cache."""
KAISER = 8.0
"""Its window: 80 dB of rejection; flat to TOP_END_HZ and closed where images of it begin (Kaiser's formulas)."""


def factor_of(sr: int) -> int:
    """Tell by which whole number the rate is lowered.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    factor : int
        8 at 44.1 and 48 kHz, 16 at 88.2 and 96, 32 above.
    """
    return max(int(FACTOR * 2.0 ** np.round(np.log2(sr / REFERENCE_SR))), 1)


def lowpass(factor: int) -> NDArray[np.float64]:
    """Low-pass for lowering and raising the rate.

    Parameters
    ----------
    factor : int

    Returns
    -------
    taps : ndarray, shape (2 · MARGIN · factor + 1,), float64
        Symmetric, unit gain at 0 Hz.
    """
    n = np.arange(-MARGIN * factor, MARGIN * factor + 1)
    h: NDArray[np.float64] = np.sinc(PASS * n / factor) * np.kaiser(len(n), KAISER)
    unit: NDArray[np.float64] = h / h.sum()
    return unit


def decimate(x: NDArray[np.floating], factor: int) -> NDArray[np.float32]:
    """Lower the rate without moving anything.

    Parameters
    ----------
    x : ndarray, shape (n + 2·MARGIN·factor,)
        With so many samples more on either side.
    factor : int

    Returns
    -------
    y : ndarray, shape (⌈n / factor⌉,), float32
        y[k] lies on sample k·factor of the inner part.
    """
    if factor == 1:
        return x[MARGIN : len(x) - MARGIN].astype(np.float32)
    n = -(-(len(x) - 2 * MARGIN * factor) // factor)
    held = np.zeros((n + 2 * MARGIN + 1) * factor, np.float32)
    held[: len(x)] = x
    y: NDArray[np.float32] = _down(np.ascontiguousarray(held.reshape(-1, factor).T), _phases(factor), n)
    return y


class LowRate:
    """Streaming `decimate` of the mics that explain a tom's bleed; one column."""

    roles: ClassVar[frozenset[str]] = BandPowers.roles

    def shape(self, sr: int, n_samples: int) -> tuple[int, int]:
        """(n_low, 1) for a track of this length."""
        return -(-n_samples // factor_of(sr)), 1

    def start(self, sr: int) -> tuple[int, NDArray[np.float32]]:
        """State: the factor, and the samples that the next output's filter begins with; silence at first."""
        factor = factor_of(sr)
        return factor, np.zeros(MARGIN * factor, np.float32)

    def push(
        self, x: NDArray[np.float32], state: tuple[int, NDArray[np.float32]]
    ) -> tuple[NDArray[np.float32], tuple[int, NDArray[np.float32]]]:
        """Rows whose filter lies within what has come so far, and the new state."""
        factor, tail = state
        joined = np.concatenate([tail, np.asarray(x, np.float32)])
        n = max((len(joined) - 2 * MARGIN * factor) // factor, 0)
        rows = decimate(joined[: (n + 2 * MARGIN) * factor], factor) if n else np.empty(0, np.float32)
        return rows[:, None], (factor, joined[n * factor :].copy())

    def finish(self, state: tuple[int, NDArray[np.float32]]) -> NDArray[np.float32]:
        """The rows that remain, as if silence followed."""
        factor, tail = state
        padded = np.concatenate([tail, np.zeros(MARGIN * factor, np.float32)])
        if len(padded) <= 2 * MARGIN * factor:
            return np.empty((0, 1), np.float32)
        return decimate(padded, factor)[:, None]


def interpolate(y: NDArray[np.float32], factor: int, start: int, stop: int) -> NDArray[np.float64]:
    """Raise the rate again, for any stretch of the full-rate timeline.

    Parameters
    ----------
    y : ndarray, shape (n,), float32
        Sample k lies on sample k·factor.
    factor : int
    start, stop : int
        Stretch wanted; y is zero outside what is given.

    Returns
    -------
    x : ndarray, shape (stop - start,), float64
        The same bits however the timeline is cut.
    """
    first, last = start // factor - MARGIN, -(-stop // factor) + MARGIN
    part = np.zeros(last - first)
    a, b = max(first, 0), min(last, len(y))
    if b > a:
        part[a - first : b - first] = y[a:b]
    if factor == 1:
        return part[MARGIN : MARGIN + stop - start]
    phases = _up(part, _phases(factor).astype(np.float64) * factor)
    at = start - (first + MARGIN) * factor
    x: NDArray[np.float64] = phases.T.reshape(-1)[at : at + stop - start]
    return x


@cache
def _phases(factor: int) -> NDArray[np.float32]:
    """The low-pass by phase: row p holds its taps p, p + factor and so on; the very last tap is a zero of the sinc."""
    phases = np.ascontiguousarray(lowpass(factor)[:-1].reshape(-1, factor).T.astype(np.float32))
    phases.setflags(write=False)
    return phases


@njit(nogil=True, cache=True)
def _down(x: NDArray[np.float32], taps: NDArray[np.float32], n: int) -> NDArray[np.float32]:  # pragma: no cover
    """y[k] = Σ taps[p, a] · x[p, k + a]; every sample sums in the same order wherever the stretch begins."""
    y = np.zeros(n, np.float32)
    for first in range(0, n, STRETCH):
        out = y[first : first + STRETCH]
        m = len(out)
        for p in range(taps.shape[0]):
            row = x[p, first:]
            for a in range(0, taps.shape[1], 4):
                c0, c1, c2, c3 = taps[p, a], taps[p, a + 1], taps[p, a + 2], taps[p, a + 3]
                r0, r1, r2, r3 = row[a : a + m], row[a + 1 : a + 1 + m], row[a + 2 : a + 2 + m], row[a + 3 : a + 3 + m]
                for k in range(m):
                    out[k] += (c0 * r0[k] + c1 * r1[k]) + (c2 * r2[k] + c3 * r3[k])
    return y


@njit(nogil=True, cache=True)
def _up(part: NDArray[np.float64], taps: NDArray[np.float64]) -> NDArray[np.float64]:  # pragma: no cover
    """x[p, q] = Σ taps[p, a] · part[q + n_taps − a]."""
    n = taps.shape[1]
    m = len(part) - n
    x = np.zeros((taps.shape[0], m))
    for first in range(0, m, STRETCH):
        stop = min(first + STRETCH, m)
        for p in range(taps.shape[0]):
            out = x[p, first:stop]
            for a in range(0, n, 4):
                c0, c1, c2, c3 = taps[p, a], taps[p, a + 1], taps[p, a + 2], taps[p, a + 3]
                at = first + n - a
                r0, r1 = part[at : at + len(out)], part[at - 1 : at - 1 + len(out)]
                r2, r3 = part[at - 2 : at - 2 + len(out)], part[at - 3 : at - 3 + len(out)]
                for k in range(len(out)):
                    out[k] += (c0 * r0[k] + c1 * r1[k]) + (c2 * r2[k] + c3 * r3[k])
    return x
