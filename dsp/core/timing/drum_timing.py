"""When one drum's sound reaches the overheads: all microphones of the drum and all overheads together.

The microphones of a drum stand so near that the delay between them is told by their own first samples; so their
votes are added before anything is decided, and a bottom microphone in doubt is carried by the top one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.timing.arrival import (
    APART_S,
    COARSE,
    FINE,
    MOST_HITS,
    Setting,
    Votes,
    arrival_votes,
)
from spillgate.dsp.core.timing.detours import LEAST_LEAD, Place, detours, peak, settle
from spillgate.dsp.core.timing.hit_pieces import Heard, Pieces, attack_samples, best_hits, heard, hit_weights
from spillgate.dsp.core.timing.overhead_pair import join, pair_votes
from spillgate.dsp.core.timing.subsample import phase_lag

__all__ = ["Answer", "Between", "DrumTiming", "Evidence", "answers", "between", "listen"]

Floats = NDArray[np.float64]

FINE_REACH_S = 0.0003
CENTROID_CELLS = 7
COHERENT = 0.2
"""Least coherence of the agreeing hits at which the phase is believed (tuned on made takes and recorded hits)."""
PHASE_REACH_S = 0.000026
"""Most by which the phase may move the lag; twice that if it is very coherent."""
VERY_COHERENT = 0.75
TIED_COHERENT, TIED_REACH_S = 0.65, 0.00012
"""The same for a drum's further microphones, whose first sample may be found 0.1 ms off (tuned on made takes)."""
COARSE_SHARE = 0.15
"""Weight of the coarse votes beside the fine ones: they keep a weak attack from wandering (tuned on recorded hits)."""
BETWEEN_REACH_S = (-0.0025, 0.005)
"""Where the second microphone of a drum may lie: 85 cm before to 1.7 m behind the first."""
BETWEEN_SPREAD_S = 0.00025
"""Greatest distance of the quartiles at which the delay between two microphones of a drum is believed."""
FEWEST = 3
"""Hits below which nothing is sure."""
FIRM_WAYS, FIRM_SHARE, FIRM_WEIGHT = 3, 0.6, 12.0
"""Ways to an overhead, their share of all and their leads at which the place where they agree counts (tuned on made
takes and recorded hits)."""
SAME_S = 0.000007
"""Where they agree with the drum's own microphone within this time, that one is finer."""
AGAINST, AGAINST_SHARE = 6.0, 0.5
"""Most that one way can say against a sign, and its weight beside the drum's own microphone."""
BETWEEN_SETTING = Setting(((300.0, None),), (0.0007,))
EDGE_S = 0.0001


@dataclass(frozen=True)
class Between:
    """Delay between two microphones of one drum.

    Attributes
    ----------
    lag : float
        By how much the sound is later in the second microphone; samples at the analysis rate.
    sign : int
        1 or −1.
    sign_margin : float
        Natural log units.
    sure : bool
        Whether enough hits agree on it.
    """

    lag: float
    sign: int
    sign_margin: float
    sure: bool


@dataclass(frozen=True)
class Answer:
    """The best arrival of one sign.

    Attributes
    ----------
    score : float
        Sum of votes, natural log units.
    lead : float
        Over the best lag of the same sign farther than 0.3 ms: whether the arrival is found at all.
    sharpness : float
        The same for 0.15 ms: whether its place is.
    lag : float
        Samples at the analysis rate.
    coherence : float
    by_phase : bool
        Whether the lag comes from the phase.
    at_edge : bool
        Whether it lies at an end of the range.
    n_hits : int
    ways : int
        Ways by other drums' microphones and its own that agree on the lag; 0 if only its own is known.
    """

    score: float
    lead: float
    sharpness: float
    lag: float
    coherence: float
    by_phase: bool
    at_edge: bool
    n_hits: int
    ways: int = 0


@dataclass(frozen=True)
class DrumTiming:
    """What the sound says about one drum's microphones.

    Attributes
    ----------
    betweens : tuple of Between
        Of every microphone after the first, against the first.
    answers : tuple of tuple of (Answer, Answer)
        Per microphone, per overhead: in phase and in opposite phase. Microphones whose delay to the first is sure
        share scores, the sign then being counted as `Between.sign` says.
    """

    betweens: tuple[Between, ...]
    answers: tuple[tuple[tuple[Answer, Answer], ...], ...]


