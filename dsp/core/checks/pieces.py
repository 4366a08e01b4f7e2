"""Comparing pieces of two mics round the same hits: how they sum, which hears later, how much is direct sound."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

__all__ = ["arrival_after", "direct_share", "sum_gain_db"]

STEP_MS = 0.1
HIGH_PASS_HZ = 1000.0
"""The stick is heard above this; what still rings is mostly below."""

RISE = 0.04
"""An arrival is where the energy of 0.5 ms first exceeds what was before by this share of its greatest."""

DIRECT_MS = 5.0
"""Sound so soon after the arrival counts as direct (common practice, no source)."""


def sum_gain_db(a: NDArray[Any], b: NDArray[Any], sr: int, low_hz: float, high_hz: float) -> float:
    """Compare the sum of two mics with their difference, both made equally loud in the band.

    Parameters
    ----------
    a, b : ndarray, shape (n_hits, n_samples)
        The same moments of both.
    sr : int
    low_hz, high_hz : float
        The band.

    Returns
    -------
    gain_db : float
        By how much the sum is louder as it is than with one of both turned round; −30…+30.
    """
    f = np.fft.rfftfreq(a.shape[-1], 1.0 / sr)
    inside = (f >= low_hz) & (f < high_hz)
    x, y = np.fft.rfft(a)[:, inside], np.fft.rfft(b)[:, inside]
    power = float(np.sum(np.abs(x) ** 2) * np.sum(np.abs(y) ** 2))
    if power <= 0.0:
        return 0.0
    r = float(np.sum((x * np.conj(y)).real)) / np.sqrt(power)
    return float(np.clip(10.0 * np.log10((1.0 + r + 1e-9) / (1.0 - r + 1e-9)), -30.0, 30.0))


def _envelope(pieces: NDArray[Any], sr: int) -> tuple[NDArray[np.float64], float]:
    """Energy in 0.5 ms, every 0.1 ms, above 1 kHz; each hit made equally loud; shape (n_hits, n_steps)."""
    step = max(1, round(STEP_MS * sr / 1000.0))
    sos = signal.butter(2, HIGH_PASS_HZ, "highpass", fs=sr, output="sos")
    power = signal.sosfilt(sos, np.asarray(pieces, np.float64), axis=-1) ** 2
    power = power / np.maximum(power.sum(axis=1, keepdims=True), 1e-30)
    total = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=1)], axis=1)
    at = np.arange(0, power.shape[1] - 5 * step, step)
    return total[:, at + 5 * step] - total[:, at], step / sr


def _arrival(envelope: NDArray[np.float64]) -> int:
    """First step at which the mean over the hits has risen well above all that was before; −1 if none has.

    The level before the hit is its own for each hit, so that what still rings does not hide the arrival.
    """
    mean = np.median(envelope, axis=0)
    n = max(1, envelope.shape[1] // 40)
    before = float(mean[:n].max())
    limit = max(before + RISE * float(mean.max()), 2.5 * before)
    over = np.flatnonzero(mean > limit)
    return int(over[0]) if len(over) else -1


def arrival_after(near: NDArray[Any], far: NDArray[Any], sr: int) -> float | None:
    """Measure by how much later a far mic hears the hits than a near one.

    Parameters
    ----------
    near, far : ndarray, shape (n_hits, n_samples)
        The same moments; the hits begin some way into them.
    sr : int

    Returns
    -------
    ms : float or None
        To about 0.3 ms; None if no rise is found.
    """
    a, step_s = _envelope(near, sr)
    b, _ = _envelope(far, sr)
    i, j = _arrival(a), _arrival(b)
    if i < 0 or j < i:
        return None
    return 1000.0 * (j - i) * step_s


def direct_share(pieces: NDArray[Any], sr: int) -> float:
    """Give the share of the energy after the arrival that is direct sound.

    Parameters
    ----------
    pieces : ndarray, shape (n_hits, n_samples)
    sr : int
        Hz.

    Returns
    -------
    share : float
        Energy within the first 5 ms re all of it, 0…1.
    """
    envelope, step_s = _envelope(pieces, sr)
    i = _arrival(envelope)
    if i < 0:
        return 0.0
    heard = np.median(envelope, axis=0)[i:]
    n = round(DIRECT_MS / 1000.0 / step_s)
    return float(heard[:n].sum() / max(heard.sum(), 1e-30))
