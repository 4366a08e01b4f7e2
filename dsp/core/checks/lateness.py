"""Tracks that are late or early by a constant: what every hit's arrival in every other mic says about the kit.

A drum's hit reaches the other mics by the way between them.  If a track is late by a constant, its own hits seem to
reach everybody else too early, and everybody else's hits reach it too late, all by the same time; ways between two
drums are much the same in both directions, so half the difference of the two arrivals is what the one is later than
the other.  Overheads have no hits of their own; they are held against the usual way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arrival", "Lateness", "arrival", "lateness"]

Floats = NDArray[np.float64]

SEARCH = 40
"""Frames (ms) before and after a hit in which its arrival is looked for."""
AFTER, BEFORE, GAP = 3, 7, 1
"""Frames compared after and before a moment, and left out between."""
LARGEST_RISE_DB = 15.0
FIRST_BAND = 1
"""Under 100 Hz a rise takes longer than what is to be measured."""
LEAST_RISE_DB = 1.0
APART = 5
"""A second rise is looked for farther than so many frames from the first."""
THEIRS = (3, 10)
"""A rise from so many frames before another drum's hit to so many after it may be that drum's."""
EDGE, EDGE_SHARE = 2, 0.5
"""So many frames beside a rise at least this share of its hits must be nobody else's, too: where the others' strokes
begin, what remains of them looks like a rise."""
FEWEST_HITS = 2
"""At so many hits (or all, if there are fewer) a moment must be nobody else's."""
DOUBT_DB, SURE_DB = -0.5, 5.0
"""An arrival counts from the first lead over the second rise on, fully with one so much more (tuned on made takes)."""
KICK_TO_OVERHEAD_MS, TO_OVERHEAD_MS, SAME_DRUM_MS = 4.5, 3.0, 0.2
FROM_KICK_MS, BETWEEN_DRUMS_MS = 2.5, 1.8
"""Usual ways to an overhead, between two mics of one drum, to another drum's mic (made takes, medians)."""
BOTH_WAYS_MS = (-1.0, 9.0)
"""There and back between two mics; what lies outside was not the same sound both times."""
SAME_DRUM_BOTH_WAYS_MS, SAME_DRUM_WEIGHT = (-6.0, 9.0), 4.0
"""The same of two mics of one drum, where a hit that is placed late is so in both directions; and what their answer
weighs: snare wires that rattle along with a tom begin late, the drum's own stroke does not."""
TOGETHER_MS = 1.5
"""Answers this close to each other say the same: what ways differ by within a kit."""
LATE_MS = 3.0
"""Less than this is a way: 1 m.  Of 200 made takes without fault (``check_faults.py``, seeds 5000–5199) a limit of 2.5
accused seven; of four looked at, two came to 2.7 and 2.8."""
FEWEST, AGREED, AT_ZERO = 1.0, 0.45, 0.3
"""At least so many answers (by weight), and this share of all, agree on the lateness; and no more than this share of
those agree on none."""
BOTH_SHARE, BOTH_LEAST = 0.2, 0.5
"""What the track's own hits say of the others and what the others' hits say of it must agree at least so far (by
weight), if both say so much: two strokes that something follows at once are not early."""
MOST_LATE = 3
"""More tracks than this are not accused: then it is the rest of the kit that is early."""


@dataclass(frozen=True, kw_only=True)
class Arrival:
    """When one drum's hits arrive in another mic.

    Attributes
    ----------
    ms : float
        After the hit in the drum's own mic.
    weight : float
        How clear it is, 0…1.
    """

    ms: float
    weight: float


@dataclass(frozen=True, kw_only=True)
class Lateness:
    """A track that is late or early.

    Attributes
    ----------
    ms : float
        Positive: late.
    share : float
        Share of the answers that agree.
    answers : float
        Their sum, by weight.
    """

    ms: float
    share: float
    answers: float


