"""What a mic hears, in a few figures: spectrum, pitch and decay of its loudest hits, and how it shares the take's hits.

Cheap on purpose: these figures tell a kick from an overhead, not one hit from another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

__all__ = ["Character", "alike", "band_powers", "characters", "common_events", "onset_strength", "strongest_partial"]

Array = NDArray[np.float64]

FRAME_S = 0.046
"""Window of the spectra: resolves 22 Hz, which keeps the two lowest bands apart."""
HOP_S = 0.0115
EDGES_HZ = (35.0, 70.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Octaves, nearly; the lowest edges part a kick's fundamental from most toms' (common practice, no source)."""
RISE_DB = 6.0
"""Rise of a band within two frames that counts as fully struck."""
FLOOR_DB = 50.0
"""Levels this far under a track's loudest frame count as silence."""
SPACING_S = 0.08
"""Strokes closer than this are one event here."""
LOUD_DB = 10.0
"""Hits this close to the third loudest are the track's own."""
MOST_HITS = 16
PITCH_HITS = 6
"""The partial is looked for in that many hits, those most the track's own."""
NEAR_DB = 18.0
"""Events this close to a track's loudest ones count as heard well."""
SELECTIVE = 0.75
"""A mic that hears fewer of the events well stands close to something."""
INAUDIBLE_DB = 72.0
"""Sound this far under a track's loudest frame is its own window's leakage as likely as anything else's."""
FIRST_HIGH = 4
"""Bands from here on lie over 500 Hz."""


@dataclass(frozen=True, kw_only=True)
class Character:
    """Figures of one track.

    Attributes
    ----------
    level_db : float
        Loudest hit (third loudest of the events), dB re full scale; −inf for digital silence.
    shares : ndarray, shape (n_bands,)
        Share of each band of `EDGES_HZ` in the energy of the track's own loud hits; sums to 1.
    partial_hz, partial_db : float
        Strongest partial under 450 Hz after the attack of those hits, and how far it stands out of its surroundings.
    decay_s : float
        Time in which the energy under 500 Hz falls by 20 dB after them; 1.5 where it does not.
    high_decay_s : float
        The same above 4 kHz.
    share_of_events : float
        Share of the take's events that are within 18 dB of the track's loudest ones.
    together : float
        Correlation of its onset strength with that of all other tracks.
    idle_db : float
        Median frame re the loud hits.
    events_per_s : float
        Own loud hits per second.
    lag_ms : float
        By how much it hears the take's events later than the first track does, median.
    answers : float
        Share of the take's events at which this track's bands over 500 Hz rise, less the share between events: every
        mic in the room hears the others' strokes, a line from an instrument does not. 0…1, around 0 for the latter.
    """

    level_db: float
    shares: Array
    partial_hz: float
    partial_db: float
    decay_s: float
    high_decay_s: float
    share_of_events: float
    together: float
    idle_db: float
    events_per_s: float
    lag_ms: float
    answers: float