def between(first: Pieces, second: Pieces, onset: NDArray[np.int64], onset2: NDArray[np.int64], rate: float) -> Between:
    """Measure the delay between two microphones of one drum by the first samples of its hits.

    Parameters
    ----------
    first, second : ndarray, shape (n_hits, n_samples), float64, or Heard
        Pieces of both microphones, cut at the same places.
    onset, onset2 : ndarray of int, shape (n_hits,)
        First sample of each hit in each of them.
    rate : float
        Hz.

    Returns
    -------
    between : Between
    """
    if not len(first):
        return Between(0.0, 1, 0.0, False)
    low, high = round(BETWEEN_REACH_S[0] * rate), round(BETWEEN_REACH_S[1] * rate)
    first, second = heard(first), heard(second)
    a, b = first.band(300.0, None, rate), second.band(300.0, None, rate)
    _, quality, _ = hit_weights(a, b, onset, rate, low, high)
    chosen = best_hits(quality, MOST_HITS)
    steps = np.sort((onset2 - onset)[chosen].astype(float))
    quarter = len(steps) // 4
    lag = float(steps[quarter : len(steps) - quarter].mean())
    spread = float(steps[len(steps) - 1 - quarter] - steps[quarter])
    sure = len(steps) >= FEWEST and spread <= BETWEEN_SPREAD_S * rate
    reach = round(FINE_REACH_S * rate)
    votes = arrival_votes(
        first.x[chosen], second.x[chosen], onset[chosen], rate, round(lag) - reach, round(lag) + reach, BETWEEN_SETTING
    )
    plus, minus = float(votes.plus.max()), float(votes.minus.max())
    return Between(lag, 1 if plus >= minus else -1, abs(plus - minus), sure)


def _votes(
    xs: Sequence[Heard],
    y: Heard,
    onsets: Sequence[NDArray[np.int64]],
    lags: Sequence[float],
    signs: Sequence[int],
    rate: float,
    low: int,
    high: int,
    setting: Setting,
) -> Votes:
    """Votes of several microphones of one drum, as lags of the first one."""
    plus, minus = np.zeros(high - low + 1), np.zeros(high - low + 1)
    n_hits = 0
    for x, onset, lag, sign in zip(xs, onsets, lags, signs, strict=True):
        shift = round(lag)
        starts = (onset, attack_samples(x, onset, rate))
        own = arrival_votes(x, y, onset, rate, low - shift, high - shift, setting, starts)
        plus += own.plus if sign > 0 else own.minus
        minus += own.minus if sign > 0 else own.plus
        n_hits = max(n_hits, own.n_hits)
    return Votes(np.arange(low, high + 1), plus, minus, rate, n_hits)


def _lead(row: Floats, k: int, near: int) -> float:
    """Lead of cell `k` over all cells farther than `near`."""
    rest = np.concatenate([row[: max(k - near, 0)], row[k + near + 1 :]])
    return float(row[k] - rest.max()) if len(rest) else 0.0


