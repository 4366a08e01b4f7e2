"""Whether two tracks are the same signal: a copied file, a channel recorded twice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["alike", "same_signal", "suspects"]

ALIKE_DB = 1.0
"""Loud frames of a copy differ from the original by a constant, give or take this (tuned on made takes)."""

LOUD_DB = 35.0
"""Frames this far under the loudest are not compared."""

MOST_LAG = 5
"""Frames by which a copy may be late."""

SAME_SHARE = 0.985
"""Coherence from which a band holds the same signal; two mics at one drum stay under 0.95 in most bands."""

BANDS_SAME = 0.6
"""Share of the bands above the noise in which that must be so: copies with noise of their own have 0.86 and more, two
mics of one drum under 0.05 (measured)."""

SEGMENT = 2048


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
    best = float("inf")
    if not (a.any() and b.any()) or len(a) <= MOST_LAG:
        return best
    la, lb = 10.0 * np.log10(a + 1e-20), 10.0 * np.log10(b + 1e-20)
    for lag in range(-MOST_LAG, MOST_LAG + 1):
        x = la[max(lag, 0) : len(la) + min(lag, 0)]
        y = lb[max(-lag, 0) : len(lb) + min(-lag, 0)]
        loud = (x > x.max() - LOUD_DB) | (y > y.max() - LOUD_DB)
        if loud.sum() < 20:
            continue
        d = (x - y)[loud]
        best = min(best, float(np.median(np.abs(d - np.median(d)))))
    return best


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
    return [(a, b) for i, a in enumerate(names) for b in names[i + 1 :] if alike(powers[a], powers[b]) <= ALIKE_DB]


def same_signal(x: NDArray[Any], y: NDArray[Any]) -> tuple[bool, float]:
    """Tell whether two tracks hold the same signal, whatever its gain, polarity or delay.

    Parameters
    ----------
    x, y : ndarray, shape (n_samples,)
        The same stretch of both, at least some 0.1 s.

    Returns
    -------
    same : bool
        Whether their coherence is over 0.985 in most bands that stand out of the noise.
    share : float
        Share of the bands.

    Notes
    -----
    Coherence sees through gain, polarity and filters; a delay is taken out first by the peak of the correlation.  Two
    mics at the same drum differ by reflections and by where they look: their coherence falls with frequency.

    References
    ----------
    Carter, "Coherence and time delay estimation", Proc. IEEE 75(2), 1987.
    """
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    x, y = x - x.mean(), y - y.mean()
    n = min(len(x), len(y))
    if n < 4 * SEGMENT or not x.any() or not y.any():
        return False, 0.0
    size = 1 << (2 * n - 1).bit_length()
    r = np.fft.irfft(np.fft.rfft(x[:n], size) * np.conj(np.fft.rfft(y[:n], size)), size)
    lag = int(np.argmax(np.abs(r)))
    lag = lag - size if lag > size // 2 else lag
    a, b = (x[lag:n], y[: n - lag]) if lag >= 0 else (x[: n + lag], y[-lag:n])
    if len(a) < 4 * SEGMENT:
        return False, 0.0
    power_a, power_b, both = _coherence(a, b)
    # the least tenth of the spectrum is noise of each track's own; 25 dB over it the noise costs 0.6 % at most
    out = (power_a > 316.0 * np.quantile(power_a, 0.1)) | (power_a > 1e-4 * power_a.max())
    out &= (power_b > 316.0 * np.quantile(power_b, 0.1)) | (power_b > 1e-4 * power_b.max())
    out[:4] = False
    if out.sum() < 8:
        return False, 0.0
    share = float(np.mean(both[out] >= SAME_SHARE))
    return share >= BANDS_SAME, share


def _coherence(
    a: NDArray[np.float64], b: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Power spectra and magnitude-squared coherence (Welch, half overlapping Hann segments)."""
    at = np.arange(0, len(a) - SEGMENT + 1, SEGMENT // 2)[:, None] + np.arange(SEGMENT)
    window = np.hanning(SEGMENT)
    x, y = np.fft.rfft(a[at] * window), np.fft.rfft(b[at] * window)
    xx, yy = np.mean(np.abs(x) ** 2, axis=0), np.mean(np.abs(y) ** 2, axis=0)
    xy = np.abs(np.mean(x * np.conj(y), axis=0)) ** 2
    return xx, yy, np.asarray(xy / np.maximum(xx * yy, 1e-60), np.float64)
