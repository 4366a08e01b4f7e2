"""What the triggers on drums say about hits: a track of pulses, one for each stroke its drum has felt.

A trigger confirms what the mics found and points at what they missed.  It is no witness on its own: it is believed as
far as it agrees with the sure hits of its drum, after a constant offset that is learned from them, and it may fire
twice, miss strokes, or feel the neighbours.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.novelty import novelty
from spillgate.dsp.core.hits.relearn import thinned
from spillgate.dsp.core.hits.scene import Candidates

__all__ = ["Confirmed", "confirm", "firings", "heed"]

FAINTEST_DB = -30.0
"""A pulse fainter than this, re the trigger's loud ones, is hum or handling.  All values here: common practice, no
source; the tests try others."""
APART = 12
"""Frames within which a trigger has one pulse: the longest that a pulse swings out."""
FARTHEST = 60
"""Offsets are looked for up to so many frames to both sides: converters and modules take a few milliseconds."""
TOLERANCE = 4
"""Frames within which a pulse and a hit belong together once the offset is off."""
FEWEST, LEAST_SHARE = 3, 0.3
"""An offset is learned from so many pairs, and from this share of the pulses or the hits, whichever are fewer."""
LIKELY, SURE, NONE = 0.5, 0.97, 0.03
"""Candidates from which the offset is learned; those by which a trigger is judged: hits for certain, and none."""
MOST = 200.0
"""Greatest factor by which a pulse raises the odds of a hit."""
TWICE = 60
"""A pulse so many frames after one that belongs to a hit, where the mic hears nothing, is the same stroke again."""
ALONE = 0.5
"""Probability of a stroke that no mic heard, re the share of the trigger's pulses that are strokes."""


@dataclass(frozen=True)
class Confirmed:
    """One drum's candidates after its trigger was heard.

    Attributes
    ----------
    probability : ndarray, shape (n,), float64
        Of the candidates that were given; none is lower than before.
    added : ndarray, shape (n_added,), int64
        Frames of pulses at which the drum's mic has no candidate.
    added_probability : ndarray, shape (n_added,), float64
    offset : int or None
        Frames by which the mic hears a stroke later than the trigger fires; None: it could not be learned and the
        trigger was not heeded.
    agreed : int
        Pulses that belong to a likely hit.
    """

    probability: NDArray[np.float64]
    added: NDArray[np.int64]
    added_probability: NDArray[np.float64]
    offset: int | None
    agreed: int


def firings(energy: NDArray[np.float32]) -> NDArray[np.int64]:
    """Find the pulses of a trigger track.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6), float32
        From `BandEnvelopes`.

    Returns
    -------
    frames : ndarray, shape (n,), int64
        Increasing.
    """
    known = novelty(energy)
    at, strength = known.candidates, known.strength_db.astype(np.float64)
    return at[thinned(np.zeros(len(at), np.int64), at, strength, FAINTEST_DB, APART)]


def confirm(frame: NDArray[np.int64], probability: NDArray[np.float64], pulses: NDArray[np.int64]) -> Confirmed:
    """Weigh one drum's candidates by its trigger.

    Parameters
    ----------
    frame : ndarray, shape (n,), int64
        Candidates of the drum in its mic, increasing.
    probability : ndarray, shape (n,), float64
        That each is a hit.
    pulses : ndarray, shape (n_pulses,), int64
        From `firings`.

    Returns
    -------
    confirmed : Confirmed

    Notes
    -----
    A pulse multiplies the odds of the candidate it meets by (share of the sure hits with a pulse) / (share of what is
    surely no hit with one), each with one more and one less counted (Laplace's rule of succession): a trigger that
    feels the neighbours says little.  That a pulse is missing says nothing.
    """
    nothing = np.zeros(0, np.int64), np.zeros(0)
    offset = _offset(frame[probability >= LIKELY], pulses)
    if offset is None:
        return Confirmed(probability, *nothing, None, 0)
    expected = pulses + offset
    met = _distance(frame, expected) <= TOLERANCE
    sure, none = probability >= SURE, probability < NONE
    seen = (np.sum(met & sure) + 1) / (np.sum(sure) + 2)
    false = (np.sum(met & none) + 1) / (np.sum(none) + 2)
    factor = float(np.clip(seen / false, 1.0, MOST))
    raised = np.where(met, factor * probability / (1.0 + (factor - 1.0) * probability), probability)
    right = _distance(expected, frame[raised >= LIKELY]) <= TOLERANCE
    alone = _distance(expected, frame) > TOLERANCE
    real = np.append(np.int64(-(10**9)), expected[right])  # so that each has one before it
    again = expected - real[np.searchsorted(real, expected, side="left") - 1] <= TWICE
    added = expected[alone & ~again & (expected >= 0)]
    p = ALONE * float(np.mean(right))
    return Confirmed(raised, added, np.full(len(added), p), offset, int(np.sum(right)))