def _answer(
    xs: Sequence[Heard],
    y: Heard,
    onsets: Sequence[NDArray[np.int64]],
    lags: Sequence[float],
    signs: Sequence[int],
    rate: float,
    votes: Votes,
    sign: int,
    refine: bool,
) -> list[Answer]:
    """Give the best lag of one sign, refined if it is to be; one answer per microphone."""
    row = votes.plus if sign > 0 else votes.minus
    k = int(row.argmax())
    lead, sharpness = (_lead(row, k, round(v * rate)) for v in (FINE_REACH_S, APART_S))
    low, high = int(votes.lags[0]), int(votes.lags[-1])
    coarse = int(votes.lags[k])
    edge = EDGE_S * rate
    at_edge = coarse - low < edge or high - coarse < edge
    if not refine:
        score = float(row[k])
        return [Answer(score, lead, sharpness, coarse - v, 0.0, False, at_edge, votes.n_hits) for v in lags]
    reach = round(FINE_REACH_S * rate)
    fine = _votes(xs, y, onsets, lags, signs, rate, coarse - reach, coarse + reach, FINE)
    cells = fine.plus if sign > 0 else fine.minus
    cells = cells + COARSE_SHARE * row[np.clip(np.arange(k - reach, k + reach + 1), 0, len(row) - 1)]
    m = int(cells.argmax())
    a, b = max(m - CENTROID_CELLS // 2, 0), min(m + CENTROID_CELLS // 2 + 1, len(cells))
    weight = np.exp(cells[a:b] - cells[m])
    lag = float((weight * fine.lags[a:b]).sum() / weight.sum())
    found: list[tuple[float, float, bool]] = []
    for x, onset, own_lag, own_sign in zip(xs, onsets, lags, signs, strict=True):
        guess = lag - own_lag
        _, quality, _ = hit_weights(x.band(300.0, None, rate), y.band(300.0, None, rate), onset, rate, low, high)
        chosen = best_hits(quality, MOST_HITS)
        phase = phase_lag(
            x.x[chosen],
            y.x[chosen],
            onset[chosen],
            attack_samples(x, onset, rate)[chosen],
            guess,
            sign * own_sign,
            rate,
        )
        limit = PHASE_REACH_S * rate * (2 if phase.coherence >= VERY_COHERENT else 1)
        if found and phase.coherence >= TIED_COHERENT:  # the delay to the first microphone is only roughly known
            limit = TIED_REACH_S * rate
        by_phase = phase.coherence >= COHERENT and abs(phase.lag - guess) <= limit
        found.append((phase.lag if by_phase else guess, phase.coherence, by_phase))
    # a microphone without a coherent attack goes with the most coherent one of its drum
    best = max(range(len(found)), key=lambda j: (found[j][2], found[j][1]))
    unit = found[best][0] + lags[best]
    return [
        Answer(
            score=float(row[k]),
            lead=lead,
            sharpness=sharpness,
            lag=own if by_phase else unit - own_lag,
            coherence=coherence if by_phase else found[best][1],
            by_phase=by_phase,
            at_edge=at_edge,
            n_hits=votes.n_hits,
        )
        for (own, coherence, by_phase), own_lag in zip(found, lags, strict=True)
    ]


@dataclass(frozen=True)
class Evidence:
    """Pieces of one drum and the votes on them, before the polarity of the overheads is known.

    Attributes
    ----------
    xs, ys, onsets, rate
        As given to `listen`.
    betweens : tuple of Between
    groups : tuple of tuple of int
        Microphones that are judged together.
    votes : tuple of tuple of Votes
        Per group, per overhead.
    pairs : tuple of Votes
        Per group: on the difference of the arrivals at the first two overheads; empty with fewer than two.
    detours : tuple of tuple of Votes
        Per overhead: on the first microphone's arrival by way of each other drum's microphone.
    """

    xs: tuple[Heard, ...]
    ys: tuple[Heard, ...]
    onsets: tuple[NDArray[np.int64], ...]
    rate: float
    betweens: tuple[Between, ...]
    groups: tuple[tuple[int, ...], ...]
    votes: tuple[tuple[Votes, ...], ...]
    pairs: tuple[Votes, ...]
    detours: tuple[tuple[Votes, ...], ...] = ()

    def offsets(self, group: tuple[int, ...]) -> tuple[list[float], list[int]]:
        """Lags and signs of a group's microphones against its first."""
        lags = [0.0 if m == group[0] else self.betweens[m - 1].lag for m in group]
        signs = [1 if m == group[0] else self.betweens[m - 1].sign for m in group]
        return lags, signs


def listen(
    xs: Sequence[Pieces],
    ys: Sequence[Pieces],
    onsets: Sequence[NDArray[np.int64]],
    rate: float,
    lag_range: tuple[int, int],
    zs: Sequence[Pieces] = (),
    betweens: Sequence[Between] | None = None,
) -> Evidence:
    """Let one drum's hits vote, for all its microphones and all overheads.

    Parameters
    ----------
    xs, ys : sequence of ndarray, shape (n_hits, n_samples), float64, or Heard
        Pieces of the drum's microphones and of the overheads, cut at the same places at the analysis rate.
    onsets : sequence of ndarray of int, shape (n_hits,)
        First sample of every hit in each of the drum's microphones.
    rate : float
        Hz.
    lag_range : (int, int)
        Earliest and latest arrival after the first microphone's onset, samples.
    zs : sequence of ndarray or Heard
        Pieces of other drums' microphones, by way of which the drum is heard too.
    betweens : sequence of Between, optional
        Delays of the further microphones, if they were measured on more hits than these.

    Returns
    -------
    evidence : Evidence
    """
    low, high = lag_range
    own, far = tuple(heard(v) for v in xs), tuple(heard(v) for v in ys)
    if betweens is None:
        betweens = [between(own[0], own[m], onsets[0], onsets[m], rate) for m in range(1, len(own))]
    betweens = tuple(betweens)
    joined = tuple(m for m in range(len(own)) if m == 0 or betweens[m - 1].sure)
    groups = (joined, *((m,) for m in range(1, len(own)) if not betweens[m - 1].sure))
    bare = Evidence(own, far, tuple(onsets), rate, betweens, groups, (), ())
    votes, pairs = [], []
    for group in groups:
        lags, signs = bare.offsets(group)
        gx, go = [own[m] for m in group], [onsets[m] for m in group]
        votes.append(tuple(_votes(gx, y, go, lags, signs, rate, low, high, COARSE) for y in far))
        if len(far) > 1:
            pairs.append(pair_votes(gx[0], far[0], far[1], go[0], rate, low, high))
    ways = detours(own[0], zs, far, onsets[0], rate, lag_range) if zs else ()
    return Evidence(own, far, tuple(onsets), rate, betweens, groups, tuple(votes), tuple(pairs), ways)


def answers(evidence: Evidence, overhead_sign: int = 1) -> DrumTiming:
    """Give the best arrival of either sign for all microphones of one drum at all overheads.

    Parameters
    ----------
    evidence : Evidence
    overhead_sign : int
        Polarity of the second overhead against the first.

    Returns
    -------
    timing : DrumTiming
    """
    shared: list[list[tuple[Answer, Answer]]] = [[] for _ in evidence.xs]
    for g, group in enumerate(evidence.groups):
        lags, signs = evidence.offsets(group)
        gx, go = [evidence.xs[m] for m in group], [evidence.onsets[m] for m in group]
        votes = list(evidence.votes[g])
        if evidence.pairs:
            votes[:2] = join(votes[0], votes[1], evidence.pairs[g], overhead_sign)
        ways = evidence.detours if 0 in group else ()
        against = [_against(w) for w in ways] or [(0.0, 0.0)] * len(votes)
        # the first two overheads have been joined, so the first one's sign is the drum's; a third may overrule it
        plus, minus = (float(v.max()) - a for v, a in zip((votes[0].plus, votes[0].minus), against[0], strict=True))
        first = 1 if plus >= minus else -1
        found: list[dict[int, list[Answer]]] = []
        for j, (y, v) in enumerate(zip(evidence.ys, votes, strict=True)):
            wanted = (1, -1) if len(votes) > 2 else (first if j == 0 else first * overhead_sign,)
            both = {s: _answer(gx, y, go, lags, signs, evidence.rate, v, s, s in wanted) for s in (1, -1)}
            for s, price in zip((1, -1), against[j], strict=True):
                both[s] = [replace(a, score=a.score - price) for a in both[s]]
            found.append(both)
        if ways:
            found = _settled(evidence, found, first, overhead_sign)
        for both in found:
            for j, m in enumerate(group):
                shared[m].append((both[1][j], both[-1][j]))
    return DrumTiming(evidence.betweens, tuple(tuple(v) for v in shared))


def _against(ways: Sequence[Votes]) -> tuple[float, float]:
    """What the ways by other microphones say against a copy in phase and against one in opposite phase."""
    out = [0.0, 0.0]
    for v in ways:
        best = [float(v.plus.max()), float(v.minus.max())]
        for k in range(2):
            out[k] += AGAINST_SHARE * min(max(best) - best[k], AGAINST)
    return out[0], out[1]


def _settled(
    evidence: Evidence, found: list[dict[int, list[Answer]]], sign: int, overhead_sign: int
) -> list[dict[int, list[Answer]]]:
    """Let the ways by other microphones, and the way from overhead to overhead, say where a drum arrives."""
    rate = evidence.rate
    signs = [sign * overhead_sign if j == 1 else sign for j in range(len(found))]
    told: list[list[tuple[float, float]]] = []
    for both, s, ways in zip(found, signs, evidence.detours, strict=True):
        told.append([(both[s][0].lag, both[s][0].lead), *(peak(v, s) for v in ways)])
    step, lead = peak(evidence.pairs[0], overhead_sign) if evidence.pairs else (0.0, 0.0)
    if lead >= LEAST_LEAD:  # what both overheads have in common tells their difference: ways to either tell of both
        place = _firm([*told[0], *((lag - step, v) for lag, v in told[1])], rate)
        places = [place, place and replace(place, lag=place.lag + step), *(_firm(t, rate) for t in told[2:])]
    else:
        places = [_firm(t, rate) for t in told]
    out = []
    for both, place, s in zip(found, places, signs, strict=True):
        if place is not None:
            off = place.lag - both[s][0].lag
            off = off if abs(off) > SAME_S * rate else 0.0
            both = {**both, s: [_moved(a, off, place) for a in both[s]]}
        out.append(both)
    return out


def _firm(told: Sequence[tuple[float, float]], rate: float) -> Place | None:
    """Where the ways agree, if enough of them do."""
    place = settle([lag for lag, _ in told], [lead for _, lead in told], rate)
    if place is None or place.ways < FIRM_WAYS or place.share < FIRM_SHARE or place.weight < FIRM_WEIGHT:
        return None
    return place


def _moved(answer: Answer, by: float, place: Place) -> Answer:
    lead, sharpness = max(answer.lead, place.weight), max(answer.sharpness, place.weight)
    return replace(answer, lag=answer.lag + by, lead=lead, sharpness=sharpness, ways=place.ways)
