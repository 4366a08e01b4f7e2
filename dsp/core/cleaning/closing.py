"""When a tom's mask closes: band by band, where the drum's ring sinks into the bleed.

Low bands hold the ring and stay open longest; the cymbals live high up and are cut soon after the stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Closing", "close_by_band", "first_run", "group_of", "mask_of", "open_spans", "until"]

EDGES_HZ = (90.0, 150.0, 250.0, 500.0, 1200.0, 3000.0, 8000.0)
"""Bands close together in eight groups; with four groups the result was 0.4 dB worse on recorded takes."""
HELD_S = 0.040
"""Open at least so long after a hit, s."""
LOOK_S = 0.045
"""A group closes when its ring has been under its bleed for this long, s."""
GONE_DB = 50.0
"""…or is so far under its own loudest since the hit, dB."""
FADE_S, FADE_SHARE = 0.060, 0.2
"""A fade takes a fifth of the time the group was open, and at least 60 ms (tuned on four takes: longer ones let bleed
through, shorter ones gain nothing)."""
PASSAGE = 3
"""So many strokes in a row that still ring when the next one comes make a passage…"""
PASSAGE_SHARE = 0.5
"""…in which a group that would be open at least this share of the time stays open throughout: it would only flutter."""
FINAL_DB = 60.0
"""A last ring that is kept ends so far under its loudest, dB."""
LONGEST_S = 12.0
"""…or after this time, s: longer than any tom rings."""


@dataclass(frozen=True)
class Closing:
    """When the groups of bands close.

    Attributes
    ----------
    firsts : ndarray, shape (n_hits,), int64
        First frame after each hit.
    closes : ndarray, shape (n_hits, n_groups), int64
        Frame in which each group starts to close; the first frame of the next hit where it does not.
    n_frames : int
    """

    firsts: NDArray[np.int64]
    closes: NDArray[np.int64]
    n_frames: int

    @property
    def stops(self) -> NDArray[np.int64]:
        """First frame of the next hit; the number of frames after the last."""
        return np.append(self.firsts, self.n_frames)[1:]


def group_of(centres_hz: NDArray[np.float64]) -> NDArray[np.int64]:
    """Give the group of each band.

    Parameters
    ----------
    centres_hz : ndarray, shape (n_bands,), float64
        Hz.

    Returns
    -------
    group : ndarray, shape (n_bands,), int64
        0…7, by `EDGES_HZ`.
    """
    return np.searchsorted(np.asarray(EDGES_HZ), centres_hz, side="right")


def close_by_band(
    ring: NDArray[np.float32],
    bleed: NDArray[np.float32],
    firsts: NDArray[np.int64],
    group: NDArray[np.int64],
    frame_s: float,
    hold_s: float = 0.0,
    final: NDArray[np.float32] | None = None,
    strength: float = 1.0,
) -> Closing:
    """Find where each group of bands closes after each hit.

    A group closes at the first 45 ms in which its ring is under its bleed, and never later than one that lies nearer to
    the group that rings loudest: a hole in the middle of the spectrum sounds wrong and clicks.

    Parameters
    ----------
    ring, bleed : ndarray, shape (n_bands, n_frames), float32
        Powers.
    firsts : ndarray, shape (n_hits,), int64
        First frame after each hit, not decreasing.
    group : ndarray, shape (n_bands,), int64
        From `group_of`.
    frame_s : float
        Time from frame to frame, s.
    hold_s : float, optional
        Close this much later.
    final : ndarray, shape (n_bands, n_frames), optional
        Power of the track, if the last hit's ring is to be kept until it has died away.
    strength : float, optional
        How much the bleed counts: more closes earlier.

    Returns
    -------
    closing : Closing
    """
    n_frames = ring.shape[1]
    n_groups = int(group.max()) + 1
    stops = np.append(firsts, n_frames)[1:].astype(np.int64)
    closes = np.empty((len(firsts), n_groups), np.int64)
    held = int(np.ceil(HELD_S / frame_s))
    look = max(int(LOOK_S / frame_s + 0.5), 1)
    hold = int(hold_s / frame_s + 0.5)
    gone = 10 ** (-GONE_DB / 10)
    for i, (a, b) in enumerate(zip(firsts, stops, strict=True)):
        rings, bleeds = (_sums(v[:, a:b], group, n_groups) for v in (ring, bleed))
        low = rings < strength * bleeds
        low |= rings <= gone * np.maximum.accumulate(rings, axis=1)
        closes[i] = np.minimum(a + first_run(low, held, look) + hold, b)
        _no_holes(closes[i], int(np.argmax(rings[:, held:].sum(axis=1))))
    _bridge(closes, firsts, stops)
    if final is not None and len(firsts):
        a = int(firsts[-1])
        total = final[:, a:].sum(axis=0, dtype=np.float64)
        dead = (total <= 10 ** (-FINAL_DB / 10) * np.maximum.accumulate(total))[None, :]
        closes[-1] = min(a + int(first_run(dead, held, look)[0]), a + int(LONGEST_S / frame_s), n_frames)
    return Closing(np.asarray(firsts, np.int64), closes, n_frames)


def until(closing: Closing, hit: int, frame: int) -> Closing:
    """Overrule when one hit's ring is let go.

    Parameters
    ----------
    closing : Closing
    hit : int
        Index of the hit.
    frame : int
        Frame in which the group that is open longest starts to close.  Earlier than found: every group is closed by
        then; later: all groups stay open longer in the same proportion.

    Returns
    -------
    closing : Closing
    """
    closes = closing.closes.copy()
    a, b = int(closing.firsts[hit]), int(closing.stops[hit])
    at = min(max(frame, a), b)
    longest = int(closes[hit].max())
    if at <= longest:
        closes[hit] = np.minimum(closes[hit], at)
    elif longest > a:
        closes[hit] = np.minimum(a + (closes[hit] - a) * (at - a) // (longest - a), b)
    else:
        closes[hit] = at
    return Closing(closing.firsts, closes, closing.n_frames)


def open_spans(
    is_open: NDArray[np.bool_], openings: NDArray[np.int64], hop: int, sr: int, n_samples: int
) -> list[tuple[float, float]]:
    """List where a mask lets anything through.

    Parameters
    ----------
    is_open : ndarray, shape (n_frames, n_bands), bool
        Bands over the floor.
    openings : ndarray, shape (n_hits,), int64
        Samples at which it opens, increasing.
    hop, sr, n_samples : int
        Samples from frame to frame, Hz, length of the timeline.

    Returns
    -------
    spans : list of (float, float)
        Seconds; strokes between which it never closes fully share one.
    """
    n = len(is_open)
    some = is_open.any(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], some, [False]]).astype(np.int8)))
    spans: list[tuple[float, float]] = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        start = first * hop
        near = openings[(openings > start - 2 * hop) & (openings < start + hop)]
        begin = max(int(near[0]) if len(near) else int(start), 0) / sr
        end = n_samples / sr if stop >= n else min(stop * hop, n_samples) / sr
        spans.append((begin, end))
    return spans


def mask_of(
    closing: Closing, group: NDArray[np.int64], frame_s: float, fade_s: float | None = None, floor: float = 0.0
) -> NDArray[np.float32]:
    """Draw the gains: open from each hit, a half cosine down where a group closes.

    Parameters
    ----------
    closing : Closing
    group : ndarray, shape (n_bands,), int64
    frame_s : float
        Time from frame to frame, s.
    fade_s : float, optional
        Length of the fades; default: in proportion to how long the group was open.
    floor : float, optional
        Linear gain while closed.

    Returns
    -------
    gains : ndarray, shape (n_frames, n_bands), float32
        Linear, `floor`…1.
    """
    gains = np.full((closing.n_frames, len(group)), floor, np.float32)
    for a, b, at in zip(closing.firsts, closing.stops, closing.closes, strict=True):
        length = np.maximum(FADE_S, FADE_SHARE * (at - a) * frame_s) if fade_s is None else np.full(len(at), fade_s)
        frames = np.arange(a, b)[:, None]
        gone = np.clip((frames - at + 1) * frame_s / np.maximum(length, frame_s), 0.0, 1.0)
        gone[:, at == b] = 0.0
        curve = 0.5 + 0.5 * np.cos(np.pi * gone)
        curve[gone >= 1.0] = 0.0
        gains[a:b] = (floor + (1.0 - floor) * curve)[:, group]
    return gains


def _sums(powers: NDArray[np.float32], group: NDArray[np.int64], n_groups: int) -> NDArray[np.float64]:
    return np.stack([powers[group == k].sum(axis=0, dtype=np.float64) for k in range(n_groups)])


def first_run(low: NDArray[np.bool_], start: int, length: int) -> NDArray[np.int64]:
    """Find per row the first place from `start` on at which so many true values begin.

    Parameters
    ----------
    low : ndarray, shape (n_rows, n), bool
    start : int
        First index that counts.
    length : int
        True values in a row.

    Returns
    -------
    first : ndarray, shape (n_rows,), int64
        `n` where there is none.
    """
    n = low.shape[1]
    if n - length < start:
        return np.full(len(low), n)
    windows = np.lib.stride_tricks.sliding_window_view(low, length, axis=1)
    runs: NDArray[np.bool_] = np.asarray(windows.all(axis=2))[:, start:]
    first: NDArray[np.int64] = np.where(runs.any(axis=1), start + runs.argmax(axis=1), n).astype(np.int64)
    return first


def _no_holes(closes: NDArray[np.int64], top: int) -> None:
    """From group `top` outwards, none may close later than the one before it (in place)."""
    closes[top:] = np.minimum.accumulate(closes[top:])
    closes[: top + 1] = np.minimum.accumulate(closes[top::-1])[::-1]


def _bridge(closes: NDArray[np.int64], firsts: NDArray[np.int64], stops: NDArray[np.int64]) -> None:
    """Keep mostly open groups open through passages (in place)."""
    rings_on: NDArray[np.bool_] = np.asarray((closes >= stops[:, None]).any(axis=1))
    rings_on[-1:] = False  # nothing follows
    i = 0
    while i < len(closes):
        j = i
        while rings_on[j]:
            j += 1
        if j - i >= PASSAGE:
            share = (closes[i:j] - firsts[i:j, None]).sum(axis=0) / max(int(stops[j - 1] - firsts[i]), 1)
            closes[i:j] = np.where(share >= PASSAGE_SHARE, stops[i:j, None], closes[i:j])
        i = j + 1
