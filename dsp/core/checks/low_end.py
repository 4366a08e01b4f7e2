"""The low end of a track: mains hum, rumble, the lowest partial of a drum; from the low band of `levels`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from spillgate.dsp.core.checks.levels import low_band, low_rate

__all__ = ["Hum", "hum", "low_cut_gain", "lowest_partial"]

HUM_HZ = (50.0, 60.0)
HUM_DRIFT_HZ = 0.3
"""Mains stays within this (grids keep to ±0.2 Hz in normal use; from memory of EN 50160: ±1 % for 99.5 % of a year)."""

HUM_CHUNK_S = 24.0
"""Mains is taken to be steady for so long."""

HUM_AROUND_HZ = (1.0, 8.0)
"""A line is held against what is found so far away from it."""

HUM_HALF_BAND_HZ = 20.0
"""Half width of the band cut out round a line; its edges fade away from 10 Hz on."""

HUM_CLEAR_DB = 6.0
"""A line counts when it stands so far over what is found around it…"""

HUM_CLEAR_ALL_DB, HUM_CLEAR_ALONE_DB = 17.5, 20.0
"""…and two or more of them, the first or second harmonic among them, together so far, or one of these two alone so far
(tuned on made takes: without hum no more than 15.3 and 14)."""

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
    n = fft.next_fast_len(len(x))
    spectrum = fft.fft(x - x.mean(), n)
    half = int(HUM_HALF_BAND_HZ * n / rate)
    bins = np.arange(-half, half)
    edge = np.clip(2.0 - np.abs(bins) / (0.5 * half), 0.0, 1.0)
    fade = 0.5 - 0.5 * np.cos(np.pi * edge)
    found: dict[float, dict[int, tuple[float, float]]] = {}
    lines: dict[float, tuple[float, float]] = {}
    for mains in HUM_HZ:
        found[mains] = {}
        for harmonic in range(1, int(300.0 / mains) + 1):
            if mains * harmonic in lines:  # 300 Hz is a harmonic of both
                found[mains][harmonic] = lines[mains * harmonic]
                continue
            middle = round(mains * harmonic * n / rate)
            band = fft.ifft(fft.ifftshift(spectrum[middle + bins] * fade)) * (2 * half / n)
            band_rate = rate * 2 * half / n
            use = int(len(x) * band_rate / rate)
            offset = mains * harmonic - middle * rate / n
            line = _line(band[:use], band_rate, offset, HUM_DRIFT_HZ * min(harmonic, 2))
            found[mains][harmonic] = lines[mains * harmonic] = line
    return found


def _line(band: NDArray[np.complex128], rate: float, offset_hz: float, drift_hz: float) -> tuple[float, float]:
    """Power and clearance of a steady line at `offset_hz` ± `drift_hz` from the middle of a narrow band.

    Quiet moments count more: each sample is weighted by the reciprocal of the power around it in this band, as least
    squares with noise of changing strength asks for.
    """
    power = ndimage.uniform_filter1d(band.real**2 + band.imag**2, max(3, round(0.12 * rate)), mode="nearest")
    power = np.maximum(power, 1e-14)
    weight = 1.0 / (power + np.partition(power, len(power) // 10)[len(power) // 10])
    weight = ndimage.uniform_filter1d(weight, 3, mode="nearest") * np.hanning(len(band) + 2)[1:-1]
    size = 1 << int(np.ceil(np.log2(8 * len(band))))
    spectrum = fft.fft(band * weight, size)
    scale = 2.0 / float(weight.sum()) ** 2

    def powers(low_hz: float, high_hz: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Bins between two frequencies re the line, and what is in them."""
        step = rate / size
        k = np.arange(int(np.ceil((offset_hz + low_hz) / step)), int(np.floor((offset_hz + high_hz) / step)) + 1)
        there = spectrum[k % size]
        return k, (there.real**2 + there.imag**2) * scale

    bins, at_line = powers(-drift_hz, drift_hz)
    best = int(np.argmax(at_line))
    near, far = HUM_AROUND_HZ
    around = max(_nearly_largest(powers(-far, -near)[1]), _nearly_largest(powers(near, far)[1]))
    clear = 10.0 * np.log10(max(float(at_line[best]), 1e-30) / max(around, 1e-30))
    if clear >= HUM_CLEAR_DB and _falls(band, weight, float(bins[best]) * rate / size, rate):
        clear = 0.0
    return float(at_line[best]), float(clear)


def _nearly_largest(x: NDArray[np.float64]) -> float:
    """The value that one in twenty exceeds."""
    k = int(0.95 * (len(x) - 1))
    return float(np.partition(x, k)[k])


