"""What lies under 1 kHz in a drum's mic, kept at a rate of its own: the lowest tones of a drum and its body."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["N_LOWS", "LowBand", "greatest_near", "low_rate", "range_of", "ranges", "unit"]

LEAST_RATE_HZ = 2400.0
"""Least rate at which the lows are kept.  This and the next: tuned on made takes."""
CUTOFFS_HZ = (350.0, 1000.0)
"""Upper ends of the two ranges that are looked at: the lowest tones of any tom, and with them the rest of its body."""
N_LOWS = len(CUTOFFS_HZ)
"""Number of ranges."""
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
    return range_of(low, rate, 0), range_of(low, rate, 1)


def range_of(low: NDArray[np.float32], rate: float, k: int) -> tuple[NDArray[np.floating], float]:
    """Give one of the `ranges`.

    Parameters
    ----------
    low : ndarray, shape (n,)
    rate : float
        Hz.
    k : int
        0 is the lowest, 1 all of the lows.

    Returns
    -------
    low : ndarray
    rate : float
        Hz.
    """
    return (low, rate) if k else (_lowest(low, rate), rate / THIRD)


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
