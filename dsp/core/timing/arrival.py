"""When a drum's sound arrives at a farther microphone, and with which sign.

The close microphone says what the drum sounds like, the farther one when that arrives.  For every lag and sign the
likelihood of the whole interval is worked out: noise until the arrival, then a copy of the close microphone's attack,
then anything.  Every hit has one bounded vote per lag and sign: it can support a lag by about 5 and oppose it by log 2
at most, so that one coincident crash cannot outvote the others.  Plain correlation fails here: a resonating shell puts
its greatest peak half a period or more away from the arrival, often with the wrong sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from spillgate.dsp.core.timing.hit_pieces import Pieces, best_hits, heard, hit_weights

__all__ = ["COARSE", "FINE", "Setting", "Votes", "arrival_votes", "bounded_vote", "log_likelihood"]

Floats = NDArray[np.float64]

MOST_HITS = 16
"""Hits used per pair of microphones, so that the cost does not grow with the take."""
ENOUGH_HITS = 6
"""With fewer hits that are good from their first sample on, those count too that only their loud part makes good."""
LEAD_S = 0.0001
"""The copy begins this long before the onset."""
AFTER_S = 0.001
"""For so long after the copy only the energy is expected."""
LOCAL_S = 0.0003
"""Half width over which the power of the unknown rest is taken."""
ERROR_SHORT, ERROR_LONG = 0.5, 0.8
"""Error of the copy re its size, for copies up to 2 ms and longer ones (tuned on recorded hits)."""
LONG_S = 0.002
GAIN_CENTRE, GAIN_SPREAD, GAIN_PRICE = 0.8, 0.7, 3.0
"""Likeliest gain re the expected one; a gain e to the spread times that costs the price."""
GAIN_RANGE = (0.15 * GAIN_CENTRE, 4.0 * GAIN_CENTRE)
"""Gain allowed, re the expected one."""
GAIN_GUESSES = (1.0, 0.2, 0.04)
"""Share of the far microphone's loudest 3 ms that is the first arrival (power); the best of the three is used."""
BLUR_S = 0.00003
TEMPERATURE = 6.0
"""Of the softmax at 44.1 kHz, for copies of up to 2 ms."""
TEMPERATURE_RATE_HZ = 44_100.0
APART_S = 0.00015
"""Answers nearer than this are the same answer."""


@dataclass(frozen=True)
class Setting:
    """What votes are averaged over.

    Attributes
    ----------
    bands_hz : tuple of (float, float or None)
        Edges of the bands, Hz; None: no upper edge.
    lengths_s : tuple of float
        Lengths of the copy, s.
    temperature : float or None
        Of the votes; None: by the length of the copy.
    """

    bands_hz: tuple[tuple[float, float | None], ...]
    lengths_s: tuple[float, ...]
    temperature: float | None = None


COARSE = Setting(((300.0, None), (800.0, None), (300.0, 3000.0)), (0.0007, 0.004, 0.010))
"""Short copies know the arrival, long ones the sign; the third band leaves most cymbals out (tuned on recordings)."""
FINE = Setting(((600.0, None), (1000.0, None)), (0.0007, 0.001, 0.0015), 4.0)
"""Treble and short copies only: the arrival's place within ±0.3 ms."""


@dataclass(frozen=True)
class Votes:
    """Sum of the hits' votes for every lag and sign.

    Attributes
    ----------
    lags : ndarray of int, shape (n_lags,)
        Samples at `rate`, ascending, without gaps.
    plus, minus : ndarray, shape (n_lags,)
        Natural log units, for a copy in phase and in opposite phase.
    rate : float
        Hz.
    n_hits : int
        Hits that voted.
    """

    lags: NDArray[np.int64]
    plus: Floats
    minus: Floats
    rate: float
    n_hits: int

    def best(self, sign: int = 0) -> tuple[int, int, float]:
        """Give the best lag, its sign and its lead over any answer elsewhere or of the other sign.

        Parameters
        ----------
        sign : int
            1 or −1: only lags of that sign compete for the answer; 0: both.

        Returns
        -------
        lag, sign : int
            Lag in samples at `rate`.
        margin : float
            Lead over the best answer farther than 0.15 ms or of the other sign; negative if another one is better.
        """
        both = np.stack([self.plus, self.minus])
        row = {0: None, 1: 0, -1: 1}[sign]
        if row is None:
            row = int(both.max(axis=1).argmax())
        k = int(both[row].argmax())
        rest = both.copy()
        near = round(APART_S * self.rate)
        rest[row, max(k - near, 0) : k + near + 1] = -np.inf
        other = float(rest.max())
        margin = float(both[row, k]) - other if np.isfinite(other) else 0.0
        return int(self.lags[k]), 1 - 2 * row, margin