def band_powers(x: NDArray[np.floating], sr: int) -> Array:
    """Give the power in octaves over time.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
    sr : int
        Hz.

    Returns
    -------
    powers : ndarray, shape (n_frames, n_bands)
        Mean square of the signal within each band of `EDGES_HZ`, Hann-weighted.
    """
    n = fft.next_fast_len(round(FRAME_S * sr), real=True)
    hop = round(HOP_S * sr)
    window = signal.get_window("hann", n)
    x = np.pad(np.asarray(x, np.float64), (n // 2, n))
    frames = np.lib.stride_tricks.sliding_window_view(x, n)[::hop]
    bins = np.searchsorted(fft.rfftfreq(n, 1 / sr), EDGES_HZ)
    out = np.zeros((len(frames), len(EDGES_HZ) - 1))
    for a in range(0, len(frames), 512):  # bounded memory
        power = np.abs(fft.rfft(frames[a : a + 512] * window)) ** 2
        total = np.cumsum(np.pad(power, ((0, 0), (1, 0))), axis=1)
        edges = np.minimum(bins, power.shape[1])
        out[a : a + 512] = total[:, edges[1:]] - total[:, edges[:-1]]
    mean_square: Array = out * 2 / (n * float(np.sum(window**2)))
    return mean_square


def onset_strength(powers: Array) -> Array:
    """Say how strongly the bands rise at each frame, 0…1.

    Parameters
    ----------
    powers : ndarray, shape (n_frames, n_bands)

    Returns
    -------
    strength : ndarray, shape (n_frames,)
        Mean over the bands of the rise over two frames, in units of `RISE_DB`, weighted by how loud the band is then.
    """
    level = 10 * np.log10(np.maximum(powers, 1e-14))
    top = np.max(level, axis=0)
    rise = np.zeros_like(level)
    rise[2:] = np.clip((level[2:] - level[:-2]) / RISE_DB, 0, 1)
    weight = np.clip((level - top + FLOOR_DB) / FLOOR_DB, 0, 1) ** 2
    strength: Array = np.mean(rise * weight, axis=1)
    return strength


def common_events(strengths: Sequence[Array]) -> NDArray[np.int64]:
    """Find the frames at which something is struck, by all tracks together.

    Parameters
    ----------
    strengths : sequence of ndarray, shape (n_frames,)
        Of all tracks.

    Returns
    -------
    frames : ndarray of int, shape (n_events,)
        Increasing.
    """
    total = np.sum([s / max(float(np.percentile(s, 99.5)), 1e-3) for s in strengths], axis=0)
    distance = max(round(SPACING_S / HOP_S), 1)
    limit = 0.25 * float(np.percentile(total, 99.5))
    frames: NDArray[np.int64] = signal.find_peaks(total, height=max(limit, 1e-6), distance=distance)[0]
    return frames


def alike(x: NDArray[np.floating], y: NDArray[np.floating], sr: int) -> float:
    """Tell how far two mics are struck at the same moments: near 1 for two mics of one drum.

    Parameters
    ----------
    x, y : ndarray, shape (n_samples,)
    sr : int
        Hz.

    Returns
    -------
    correlation : float
        Of their onset strengths, −1…1.
    """
    return _correlation(onset_strength(band_powers(x, sr)), onset_strength(band_powers(y, sr)))


def strongest_partial(pieces: Sequence[NDArray[np.floating]], sr: int) -> tuple[float, float]:
    """Find the strongest partial under 450 Hz that pieces of sound have in common.

    Parameters
    ----------
    pieces : sequence of ndarray, shape (n,)
        Each from behind the attack of a hit.
    sr : int
        Hz.

    Returns
    -------
    partial_hz : float
        0 where there is nothing.
    prominence_db : float
        Its power re the median between 35 and 450 Hz.
    """
    if not pieces:
        return 0.0, 0.0
    size = fft.next_fast_len(4 * max(len(p) for p in pieces), real=True)
    total = np.zeros(size // 2 + 1)
    for p in pieces:
        power = np.abs(fft.rfft(p * signal.get_window("hann", len(p)), size)) ** 2
        total += power / max(float(np.sum(power)), 1e-20)
    hz = fft.rfftfreq(size, 1 / sr)
    inside = (hz >= EDGES_HZ[0]) & (hz <= 450.0)
    part = total[inside]
    if len(part) == 0 or np.max(part) <= 0:
        return 0.0, 0.0
    best = int(np.argmax(part))
    return float(hz[inside][best]), float(10 * np.log10(part[best] / max(float(np.median(part)), 1e-20)))


def _fall(level_db: Array, frames: NDArray[np.int64], gaps: NDArray[np.int64]) -> float:
    """Time until the level has fallen by 20 dB, the median over hits with room enough behind them."""
    times = []
    for frame, gap in zip(frames, gaps, strict=True):
        peak = frame + int(np.argmax(level_db[frame : frame + 4]))
        tail = ndimage.minimum_filter1d(level_db[peak : frame + gap], 3)
        below = np.flatnonzero(tail < level_db[peak] - 20)
        if len(below):
            times.append(below[0] * HOP_S)
        elif len(tail) > 3:  # not fallen before the next hit: prolong the line
            slope = (level_db[peak] - float(np.min(tail))) / max(len(tail) * HOP_S, HOP_S)
            times.append(min(20.0 / max(slope, 1.0), 1.5))
    return float(np.median(times)) if times else 1.5


def characters(tracks: Sequence[NDArray[np.floating]], sr: int) -> tuple[Character, ...]:
    """Describe all tracks of a take by their sound, each also against the others.

    Parameters
    ----------
    tracks : sequence of ndarray, shape (n_samples,)
        The same stretch of all tracks.
    sr : int
        Hz.

    Returns
    -------
    characters : tuple of Character
    """
    powers = [band_powers(x, sr) for x in tracks]
    strengths = [onset_strength(p) for p in powers]
    events = common_events(strengths) if strengths else np.zeros(0, np.int64)
    gaps = np.diff(np.append(events, len(strengths[0]) if strengths else 0))
    lags = _lags(tracks, events, sr)
    levels = np.zeros((len(tracks), len(events)))
    for k, p in enumerate(powers):
        level = _level(p)
        levels[k] = [float(np.max(level[f : f + 6])) for f in events]  # 70 ms
    return tuple(
        _describe(tracks[k], powers[k], strengths, k, events, gaps, levels, float(lags[k]), sr)
        for k in range(len(tracks))
    )


def _describe(
    x: NDArray[np.floating],
    powers: Array,
    strengths: Sequence[Array],
    k: int,
    events: NDArray[np.int64],
    gaps: NDArray[np.int64],
    levels: Array,
    lag_ms: float,
    sr: int,
) -> Character:
    level = _level(powers)
    loud = levels[k]
    order = np.argsort(-loud, kind="stable")
    third = _third(loud)
    own = np.sort([int(i) for i in order[:MOST_HITS] if loud[i] > third - LOUD_DB])
    frames = events[own] if len(own) else np.zeros(0, np.int64)
    before = [np.min(powers[max(f - 4, 0) : f + 1], axis=0) for f in frames]
    spectra = [np.maximum(np.mean(powers[f : f + 7], axis=0) - b, 0) for f, b in zip(frames, before, strict=True)]
    normal = [s / np.sum(s) for s in spectra if np.sum(s) > 0]
    shares = np.mean(normal, axis=0) if normal else np.full(powers.shape[1], 1 / powers.shape[1])
    hop = round(HOP_S * sr)
    mine = _advantage(levels, k)[own] if len(own) else np.zeros(0)
    purest = np.argsort(-mine, kind="stable")[:PITCH_HITS]
    starts = [int(frames[i]) * hop + round(0.02 * sr) for i in purest]
    pieces = [np.asarray(x[a : a + round(0.14 * sr)], np.float64) for a in starts if a + round(0.14 * sr) <= len(x)]
    partial_hz, partial_db = strongest_partial(pieces, sr)
    low = 10 * np.log10(np.maximum(np.sum(powers[:, :4], axis=1), 1e-14))
    high = 10 * np.log10(np.maximum(np.sum(powers[:, 7:], axis=1), 1e-14))
    others = np.sum([s for j, s in enumerate(strengths) if j != k], axis=0) if len(strengths) > 1 else strengths[k]
    return Character(
        level_db=third if third > -139 else -np.inf,
        shares=np.asarray(shares, np.float64),
        partial_hz=partial_hz,
        partial_db=partial_db,
        decay_s=_fall(low, frames, gaps[own] if len(own) else gaps[:0]),
        high_decay_s=_fall(high, frames, gaps[own] if len(own) else gaps[:0]),
        share_of_events=_share(loud),
        together=_correlation(strengths[k], others),
        idle_db=float(np.median(level)) - third,
        events_per_s=float(np.sum(loud > third - LOUD_DB)) / max(len(level) * HOP_S, HOP_S),
        lag_ms=lag_ms,
        answers=_answers(powers, events, gaps),
    )


def _level(powers: Array) -> Array:
    level: Array = 10 * np.log10(np.maximum(np.sum(powers, axis=1), 1e-14))
    return level


def _third(loud: Array) -> float:
    return float(np.sort(loud)[::-1][min(2, len(loud) - 1)]) if len(loud) else -140.0


def _share(loud: Array) -> float:
    return float(np.mean(loud > _third(loud) - NEAR_DB)) if len(loud) else 0.0


def _advantage(levels: Array, k: int) -> Array:
    """By how much each event is this track's own: its level re the track's loudest, less any other close mic's."""
    relative = [row - _third(row) for row in levels]
    rivals = [r for j, r in enumerate(relative) if j != k and _share(levels[j]) < SELECTIVE]
    own: Array = relative[k] - np.max(rivals, axis=0) if rivals else relative[k]
    return own


def _answers(powers: Array, events: NDArray[np.int64], gaps: NDArray[np.int64]) -> float:
    level = 10 * np.log10(np.maximum(powers[:, FIRST_HIGH:], 1e-14))
    loudest = float(np.max(10 * np.log10(np.maximum(np.sum(powers, axis=1), 1e-14))))
    floor = np.maximum(np.percentile(level, 5, axis=0), loudest - INAUDIBLE_DB)

    def rises(frame: int) -> bool:
        a, b = max(frame - 4, 0), frame + 3
        before = np.maximum(np.min(level[a : max(frame - 1, a + 1)], axis=0), floor)
        return float(np.mean(np.max(level[frame - 1 if frame else 0 : b], axis=0) > before + RISE_DB)) >= 0.5

    wide = gaps > 8
    if not np.any(wide):
        return 0.0
    at = np.mean([rises(int(f)) for f in events[wide]])
    between = np.mean([rises(int(f + g // 2)) for f, g in zip(events[wide], gaps[wide], strict=True)])
    return float(at - between)


def _correlation(a: Array, b: Array) -> float:
    a, b = a - np.mean(a), b - np.mean(b)
    norm = float(np.sqrt(np.sum(a**2) * np.sum(b**2)))
    return float(np.sum(a * b)) / norm if norm > 0 else 0.0


def _lags(tracks: Sequence[NDArray[np.floating]], events: NDArray[np.int64], sr: int) -> Array:
    """Arrival of the take's events in each track, re the first track that hears each of them, ms."""
    step = max(round(0.0005 * sr), 1)
    hop = round(HOP_S * sr)
    arrivals = np.full((len(tracks), len(events)), np.nan)
    for k, x in enumerate(tracks):
        n = len(x) // step
        fine = np.max(np.abs(np.diff(np.asarray(x[: n * step], np.float64), prepend=0.0)).reshape(n, step), axis=1)
        for j, f in enumerate(events):
            a, b = max((int(f) * hop - round(0.035 * sr)) // step, 0), (int(f) * hop + round(0.03 * sr)) // step
            part = fine[a:b]
            if len(part) < 20:
                continue
            floor = float(np.median(part[:15]))
            top = float(np.max(part))
            if top > 6 * floor + 1e-7:
                arrivals[k, j] = float(np.argmax(part > max(0.3 * top, 3 * floor))) * step / sr * 1000
    if not len(events):
        return np.zeros(len(tracks))
    heard = np.sum(np.isfinite(arrivals), axis=0) >= 2
    first = np.full(len(events), np.nan)
    first[heard] = np.nanmin(arrivals[:, heard], axis=0)
    late = arrivals - first
    return np.array([float(np.median(r[np.isfinite(r)])) if np.any(np.isfinite(r)) else 0.0 for r in late])
