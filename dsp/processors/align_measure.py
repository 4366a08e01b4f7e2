"""What the sound says about one drum's way to the overheads: reads the pieces, leaves the arithmetic to the core."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.timing.copies import distinct
from spillgate.dsp.core.timing.drum_timing import Between, Evidence, between, listen
from spillgate.dsp.core.timing.hit_pieces import alone, analysis_rate, at_analysis_rate, onset_sample, thinning
from spillgate.dsp.core.timing.latency import arrival_range, latency
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.take.model import Take, Track

__all__ = ["DrumSound", "drums_of", "measure_drum"]

MOST_PIECES = 40
"""Loudest undisturbed hits read per drum: enough to choose the best 16 from."""
ENOUGH_DISTINCT, MOST_READS = 16, 4
"""Where so many are copies of one another (a loop) that fewer are left, the next loudest are read, some times over."""
MOST_BETWEEN, BETWEEN_S = 24, 0.050
"""Loudest hits by which a drum's microphones are compared, disturbed or not, and what is read on both sides."""
BEFORE_S, AFTER_S = 0.100, 0.080
"""Piece read round a hit; wide enough to find a track that is 60 ms late or early."""
QUIET_S, REST_S = 0.032, 0.016
"""Piece kept before the earliest and after the latest arrival."""
SURE_HIT, LEAST_HIT = 0.99, 0.5
"""Hits this certain are used; with fewer than three of the first kind those of the second, and nothing is sure."""
FEWEST_SURE = 3
SAME_STROKE_S = 0.015
SAME_AROUND_S = (-0.010, 0.020)
"""What of two hits is compared to tell whether one is a copy of the other."""
WAY_ROLES = ("snare", "tom", "hat")
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
    between_times = times[np.sort(np.argsort(-levels, kind="stable")[:MOST_BETWEEN])]
    heard, times = _distinct_hits(take, (*mics, *overheads), times[clear], levels[clear])
    xs, ys = heard[: len(mics)], heard[len(mics) :]
    before = round(BEFORE_S * rate)
    onsets = [_onsets(plan, t, x, times, before, take.sr) for t, x in zip(mics, xs, strict=True)]
    arrival = latency(ys, onsets[0], rate)
    low, high = arrival_range(arrival, rate)
    a = max(before + min(low, 0) - round(QUIET_S * rate), 0)
    b = before + max(high, 0) + round(REST_S * rate)
    cut = [np.ascontiguousarray(v[:, a:b]) for v in (*xs, *ys)]
    ways = _ways(take, drum, mics) if arrival is None else ()
    zs = [_pieces(take, t, times)[:, a:b] for t in ways]
    links = _links(take, plan, mics, between_times)
    evidence = listen(cut[: len(xs)], cut[len(xs) :], [o - a for o in onsets], rate, (low, high), zs, links)
    return DrumSound(drum, mics, evidence, factor, arrival, doubt)


def _ways(take: Take, drum: str, mics: Sequence[Track]) -> list[Track]:
    """Other drums' microphones by way of which a snare is heard.

    Not a tom: its shell sounds one way to the side and another upwards, so all ways agree on a wrong place.
    """
    if mics[0].role != "snare":
        return []
    return [t for t in take.tracks if t.is_close and t.drum != drum and t.role in WAY_ROLES and t.position != "bottom"]


def _pieces(
    take: Take, track: Track, times: NDArray[np.float64], before_s: float = BEFORE_S, after_s: float = AFTER_S
) -> NDArray[np.float64]:
    """Pieces of a track round times, at the analysis rate."""
    factor, rate = thinning(take.sr), analysis_rate(take.sr)
    before, length = round(before_s * rate) * factor, round((before_s + after_s) * rate) * factor
    places = [round(float(t) * take.sr) - before for t in times]
    return at_analysis_rate(np.stack([take.read(track, a, a + length) for a in places]), take.sr)


def _distinct_hits(
    take: Take, tracks: Sequence[Track], times: NDArray[np.float64], levels: NDArray[np.float64]
) -> tuple[list[NDArray[np.float64]], NDArray[np.float64]]:
    """Pieces of all tracks round the loudest hits that are no copies of one another, and when those are."""
    rate = analysis_rate(take.sr)
    a, b = (round((BEFORE_S + v) * rate) for v in SAME_AROUND_S)
    order = np.argsort(-levels, kind="stable")
    chosen, heard = np.zeros(0, np.int64), [np.zeros((0, 0)) for _ in tracks]
    for start in range(0, min(len(order), MOST_READS * MOST_PIECES), MOST_PIECES):
        more = np.sort(order[start : start + MOST_PIECES])
        new = [_pieces(take, t, times[more]) for t in tracks]
        heard = [np.concatenate([h, p]) for h, p in zip(heard, new, strict=True)] if len(chosen) else new
        chosen = np.concatenate([chosen, more])
        first = distinct([h[:, a:b] for h in heard], rate)
        heard, chosen = [h[first] for h in heard], chosen[first]
        if len(chosen) >= ENOUGH_DISTINCT:
            break
    order = np.argsort(chosen, kind="stable")
    return [h[order] for h in heard], times[chosen[order]]


def _onsets(
    plan: Plan, track: Track, x: NDArray[np.float64], times: NDArray[np.float64], before: int, sr: int
) -> NDArray[np.int64]:
    """First samples of the hits in one of the drum's microphones."""
    rate = analysis_rate(sr)
    own = np.array([h.time_s for h in plan.hits_of(track.id)])
    found = []
    for piece, time in zip(x, times, strict=True):
        at = before
        if len(own):
            near = own[np.argmin(np.abs(own - time))]
            if abs(near - time) <= SAME_STROKE_S:
                at += round((near - time) * rate)
        found.append(onset_sample(piece, at, rate))
    return np.array(found, np.int64)


def _links(take: Take, plan: Plan, mics: Sequence[Track], times: NDArray[np.float64]) -> list[Between]:
    """Delays between a drum's microphones: near the drum it is loud enough to use hits that others disturb too."""
    if len(mics) < 2:
        return []
    rate = analysis_rate(take.sr)
    heard = [_pieces(take, t, times, BETWEEN_S, BETWEEN_S) for t in mics]
    before = round(BETWEEN_S * rate)
    onsets = [_onsets(plan, t, x, times, before, take.sr) for t, x in zip(mics, heard, strict=True)]
    return [between(heard[0], heard[m], onsets[0], onsets[m], rate) for m in range(1, len(mics))]
