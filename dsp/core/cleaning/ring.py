"""Following a drum's ring through everything else its mic hears.

The ring is tracked forward in time, band by band.  While the drum dominates, it follows what is measured above the
bleed; under a cymbal or another drum it coasts at the decay the drum shows elsewhere in the take.  Fixed decay
templates were tried and lost 4 dB against this.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["AGES_S", "ages", "decay_rates", "track_ring"]

AGES_S = (0.03, 0.1, 0.3, 0.8)
"""A decay rate is measured for each span of time since the hit: between these, and after the last, s."""
SLOPE_S = 0.060
"""Time over which one slope is taken, s."""
CLEAR = 3.0
"""A slope counts only where the track is this many times over the bleed at both ends (power)."""
SLOWEST_DB_S, FASTEST_DB_S, UNKNOWN_DB_S = 5.0, 600.0, 200.0
"""Limits of a decay rate and the rate where none could be measured, dB/s."""
FEWEST_SLOPES = 3
LATER = 2.0
"""A rate that could not be measured is this many times that of the age before, at most the unknown one."""
FRESH_S = 0.1
"""So long after a hit whatever is over twice the bleed is taken to be the drum, s."""
FRESH_OVER = 2.0
"""Twice, because the power of noise in a narrow band scatters and the largest of several frames counts (0.3 to 0.7 dB
better than once on four takes)."""
LEAST_SHARE = 0.02
"""During that time the drum has at least this share of the power."""
FOLLOW = 0.35
"""How fast the ring follows a measurement that is all drum, per frame."""
SLIGHT = 0.01
"""A measurement with less than this share of the drum would move the ring by less than 0.0003 dB and is passed over."""
DOWN_NEPER, UP_NEPER = -6.2 * np.log(10) / 10, 1.2 * np.log(10) / 10
"""Steps towards the measurement are held to −6.2 and +1.2 dB (as natural logarithms of power)."""
TINY = 1e-30
"""Keeps logarithms finite; 300 dB under full scale."""


def ages(hits: NDArray[np.int64], n_frames: int) -> NDArray[np.int64]:
    """Count the frames since the latest hit.

    Parameters
    ----------
    hits : ndarray, shape (n_hits,), int64
        Frames, increasing.
    n_frames : int

    Returns
    -------
    ages : ndarray, shape (n_frames,), int64
        −1 before the first.
    """
    frames = np.arange(n_frames)
    if not len(hits):
        return np.full(n_frames, -1)
    latest = np.searchsorted(hits, frames, side="right") - 1
    return np.where(latest >= 0, frames - hits[np.maximum(latest, 0)], -1)


def decay_rates(
    x: NDArray[np.float32],
    bleed: NDArray[np.float32],
    age: NDArray[np.int64],
    frame_s: float,
    span: NDArray[np.int64] | None = None,
) -> NDArray[np.float64]:
    """Measure how fast the drum decays in one band at each age.

    Parameters
    ----------
    x, bleed : ndarray, shape (n_frames,), float32
        Power of the track and of the bleed in it.
    age : ndarray, shape (n_frames,), int64
        From `ages`.
    frame_s : float
        Time from frame to frame, s.
    span : ndarray, shape (n_frames,), int64, optional
        `age_class` of the ages, if it is at hand.

    Returns
    -------
    rates : ndarray, shape (4,), float64
        Decay of power in dB/s for the ages 0.03–0.1, 0.1–0.3, 0.3–0.8 and over 0.8 s.
    """
    rates = np.full(len(AGES_S), UNKNOWN_DB_S)
    step = max(int(SLOPE_S / frame_s + 0.5), 1)
    span = age_class(age, frame_s) if span is None else span
    median, counts = _median_falls(x, bleed, age, span, step, len(AGES_S))
    if not counts.any():
        return rates
    for k in range(len(AGES_S)):
        if counts[k] >= FEWEST_SLOPES:
            rates[k] = min(max(10.0 * median[k] / (step * frame_s), SLOWEST_DB_S), FASTEST_DB_S)
        elif k:
            rates[k] = min(LATER * rates[k - 1], UNKNOWN_DB_S)
    return rates


def age_class(age: NDArray[np.int64], frame_s: float) -> NDArray[np.int64]:
    """Index of the rate that holds at each age; −1 before the first."""
    return np.searchsorted(np.asarray(AGES_S), age * frame_s, side="right") - 1


def track_ring(
    x: NDArray[np.float32],
    bleed: NDArray[np.float32],
    age: NDArray[np.int64],
    rates: NDArray[np.float64],
    frame_s: float,
    span: NDArray[np.int64] | None = None,
) -> NDArray[np.float32]:
    """Estimate the power of the drum's own sound in one band.

    Parameters
    ----------
    x, bleed : ndarray, shape (n_frames,), float32
        Power of the track and of the bleed in it.
    age : ndarray, shape (n_frames,), int64
        From `ages`.
    rates : ndarray, shape (4,)
        From `decay_rates`.
    frame_s : float
        Time from frame to frame, s.
    span : ndarray, shape (n_frames,), int64, optional
        `age_class` of the ages, if it is at hand.

    Returns
    -------
    ring : ndarray, shape (n_frames,), float32
        0 before the first hit.
    """
    keep = 10.0 ** (-rates * frame_s / 10.0)
    fresh = max(int(FRESH_S / frame_s + 0.5), 1)
    span = age_class(age, frame_s) if span is None else span
    ring: NDArray[np.float32] = _track(x, bleed, age, span, keep, fresh)
    return ring


@njit(nogil=True, cache=True)
def _median_falls(
    x: NDArray[np.float32],
    bleed: NDArray[np.float32],
    age: NDArray[np.int64],
    span: NDArray[np.int64],
    step: int,
    n_spans: int,
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:  # pragma: no cover - compiled
    """Per span of ages the median of log10(over now / over `step` frames later), and how many there are.

    The middle ratios are found first: only they need a logarithm.
    """
    ratios = np.empty((n_spans, max(len(x) - step, 0)))
    counts = np.zeros(n_spans, np.int64)
    for n in range(len(x) - step):
        k, later = span[n], n + step
        if k < 0 or age[later] != age[n] + step:
            continue
        if x[n] <= CLEAR * bleed[n] or x[later] <= CLEAR * bleed[later]:
            continue
        over, rest = float(x[n]) - float(bleed[n]), float(x[later]) - float(bleed[later])
        if over > TINY and rest > TINY:
            ratios[k, counts[k]] = over / rest
            counts[k] += 1
    median = np.zeros(n_spans)
    for k in range(n_spans):
        if counts[k]:
            middle = (counts[k] - 1) // 2
            parted = np.partition(ratios[k, : counts[k]], middle)
            upper = parted[middle] if counts[k] % 2 else parted[middle + 1 :].min()
            median[k] = 0.5 * (np.log10(parted[middle]) + np.log10(upper))
    return median, counts


@njit(nogil=True, cache=True)
def _track(
    x: NDArray[np.float32],
    bleed: NDArray[np.float32],
    age: NDArray[np.int64],
    span: NDArray[np.int64],
    keep: NDArray[np.float64],
    fresh: int,
) -> NDArray[np.float32]:  # pragma: no cover - compiled
    ring = np.zeros(len(x), np.float32)
    now = 0.0
    for n in range(len(x)):
        if age[n] < 0:
            continue
        power = float(x[n])
        over = max(power - float(bleed[n]), 0.0)
        now *= keep[max(span[n], 0)]
        if age[n] <= fresh:
            now = max(now, power - FRESH_OVER * float(bleed[n]), LEAST_SHARE * power)
        elif over > SLIGHT * power and now > TINY:
            share = over / power
            step = np.log(max(over, TINY) / now)
            now *= np.exp(FOLLOW * share * share * min(max(step, DOWN_NEPER), UP_NEPER))
        ring[n] = now
    return ring
