"""Short pieces of two microphones around the hits of one drum, made ready to be compared.

A piece is cut from every microphone at the same place, so that a sample number means the same time in all of them.
Above 60 kHz pieces are low-passed and thinned out to a rate of 44.1 or 48 kHz: what tells the arrival of a drum lies
below 18 kHz, and the cost stays the same.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, firwin, oaconvolve, sosfilt

__all__ = [
    "Heard",
    "Pieces",
    "alone",
    "analysis_rate",
    "at_analysis_rate",
    "attack_samples",
    "best_hits",
    "filtered",
    "heard",
    "hit_weights",
    "onset_sample",
    "thinning",
]

Floats = NDArray[np.float64]

LARGEST_RATE_HZ = 60_000
"""Rates above it are thinned out (chosen between 48 and 88.2 kHz)."""
LOW_PASS_HZ = 18_000.0
"""Edge of the low-pass before thinning; 44.1 kHz leaves it 4 kHz to fall."""
LOW_PASS_TAPS = 63
"""Per factor of thinning; 60 dB at the new Nyquist frequency."""

ONSET_HIGH_PASS_HZ = 60.0
"""Keeps the slow push of a kick's air out of the crossing (tuned on made takes)."""
ONSET_FRACTION = 0.06
"""First crossing of this share of the peak is the onset (tuned on recorded hits)."""
ONSET_OVER_BEFORE = 1.6
"""… but at least so much over the greatest sample before (tuned on recorded hits)."""

ATTACK_WITHIN_S, ATTACK_LEAD_S, ATTACK_FRACTION, ATTACK_HIGH_PASS_HZ = 0.006, 0.0002, 0.5, 300.0
"""Where the loud part of a hit begins (tuned on made takes and recorded hits)."""
NEAR_S = 0.001
"""A crossing farther from the detected time is somebody else's."""

ALONE_BEFORE_S, ALONE_AFTER_S = 0.004, 0.009
"""Another drum's hit this near spoils an arrival (tuned on recorded hits)."""
FEWEST_ALONE = 4
"""With fewer hits than that left, all are kept: toms nearly always sound together with a kick."""

NOISE_FLOOR_DB = -30.0
"""Least noise assumed, re the hit's loudest 3 ms: no real arrival is a perfect copy."""
NOISE_FACTOR = 1.5
LEAST_ARRIVAL = 0.1
"""Share of the loudest 3 ms that counts as arrival even when the noise seems to explain all of it."""
QUALITY_CAP_DB = 30.0
QUALITY_SPAN_DB = 18.0
"""Hits worse than the best by more than this are left out (tuned on recorded hits)."""


def thinning(sr: int) -> int:
    """Tell by which whole factor pieces are thinned out.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    factor : int
        1 up to 60 kHz, else 2, 4, ….
    """
    factor = 1
    while sr / factor > LARGEST_RATE_HZ:
        factor *= 2
    return factor


def analysis_rate(sr: int) -> float:
    """Give the rate at which arrivals are measured.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    rate : float
        Hz.
    """
    return sr / thinning(sr)


