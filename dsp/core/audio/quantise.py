"""Rounding to integer sample formats with triangular dither.

Non-subtractive dither with a triangular density two steps wide makes mean and variance of the total error independent
of the signal: 0 and Δ²/4 (S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization and dither: a theoretical
survey", JAES 40(5), 1992).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Overs", "dither_key", "quantise"]

_GAMMA = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
"""Weyl increment and multipliers of the SplitMix64 generator (G. L. Steele, D. Lea and C. H. Flood, "Fast splittable
pseudorandom number generators", OOPSLA 2014; its output n is a mix of seed + n × increment, which makes it a generator
that can be asked for any n)."""


@dataclass(frozen=True)
class Overs:
    """Samples that were beyond full scale and had to be clipped.

    Attributes
    ----------
    count : int
    first : int
        Absolute number of the first one; −1 if there is none.
    peak : float
        Largest of them, 1.0 = full scale; 0 if there is none.
    """

    count: int = 0
    first: int = -1
    peak: float = 0.0

    def __add__(self, other: Overs) -> Overs:
        """Join the records of two blocks."""
        firsts = [f for f in (self.first, other.first) if f >= 0]
        return Overs(self.count + other.count, min(firsts, default=-1), max(self.peak, other.peak))


def dither_key(name: str) -> int:
    """Turn the id of a track into the key of its dither.

    Parameters
    ----------
    name : str

    Returns
    -------
    key : int
        64 bits, the same on every machine.
    """
    return int.from_bytes(hashlib.blake2b(name.encode(), digest_size=8).digest(), "little")


def quantise(x: NDArray[np.float64], bits: int, key: int, start: int) -> tuple[NDArray[np.int32], Overs]:
    """Round to integers of some bits, with dither where the samples are not integers already.

    Parameters
    ----------
    x : ndarray, shape (n,), float64
        Finite; 1.0 is full scale.
    bits : int
        8 to 32.
    key : int
        Key of the dither, see `dither_key`.
    start : int
        Absolute number of the first sample; the dither of a sample depends on `key` and its number only.

    Returns
    -------
    y : ndarray, shape (n,), int32
        ``-2**(bits-1)`` … ``2**(bits-1) - 1``.  Samples that lie on that grid pass as they are, without dither: spans
        that nobody changed, and exact zeros, come out bit for bit.
    overs : Overs
        Samples whose value before dither was beyond that range by half a step or more; they are clipped.
    """
    y = np.empty(len(x), np.int32)
    count, first, peak = _quantise(x, float(2 ** (bits - 1)), np.uint64(key), np.int64(start), y)
    return y, Overs(int(count), int(first), float(peak))


@njit(nogil=True, cache=True)
def _quantise(x, scale, key, start, y):  # type: ignore[no-untyped-def]
    count = 0
    first = np.int64(-1)
    peak = 0.0
    step = 2.0**-32
    for i in range(x.shape[0]):
        v = x[i] * scale
        r = np.rint(v)
        if r != v:
            z = key + (np.uint64(start + i) + np.uint64(1)) * _GAMMA
            z = (z ^ (z >> np.uint64(30))) * _MIX_1
            z = (z ^ (z >> np.uint64(27))) * _MIX_2
            z = z ^ (z >> np.uint64(31))
            # two even densities of one step each, from either half of the word: mean exactly 0
            high = (np.float64(z >> np.uint64(32)) + 0.5) * step
            low = (np.float64(z & np.uint64(0xFFFFFFFF)) + 0.5) * step
            r = np.floor(v + (high + low - 1.0) + 0.5)
        if r > scale - 1.0 or r < -scale:
            # dither alone may carry a sample one step over: that is no overload of the signal
            if v >= scale - 0.5 or v < -scale - 0.5:
                if count == 0:
                    first = start + i
                count += 1
                peak = max(peak, abs(x[i]))
            r = scale - 1.0 if r > 0.0 else -scale
        y[i] = np.int32(np.int64(r))
    return count, first, peak
