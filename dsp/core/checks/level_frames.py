"""The loops behind `spillgate.dsp.core.checks.levels`: samples in, a row of figures per frame out.

Windows are cut out as slices before a loop runs over them: only then does the compiler know that no index is negative
and work on several samples at once.  Nothing here depends on how many: sums keep their order.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = [
    "COLUMNS",
    "LOW_PER_FRAME",
    "TAPS",
    "WORTH",
    "frame_rows",
    "greatest_between",
    "interpolator",
    "low_filter",
    "low_half",
]

COLUMNS = (
    "peak",
    "true_peak",
    "power",
    "mean",
    "full_scale",
    "flat",
    "flat_level",
    "flat_over",
    "stuck",
    "stuck_level",
    "click",
    "click_ratio",
)
"""Columns before the low band's samples; see `Levels`."""

LOW_PER_FRAME = 10
"""Samples of the low band in each frame."""

TAPS = 64
"""Length of the interpolator. With the Kaiser window below the error stays under −80 dB up to 0.46 × sr (computed)."""

KAISER = 7.857260
"""Kaiser's beta for 80 dB, 0.1102 (A − 8.7) (Kaiser 1974)."""

PHASES = 8
"""Oversampling of the true peak; a parabola over the oversampled points does the rest."""

WORTH = 0.5
"""A frame's true peak is worked out only if its peak is at least this share of the greatest so far."""

HALF_WAY = 0.7
"""See `greatest_between`: cos(pi / 4), a little less."""

LOW_PASS_HZ, LOW_STOP_HZ = 300.0, 700.0
"""Edges of the low band's filter: what aliases falls above 300 Hz."""

FLAT_LENGTH = 3
"""Samples that make a flat top (common practice, no source)."""

FLAT_TOLERANCE = 1e-4
"""Samples of a flat top differ by less than this, re the top: 3 steps of 16 bit."""

FLAT_CORNER = 4.0
"""How much steeper than a round top's the sides of a flat one are (tuned on made kick drums)."""

STUCK_MS = 0.5
"""Shortest run of equal samples that can be a dropout."""

AROUND_MS = 2.0
"""Sound is looked for this far before and after a run of equal samples."""

CLICK_MS, CLICK_FREE_MS = 0.25, 5.0
"""A click is over in the first time; nothing like it follows or precedes it within the second."""

CLICK_LEAST = 1000.0
"""How far a click stands over what is around it is exact from this ratio of powers on (30 dB: drum hits reach that)."""

_PEAK, _TRUE, _POWER, _MEAN, _FULL, _FLAT, _FLAT_LEVEL, _FLAT_OVER, _STUCK, _STUCK_LEVEL, _CLICK, _RATIO = range(12)
_FULL_SCALE = 1.0 - 1.5 / 32768.0  # the last step of 16 bit and half of the one before


@cache
def interpolator() -> NDArray[np.float64]:
    """Windowed sinc for the points between two samples.

    Returns
    -------
    fir : ndarray, shape (PHASES − 1, TAPS), float64
        Error under −80 dB up to 0.46 × sr (Kaiser 1974).
    """
    half = TAPS // 2
    k = np.arange(TAPS) - half + 1
    rows = []
    for phase in range(1, PHASES):
        t = k - phase / PHASES
        window = np.i0(KAISER * np.sqrt(np.maximum(0.0, 1.0 - (t / half) ** 2))) / np.i0(KAISER)
        h = np.sinc(t) * window
        rows.append(h / h.sum())
    return np.array(rows)


