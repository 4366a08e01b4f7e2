"""The low end of a track: mains hum, rumble, the lowest partial of a drum; from the low band of `levels`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from spillgate.dsp.core.checks.levels import low_band, low_rate

__all__ = ["Hum", "hum", "low_cut_gain", "lowest_partial"]

HUM_HZ = (50.0, 60.0)
HUM_DRIFT_HZ = 0.3
"""Mains stays within this (grids keep to ±0.2 Hz in normal use; from memory of EN 50160: ±1 % for 99.5 % of a year)."""

HUM_CHUNK_S = 24.0
"""Mains is taken to be steady for so long."""

HUM_CLEAR_DB = 9.0
"""A line counts when it stands so far over what is found 1…8 Hz away from it (tuned on made takes)."""

HUM_CLEAR_ALONE_DB = 14.0
"""The same for a line without any of its harmonics."""

HUM_FALL_DB_S = 6.0
"""A line that falls faster than this in the quiet moments is a drum's (its −60 dB time is under 10 s)."""


@dataclass(frozen=True, kw_only=True)
class Hum:
    """Mains hum of a track.

    Attributes
    ----------
    mains_hz : float
        50 or 60.
    level_db : float
        Root mean square of all its lines up to 300 Hz, dBFS.
    lines_db : mapping of int to float
        Level of each line that counts, by number of the harmonic.
    """

    mains_hz: float
    level_db: float
    lines_db: dict[int, float]


def _lines(x: NDArray[np.float64], rate: float) -> dict[float, dict[int, tuple[float, float]]]:
    """Power and clearance in dB of every mains line in one stretch of the low band."""
    n = len(x)
    # quiet moments count more: each sample is weighted by the reciprocal of the power around it, as least squares
    # with noise of changing strength asks for
    width = int(0.4 * rate)
    power = ndimage.uniform_filter1d((x - x.mean()) ** 2, width, mode="nearest")
    power = np.maximum(power, 1e-14)
    weight = 1.0 / (power + np.quantile(power, 0.1))
    weight = ndimage.uniform_filter1d(weight, width, mode="nearest") * np.hanning(n)
    total = float(weight.sum())
    if total <= 0.0:
        return {}
    centred = x - float(np.sum(weight * x)) / total
    size = 1 << int(np.ceil(np.log2(4 * n)))
    spectrum = np.abs(np.fft.rfft(centred * weight, size)) ** 2 * (2.0 / total**2)
    step = rate / size
    found: dict[float, dict[int, tuple[float, float]]] = {}
    for mains in HUM_HZ:
        found[mains] = {}
        for harmonic in range(1, int(300.0 / mains) + 1):
            f = mains * harmonic
            drift = HUM_DRIFT_HZ * min(harmonic, 2)
            a, b = int((f - drift) / step), int((f + drift) / step) + 2
            best = a + int(np.argmax(spectrum[a:b]))
            line = float(spectrum[best])
            lower = spectrum[int((f - 8.0) / step) : int((f - 1.0) / step)]
            upper = spectrum[int((f + 1.0) / step) : int((f + 8.0) / step)]
            around = max(float(np.quantile(lower, 0.95)), float(np.quantile(upper, 0.95)))
            clear = 10.0 * np.log10(max(line, 1e-30) / max(around, 1e-30))
            if clear >= HUM_CLEAR_DB and _falls(centred, weight, best * step, rate):
                clear = 0.0
            found[mains][harmonic] = (line, clear)
    return found