@njit(nogil=True, cache=True)
def _dot(y: Floats, x: Floats) -> float:
    # four sums side by side in a fixed order: twice as fast as one, and the same bits every time
    a = b = c = d = 0.0
    n = len(x)
    whole = n - n % 4
    for k in range(0, whole, 4):
        a += y[k] * x[k]
        b += y[k + 1] * x[k + 1]
        c += y[k + 2] * x[k + 2]
        d += y[k + 3] * x[k + 3]
    for k in range(whole, n):
        a += y[k] * x[k]
    return float((a + b) + (c + d))


@njit(nogil=True, cache=True)
def _sum_log(factors: Floats) -> float:
    """Sum of the logs of factors ≥ 1, of which nearly none is taken: factors are multiplied first, and overwritten.

    Halves are laid upon each other, which the compiler does for several at once without changing any order.  Sixteen
    factors of up to 1e12 (full scale over the noise of 24 bits) stay far from the largest number.
    """
    n = len(factors)
    for _ in range(4):
        half = n // 2
        low, high = factors[:half], factors[n - half : n]
        for k in range(half):
            low[k] *= high[k]
        n -= half
    total, product = 0.0, 1.0
    for k in range(n):
        product *= factors[k]
        if product > 1e100:
            total += np.log(product)
            product = 1.0
    return float(total + np.log(product))