def _falls(band: NDArray[np.complex128], weight: NDArray[np.float64], hz: float, rate: float) -> bool:
    """Whether the tone at `hz` dies away in the quieter half of the time, as a drum's does and hum does not."""
    turned = band * np.exp(-2j * np.pi * hz / rate * np.arange(len(band)))
    width, lag = max(3, round(0.25 * rate)), max(1, round(0.1 * rate))
    window = np.hanning(width + 2)[1:-1]
    level = 20.0 * np.log10(np.abs(np.convolve(turned, window, "valid")) + 1e-12)
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
    Hum is a line that stays at one frequency and phase for the whole take.  A narrow band round each harmonic of 50 and
    60 Hz is correlated with lines at and around it, weighted by the reciprocal of the band's power around each moment;
    drums come and go with any phase, are loud only for moments, and are as strong a few hertz beside.  A line counts if
    it stands over all of what is found 1…8 Hz away.  Long takes are cut into stretches of 24 s; a line must count in
    half of them, and its level is the median.
    """
    x = low_band(table)
    rate = low_rate(sr)
    sounding = x != 0.0
    if np.count_nonzero(sounding) < 3 * rate:
        return None
    x = x[int(sounding.argmax()) : len(x) - int(sounding[::-1].argmax())]
    n_parts = max(1, round(len(x) / (HUM_CHUNK_S * rate)))
    parts = [_lines(np.asarray(p, np.float64), rate) for p in np.array_split(x, n_parts)]
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
        alone = max(clear.get(1, 0.0), clear.get(2, 0.0))
        # 300 Hz is a harmonic of both
        together = sum(clear.values()) if alone > 0.0 and len(lines) > 1 else 0.0
        if alone < HUM_CLEAR_ALONE_DB and together < HUM_CLEAR_ALL_DB:
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


PLAYING_HZ = (50.0, 200.0)
"""Where kick and toms are strong."""

PIECES_AT_ONCE = 256
"""Pieces transformed at a time: a long take must not need more memory."""


def low_cut_gain(table: NDArray[Any], sr: int, cut_hz: float) -> tuple[float, float, float, float]:
    """Measure what steadily lies under a low cut.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
    sr : int
    cut_hz : float

    Returns
    -------
    level_db, steady_db, share_db, follows : float
        Level of everything from 5 Hz to the cut in the quieter quarter of the time (pieces of 0.5 s), dBFS; how far
        the tenth of the pieces is under the four tenths, and that quarter under the loudest piece: near 0 for rumble,
        far below for what comes and goes.  And by how many dB it rises for each dB by which 50…200 Hz rise (least
        squares): 0 for rumble, about 1 for what the drums make themselves.
    """
    x, rate = low_band(table), low_rate(sr)
    size = 1 << int(np.log2(0.75 * rate))
    if len(x) < size:
        return -200.0, -200.0, -200.0, 0.0
    window = np.hanning(size)
    scale = 2.0 / (np.sum(window**2) * size)  # so that the sum over frequency is the mean square
    f = np.fft.rfftfreq(size, 1.0 / rate)
    under = (f > 5.0) & (f < cut_hz)
    kit = (f > PLAYING_HZ[0]) & (f < PLAYING_HZ[1])
    pieces = np.lib.stride_tricks.sliding_window_view(x, size)[:: size // 2]
    level, played = np.empty(len(pieces)), np.empty(len(pieces))
    for a in range(0, len(pieces), PIECES_AT_ONCE):
        some = pieces[a : a + PIECES_AT_ONCE].astype(np.float64)
        spectra = fft.rfft((some - some.mean(axis=1, keepdims=True)) * window, axis=1)
        power = (spectra.real**2 + spectra.imag**2) * scale
        level[a : a + len(some)] = power[:, under].sum(axis=1)
        played[a : a + len(some)] = power[:, kit].sum(axis=1)
    low, quiet, middle = (float(v) for v in np.quantile(level, (0.1, 0.25, 0.4)))
    if low <= 0.0:
        return -200.0, -200.0, -200.0, 0.0
    steady, share = 10.0 * np.log10([low / middle, quiet / level.max()])
    there = (level > 0.0) & (played > 0.0)
    y, x = (10.0 * np.log10(v[there]) - np.mean(10.0 * np.log10(v[there])) for v in (level, played))
    follows = float(x @ y) / max(float(x @ x), 1e-9)
    return float(10.0 * np.log10(quiet)), float(steady), float(share), follows