def heed(
    candidates: Candidates, probability: NDArray[np.float64], drum: int, pulses: NDArray[np.int64]
) -> tuple[Candidates, NDArray[np.float64], Confirmed]:
    """Let the trigger of one drum confirm and add hits.

    Parameters
    ----------
    candidates : Candidates
    probability : ndarray, shape (n_candidates,), float64
    drum : int
        Index of the trigger's drum.
    pulses : ndarray, shape (n_pulses,), int64
        From `firings`.

    Returns
    -------
    candidates : Candidates
        With what the mic did not hear; of these drum and frame are known, their other numbers are 0.
    probability : ndarray, shape (n_candidates,), float64
    confirmed : Confirmed
    """
    mine = np.flatnonzero(candidates.drum == drum)
    found = confirm(candidates.frame[mine], probability[mine], pulses)
    p = probability.copy()
    p[mine] = found.probability
    if not len(found.added):
        return candidates, p, found
    at = int(mine[-1]) + 1  # the candidates of a drum stand together, in order of time
    head = np.concatenate([candidates.frame[mine], found.added])
    order = mine[0] + np.argsort(head, kind="stable")
    order = np.concatenate([np.arange(mine[0]), order, np.arange(at + len(found.added), len(p) + len(found.added))])
    new = {"drum": np.full(len(found.added), drum), "frame": found.added, "event": np.full(len(found.added), -1)}

    def with_new(name: str, column: NDArray[Any]) -> Any:
        rows = new.get(name, np.zeros((len(found.added), *column.shape[1:])))
        wider = np.concatenate([column[:at], rows.astype(column.dtype), column[at:]])
        return wider[order]

    columns = {f.name: getattr(candidates, f.name) for f in dataclasses.fields(candidates)}
    more: dict[str, Any] = {
        name: tuple(with_new(name, c) for c in column) if isinstance(column, tuple) else with_new(name, column)
        for name, column in columns.items()
    }
    p = np.concatenate([p[:at], found.added_probability, p[at:]])[order]
    return Candidates(**more), p, found


def _offset(hits: NDArray[np.int64], pulses: NDArray[np.int64]) -> int | None:
    """Find the difference that most pairs of a hit and a pulse share; of equal ones the smallest."""
    if not len(hits) or not len(pulses):
        return None
    first = np.searchsorted(pulses, hits - FARTHEST)
    n = np.searchsorted(pulses, hits + FARTHEST, side="right") - first
    which = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n) + np.repeat(first, n)
    away = np.repeat(hits, n) - pulses[which]
    counts = np.bincount(away + FARTHEST, minlength=2 * FARTHEST + 1)
    together = np.convolve(counts, np.ones(2 * TOLERANCE + 1, np.int64), "same")
    lags = np.arange(-FARTHEST, FARTHEST + 1)
    best = max(lags, key=lambda lag: (together[lag + FARTHEST], -abs(lag)))
    near = away[np.abs(away - best) <= TOLERANCE]
    if len(near) < FEWEST or len(near) < LEAST_SHARE * min(len(hits), len(pulses)):
        return None
    return int(np.median(near))


def _distance(frames: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.int64]:
    """Frames from each to the nearest of the others, which increase."""
    if not len(others):
        return np.full(len(frames), 10**9)
    at = np.searchsorted(others, frames)
    left, right = others[np.maximum(at - 1, 0)], others[np.minimum(at, len(others) - 1)]
    distance: NDArray[np.int64] = np.minimum(np.abs(frames - left), np.abs(frames - right))
    return distance
