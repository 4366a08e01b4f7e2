"""Find a track that is late (or early) by more than any distance explains."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.timing.hit_pieces import filtered

__all__ = ["USUAL_S", "arrival_range", "energy_rise", "latency"]

Floats = NDArray[np.float64]

USUAL_S = (0.0006, 0.009)
"""Arrivals at an overhead: 20 cm to 3 m behind the close microphone."""
REPORT_S = (0.0003, 0.0088)
"""A coarse arrival outside this is no distance but a delay of the recording chain."""
SEARCH_S = 0.060
TOGETHER_S = 0.008
"""Both overheads hear a drum within this time of one another."""
AROUND_S = 0.0055
"""Half width of the range round a coarse arrival."""
FRAME_S = 0.0005
RISE_AFTER, RISE_BEFORE, RISE_GAP = 6, 12, 1
"""Frames of 0.5 ms compared after and before a moment, and left out between."""
LARGEST_RISE_DB = 15.0
CLEAR_RISE_DB = 3.0
"""By so much an arrival at an unusual place must rise more than any at a usual one (tuned on made takes)."""
FEWEST = 3


def energy_rise(y: Floats, onset: NDArray[np.int64], rate: float) -> Floats:
    """Give the mean rise of a far microphone's energy at every lag of ±60 ms after the onsets.

    Parameters
    ----------
    y : ndarray, shape (n_hits, n_samples), float64
        Pieces with at least 70 ms on both sides of the onset.
    onset : ndarray of int, shape (n_hits,)
    rate : float
        Hz.

    Returns
    -------
    rise_db : ndarray, shape (n_lags,)
        In steps of 0.5 ms from −60 ms on; 0…15 dB.
    """
    frame = round(FRAME_S * rate)
    n_lags = 2 * round(SEARCH_S / FRAME_S) + 1
    first = -(n_lags // 2) - RISE_BEFORE - RISE_GAP
    total = n_lags + RISE_BEFORE + RISE_GAP + RISE_AFTER
    yf = filtered(y, 300.0, None, rate)
    power = np.zeros((len(y), total))
    for k, o in enumerate(onset):
        a = int(o) + first * frame
        piece = np.zeros(total * frame)
        lo, hi = max(a, 0), min(a + len(piece), yf.shape[1])
        piece[lo - a : hi - a] = yf[k, lo:hi] ** 2
        power[k] = piece.reshape(total, frame).mean(1)
    sums = np.concatenate([np.zeros((len(y), 1)), np.cumsum(power, 1)], 1)
    at = np.arange(n_lags) + RISE_BEFORE + RISE_GAP
    after = (sums[:, at + RISE_AFTER] - sums[:, at]) / RISE_AFTER
    before = (sums[:, at - RISE_GAP] - sums[:, at - RISE_GAP - RISE_BEFORE]) / RISE_BEFORE
    floor = 1e-4 * power.max(axis=1, keepdims=True, initial=0.0) + 1e-20
    rise = 10 * np.log10((after + floor) / (before + floor))
    return np.asarray(np.clip(rise, 0.0, LARGEST_RISE_DB).mean(axis=0)) if len(y) else np.zeros(n_lags)


def latency(ys: Sequence[Floats], onset: NDArray[np.int64], rate: float) -> float | None:
    """Tell whether a track is late or early by more than a distance explains.

    Parameters
    ----------
    ys : sequence of ndarray, shape (n_hits, n_samples), float64
        Pieces of the overheads round hits that no other drum disturbs.
    onset : ndarray of int, shape (n_hits,)
        Samples at which the close microphone has the hits.
    rate : float
        Hz.

    Returns
    -------
    arrival_s : float or None
        When the hits arrive at the overheads after the close microphone, seconds, if that is outside 0.3–8.8 ms;
        None if nothing is unusual.
    """
    if not ys or len(onset) < FEWEST:
        return None
    from scipy.ndimage import maximum_filter1d

    reach = round(TOGETHER_S / FRAME_S)
    rises = [energy_rise(y, onset, rate) for y in ys]
    both = np.sum([maximum_filter1d(r, reach + 1) for r in rises], axis=0) / len(rises)
    mean = np.mean(rises, axis=0)
    lags = (np.arange(len(both)) - len(both) // 2) * FRAME_S
    usual = (lags >= REPORT_S[0] - 1e-9) & (lags <= REPORT_S[1] + 1e-9)
    # the earliest strong rise near the best place, over both overheads
    score = np.where(usual, -np.inf, np.maximum(mean, 0.5 * both))
    k = int(score.argmax())
    if score[k] < max(float(r[usual].max()) for r in rises) + CLEAR_RISE_DB:
        return None
    near = np.abs(lags - lags[k]) <= TOGETHER_S / 2
    weight = np.where(near & ~usual, np.max(rises, axis=0), 0.0)
    weight = np.where(weight >= 0.7 * weight.max(), weight, 0.0)
    return float((weight * lags).sum() / weight.sum())


def arrival_range(arrival_s: float | None, rate: float) -> tuple[int, int]:
    """Give the range of lags to search.

    Parameters
    ----------
    arrival_s : float or None
        Unusual arrival, s; None: a usual one.
    rate : float
        Hz.

    Returns
    -------
    first, last : int
        Samples at `rate`: the usual range, or ±5.5 ms round an unusual arrival.
    """
    low, high = USUAL_S if arrival_s is None else (arrival_s - AROUND_S, arrival_s + AROUND_S)
    return round(low * rate), round(high * rate)
