"""Whether two tracks are the same signal: a copied file, a channel recorded twice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

__all__ = ["alike", "same_signal", "suspects", "unlike"]

ALIKE_DB = 1.0
"""Loud frames of a copy differ from the original by a constant, give or take this (tuned on made takes)."""

LOUD_DB = 35.0
"""Frames this far under the loudest are not compared."""

FEWEST_LOUD, MOST_LOUD = 20, 1500
"""With fewer loud frames nothing is said; more are thinned out evenly."""

MOST_LAG = 5
"""Frames by which a copy may be late."""

SAME_SHARE = 0.985
"""Coherence from which a band holds the same signal; two mics at one drum stay under 0.95 in most bands."""

BANDS_SAME = 0.6
"""Share of the bands above the noise in which that must be so: copies with noise of their own have 0.86 and more, two
mics of one drum under 0.05 (measured)."""

FLAT_DB = 2.0
"""Eight in ten of these bands differ in level by no more than this in a copy (0.2 dB); two mics at one drum in a dead
room can be as coherent, but colour it by 5 to 7 dB (measured)."""

SEGMENT = 2048

UNLIKE_FRAMES, UNLIKE_LOUD_DB = 5, 30.0
UNLIKE_DB, UNLIKE_COLOUR_DB, UNLIKE_SUM, UNLIKE_LEAST = 20.0, 6.5, 2.2, 1.0
"""The difference of two overheads ranges over up to 19 dB, their colours over up to 8 dB, and where one is large the
other is not: in these units their sum is 1.9 at most, and mostly 2.5 and more with a drum's own mic beside an overhead
(260 and 14 made takes); a drum's mic that hears all the kit comes to 1.8 and is not told."""


