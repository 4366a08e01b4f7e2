"""Lag between two microphones to a small fraction of a sample, once the right sample is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.timing.hit_pieces import filtered

__all__ = ["Fine", "phase_lag"]

Floats = NDArray[np.float64]

BEFORE_S, AFTER_S = 0.00035, 0.002
"""Piece round the arrival: mostly direct sound, before the first reflections of most rooms."""
FADE_S = 0.00025
LOW_HZ, HIGH_HZ = 300.0, 9_000.0
FILTER_HZ = 150.0
MOST_ROUNDS = 12
CLOSE_ENOUGH = 0.001
"""Samples; rounds stop when the lag moves by less."""
LARGEST_STEP = 1.0
LEAST_ALIKE, ALIKE_SPAN = 0.5, 0.15
"""Hits whose pieces correlate less than this, or by so much less than the best, do not take part."""
SMOOTH_BINS = 3
"""Bins over which powers are summed for the coherence, so that one hit alone does not look coherent with itself."""
INDEPENDENT = 1.5
"""Independent looks that one hit is worth after that summing: the piece is padded to about twice its length."""


@dataclass(frozen=True)
class Fine:
    """Lag found from the phase.

    Attributes
    ----------
    lag : float
        Samples at the analysis rate.
    coherence : float
        0…1, how alike both microphones are round the arrival: magnitude squared, weighted by the close microphone's
        power, without the bias that few hits give.
    """

    lag: float
    coherence: float


def _window(n: int, fade: int) -> Floats:
    w = np.ones(n)
    slope = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    w[:fade] = slope
    w[n - fade :] = slope[::-1]
    return w


def phase_lag(
    x: Floats,
    y: Floats,
    onset: NDArray[np.int64],
    attack: NDArray[np.int64],
    lag: float,
    sign: int,
    rate: float,
) -> Fine:
    """Refine a lag by the slope of the pooled cross-spectrum's phase.

    Both microphones are cut with the same window, the far one's moved by the lag found so far, so that the window
    itself adds no bias; the weights γ²/(1 − γ²) are those of the maximum-likelihood estimator.

    Parameters
    ----------
    x, y : ndarray, shape (n_hits, n_samples), float64
        Pieces of the close and the far microphone.
    onset : ndarray of int, shape (n_hits,)
        First sample of each hit in `x`.
    attack : ndarray of int, shape (n_hits,)
        Where each hit gets loud; the piece ends 2 ms later.
    lag : float
        Samples, right to within half a period of what there is to see (about 0.1 ms).
    sign : int
        1 or −1.
    rate : float
        Hz.

    Returns
    -------
    fine : Fine
        With the lag as given if there are no hits.

    References
    ----------
    Carter, Knapp, Nuttall: Estimation of the magnitude-squared coherence function, 1973 (its bias).
    Knapp, Carter: The generalized correlation method for estimation of time delay, 1976 (the weighting).
    """
    if not len(x):
        return Fine(lag, 0.0)
    before, after, fade = (max(round(v * rate), 2) for v in (BEFORE_S, AFTER_S, FADE_S))
    n = before + after + int(np.median(attack - onset))
    size = 1 << int(np.ceil(np.log2(2 * n)))
    window = _window(n, fade)
    margin = size // 2
    xf, yf = filtered(x, FILTER_HZ, None, rate), filtered(y, FILTER_HZ, None, rate)
    f = np.fft.rfftfreq(size, 1 / rate)
    band = (f >= LOW_HZ) & (f <= min(HIGH_HZ, 0.45 * rate))
    X = np.stack([np.fft.rfft(window * xf[k, o - before : o - before + n], size) for k, o in enumerate(onset)])
    long = 2 * margin + n
    g = np.fft.rfftfreq(2 * long, 1.0)
    found, coherence = lag, 0.0
    for _ in range(MOST_ROUNDS):
        whole = int(np.floor(found))
        turn = np.exp(2j * np.pi * g * (found - whole))
        Y = np.empty_like(X)
        for k, o in enumerate(onset):
            a = int(o) - before + whole - margin
            piece = np.zeros(long)
            lo, hi = max(a, 0), min(a + long, yf.shape[1])
            piece[lo - a : hi - a] = yf[k, lo:hi]
            moved = np.fft.irfft(np.fft.rfft(piece, 2 * long) * turn, 2 * long)[margin : margin + n]
            Y[k] = np.fft.rfft(window * moved, size)
        scale = 1.0 / np.sqrt((np.abs(X[:, band]) ** 2).sum(1) * (np.abs(Y[:, band]) ** 2).sum(1) + 1e-30)
        alike = sign * scale * (Y[:, band] * X[:, band].conj()).real.sum(1)
        agree = alike >= max(LEAST_ALIKE, float(alike.max()) - ALIKE_SPAN)
        if not agree.any():
            return Fine(lag, max(float(alike.max()), 0.0) ** 2)
        alike = np.clip(alike, 0.0, 0.999)
        scale = np.where(agree, scale * alike**2 / (1.0 - alike**2), 0.0)
        cross = (scale[:, None] * Y * X.conj()).sum(0)
        xx = (scale[:, None] * np.abs(X) ** 2).sum(0)
        yy = (scale[:, None] * np.abs(Y) ** 2).sum(0)
        blur = np.ones(SMOOTH_BINS)
        smooth_cross = np.convolve(cross, blur, "same")
        gamma2 = np.abs(smooth_cross) ** 2 / (np.convolve(xx, blur, "same") * np.convolve(yy, blur, "same") + 1e-30)
        power = xx[band] * (np.abs(f[band]) > 0)
        coherence = float(np.sum(power * gamma2[band]) / (power.sum() + 1e-30))
        looks = INDEPENDENT * float(agree.sum())
        coherence = max((looks * coherence - 1.0) / (looks - 1.0), 0.0)
        weight = gamma2[band] / (1.0 - np.minimum(gamma2[band], 0.9999))
        phase = np.angle(sign * cross[band])
        w = 2 * np.pi * f[band] / rate
        step = -float(np.sum(weight * w * phase) / (np.sum(weight * w * w) + 1e-30))
        step = float(np.clip(step, -LARGEST_STEP, LARGEST_STEP))
        found += step
        if abs(step) < CLOSE_ENOUGH:
            break
    return Fine(found, coherence)
