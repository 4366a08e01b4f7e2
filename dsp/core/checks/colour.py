"""What a drum sounds like in its own mic: dark or bright, and how much higher or lower than another drum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.checks.levels import low_band, low_rate

__all__ = ["Colour", "colour", "pitch_step", "ring_spectrum"]

Floats = NDArray[np.float64]

AFTER, BEFORE = (0, 30), (3, 13)
"""Frames (ms) after a hit that count, and before it that are taken off."""
SHARE_FLOOR = 1e-4

RING_S, SKIP_S, GAP_S = 0.35, 0.015, 0.03
"""Stretch of the ring that is looked at, behind the attack; as much before the hit, with a gap, is taken off."""
PITCH_HZ = (45.0, 300.0)
STEPS = 240
"""Points of the spectrum over log frequency: 7 to a semitone."""
DEPTH_DB = 35.0
LARGEST_SEMITONES = 15.0
HIGHER, LOWER = 2.0, -0.5
"""Semitones from which a drum counts as higher, or as lower."""


@dataclass(frozen=True, kw_only=True)
class Colour:
    """Colour of a drum's hits.

    Attributes
    ----------
    bright_db : float
        Energy over 1.8 kHz re that of 40–100 Hz, median over the hits.
    low_db : float
        Energy of 40–100 Hz re all.
    """

    bright_db: float
    low_db: float


def colour(envelopes: NDArray[Any], frames: NDArray[np.int64]) -> Colour | None:
    """Measure how bright a drum's hits are.

    Parameters
    ----------
    envelopes : ndarray, shape (n_frames, 6)
        Mean squares of its mic; see `spillgate.dsp.core.hits.envelopes`.
    frames : ndarray of int, shape (n_hits,)

    Returns
    -------
    colour : Colour or None
        None without hits.
    """
    inside = frames[(frames >= BEFORE[1]) & (frames < len(envelopes) - AFTER[1])]
    if not len(inside):
        return None
    after = np.asarray(envelopes[inside[:, None] + np.arange(*AFTER)], np.float64).mean(axis=1)
    before = np.asarray(envelopes[inside[:, None] - np.arange(*BEFORE)], np.float64).mean(axis=1)
    fresh = np.maximum(after - before, 0.0)
    share = np.median(fresh / np.maximum(fresh.sum(axis=1, keepdims=True), 1e-30), axis=0)
    low = 10.0 * float(np.log10(share[0] + SHARE_FLOOR))
    return Colour(bright_db=10.0 * float(np.log10(share[4] + share[5] + SHARE_FLOOR)) - low, low_db=low)


def ring_spectrum(table: NDArray[Any], sr: int, times: Floats) -> Floats | None:
    """Spectrum of a drum's ring over log frequency, dB over 35 dB under its strongest partial; shape (STEPS,).

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
        Of `spillgate.dsp.core.checks.levels.Levels`.
    sr : int
        Hz.
    times : ndarray
        Own hits, seconds.

    Returns
    -------
    spectrum : ndarray or None
        None without hits.
    """
    x, rate = low_band(table), low_rate(sr)
    size, n = int(RING_S * rate), 4096
    window = np.hanning(size)
    rows = []
    for t in times:
        a = int((t + SKIP_S) * rate)
        b = a - int((SKIP_S + GAP_S) * rate) - size
        if a + size <= len(x):
            p = np.abs(np.fft.rfft(x[a : a + size] * window, n)) ** 2
            if b >= 0:
                p = np.maximum(p - np.abs(np.fft.rfft(x[b : b + size] * window, n)) ** 2, 0.0)
            rows.append(p / max(float(p.max()), 1e-30))
    if not rows:
        return None
    hz = np.geomspace(*PITCH_HZ, STEPS)
    p = np.interp(hz, np.fft.rfftfreq(n, 1.0 / rate), np.median(rows, axis=0))
    return np.asarray(np.maximum(10.0 * np.log10(p / max(float(p.max()), 1e-30) + 1e-9), -DEPTH_DB) + DEPTH_DB)


def pitch_step(a: Floats, b: Floats) -> tuple[float, float]:
    """Tell by how much one drum sounds higher than another, by all partials together.

    Parameters
    ----------
    a, b : ndarray, shape (STEPS,)
        Of `ring_spectrum`.

    Returns
    -------
    semitones, lead : float
        How far the second spectrum must be moved to lie best on the first; positive: the second is higher.  And how
        much better its best place among the higher ones (from 2 semitones on) fits than its best among the lower ones,
        as a difference of correlations.
    """
    per_step = 12.0 * float(np.log2(PITCH_HZ[1] / PITCH_HZ[0])) / (STEPS - 1)
    most = int(LARGEST_SEMITONES / per_step)
    norm = max(float(np.sqrt(np.dot(a, a) * np.dot(b, b))), 1e-30)
    higher = [float(np.dot(a[: STEPS - k], b[k:])) for k in range(most + 1)]
    lower = [float(np.dot(a[k:], b[: STEPS - k])) for k in range(most, 0, -1)]
    fit = np.array(lower + higher) / norm
    semitones = np.arange(-most, most + 1) * per_step
    best = float(semitones[int(np.argmax(fit))])
    return best, float(fit[semitones >= HIGHER].max() - fit[semitones <= LOWER].max())
