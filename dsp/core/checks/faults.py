"""Faults of single tracks, worked out from the table of `spillgate.dsp.core.checks.levels`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.checks.levels import column, frame_hop

__all__ = [
    "Clip",
    "Cut",
    "Dropout",
    "clicks",
    "clipping",
    "cut_at_end",
    "dropouts",
    "is_dead",
]

FULL_SCALE = 0.985
"""A flat top at or above this is one at full scale: −0.13 dBFS leaves room for a fader at −0.1 dB."""

SAME_TOP = 0.98
"""Flat tops this close to the track's peak belong to one clipping level."""

FULL_MOMENTS = 3
"""Where the wave only touches full scale with a sample or two (bright sounds have narrow tops), so many moments at the
last step of the converter are clipping: a loud natural wave has its greatest sample once."""

FLAT_MOMENTS, FLAT_FEW = 4, 2
"""Flat tops below full scale count from so many moments on, and from the second on if nothing else comes so high (one
flat top is chance; of 2500 tracks of made takes none had two at its top)."""

DROP_DBFS = -50.0
"""Sound on both sides of a dropout is at least so loud (common practice, no source)."""

DROP_MAX_S = 2.0
"""A longer gap is a pause or an edit."""

CLICK_DB = 36.0
"""A click stands so far over the 5 ms around it; drum hits reach 30 (tuned on made takes)."""

CLICK_DBFS = -46.0
"""Softer clicks are left alone (second difference re full scale)."""

CLICK_APART_S = 0.012
"""Nearer than this to a hit it may be the hit's own attack."""

CUT_TAIL_S, CUT_LAST_S = 0.1, 0.02
CUT_OVER_NOISE_DB = 15.0
CUT_UNDER_PEAK_DB = 36.0
"""Cut: the last 0.1 s, and the last 0.02 s of them, are so far over the noise floor and less than so far under the
loudest 10 ms (common practice, no source); a fade-out leaves nothing in the last of it."""


@dataclass(frozen=True, kw_only=True)
class Clip:
    """Flat tops of a track.

    Attributes
    ----------
    full_scale : bool
        Whether they are at full scale; otherwise a limiter or drive may have made them.
    level_db : float
        dBFS.
    moments : tuple of float
        Seconds; one for each frame of 10 ms.
    n_samples : int
        Samples in them.
    over_db : float
        How far the wave would have gone on, at least, by the slopes at its foot; 0 without flat tops.
    """

    full_scale: bool
    level_db: float
    moments: tuple[float, ...]
    n_samples: int
    over_db: float


def _frame_s(sr: int) -> float:
    return frame_hop(sr) / sr


def clipping(table: NDArray[Any], sr: int) -> Clip | None:
    """Find flat tops at the track's greatest level.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
        Of `spillgate.dsp.core.checks.levels.Levels`.
    sr : int

    Returns
    -------
    clip : Clip or None
        None where there are none.  At full scale one flat top of three samples is enough, or three moments with a
        sample at the last step; below, there must be four moments with flat tops at one level, and they must be at
        least a fifth of the moments that come within 1 dB of it; or two, and nothing else comes so high.
    """
    level = column(table, "flat_level")
    peak = column(table, "peak")
    top = float(peak.max(initial=0.0))
    at = np.flatnonzero((level >= SAME_TOP * top) & (level > 0.0))
    full = top >= FULL_SCALE
    if not len(at):
        touched = np.flatnonzero(column(table, "full_scale") > 0.0)
        if len(touched) < FULL_MOMENTS or top > 1.0:  # floating point goes on above full scale
            return None
        at = touched
    near = int(np.sum(peak >= 0.891 * top))
    share = 0.2 if len(at) >= FLAT_MOMENTS else 1.0
    if not full and (len(at) < FLAT_FEW or len(at) < share * near):
        return None
    return Clip(
        full_scale=full,
        level_db=float(20.0 * np.log10(top)),
        moments=tuple(float(k * _frame_s(sr)) for k in at),
        n_samples=int(np.maximum(column(table, "flat"), column(table, "full_scale"))[at].sum()),
        over_db=float(20.0 * np.log10(max(column(table, "flat_over")[at].max(), 1.0))),
    )


@dataclass(frozen=True, kw_only=True)
class Dropout:
    """A hole in the sound.

    Attributes
    ----------
    time_s : float
        About where it ends (within 10 ms).
    length_ms : float
    level_db : float
        Of the sound beside it, quieter side, dBFS.
    """

    time_s: float
    length_ms: float
    level_db: float


