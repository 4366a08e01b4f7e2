"""By how much later a drum reaches one overhead than the other.

Both overheads hear a drum from afar and much alike, so what plain correlation cannot tell of a close microphone it
tells of them, once the cymbals that ring already are left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from spillgate.dsp.core.timing.arrival import BLUR_S, MOST_HITS, Votes, bounded_vote
from spillgate.dsp.core.timing.hit_pieces import Pieces, best_hits, heard, hit_weights

__all__ = ["join", "pair_votes"]

Floats = NDArray[np.float64]

BANDS_HZ = ((300.0, 3000.0), (200.0, 2000.0))
FARTHEST_S = 0.0045
"""Greatest difference of the ways: 1.5 m."""
LENGTH_S = 0.008
"""Taken after the latest arrival."""
FADE_IN_S, FADE_OUT_S = 0.001, 0.003
WHITENING = 0.5
"""Power of the cross-spectrum's size by which it is divided: 0 plain correlation, 1 phase transform."""
GAIN = 10.0
"""Natural log units for a correlation of 1, per root of a tenth of the number of bins (tuned on recorded hits)."""
SMOOTH_BINS = 9
LOOSE_S = 0.0001
"""The close microphone's lags may disagree with the pair by so much, since sound changes on its way."""
WEIGHT = 0.5
"""Of the pair's votes beside those of each overhead."""


def pair_votes(
    x: Pieces, y: Pieces, y2: Pieces, onset: NDArray[np.int64], rate: float, lag_low: int, lag_high: int
) -> Votes:
    """Let the best hits vote on the difference of their arrivals at two overheads.

    Parameters
    ----------
    x, y, y2 : ndarray, shape (n_hits, n_samples), float64, or Heard
        Pieces of the close microphone and both overheads.
    onset : ndarray of int, shape (n_hits,)
        First sample of each hit in `x`.
    rate : float
        Hz.
    lag_low, lag_high : int
        Range of arrivals at either overhead, samples.

    Returns
    -------
    votes : Votes
        `lags` = arrival at the second minus arrival at the first.

    Notes
    -----
    Correlation with partial whitening; a bin's share of what rang before the hit is taken off (spectral subtraction on
    the cross-spectrum), which keeps a crash from voting for its own place.
    """
    reach = min(round(FARTHEST_S * rate), lag_high - lag_low)
    lags = np.arange(-reach, reach + 1)
    total = np.zeros((2, len(lags)))
    n = lag_high - lag_low + round(LENGTH_S * rate)
    size = 1 << int(np.ceil(np.log2(2 * n)))
    f = np.fft.rfftfreq(size, 1 / rate)
    window = np.ones(n)
    rise, fall = round(FADE_IN_S * rate), round(FADE_OUT_S * rate)
    window[:rise] = np.arange(rise) / rise
    window[n - fall :] = np.arange(fall, 0, -1) / fall
    blur = np.ones(SMOOTH_BINS) / SMOOTH_BINS
    voters = 0
    for low, high in BANDS_HZ:
        xf, a, b = (heard(v).band(low, high, rate) for v in (x, y, y2))
        _, first, _ = hit_weights(xf, a, onset, rate, lag_low, lag_high)
        _, second, _ = hit_weights(xf, b, onset, rate, lag_low, lag_high)
        chosen = best_hits(np.minimum(first, second), MOST_HITS)
        voters = max(voters, len(chosen))
        band = (f > low) & (f < high)
        for k in chosen:
            start = int(onset[k]) + lag_low
            now = [np.fft.rfft(window * _cut(v[k], start, n), size) for v in (a, b)]
            before = [np.fft.rfft(window * _cut(v[k], start - n, n), size) for v in (a, b)]
            keep = np.ones(len(f))
            for hit, rest in zip(now, before, strict=True):
                power = np.convolve(np.abs(hit) ** 2, blur, "same") + 1e-30
                keep *= np.clip(1.0 - np.convolve(np.abs(rest) ** 2, blur, "same") / power, 0.0, 1.0)
            size2 = np.abs(now[0]) * np.abs(now[1]) + 1e-30
            cross = np.where(band, keep * now[1] * now[0].conj() / size2**WHITENING, 0.0)
            full = float(np.where(band, size2 ** (1.0 - WHITENING), 0.0).sum())
            r = np.fft.irfft(cross, size) * (size / (2.0 * full))
            r = np.concatenate([r[size - reach :], r[: reach + 1]])
            gain = GAIN * np.sqrt(band.sum() / 10.0)
            total += bounded_vote(np.stack([r, -r]) * gain, 1.0, BLUR_S * rate)
    total /= len(BANDS_HZ)
    return Votes(lags, total[0], total[1], rate, voters)


def _cut(x: Floats, start: int, n: int) -> Floats:
    """`n` samples from `start` on, zero outside."""
    out = np.zeros(n)
    lo, hi = max(start, 0), min(start + n, len(x))
    if hi > lo:
        out[lo - start : hi - start] = x[lo:hi]
    return out


def join(first: Votes, second: Votes, pair: Votes, sign: int) -> tuple[Votes, Votes]:
    """Let two overheads' votes support one another through the difference of their arrivals.

    Parameters
    ----------
    first, second : Votes
        Of both overheads over the same range of lags.
    pair : Votes
        On the difference.
    sign : int
        Polarity of the second overhead against the first.

    Returns
    -------
    first, second : Votes
        For every lag the greatest sum of votes that any lag of the other overhead allows; index of sign as before.
    """
    rate = first.rate
    loose = 2 * round(LOOSE_S * rate) + 1
    between = maximum_filter1d(pair.plus if sign > 0 else pair.minus, loose)
    worst = float(between.min())
    n = len(first.lags)
    steps = np.arange(n)[None, :] - np.arange(n)[:, None] + int(second.lags[0]) - int(first.lags[0])
    reach = int(pair.lags[-1])
    weight = np.where(np.abs(steps) <= reach, between[np.clip(steps + reach, 0, len(between) - 1)], worst)
    weight = WEIGHT * weight
    out_first, out_second = [], []
    for s in (1, -1):
        a = first.plus if s > 0 else first.minus
        b = second.plus if s * sign > 0 else second.minus
        out_first.append(a + (weight + b[None, :]).max(axis=1))
        out_second.append(b + (weight + a[:, None]).max(axis=0))
    if sign < 0:
        out_second.reverse()
    return (
        Votes(first.lags, out_first[0], out_first[1], rate, first.n_hits),
        Votes(second.lags, out_second[0], out_second[1], rate, second.n_hits),
    )