def arrival(envelopes: NDArray[Any], frames: NDArray[np.int64], others: NDArray[np.int64], frame_s: float) -> Arrival:
    """Measure when hits arrive in a mic.

    Parameters
    ----------
    envelopes : ndarray, shape (n_frames, n_bands)
        Mean squares of the mic; see `spillgate.dsp.core.hits.envelopes`.
    frames : ndarray of int, shape (n_hits,)
        Frames of the hits in their own mic.
    others : ndarray of int
        Frames of the other drums' hits, rising: a rise that may be theirs does not count.
    frame_s : float
        About 0.001.

    Returns
    -------
    arrival : Arrival
        The place of the largest mean rise within ±40 frames, to about half a frame.
    """
    reach = SEARCH + BEFORE + GAP
    inside = frames[(frames >= reach) & (frames < len(envelopes) - SEARCH - AFTER)]
    if not len(inside):
        return Arrival(ms=0.0, weight=0.0)
    span = np.arange(-reach, SEARCH + AFTER)
    pieces = np.asarray(envelopes[inside[:, None] + span, FIRST_BAND:], np.float64)
    total = np.cumsum(np.concatenate([np.zeros_like(pieces[:, :1]), pieces], axis=1), axis=1)
    at = np.arange(reach - SEARCH, reach + SEARCH + 1)
    after = (total[:, at + AFTER] - total[:, at]) / AFTER
    before = (total[:, at - GAP] - total[:, at - GAP - BEFORE]) / BEFORE
    floor = 1e-4 * after.max(axis=1, keepdims=True) + 1e-12
    rises = np.clip(10.0 * np.log10((after + floor) / (before + floor)), 0.0, LARGEST_RISE_DB).mean(axis=2)
    lags = np.arange(-SEARCH, SEARCH + 1)
    moments = inside[:, None] + lags
    theirs = np.searchsorted(others, moments + THEIRS[0]) > np.searchsorted(others, moments - THEIRS[1])
    counted = (~theirs).sum(axis=0)
    rise = np.where(theirs, 0.0, rises).sum(axis=0) / np.maximum(counted, 1)
    rise[counted < min(FEWEST_HITS, len(inside))] = 0.0
    top = int(rise.argmax())
    beside = counted[max(top - EDGE, 0) : top + EDGE + 1]
    if rise[top] < LEAST_RISE_DB or beside.min() < EDGE_SHARE * counted[top]:
        return Arrival(ms=0.0, weight=0.0)
    second = float(rise[np.abs(lags - lags[top]) > APART].max())
    near = np.where(np.abs(lags - lags[top]) <= 2, np.maximum(rise - 0.6 * rise[top], 0.0), 0.0)
    ms = 1000.0 * frame_s * float((near * lags).sum() / near.sum()) if near.any() else 0.0
    return Arrival(ms=ms, weight=float(np.clip((rise[top] - second - DOUBT_DB) / SURE_DB, 0.0, 1.0)))


def _usual(source: str, mic: str) -> float:
    """Usual way in ms of a drum's sound to a mic, by their roles."""
    if mic == "same":
        return SAME_DRUM_MS
    if mic == "overhead":
        return KICK_TO_OVERHEAD_MS if source == "kick" else TO_OVERHEAD_MS
    return FROM_KICK_MS if "kick" in (source, mic) else BETWEEN_DRUMS_MS


def lateness(arrivals: Mapping[tuple[str, str], Arrival], kinds: Mapping[str, tuple[str, str]]) -> dict[str, Lateness]:
    """Find the tracks that are late or early by a constant.

    Parameters
    ----------
    arrivals : mapping of (source track, mic track) to Arrival
        Hits of the source track's drum in the mic.
    kinds : mapping of track to (role, drum)
        Role ``overhead`` or that of a close mic.

    Returns
    -------
    late : dict of track to Lateness
        Those that are; the most certain first.  Each is taken into account when the others are judged.
    """
    known: dict[str, float] = {}
    found: dict[str, Lateness] = {}
    for _ in range(MOST_LATE + 1):
        best: tuple[float, str, Lateness] | None = None
        for track in kinds:
            if track in known:
                continue
            answer = _judge(track, arrivals, kinds, known)
            if answer is not None:
                score = answer.answers * answer.share * min(abs(answer.ms), 6.0)
                if best is None or score > best[0]:
                    best = score, track, answer
        if best is None:
            return found
        _, track, answer = best
        known[track], found[track] = answer.ms, answer
    return {}