def alike(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Compare the levels of two tracks frame by frame.

    Parameters
    ----------
    a, b : ndarray, shape (n_frames,)
        Power of each frame.

    Returns
    -------
    spread_db : float
        Median deviation of the level difference from its middle in loud frames, at the best of a few lags; infinity
        where nothing is loud.
    """
    return _alike(*(_loud(x) for x in (a, b)))


_Loud = tuple[NDArray[np.float64], NDArray[np.bool_]]


def _loud(power: NDArray[np.float64]) -> _Loud:
    """Level of every frame in dB, and which are loud."""
    level = 10.0 * np.log10(np.asarray(power, np.float64) + 1e-20)
    return level, level > level.max(initial=-200.0) - LOUD_DB if np.any(power) else np.zeros(len(level), bool)


def _alike(a: _Loud, b: _Loud) -> float:
    best = float("inf")
    n = len(a[0])
    if n <= MOST_LAG or not (a[1].any() and b[1].any()):
        return best
    for lag in range(-MOST_LAG, MOST_LAG + 1):
        at, to = slice(max(lag, 0), n + min(lag, 0)), slice(max(-lag, 0), n + min(-lag, 0))
        loud = np.flatnonzero(a[1][at] | b[1][to])
        if len(loud) < FEWEST_LOUD:
            continue
        loud = loud[:: -(-len(loud) // MOST_LOUD)]
        d = a[0][at][loud] - b[0][to][loud]
        best = min(best, _middle(np.abs(d - _middle(d))))
    return best


def _middle(x: NDArray[np.float64]) -> float:
    """The middle value (the upper one of two)."""
    return float(np.partition(x, len(x) // 2)[len(x) // 2])


def suspects(powers: Mapping[str, NDArray[np.float64]]) -> list[tuple[str, str]]:
    """List the pairs of tracks whose levels go up and down as those of copies do.

    Parameters
    ----------
    powers : mapping of track to ndarray, shape (n_frames,)

    Returns
    -------
    pairs : list of (str, str)
        In the order of the mapping.
    """
    names = list(powers)
    levels = {name: _loud(p) for name, p in powers.items()}
    return [(a, b) for i, a in enumerate(names) for b in names[i + 1 :] if _alike(levels[a], levels[b]) <= ALIKE_DB]


def same_signal(x: NDArray[Any], y: NDArray[Any]) -> tuple[bool, float]:
    """Tell whether two tracks hold the same signal, whatever its gain, polarity or delay.

    Parameters
    ----------
    x, y : ndarray, shape (n_samples,) or (n_pieces, n_samples)
        The same stretch of both, at least 8192 samples; or several such pieces.

    Returns
    -------
    same : bool
        Whether their coherence is over 0.985 in most bands that stand out of the noise, and their colour is the same.
    share : float
        Share of the bands.

    Notes
    -----
    Coherence sees through gain, polarity and filters; a delay is taken out first by the peak of the correlation.  Two
    mics at the same drum differ by reflections and by where they look: their coherence falls with frequency, and where
    it does not, in a dead room, their colours differ.

    References
    ----------
    Carter, "Coherence and time delay estimation", Proc. IEEE 75(2), 1987.
    """
    x, y = (np.atleast_2d(np.asarray(v, np.float64)) for v in (x, y))
    x, y = (v - v.mean(axis=1, keepdims=True) for v in (x, y))
    n = min(x.shape[1], y.shape[1])
    if n < 4 * SEGMENT or not x.any() or not y.any():
        return False, 0.0
    size = fft.next_fast_len(2 * n - 1, real=True)
    r = fft.irfft(np.sum(fft.rfft(x[:, :n], size) * np.conj(fft.rfft(y[:, :n], size)), axis=0), size)
    lag = int(np.argmax(np.abs(r)))
    lag = lag - size if lag > size // 2 else lag
    a, b = (x[:, lag:n], y[:, : n - lag]) if lag >= 0 else (x[:, : n + lag], y[:, -lag:n])
    if a.shape[1] < 2 * SEGMENT:
        return False, 0.0
    power_a, power_b, both = _coherence(a, b)
    # the least tenth of the spectrum is noise of each track's own; 25 dB over it the noise costs 0.6 % at most
    out = (power_a > 316.0 * np.quantile(power_a, 0.1)) | (power_a > 1e-4 * power_a.max())
    out &= (power_b > 316.0 * np.quantile(power_b, 0.1)) | (power_b > 1e-4 * power_b.max())
    out[:4] = False
    if out.sum() < 8:
        return False, 0.0
    share = float(np.mean(both[out] >= SAME_SHARE))
    low, high = np.quantile(10.0 * np.log10(power_a[out] / power_b[out]), (0.1, 0.9))
    return bool(share >= BANDS_SAME and high - low <= FLAT_DB), share


def unlike(a: NDArray[Any], b: NDArray[Any], table_a: NDArray[np.float64], table_b: NDArray[np.float64]) -> bool:
    """Tell whether the two channels of a pair are mics of quite different places.

    Parameters
    ----------
    a, b : ndarray, shape (n_frames,)
        Power of each frame.
    table_a, table_b : ndarray, shape (n_bands,)
        Mean power in each band.

    Returns
    -------
    unlike : bool
        Whether the level difference of loud stretches of 50 ms comes and goes, by some 20 dB, and their colours are
        apart.
    """
    smooth = np.ones(UNLIKE_FRAMES) / UNLIKE_FRAMES
    n = min(len(a), len(b))
    a, b = a[:n], b[:n]
    if n < UNLIKE_FRAMES or not (np.any(a) and np.any(b)):
        return False
    x, y = (10.0 * np.log10(np.convolve(np.asarray(v, np.float64), smooth, "same") + 1e-12) for v in (a, b))
    loud = (x > x.max() - UNLIKE_LOUD_DB) | (y > y.max() - UNLIKE_LOUD_DB)
    low, high = np.quantile((x - y)[loud], (0.05, 0.95))
    colour = 10.0 * np.log10((table_a + 1e-14) / (table_b + 1e-14))
    span = (high - low) / UNLIKE_DB
    # known: rumble in one of a pair colours it and fills its pauses, and then both conditions can hold
    return bool(span > UNLIKE_LEAST and span + np.ptp(colour) / UNLIKE_COLOUR_DB > UNLIKE_SUM)


def _coherence(
    a: NDArray[np.float64], b: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Power spectra and magnitude-squared coherence (Welch, half overlapping Hann segments)."""
    at = np.arange(0, a.shape[1] - SEGMENT + 1, SEGMENT // 2)[:, None] + np.arange(SEGMENT)
    window = np.hanning(SEGMENT)
    x, y = (fft.rfft(v[:, at].reshape(-1, SEGMENT) * window) for v in (a, b))
    xx, yy = np.mean(np.abs(x) ** 2, axis=0), np.mean(np.abs(y) ** 2, axis=0)
    xy = np.abs(np.mean(x * np.conj(y), axis=0)) ** 2
    return xx, yy, np.asarray(xy / np.maximum(xx * yy, 1e-60), np.float64)