@njit(nogil=True, cache=True)
def _log_likelihood(
    x: Floats,
    y: Floats,
    onset: int,
    lag_low: int,
    lag_high: int,
    lengths: NDArray[np.int64],
    errors: Floats,
    lead: int,
    after: int,
    local: int,
    noise: float,
    expected: Floats,
    low: float,
    high: float,
    out: Floats,
) -> None:
    n_lags = lag_high - lag_low + 1
    start = onset - lead + lag_low
    longest = lengths[-1]
    stop = min(onset + lag_high + longest + after, len(y))
    n = stop - start
    # running sums: cost as noise (Student t, 4 degrees of freedom) and as anything with its own local power
    as_noise = np.zeros(n + 1)
    as_rest = np.zeros(n + 1)
    square = np.zeros(n + 2 * local + 2)
    for k in range(-local, n + local + 1):
        i = start + k
        v = y[i] * y[i] if 0 <= i < len(y) else 0.0
        square[k + local + 1] = square[k + local] + v
    work = np.empty(max(longest, after))
    half_log_noise = 0.5 * np.log(noise)
    for k in range(n):
        e2 = y[start + k] * y[start + k]
        as_noise[k + 1] = as_noise[k] - half_log_noise - 2.5 * np.log(1.0 + e2 / (4.0 * noise))
        power = (square[k + 2 * local + 1] - square[k]) / (2 * local + 1)
        v = max(power, noise)
        as_rest[k + 1] = as_rest[k] - 0.5 * np.log(v) - 2.5 * np.log(1.0 + e2 / (4.0 * v))
    x0 = onset - lead
    for w in range(len(lengths)):
        length = lengths[w]
        copy = x[x0 : x0 + length]
        xx = _dot(copy, copy) + 1e-30
        template = xx / length
        tail = 0.0
        m = min(after, length) // 2 + 1
        for k in range(m):
            tail += copy[length - 1 - k] ** 2
        tail /= m
        end = min(n, n_lags - 1 + length + after)
        for d in range(n_lags):
            there = y[start + d : start + d + length]
            yx = _dot(there, copy)
            for s in range(2):
                sign = 1.0 - 2.0 * s
                free = sign * yx / xx
                last = -1.0
                fit = 0.0
                for h in range(len(expected)):
                    g = min(max(free, low * expected[h]), high * expected[h])
                    if free < g:
                        # weaker than any arrival or of the other sign: no copy at all, which running sums tell
                        b = min(d + length + after, n)
                        off = np.log(low / GAIN_CENTRE) / GAIN_SPREAD
                        out[h, w, s, d] = as_noise[b] + as_rest[end] - as_rest[min(b, end)] - GAIN_PRICE * off * off
                        continue
                    if g != last:
                        v = noise + errors[w] * errors[w] * g * g * template
                        gain, scale = sign * g, 1.0 / (4.0 * v)
                        factors = work[:length]
                        for k in range(length):
                            e = there[k] - gain * copy[k]
                            factors[k] = 1.0 + e * e * scale
                        total = _sum_log(factors)
                        fit = -0.5 * length * np.log(v) - 2.5 * total
                        # the next ms: power only (Student t, 2 degrees of freedom)
                        v3 = noise + g * g * tail
                        b = min(d + length + after, n)
                        rest, scale = y[start + d + length : start + b], 1.0 / (2.0 * v3)
                        factors = work[: len(rest)]
                        for k in range(len(rest)):
                            factors[k] = 1.0 + rest[k] * rest[k] * scale
                        total = _sum_log(factors)
                        fit += -0.5 * (b - d - length) * np.log(v3) - 1.5 * total
                        fit += as_noise[d] + as_rest[end] - as_rest[min(b, end)]
                        last = g
                    off = np.log(g / (GAIN_CENTRE * expected[h])) / GAIN_SPREAD
                    out[h, w, s, d] = fit - GAIN_PRICE * off * off


def log_likelihood(
    x: Floats,
    y: Floats,
    onset: int,
    rate: float,
    lag_low: int,
    lag_high: int,
    lengths_s: tuple[float, ...],
    noise: float,
    expected: Floats,
) -> Floats:
    """Give the log likelihood of every arrival of one hit.

    Parameters
    ----------
    x, y : ndarray, shape (n_samples,), float64
        High-passed pieces of the close and the far microphone; zero beyond their ends.
    onset : int
        First sample of the hit in `x`.
    rate : float
        Hz.
    lag_low, lag_high : int
        Lags compared, both included; samples.
    lengths_s : tuple of float
        Lengths of the copy, ascending.
    noise : float
        Mean square of `y` without the hit.
    expected : ndarray, shape (n_guesses,)
        Gains from `x` to `y` to be expected.

    Returns
    -------
    fit : ndarray, shape (n_guesses, n_lengths, 2, n_lags)
        Natural log; index 0 of the third axis is the copy in phase.
    """
    lengths = np.array([max(round(v * rate), 4) for v in lengths_s], np.int64)
    lead = max(round(LEAD_S * rate), 1)
    last = onset - lead + int(lengths[-1])
    before = max(lead - onset - min(lag_low, 0), 0)
    behind = max(last - len(x), 0), max(last + lag_high - len(y), 0)
    if before or any(behind):  # the compiled loops look at nothing but samples
        x, y = (np.pad(v, (before, n)) for v, n in zip((x, y), behind, strict=True))
        onset += before
    errors = np.array([ERROR_LONG if v > LONG_S else ERROR_SHORT for v in lengths_s])
    out = np.zeros((len(expected), len(lengths), 2, lag_high - lag_low + 1))
    _log_likelihood(
        x,
        y,
        onset,
        lag_low,
        lag_high,
        lengths,
        errors,
        lead,
        round(AFTER_S * rate),
        max(round(LOCAL_S * rate), 1),
        noise,
        expected,
        GAIN_RANGE[0],
        GAIN_RANGE[1],
        out,
    )
    return out