def dropouts(table: NDArray[Any], sr: int, noise_db: float = -200.0) -> tuple[Dropout, ...]:
    """Find runs of zeros or of one repeated sample that have sound on both sides.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
    sr : int
    noise_db : float, optional
        The track's noise floor; the sound must be 10 dB over it.

    Returns
    -------
    holes : tuple of Dropout
        In order of time.  A natural pause is no hole: its sound has died away before it.
    """
    run, level = column(table, "stuck"), column(table, "stuck_level")
    limit = 10.0 ** (max(DROP_DBFS, min(noise_db + 10.0, -20.0)) / 20.0)
    at = np.flatnonzero((run > 0) & (run <= DROP_MAX_S * sr) & (level >= limit))
    return tuple(
        Dropout(
            time_s=float(k * _frame_s(sr)),
            length_ms=float(1000.0 * run[k] / sr),
            level_db=float(20.0 * np.log10(level[k])),
        )
        for k in at
    )


def clicks(
    table: NDArray[Any], sr: int, hit_times: NDArray[np.float64], holes: tuple[Dropout, ...] = ()
) -> NDArray[np.float64]:
    """Find lone impulses that belong to no hit: crackle of a bad cable, bad edits, lost samples.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
    sr : int
    hit_times : ndarray
        Hits of all drums, seconds.
    holes : tuple of Dropout, optional
        Their edges click, too, and are left out.

    Returns
    -------
    times : ndarray
        Seconds, to 10 ms.
    """
    ratio = 10.0 * np.log10(np.maximum(column(table, "click_ratio"), 1e-9))
    at = np.flatnonzero((ratio >= CLICK_DB) & (column(table, "click") >= 10.0 ** (CLICK_DBFS / 20.0)))
    used = np.flatnonzero(column(table, "peak"))
    if not len(used):
        return np.zeros(0)
    at = at[(at > used[0] + 1) & (at < used[-1] - 1)]  # where a recording begins or ends it may jump
    times = at * _frame_s(sr)
    edges = np.array([t for h in holes for t in (h.time_s, h.time_s - h.length_ms / 1000.0)])
    keep = np.ones(len(times), bool)
    for others, before, after in (
        (np.asarray(hit_times, np.float64), CLICK_APART_S, CLICK_APART_S + _frame_s(sr)),
        (edges, 0.03, 0.03),
    ):
        if len(others):
            keep &= np.array([not np.any((others > t - before) & (others < t + after)) for t in times], bool)
    return np.asarray(times[keep], np.float64)


@dataclass(frozen=True, kw_only=True)
class Cut:
    """Sound that the end of the recording cuts off.

    Attributes
    ----------
    level_db : float
        Of the last 0.1 s, dBFS.
    over_noise_db, under_peak_db : float
        Re the noise floor and the loudest 10 ms.
    """

    level_db: float
    over_noise_db: float
    under_peak_db: float


def cut_at_end(table: NDArray[Any], sr: int, noise_db: float, loud_db: float) -> Cut | None:
    """Tell whether the recording ends before the last ring has died.

    Parameters
    ----------
    table : ndarray, shape (n_frames, n_columns)
        Up to the track's last sample.
    sr : int
    noise_db, loud_db : float
        Of `spillgate.dsp.core.checks.levels.level_figures`.

    Returns
    -------
    cut : Cut or None
    """
    power = column(table, "power") - column(table, "mean") ** 2
    n = max(1, round(CUT_TAIL_S / _frame_s(sr)))
    if len(power) < 4 * n:
        return None
    last = max(1, round(CUT_LAST_S / _frame_s(sr)))
    tail = min(float(np.mean(power[-k - 1 : -1])) for k in (n, last))
    level = 10.0 * float(np.log10(max(tail, 1e-20)))
    if level - noise_db < CUT_OVER_NOISE_DB or loud_db - level > CUT_UNDER_PEAK_DB:
        return None
    return Cut(level_db=level, over_noise_db=level - noise_db, under_peak_db=loud_db - level)


def is_dead(loud_db: float, noise_db: float, kit_range_db: float) -> bool:
    """Tell whether a track holds nothing but noise while the rest of the kit plays.

    Parameters
    ----------
    loud_db, noise_db : float
        Loudest 10 ms and noise floor of the track, dBFS.
    kit_range_db : float
        The same distance in the tracks of the kit, median.

    Returns
    -------
    dead : bool
        Noise alone has its loudest of thousands of frames some 3 dB over its quietest tenth; 6 dB leaves room for hum.
    """
    return loud_db - noise_db < 6.0 and kit_range_db > 20.0