@cache
def _low_pass(sr: int) -> Floats:
    h: Floats = firwin(LOW_PASS_TAPS * thinning(sr) // 2 * 2 + 1, LOW_PASS_HZ, fs=sr, window=("kaiser", 6.0))
    h.setflags(write=False)
    return h


def at_analysis_rate(x: NDArray[np.floating], sr: int) -> Floats:
    """Bring pieces to the analysis rate, without a shift in time.

    Parameters
    ----------
    x : ndarray, shape (..., n_samples)
    sr : int
        Hz.

    Returns
    -------
    y : ndarray, shape (..., ceil(n_samples / factor)), float64
        Sample k is at sample k × `thinning` of `x`.
    """
    y = np.asarray(x, np.float64)
    factor = thinning(sr)
    if factor == 1:
        return y
    h = _low_pass(sr)
    y = oaconvolve(y, h.reshape((1,) * (y.ndim - 1) + (-1,)), mode="same", axes=-1)
    return np.ascontiguousarray(y[..., ::factor])


@cache
def _sections(order: int, low_hz: float, high_hz: float | None, rate: float) -> Floats:
    sections = [butter(order, low_hz, "highpass", fs=rate, output="sos")]
    if high_hz is not None:
        sections.append(butter(order, high_hz, "lowpass", fs=rate, output="sos"))
    return np.asarray(np.concatenate(sections), np.float64)


def filtered(x: Floats, low_hz: float, high_hz: float | None, rate: float, order: int = 2) -> Floats:
    """Filter pieces with causal Butterworth filters, which keep the silence before an arrival silent.

    Parameters
    ----------
    x : ndarray, shape (..., n_samples), float64
    low_hz, high_hz : float
        Edges; None: no low-pass.
    rate : float
        Hz.
    order : int

    Returns
    -------
    y : ndarray, same shape
        The first sample of each piece is taken for its offset.
    """
    y: Floats = sosfilt(_sections(order, low_hz, high_hz, rate), x - x[..., :1], axis=-1)
    return y


class Heard:
    """Pieces of one microphone, and what filters make of them, each worked out once.

    Parameters
    ----------
    x : ndarray, shape (n_hits, n_samples), float64
    """

    def __init__(self, x: Floats) -> None:
        self.x = x
        self._bands: dict[tuple[float, float | None, float], Floats] = {}

    def __len__(self) -> int:
        """Count the hits."""
        return len(self.x)

    def band(self, low_hz: float, high_hz: float | None, rate: float) -> Floats:
        """Give the pieces as `filtered` with order 2.

        Parameters
        ----------
        low_hz, high_hz : float
            Edges; None: no low-pass.
        rate : float
            Hz.

        Returns
        -------
        y : ndarray, shape (n_hits, n_samples)
            Not to be written to.
        """
        key = (low_hz, high_hz, rate)
        if key not in self._bands:
            self._bands[key] = filtered(self.x, low_hz, high_hz, rate)
        return self._bands[key]


Pieces = Floats | Heard


def heard(x: Pieces) -> Heard:
    """Wrap pieces unless they are wrapped already.

    Parameters
    ----------
    x : ndarray or Heard

    Returns
    -------
    heard : Heard
    """
    return x if isinstance(x, Heard) else Heard(x)


def onset_sample(x: Floats, at: int, rate: float, before_s: float = 0.0005, after_s: float = 0.004) -> int:
    """Find the first sample of a hit near a known time.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
        A piece of the drum's own microphone, at least 10 ms of it before `at`.
    at : int
        Sample at which the hit is said to be.
    rate : float
        Hz.
    before_s, after_s : float
        Where its peak may lie.

    Returns
    -------
    onset : int
        First sample over 6 % of the peak that also is 1.6 × over all of the 3 ms before the range; `at` if there is
        none.
    """
    y = np.abs(filtered(x, ONSET_HIGH_PASS_HZ, None, rate, order=1))
    a, b = max(at - round(before_s * rate), 1), min(at + round(after_s * rate), len(y))
    if b <= a:
        return at
    peak = float(y[a:b].max())
    quiet = y[max(a - round(0.003 * rate), 0) : a]
    limit = max(ONSET_FRACTION * peak, min(ONSET_OVER_BEFORE * float(quiet.max(initial=0.0)), 0.5 * peak))
    over = np.flatnonzero(y[a:b] > limit)
    onset = a + int(over[0]) if len(over) else at
    return onset if abs(onset - at) <= NEAR_S * rate else at


def attack_samples(x: Pieces, onset: NDArray[np.int64], rate: float) -> NDArray[np.int64]:
    """Find where hits get loud: half of the peak of the first 6 ms, 0.2 ms earlier.

    A soft mallet or a kick's beater pushes air some ms before the stroke's edge, and the edge is what both
    microphones hear alike.

    Parameters
    ----------
    x : ndarray, shape (n_hits, n_samples), float64, or Heard
    onset : ndarray of int, shape (n_hits,)
    rate : float
        Hz.

    Returns
    -------
    attack : ndarray of int, shape (n_hits,)
        Never before the onset.
    """
    n, lead = round(ATTACK_WITHIN_S * rate), round(ATTACK_LEAD_S * rate)
    y = np.abs(heard(x).band(ATTACK_HIGH_PASS_HZ, None, rate))
    out = np.array(onset, np.int64)
    for k, a in enumerate(onset):
        piece = y[k, a : a + n]
        if len(piece):
            out[k] = max(int(a) + int(np.argmax(piece >= ATTACK_FRACTION * piece.max())) - lead, int(a))
    return out


def alone(times_s: Floats, others_s: Floats) -> NDArray[np.bool_]:
    """Mark hits that no other drum's hit disturbs.

    Parameters
    ----------
    times_s : ndarray, shape (n_hits,)
        Seconds.
    others_s : ndarray, shape (n_others,)
        Hits of all other drums, in seconds, sorted.

    Returns
    -------
    clear : ndarray of bool, shape (n_hits,)
        All true if fewer than four were.
    """
    first = np.searchsorted(others_s, times_s - ALONE_BEFORE_S, "left")
    last = np.searchsorted(others_s, times_s + ALONE_AFTER_S, "right")
    clear = first == last
    return clear if clear.sum() >= FEWEST_ALONE else np.ones(len(times_s), bool)


def _energy(x: Floats) -> Floats:
    """Running sum of x², from 0 on, per row."""
    out = np.zeros((x.shape[0], x.shape[1] + 1))
    np.cumsum(x * x, axis=1, out=out[:, 1:])
    return out


def _mean_square(energy: Floats, a: NDArray[np.int64], n: int) -> Floats:
    """Mean of x² over n samples from a on, per row; samples outside count as zero."""
    last = energy.shape[1] - 1
    rows = np.arange(len(energy))
    out: Floats = energy[rows, np.clip(a + n, 0, last)] - energy[rows, np.clip(a, 0, last)]
    return np.maximum(out, 0.0) / max(n, 1)


def _loudest(energy: Floats, a: NDArray[np.int64], b: NDArray[np.int64], n: int) -> Floats:
    """Greatest mean square over n samples between samples a and b, per row."""
    if not len(energy) or energy.shape[1] <= n:
        return np.zeros(len(energy))
    start = np.arange(energy.shape[1] - n)[None, :]
    inside = (start >= a[:, None]) & (start + n <= b[:, None])
    out: Floats = np.where(inside, energy[:, n:] - energy[:, :-n], 0.0).max(axis=1)
    return out / n


def hit_weights(
    x: Floats, y: Floats, onset: NDArray[np.int64], rate: float, lag_low: int, lag_high: int
) -> tuple[Floats, Floats, float]:
    """Tell how much noise each hit's arrival stands in, how good the hit is, and how strong arrivals are.

    Parameters
    ----------
    x, y : ndarray, shape (n_hits, n_samples), float64
        High-passed pieces of the close and the far microphone.
    onset : ndarray of int, shape (n_hits,)
        First sample of the hit in `x`.
    rate : float
        Hz.
    lag_low, lag_high : int
        Earliest and latest arrival, in samples after the onset.

    Returns
    -------
    noise : ndarray, shape (n_hits,)
        Mean square of what is in `y` without the hit.
    quality_db : ndarray, shape (n_hits,)
    gain2 : float
        Power of the far microphone's loudest 3 ms over that of the close microphone's first 3 ms.
    """
    ms = rate / 1000.0
    first = onset + lag_low
    of_x, of_y = _energy(x), _energy(y)
    before = (round(25 * ms), round(4 * ms), round(2 * ms))
    noise = np.maximum.reduce([_mean_square(of_y, first - n, n) for n in before])
    top = _loudest(of_y, first, onset + lag_high + round(3 * ms), round(3 * ms))
    noise = NOISE_FACTOR * np.maximum(noise, top * 10 ** (NOISE_FLOOR_DB / 10)) + 1e-20
    own = _mean_square(of_x, onset, round(3 * ms)) + 1e-20
    quiet = _mean_square(of_x, onset - round(10.5 * ms), round(10 * ms)) + 1e-20
    ratio = np.maximum(top - noise, LEAST_ARRIVAL * top) / own
    gain2 = float(np.median(ratio)) if len(ratio) else 0.0
    there = 10 * np.log10(own * max(gain2, 1e-12) / noise)
    clean = 10 * np.log10(own / quiet)
    quality = np.minimum(-10 * np.log10(10 ** (-there / 10) + 10 ** (-clean / 10)), QUALITY_CAP_DB)
    if len(ratio):
        weight = 10 ** (quality / 10)
        order = np.argsort(ratio, kind="stable")
        share = np.cumsum(weight[order])
        gain2 = float(ratio[order][np.searchsorted(share, 0.5 * share[-1])])
    return noise, quality, gain2


def best_hits(quality_db: Floats, most: int) -> NDArray[np.int64]:
    """Choose the best hits.

    Parameters
    ----------
    quality_db : ndarray, shape (n_hits,), float64
        dB.
    most : int
        At most so many.

    Returns
    -------
    chosen : ndarray, int64
        Indices in order of time; none is more than 18 dB worse than the best.
    """
    if not len(quality_db):
        return np.zeros(0, np.int64)
    order = np.argsort(-quality_db, kind="stable")[:most]
    keep = order[quality_db[order] >= quality_db[order[0]] - QUALITY_SPAN_DB]
    return np.sort(keep).astype(np.int64)