def bounded_vote(fit: Floats, temperature: float | Floats, blur: float) -> Floats:
    """Turn log likelihoods over signs and lags into votes between −log 2 and log of half the number of cells.

    Parameters
    ----------
    fit : ndarray, shape (..., 2, n_lags)
    temperature : float or ndarray that fits `fit`
        What a difference of log likelihoods is divided by.
    blur : float
        Standard deviation of the blur along the lags, samples.

    Returns
    -------
    votes : ndarray, same shape
    """
    p = np.exp((fit - fit.max(axis=(-2, -1), keepdims=True)) / temperature)
    if blur > 0.1:
        p = gaussian_filter1d(p, blur, axis=-1, mode="constant")
    p /= p.sum(axis=(-2, -1), keepdims=True)
    cells = p.shape[-1] * p.shape[-2]
    return np.asarray(np.log(0.5 * p * cells + 0.5))


def arrival_votes(
    x: Pieces,
    y: Pieces,
    onset: NDArray[np.int64],
    rate: float,
    lag_low: int,
    lag_high: int,
    setting: Setting = COARSE,
    starts: Sequence[NDArray[np.int64]] = (),
) -> Votes:
    """Let the best hits vote on when and with which sign the drum arrives at the far microphone.

    Parameters
    ----------
    x, y : ndarray, shape (n_hits, n_samples), float64, or Heard
        Pieces of the close and the far microphone at the analysis rate; at least 26 ms before the onset plus
        `lag_low`, 13 ms after the onset plus `lag_high`.
    onset : ndarray of int, shape (n_hits,)
        First sample of each hit in `x`.
    rate : float
        Hz.
    lag_low, lag_high : int
        Samples, both included.
    setting : Setting
    starts : sequence of ndarray of int, shape (n_hits,)
        Where the copies begin, default the onset; votes are averaged over them.

    Returns
    -------
    votes : Votes
        Averaged over the setting's filters and lengths; zero where there is no usable hit.
    """
    lags = np.arange(lag_low, lag_high + 1)
    total = np.zeros((2, len(lags)))
    if not len(x):
        return Votes(lags, total[0], total[1], rate, 0)
    x, y = heard(x), heard(y)
    xf, yf = (v.band(*setting.bands_hz[0], rate) for v in (x, y))
    begin = [np.asarray(v) for v in starts] or [onset]
    quality = [hit_weights(xf, yf, v, rate, lag_low, lag_high)[1] for v in begin]
    chosen = best_hits(quality[0], MOST_HITS)
    if len(chosen) < ENOUGH_HITS:
        chosen = best_hits(np.max(quality, axis=0), MOST_HITS)
    begin = [v[chosen] for v in begin]
    heat = np.array(
        [
            (setting.temperature or TEMPERATURE * max(1.0, np.sqrt(v * 1000.0 / 2.0))) * rate / TEMPERATURE_RATE_HZ
            for v in setting.lengths_s
        ]
    ).reshape(1, 1, -1, 1, 1)
    for low, high in setting.bands_hz:
        xf, yf = (v.band(low, high, rate)[chosen] for v in (x, y))
        for start in begin:
            noise, _, gain2 = hit_weights(xf, yf, start, rate, lag_low, lag_high)
            if gain2 <= 0.0:
                continue
            expected = np.sqrt(gain2 * np.array(GAIN_GUESSES))
            fits = np.stack(
                [
                    log_likelihood(a, b, int(o), rate, lag_low, lag_high, setting.lengths_s, float(v), expected)
                    for a, b, o, v in zip(xf, yf, start, noise, strict=True)
                ]
            )
            votes = bounded_vote(fits, heat, BLUR_S * rate).sum(axis=0)
            mean = votes.mean(axis=1)
            total += mean[int(mean.max(axis=(1, 2)).argmax())]
    total /= len(begin)
    total /= len(setting.bands_hz)
    return Votes(lags, total[0], total[1], rate, len(chosen))