@cache
def low_filter(sr: int) -> NDArray[np.float64]:
    """Low-pass of the low band, linear phase, Kaiser's design for 80 dB; cut into rows of one output's step each.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    taps : ndarray, shape (n_rows, step), float64
        Zeros fill the last row; the middle of the filter is `low_half` from its beginning.
    """
    half, step = low_half(sr), max(1, round(sr / 1000))
    k = np.arange(-half, half + 1)
    edge = (LOW_PASS_HZ + LOW_STOP_HZ) / sr  # twice the middle of the transition, in cycles a sample
    h = edge * np.sinc(edge * k) * np.kaiser(2 * half + 1, KAISER)
    n_rows = -(-len(h) // step)
    return np.asarray(np.concatenate([h / h.sum(), np.zeros(n_rows * step - len(h))]).reshape(n_rows, step), np.float64)


def low_half(sr: int) -> int:
    """Give the samples on either side of the low band filter's middle.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    half : int
        Samples.
    """
    width = 2.0 * np.pi * (LOW_STOP_HZ - LOW_PASS_HZ) / sr
    return int(np.ceil((80.0 - 7.95) / (2.285 * width) / 2.0))


@njit(nogil=True, cache=True)
def _between(x, fir, y):  # type: ignore[no-untyped-def]
    """Oversampled magnitudes between the middle two samples of x, both included, into y."""
    phases, taps = fir.shape
    y[0] = x[taps // 2 - 1]
    y[phases + 1] = x[taps // 2]
    for p in range(phases):
        h = fir[p]
        a0 = 0.0
        a1 = 0.0
        a2 = 0.0
        a3 = 0.0
        for k in range(0, taps, 4):
            a0 += h[k] * x[k]
            a1 += h[k + 1] * x[k + 1]
            a2 += h[k + 2] * x[k + 2]
            a3 += h[k + 3] * x[k + 3]
        y[p + 1] = (a0 + a1) + (a2 + a3)


@njit(nogil=True, cache=True)
def _vertex(left, middle, right):  # type: ignore[no-untyped-def]
    """Greatest magnitude of the parabola through three points, the middle one of which is the greatest."""
    s = 1.0 if middle >= 0 else -1.0
    top = s * middle
    bend = s * left - 2.0 * top + s * right
    if bend < 0.0:
        top -= (s * right - s * left) ** 2 / (8.0 * bend)
    return top


@njit(nogil=True, cache=True)
def greatest_between(x, a, b, fir, least):  # type: ignore[no-untyped-def]
    """Greatest magnitude of the waveform through x[a:b + 1]; only next to samples over `least`.

    Parameters
    ----------
    x : ndarray, shape (n,), float32 or float64
        TAPS / 2 samples more than a…b on either side.
    a, b : int
        First and last sample.
    fir : ndarray, shape (PHASES − 1, TAPS)
        `interpolator`.
    least : float
        Linear.

    Returns
    -------
    peak : float
        Linear.

    Notes
    -----
    Half-way between two samples first: a tone of up to half the rate exceeds the greatest of its values at twice the
    rate by no more than a factor of 1 / cos(pi / 4), so that where this cannot reach the best so far nothing else needs
    to be worked out.
    """
    phases, taps = fir.shape
    y = np.empty(phases + 2)
    half = fir[phases // 2 : phases // 2 + 1]
    middle = np.empty(3)
    best = 0.0
    for n in range(a, b):
        best = max(best, abs(x[n]))
    best = max(best, abs(x[b]))
    for n in range(a, b):
        here = max(abs(x[n]), abs(x[n + 1]))
        if here < least:
            continue
        around = x[n - taps // 2 + 1 : n + taps // 2 + 1]
        _between(around, half, middle)
        if max(here, abs(middle[1])) < HALF_WAY * best:
            continue
        _between(around, fir, y)
        for p in range(1, phases + 1):
            m = abs(y[p])
            if m >= abs(y[p - 1]) and m >= abs(y[p + 1]):
                best = max(best, _vertex(y[p - 1], y[p], y[p + 1]))
    return best


@njit(nogil=True, cache=True)
def _rms(x, a, b):  # type: ignore[no-untyped-def]
    total = 0.0
    for n in range(max(a, 0), min(b, len(x))):
        total += x[n] * x[n]
    return np.sqrt(total / max(1, min(b, len(x)) - max(a, 0)))


@njit(nogil=True, cache=True, fastmath={"nnan", "nsz"})
def _peak(x):  # type: ignore[no-untyped-def]
    """Greatest magnitude: the flags say that no sample is NaN and no zero signed, so that the order is free."""
    top = np.float32(0.0)
    for n in range(len(x)):
        top = max(top, abs(x[n]))
    return top


@njit(nogil=True, cache=True)
def _count(x, before, after):  # type: ignore[no-untyped-def]
    """How many samples are at full scale, how many equal the one before, how many are nearly the one after."""
    full = 0
    equal = 0
    level = 0
    for n in range(len(x)):
        m = abs(x[n])
        full += m >= _FULL_SCALE
        equal += x[n] == before[n]
        level += abs(after[n] - x[n]) <= FLAT_TOLERANCE * m
    return full, equal, level


@njit(nogil=True, cache=True)
def _sums(x):  # type: ignore[no-untyped-def]
    """Sum of squares and sum."""
    s0 = 0.0
    s1 = 0.0
    s2 = 0.0
    s3 = 0.0
    t0 = 0.0
    t1 = 0.0
    t2 = 0.0
    t3 = 0.0
    whole = len(x) // 4 * 4
    for n in range(0, whole, 4):
        s0 += x[n] * x[n]
        s1 += x[n + 1] * x[n + 1]
        s2 += x[n + 2] * x[n + 2]
        s3 += x[n + 3] * x[n + 3]
        t0 += x[n]
        t1 += x[n + 1]
        t2 += x[n + 2]
        t3 += x[n + 3]
    for n in range(whole, len(x)):
        s0 += x[n] * x[n]
        t0 += x[n]
    return (s0 + s1) + (s2 + s3), (t0 + t1) + (t2 + t3)


@njit(nogil=True, cache=True)
def _flat(x, a, b, row):  # type: ignore[no-untyped-def]
    """Flat tops that begin in x[a:b]: samples in them, level of the highest, how far the wave would have gone on."""
    n = a
    while n < b:
        v = x[n]
        m = abs(v)
        tolerance = FLAT_TOLERANCE * m
        if m < 1e-3 or abs(x[n + 1] - v) > tolerance or abs(x[n - 1] - v) <= tolerance:
            n += 1
            continue
        low = v
        high = v
        stop = n + 1
        limit = n + (b - a) * 3 // 4
        while stop < limit and max(high, x[stop]) - min(low, x[stop]) <= tolerance:
            low = min(low, x[stop])
            high = max(high, x[stop])
            stop += 1
        length = stop - n
        if length >= FLAT_LENGTH:
            s = 1.0 if v > 0 else -1.0
            rise = s * (v - x[n - 1])
            fall = s * (x[stop - 1] - x[stop])
            round_top = 8.0 * (high - low + 1.0 / 65536.0) / length
            if rise > FLAT_CORNER * round_top and fall > FLAT_CORNER * round_top:
                row[_FLAT] += length
                # what a parabola with these slopes at its foot adds: slope × length / 4; slopes over a quarter of
                # the flat part, so that the fizz of the attack does not count
                foot = 1 + min(length // 4, (b - a) // 8)
                left = (m - s * x[n - foot]) / foot
                right = (m - s * x[stop - 1 + foot]) / foot
                over = 1.0 + max(0.5 * (left + right), 0.0) * length / 4.0 / m
                row[_FLAT_LEVEL] = max(row[_FLAT_LEVEL], m)
                row[_FLAT_OVER] = max(row[_FLAT_OVER], over)
        n = stop


@njit(nogil=True, cache=True)
def _is_top(x, n, memo, peak):  # type: ignore[no-untyped-def]
    """Whether the run that ends before x[n] is the flat top of a loud wave and no held sample."""
    v = x[n - 1]
    s = 1.0 if v > 0 else -1.0
    return abs(v) >= 0.5 * max(memo[0], peak) and s * x[n] < abs(v) and memo[3] < abs(v)


@njit(nogil=True, cache=True)
def _stuck(x, a, b, sr, memo, peak, row):  # type: ignore[no-untyped-def]
    """Runs of equal samples that end in x[a:b] or go on behind it."""
    shortest = int(STUCK_MS * sr / 1000.0)
    around = int(AROUND_MS * sr / 1000.0)
    for n in range(a, b):
        v = x[n]
        if v == x[n - 1]:
            memo[1] += 1.0
            if memo[1] == shortest:
                first = n - shortest
                memo[2] = _rms(x, first - around, first)
                memo[3] = x[first - 1] * (1.0 if v > 0 else -1.0)
            continue
        if memo[1] >= shortest and not _is_top(x, n, memo, peak):
            level = min(memo[2], _rms(x, n, n + around))
            if level > row[_STUCK_LEVEL]:
                row[_STUCK_LEVEL] = level
                row[_STUCK] = memo[1] + 1.0
        memo[1] = 0.0


@njit(nogil=True, cache=True, fastmath={"nnan", "nsz"})
def _bends(x, d):  # type: ignore[no-untyped-def]
    """Magnitudes of the second difference of x into d, two shorter; gives the greatest (see `_peak` for the flags)."""
    top = np.float32(0.0)
    for n in range(len(d)):
        d[n] = abs(x[n] - np.float32(2.0) * x[n + 1] + x[n + 2])
        top = max(top, d[n])
    return top


@njit(nogil=True, cache=True)
def _click(x, a, b, sr, d, row):  # type: ignore[no-untyped-def]
    """The sharpest lone impulse in x[a:b]: its height and how far it stands over what is around it.

    Summing up what is around it ends as soon as it is certain that it does not stand `CLICK_LEAST` over it.
    """
    top = _bends(x[a - 1 : b + 1], d)
    if top < 1e-4:
        return
    at = a
    while d[at - a] < top:
        at += 1
    short = max(2, int(CLICK_MS * sr / 1000.0))
    free = int(CLICK_FREE_MS * sr / 1000.0)
    square = top * top
    enough = square / CLICK_LEAST * (free - short)
    around = 0.0
    for first, step in ((at - short - 1, -1), (at + short, 1)):
        total = 0.0
        for k in range(free - short):
            n = first + step * k
            bend = x[n - 1] - np.float32(2.0) * x[n] + x[n + 1]
            total += bend * bend
            if total > enough:
                break
        around = max(around, total)
    row[_CLICK] = top
    row[_RATIO] = min(square / max(around / (free - short), 1e-16), 1e12)


@njit(nogil=True, cache=True)
def frame_rows(x, n_frames, hop, sr, interpolator, low, half, memo, out):  # type: ignore[no-untyped-def]
    """Work out the rows of `spillgate.dsp.core.checks.levels.Levels`.

    Parameters
    ----------
    x : ndarray, shape (n,), float32
        Begins one frame before the first and ends one behind the last.
    n_frames, hop, sr : int
        Frames, samples of each, Hz.
    interpolator, low, half
        `interpolator`, `low_filter` and `low_half`.
    memo : ndarray, shape (4,), float64
        Greatest peak so far; length of the run of equal samples, level before it and the sample before it (its sign
        re the run's).  Changed in place.
    out : ndarray, shape (n_frames, n_columns), float32
        The rows.
    """
    n_rows, step = low.shape
    d = np.empty(hop, np.float32)
    lanes = np.empty(step)
    for k in range(n_frames):
        a = (k + 1) * hop
        b = a + hop
        row = out[k]
        row[:] = 0.0
        frame = x[a:b]
        peak = _peak(frame)
        power, total = _sums(frame)
        full, equal, level = _count(frame, x[a - 1 : b - 1], x[a + 1 : b + 1])
        row[_FULL] = full
        if equal > 0 or memo[1] > 0.0:
            _stuck(x, a, b, sr, memo, peak, row)
        row[_PEAK] = peak
        row[_POWER] = power / hop
        row[_MEAN] = total / hop
        row[_TRUE] = peak
        if peak >= WORTH * memo[0] and peak > 0.0 and hop >= TAPS // 2:  # under 3 kHz the taps reach too far
            row[_TRUE] = max(peak, greatest_between(x, a - 1, b, interpolator, WORTH * peak))
        memo[0] = max(memo[0], peak)
        if peak > 1e-3:
            if level > 0:
                _flat(x, a, b, row)
            _click(x, a, b, sr, d, row)
        for j in range(LOW_PER_FRAME):
            first = a + j * step + step // 2 - half
            lanes[:] = 0.0
            for r in range(n_rows):
                taps = low[r]
                window = x[first + r * step : first + (r + 1) * step]
                for i in range(step):
                    lanes[i] += taps[i] * window[i]
            total = 0.0
            for i in range(step):
                total += lanes[i]
            row[len(COLUMNS) + j] = total
