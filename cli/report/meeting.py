"""How a close mic and its overhead meet at the drum's hits, before and after."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.plan.model import Alignment, Plan
from spillgate.dsp.take.model import Take, Track

__all__ = ["meeting"]

BEFORE_S, AFTER_S = 0.003, 0.012
"""Piece shown around the hit."""

SUM_S = 0.060
"""Piece over which the sums are compared."""

BANDS = (("lows", 40.0, 150.0), ("low mids", 150.0, 600.0))
"""Where a kit's weight is, Hz (common practice, no source)."""

MEAN_OF = 16
"""So many of the loudest certain hits are averaged: what belongs to other drums falls by √n."""

LEAST_DB = 0.5
"""Changes of the sum below this are not worth words."""


def meeting(take: Take, plan: Plan, track: Track, move: Alignment | None) -> dict[str, Any] | None:
    """Give the pieces of both mics around its hits and what lining them up does to their sum.

    Parameters
    ----------
    take : Take
    plan : Plan
    track : Track
    move : Alignment or None
        This track's.

    Returns
    -------
    meeting : dict or None
        ``target``, ``ms``, ``words``, and ``before``, ``after``, ``overhead`` as base64 of int16; None where nothing
        was measured.
    """
    hits = [h for h in plan.hits_of(track.id) if h.confidence >= 0.9] or list(plan.hits_of(track.id))
    if move is None or not move.target or not hits or move.target == track.id:
        return None
    target = next((t for t in take.tracks if t.id == move.target), None)
    if target is None:
        return None
    other = next((a for a in plan.alignments if a.track == target.id and a.applied), None)
    loud = sorted(hits, key=lambda h: (-h.level_db, h.time_s))[:MEAN_OF]
    sr = take.sr
    at = [round(h.time_s * sr) for h in loud]
    delay = (move.delay_samples if move.applied else 0.0) - (other.delay_samples if other else 0.0)
    polarity = move.polarity if move.applied else 1
    a, b = -round(BEFORE_S * sr), round(AFTER_S * sr)
    far, close = _mean(take, target, at, a, b, 0), _mean(take, track, at, a, b, 0)
    moved = polarity * _mean(take, track, at, a, b, round(delay))
    words = _words(take, track, target, at, delay, polarity, move)
    ms = 1000 * delay / sr
    return {
        "target": target.label,
        "ms": f"{ms:+.2f}",
        "words": words,
        "before": _int16(close),
        "after": _int16(moved),
        "overhead": _int16(far),
    }


def _mean(take: Take, track: Track, at: Sequence[int], a: int, b: int, late: int) -> NDArray[np.float64]:
    """Mean of the pieces `a` to `b` around each sample of `at`, of a track that is `late` samples late."""
    pieces = [take.read(track, k + a - late, k + b - late, "float64") for k in at]
    return np.asarray(np.mean(pieces, axis=0), np.float64)


def _words(
    take: Take, track: Track, target: Track, at: Sequence[int], delay: float, polarity: int, move: Alignment
) -> str:
    sr = take.sr
    a, b = -round(0.002 * sr), round(SUM_S * sr)
    far, close = _mean(take, target, at, a, b, 0), _mean(take, track, at, a, b, 0)
    moved = polarity * _mean(take, track, at, a, b, round(delay))
    ms = 1000 * move.measured_samples / sr
    said = [f"The overhead hears this drum {abs(ms):.1f} ms {'later' if ms >= 0 else 'earlier'} ({move.confidence})."]
    if not move.applied:
        said.append("Nothing was moved here.")
        return " ".join(said)
    gains = []
    for name, low, high in BANDS:
        gain = _sum_db(moved, far, sr, low, high) - _sum_db(close, far, sr, low, high)
        if abs(gain) >= LEAST_DB:
            gains.append(f"{name} {gain:+.1f} dB together")
    how = f" ({move.reason})" if move.reason else ""
    said.append(f"Moved {abs(1000 * delay / sr):.1f} ms {'later' if delay >= 0 else 'earlier'}{how}")
    if polarity < 0:
        said[-1] += ", polarity turned"
    said[-1] += ": " + ", ".join(gains) + "." if gains else "."
    return " ".join(said)


def _sum_db(x: NDArray[np.float64], y: NDArray[np.float64], sr: int, low: float, high: float) -> float:
    """Level in a band of the sum of two mics brought to the same level in that band, dB re one of them."""
    n = len(x)
    window = np.hanning(n)
    f = np.fft.rfftfreq(4 * n, 1 / sr)
    band = (f >= low) & (f < high)
    fx, fy = np.fft.rfft(x * window, 4 * n)[band], np.fft.rfft(y * window, 4 * n)[band]
    ex, ey = float(np.sum(np.abs(fx) ** 2)), float(np.sum(np.abs(fy) ** 2))
    if ex <= 0 or ey <= 0:
        return 0.0
    both = float(np.sum(np.abs(fx / np.sqrt(ex) + fy / np.sqrt(ey)) ** 2))
    return 10 * float(np.log10(max(both, 1e-6)))


def _int16(x: NDArray[np.float64]) -> str:
    top = float(np.max(np.abs(x))) or 1.0
    return base64.b64encode(np.round(x / top * 32767).astype("<i2").tobytes()).decode("ascii")