def _falls(x: NDArray[np.float64], weight: NDArray[np.float64], hz: float, rate: float) -> bool:
    """Whether the tone at `hz` dies away in the quieter half of the time, as a drum's does and hum does not."""
    turned = x * np.exp(-2j * np.pi * hz / rate * np.arange(len(x)))
    width, lag = int(0.25 * rate), int(0.1 * rate)
    window = np.hanning(width + 2)[1:-1]
    level = 20.0 * np.log10(np.abs(signal.fftconvolve(turned, window, "valid")) + 1e-12)
    quiet = weight[width // 2 : width // 2 + len(level) - lag]
    use = quiet >= np.median(quiet)
    fall = (level[:-lag] - level[lag:]) * (rate / lag)
    return bool(np.median(fall[use]) > HUM_FALL_DB_S)


def hum(table: NDArray[Any], sr: int) -> Hum | None:
    """Find mains hum.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
    sr : int

    Returns
    -------
    hum : Hum or None

    Notes
    -----
    Hum is a line that stays at one frequency and phase for the whole take.  The low band is correlated with lines at
    and around the harmonics of 50 and 60 Hz, weighted by the reciprocal of the power around each moment; drums near
    50 Hz come and go with any phase, are loud only for moments, and are as strong a few hertz beside.  A line counts
    if it stands over all of what is found 1…8 Hz away.  Long takes are cut into stretches of 24 s; a line must count
    in half of them, and its level is the median.
    """
    x = low_band(table)
    rate = low_rate(sr)
    used = np.flatnonzero(x)
    if len(used) < 3 * rate:
        return None
    x = x[used[0] : used[-1] + 1]
    n_parts = max(1, round(len(x) / (HUM_CHUNK_S * rate)))
    parts = [_lines(np.asarray(p), rate) for p in np.array_split(x, n_parts)]
    parts = [p for p in parts if p]
    best: Hum | None = None
    for mains in HUM_HZ:
        lines: dict[int, float] = {}
        clear: dict[int, float] = {}
        for harmonic in range(1, int(300.0 / mains) + 1):
            power = np.array([p[mains][harmonic][0] for p in parts])
            clearance = float(np.median([p[mains][harmonic][1] for p in parts]))
            if clearance >= HUM_CLEAR_DB:
                lines[harmonic] = float(10.0 * np.log10(np.median(power)))
                clear[harmonic] = clearance
        strong = [h for h in lines if clear[h] >= HUM_CLEAR_ALONE_DB]
        # 300 Hz is a harmonic of both
        if len(lines) < 2 and not (1 in strong or 2 in strong):
            continue
        level = 10.0 * np.log10(sum(10.0 ** (v / 10.0) for v in lines.values()))
        if best is None or (len(lines), level) > (len(best.lines_db), best.level_db):
            best = Hum(mains_hz=mains, level_db=float(level), lines_db=lines)
    return best


def lowest_partial(
    table: NDArray[Any], sr: int, hit_times: NDArray[np.float64], low_hz: float, high_hz: float, within_db: float = 12.0
) -> float:
    """Measure the lowest strong partial of a drum in its own mic.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
    sr : int
    hit_times : ndarray
        Own hits, seconds.
    low_hz, high_hz : float
        Where to look.
    within_db : float, optional
        How far under the strongest it may be; 0 gives the strongest.

    Returns
    -------
    partial_hz : float
        The lowest such peak in that range, or 0 without hits.  What sounded before each hit is taken off.
    """
    x, rate = low_band(table), low_rate(sr)
    size = int(0.4 * rate)
    total: NDArray[np.float64] | None = None
    window = np.hanning(size)
    for t in hit_times:
        a = int((t + 0.02) * rate)
        if a + size <= len(x):
            p = np.abs(np.fft.rfft(x[a : a + size] * window, 4 * size)) ** 2
            b = a - int(0.03 * rate) - size
            if b >= 0:
                p = np.maximum(p - np.abs(np.fft.rfft(x[b : b + size] * window, 4 * size)) ** 2, 0.0)
            total = p if total is None else total + p
    if total is None:
        return 0.0
    f = np.fft.rfftfreq(4 * size, 1.0 / rate)
    inside = np.flatnonzero((f >= low_hz) & (f <= high_hz))
    p = total[inside]
    tops = [
        k
        for k in range(1, len(p) - 1)
        if p[k] >= p[k - 1] and p[k] > p[k + 1] and p[k] >= 10.0 ** (-within_db / 10.0) * p.max() * (1.0 - 1e-9)
    ]
    return float(f[inside[tops[0]]]) if tops else 0.0


def low_cut_gain(table: NDArray[Any], sr: int, cut_hz: float) -> tuple[float, float]:
    """Measure what steadily lies under a low cut.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
    sr : int
    cut_hz : float

    Returns
    -------
    level_db, share_db : float
        Level of everything from 5 Hz to the cut in the quieter quarter of the time (pieces of 0.5 s), dBFS; and re
        the greatest level of the same band, so that rumble is near 0 and a drum far below.
    """
    x, rate = low_band(table), low_rate(sr)
    size = 1 << int(np.log2(0.75 * rate))
    if len(x) < size:
        return -200.0, -200.0
    window = np.hanning(size)
    scale = 2.0 / (np.sum(window**2) * size)  # so that the sum over frequency is the mean square
    f = np.fft.rfftfreq(size, 1.0 / rate)
    under = (f > 5.0) & (f < cut_hz)
    pieces = [x[a : a + size] for a in range(0, len(x) - size + 1, size // 2)]
    level = np.array([np.sum(np.abs(np.fft.rfft((p - p.mean()) * window))[under] ** 2) * scale for p in pieces])
    quiet, loud = float(np.quantile(level, 0.25)), float(level.max())
    if quiet <= 0.0:
        return -200.0, -200.0
    return float(10.0 * np.log10(quiet)), float(10.0 * np.log10(quiet / loud))
