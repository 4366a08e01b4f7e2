"""What the sound says about one drum's way to the overheads: reads the pieces, leaves the arithmetic to the core."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.timing.drum_timing import Evidence, listen
from spillgate.dsp.core.timing.hit_pieces import alone, analysis_rate, at_analysis_rate, onset_sample, thinning
from spillgate.dsp.core.timing.latency import arrival_range, latency
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.take.model import Take, Track

__all__ = ["DrumSound", "drums_of", "measure_drum"]

MOST_PIECES = 40
"""Loudest undisturbed hits read per drum: enough to choose the best 16 from."""
BEFORE_S, AFTER_S = 0.100, 0.080
"""Piece read round a hit; wide enough to find a track that is 60 ms late or early."""
QUIET_S, REST_S = 0.032, 0.016
"""Piece kept before the earliest and after the latest arrival."""
SURE_HIT, LEAST_HIT = 0.99, 0.5
"""Hits this certain are used; with fewer than three of the first kind those of the second, and nothing is sure."""
FEWEST_SURE = 3
SAME_STROKE_S = 0.015
ORDER = {"top": 0, "in": 0, "batter": 0, None: 1, "bottom": 2, "out": 2, "sub": 3}


@dataclass(frozen=True)
class DrumSound:
    """One drum, measured.

    Attributes
    ----------
    drum : str
    mics : tuple of Track
        Its close microphones; the others are measured against the first.
    evidence : Evidence or None
        At the analysis rate; None if there are no hits to go by.
    factor : int
        Samples of the take per sample of the analysis rate.
    arrival_s : float or None
        Coarse arrival at the overheads where that is unusual; see `spillgate.dsp.core.timing.latency`.
    doubt : bool
        Whether the hits may not be this drum's.
    """

    drum: str
    mics: tuple[Track, ...]
    evidence: Evidence | None
    factor: int
    arrival_s: float | None
    doubt: bool


def drums_of(take: Take) -> list[tuple[str, tuple[Track, ...]]]:
    """List the drums with close microphones in kit order, the microphone the others are measured against first."""
    groups: dict[str, list[Track]] = {}
    for t in take.tracks:
        if t.is_close:
            groups.setdefault(t.drum or t.id, []).append(t)
    return [(drum, tuple(sorted(mics, key=lambda t: ORDER.get(t.position, 1)))) for drum, mics in groups.items()]


def _times(plan: Plan, mics: Sequence[Track]) -> tuple[int, NDArray[np.float64], NDArray[np.float64], bool]:
    """Index of the microphone whose hits are used, their times and levels, and whether they are in doubt."""
    for m, track in enumerate(mics):
        hits = plan.hits_of(track.id)
        sure = [h for h in hits if h.confidence >= SURE_HIT]
        doubt = len(sure) < FEWEST_SURE
        used = [h for h in hits if h.confidence >= LEAST_HIT] if doubt else sure
        if used:
            return m, np.array([h.time_s for h in used]), np.array([h.level_db for h in used]), doubt
    return 0, np.zeros(0), np.zeros(0), True


def measure_drum(take: Take, plan: Plan, drum: str, mics: tuple[Track, ...], overheads: Sequence[Track]) -> DrumSound:
    """Measure one drum's microphones against the overheads.

    Parameters
    ----------
    take : Take
    plan : Plan
        With hits.
    drum : str
    mics, overheads : sequence of Track

    Returns
    -------
    sound : DrumSound
    """
    factor, rate = thinning(take.sr), analysis_rate(take.sr)
    first, times, levels, doubt = _times(plan, mics)
    mics = (mics[first], *mics[:first], *mics[first + 1 :])
    if not len(times) or not overheads:
        return DrumSound(drum, mics, None, factor, None, doubt)
    others = np.sort(np.array([h.time_s for h in plan.hits if h.drum != drum]))
    clear = alone(times, others)
    times, levels = times[clear], levels[clear]
    loudest = np.sort(np.argsort(-levels, kind="stable")[:MOST_PIECES])
    times = times[loudest]
    before, length = round(BEFORE_S * rate), round((BEFORE_S + AFTER_S) * rate)
    places = [round(float(t) * take.sr) // factor * factor - before * factor for t in times]

    def pieces(track: Track) -> NDArray[np.float64]:
        return at_analysis_rate(np.stack([take.read(track, a, a + length * factor) for a in places]), take.sr)

    xs, ys = [pieces(t) for t in mics], [pieces(t) for t in overheads]
    onsets = []
    for x, track in zip(xs, mics, strict=True):
        own = np.array([h.time_s for h in plan.hits_of(track.id)])
        found = []
        for piece, time, place in zip(x, times, places, strict=True):
            at = before
            if len(own):
                near = own[np.argmin(np.abs(own - time))]
                if abs(near - time) <= SAME_STROKE_S:
                    at = round((near * take.sr - place) / factor)
            found.append(onset_sample(piece, at, rate))
        onsets.append(np.array(found, np.int64))
    arrival = latency(ys, onsets[0], rate)
    low, high = arrival_range(arrival, rate)
    a = max(before + min(low, 0) - round(QUIET_S * rate), 0)
    b = before + max(high, 0) + round(REST_S * rate)
    cut = [np.ascontiguousarray(v[:, a:b]) for v in (*xs, *ys)]
    evidence = listen(cut[: len(xs)], cut[len(xs) :], [o - a for o in onsets], rate, (low, high))
    return DrumSound(drum, mics, evidence, factor, arrival, doubt)