def _judge(
    track: str,
    arrivals: Mapping[tuple[str, str], Arrival],
    kinds: Mapping[str, tuple[str, str]],
    known: Mapping[str, float],
) -> Lateness | None:
    """What all others say about one track."""
    kind, drum = kinds[track]
    nothing = Arrival(ms=0.0, weight=0.0)
    values, weights, said_by = [], [], []
    beside: list[float] = []
    for other, (other_kind, other_drum) in kinds.items():
        if other == track:
            continue
        out, back = arrivals.get((track, other), nothing), arrivals.get((other, track), nothing)
        same = "overhead" not in (kind, other_kind) and drum == other_drum
        shift = known.get(other, 0.0)
        if kind == other_kind == "overhead":
            later = _later_than(track, other, arrivals)
            if later is not None:
                beside.append(later + shift)
            continue
        least, most = SAME_DRUM_BOTH_WAYS_MS if same else BOTH_WAYS_MS
        if min(out.weight, back.weight) > 0.0 and least <= out.ms + back.ms <= most:
            values.append(0.5 * (back.ms - out.ms) + shift)
            weights.append((SAME_DRUM_WEIGHT if same else 2.0) * max(out.weight, back.weight))
            said_by.append(0)
            continue
        if out.weight > 0.0:
            values.append(_usual(kind, "same" if same else other_kind) - out.ms + shift)
            weights.append(out.weight * (1.0 if other_kind == "overhead" else 0.5))
            said_by.append(1)
        if back.weight > 0.0:
            values.append(back.ms - _usual(other_kind, "same" if same else kind) + shift)
            weights.append(back.weight * (1.0 if kind == "overhead" else 0.5))
            said_by.append(-1)
    v, w, by = np.array(values), np.array(weights), np.array(said_by)
    if not len(v):
        return None
    close = np.abs(v[:, None] - v) <= TOGETHER_MS
    best = int(np.argmax(close @ w))
    these = np.flatnonzero(close[best])
    order = these[np.argsort(v[these], kind="stable")]
    middle = float(v[order][np.searchsorted(np.cumsum(w[order]), 0.5 * w[order].sum())])
    agreed, at_zero = float(w[these].sum()), float(w[np.abs(v) <= TOGETHER_MS].sum())
    if abs(middle) < LATE_MS or agreed < max(FEWEST, AGREED * w.sum()) or at_zero > AT_ZERO * agreed:
        return None
    for side in (1, -1):
        theirs = by != -side
        if w[theirs].sum() >= BOTH_LEAST and w[theirs & close[best]].sum() < BOTH_SHARE * w[theirs].sum():
            return None
    if beside:  # a pair that hangs high hears everything late; one of it is only late beside the other
        nearest = min(beside, key=lambda b: b * np.sign(middle))
        if nearest * np.sign(middle) < LATE_MS:
            return None
        middle = min(middle, nearest, key=abs)
    return Lateness(ms=middle, share=agreed / float(w.sum()), answers=float(w.sum()))


def _later_than(track: str, other: str, arrivals: Mapping[tuple[str, str], Arrival]) -> float | None:
    """By how much hits arrive later in one overhead than in another, ms: the median over the drums they share."""
    nothing = Arrival(ms=0.0, weight=0.0)
    steps = []
    for (source, mic), here in arrivals.items():
        there = arrivals.get((source, other), nothing)
        if mic == track and min(here.weight, there.weight) > 0.0:
            steps.append(here.ms - there.ms)
    return float(np.median(steps)) if steps else None
