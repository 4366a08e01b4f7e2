"""Explaining events by the drums that sounded, and learning from that how each drum leaks into each mic.

An event is explained as S = K + Σ a_d s_d with a ≥ 0: S what the mics hear from then on, K what they heard before,
s_d one vector of numbers (mics × 8) per drum or cymbal.  Differences are judged in dB and their cost is bounded, so one
mic that hears something else cannot decide.  Used alone to *decide* whose hit it is, this swaps drums; used to *learn*
the vectors it works.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.hits.each import Each, serial
from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.events import N_NUMBERS, Events

__all__ = ["Explanation", "Kit", "explain", "learn_leaks"]

N_CYMBALS = 3
"""Sources for cymbals without a mic of their own."""
FLOOR = 10**-3.8
"""Added to both sides of every comparison (−38 dB): what is fainter does not matter."""
BOUND = 4.0
"""The cost of a difference r (in σ) is r²/(1 + r²/BOUND²).  All constants here: tuned on takes of three kits."""
WEIGHT = 0.375
"""Of one number in the cost; neighbouring numbers tell partly the same."""
ROUNDS = ((6.0, 8.0), (5.0, 8.0), (4.0, 8.0), (4.0, 6.0), (4.0, 4.0))
"""σ in dB and price of a source in each round of learning."""
MOST_SOURCES = 4
MOST_DB, LEAST_DB = 12.0, -40.0
"""Range of a source's level re its loud hits."""
FRESH_SHARE = 0.3
"""Numbers of which less is fresh give only an upper bound of the leak."""
STRONGER_DB, WORTH = 6.0, 1.2
"""Learn a drum only from events in which it is so much stronger than any other and worth so many prices."""
LEAK_QUANTILE, OWN_QUANTILE = 0.35, 0.5
L5, L4, L3, L2, L1, L0 = (
    np.float32(v) for v in (0.04392863, -0.40947559, 1.61017755, -3.52021884, 5.06975632, -2.79415368)
)
"""log₂ of 1…2 as a polynomial, least squares at Chebyshev points."""
DB = np.float32(3.010299957)
"""Decibels per doubling."""
EVENTS_AT_ONCE = 1024
"""Events explained by one thread at a time."""
LEARN_EVENTS, LEARN_PER_DRUM = 600, 60
"""Most events used for learning: the strongest of every drum and an even choice of the rest."""


@dataclass(frozen=True)
class Kit:
    """Which mic stands at which drum.

    Attributes
    ----------
    drums : tuple of str
        Drums with a close mic.
    kinds : tuple of str
        ``kick``, ``snare``, ``hat``, ``tom`` or ``cymbal`` of each.
    own : tuple of tuple of int
        Mics of each drum, the one to be judged by first.
    overhead : tuple of bool
        Per mic.
    """

    drums: tuple[str, ...]
    kinds: tuple[str, ...]
    own: tuple[tuple[int, ...], ...]
    overhead: tuple[bool, ...]

    @property
    def n_mics(self) -> int:
        """Close mics and overheads together."""
        return len(self.overhead)

    @property
    def overheads(self) -> tuple[int, ...]:
        """Mics that are overheads."""
        return tuple(m for m, yes in enumerate(self.overhead) if yes)

    @property
    def toms_only(self) -> bool:
        """Whether neither kick nor snare has a mic."""
        return not {"kick", "snare"} & set(self.kinds)

    @property
    def cymbal_mics(self) -> tuple[int, ...]:
        """Mics by which cymbals are judged: the overheads, or all where there are none."""
        return self.overheads or tuple(range(self.n_mics))


@dataclass(frozen=True)
class Explanation:
    """Which sources explain each event.

    Attributes
    ----------
    level_db : ndarray, shape (n_events, n_sources)
        Re the source's loud hits; −inf where it does not take part.
    worth : ndarray, shape (n_events, n_sources)
        Cost of leaving a source out; for one that takes no part the gain of adding it (less than its price).
    margin : ndarray, shape (n_events, n_sources)
        What the best other source in its place would cost more; for one that takes no part its gain less the price.
    """

    level_db: NDArray[np.float32]
    worth: NDArray[np.float32]
    margin: NDArray[np.float32]


def learn_leaks(events: Events, kit: Kit) -> NDArray[np.float64]:
    """Learn how loud each source is in each mic.

    Parameters
    ----------
    events : Events
    kit : Kit

    Returns
    -------
    leaks : ndarray, shape (n_sources, n_mics, 8)
        Power re the mic's own loud hits when the source is as loud as its loud hits.  The kit's drums come first,
        then the cymbals.
    """
    prior = _first_guess(kit)
    leaks = prior.copy()
    few = _choose(events, kit)
    for sigma, price in ROUNDS:
        found = _explained(few, kit, leaks, sigma, price, False)
        leaks = _update(few, kit, leaks, prior, found, price)
    return leaks


def explain(
    events: Events,
    kit: Kit,
    leaks: NDArray[np.float64],
    sigma: float = ROUNDS[-1][0],
    price: float = ROUNDS[-1][1],
    each: Each = serial,
) -> Explanation:
    """Explain every event by at most four sources.

    Parameters
    ----------
    events : Events
    kit : Kit
    leaks : ndarray, shape (n_sources, n_mics, 8)
    sigma : float
        Difference in dB that costs about 1.
    price : float
        What a source costs.
    each : callable, optional
        Like `map`, to a list; may use threads.

    Returns
    -------
    explanation : Explanation
    """
    if len(events) == 0:
        return _explained(events, kit, leaks, sigma, price, True)
    parts = each(
        lambda a: _explained(events.chosen(slice(a, a + EVENTS_AT_ONCE)), kit, leaks, sigma, price, True),
        range(0, len(events), EVENTS_AT_ONCE),
    )
    return Explanation(
        np.concatenate([p.level_db for p in parts]),
        np.concatenate([p.worth for p in parts]),
        np.concatenate([p.margin for p in parts]),
    )


def _explained(
    events: Events, kit: Kit, leaks: NDArray[np.float64], sigma: float, price: float, deep: bool
) -> Explanation:
    n_sources, flat = len(leaks), (len(events), kit.n_mics * N_NUMBERS)
    own = np.full((n_sources, kit.n_mics * N_NUMBERS), -1)
    for s in range(n_sources):
        mics = kit.own[s] if s < len(kit.drums) else kit.cymbal_mics
        places = [m * N_NUMBERS + b for m in mics for b in np.flatnonzero(_defining(leaks[s, m]))]
        own[s, : len(places)] = places
    level, worth, margin = _explain(
        (events.after + FLOOR).astype(np.float32).reshape(flat),
        (events.before + FLOOR).astype(np.float32).reshape(flat),
        np.where(events.valid, WEIGHT, 0.0).astype(np.float32).reshape(flat),
        leaks.astype(np.float32).reshape(n_sources, -1),
        own,
        sigma,
        price,
        deep,
    )
    return Explanation(level, worth, margin)


def _defining(vector: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell the bands of a source's own mic that are within 10 dB of its strongest."""
    bands = np.arange(N_NUMBERS) < N_BANDS
    return np.asarray(bands & (vector >= 0.1 * vector[:N_BANDS].max()))


def _first_guess(kit: Kit) -> NDArray[np.float64]:
    """Start low on purpose: a leak that is guessed too high explains other drums away."""
    n_drums = len(kit.drums)
    db = np.full((n_drums + N_CYMBALS, kit.n_mics, N_NUMBERS), -30.0)
    db[:, kit.overheads] = -25.0
    for d, mics in enumerate(kit.own):
        for m in mics:
            db[d, m] = (0, 0, 0, 0, 0, -5, -6, -6)
    close_cymbal = (-30, -30, -30, -24, -20, -18, -30, -30)
    overhead_cymbal = (-30, -30, -12, -6, 0, 0, -30, -30)
    for c in range(N_CYMBALS):
        for m in range(kit.n_mics):
            db[n_drums + c, m] = overhead_cymbal if kit.overhead[m] else close_cymbal
        if not kit.overheads:
            db[n_drums + c] += 10.0
        # without a difference the sources would stay copies of one another
        for i, m in enumerate(kit.cymbal_mics):
            db[n_drums + c, m] += (3.0, -3.0, 0.0)[c] * (1 if i % 2 == 0 else -1)
    return np.asarray(10.0 ** (db / 10.0))


def _choose(events: Events, kit: Kit) -> Events:
    if len(events) <= LEARN_EVENTS:
        return events

    def fresh(m: int, bands: slice) -> NDArray[np.float32]:
        return np.asarray(np.maximum(events.after[:, m, bands] - events.before[:, m, bands], np.float32(0)))

    picked = []
    for mics in kit.own:
        level = fresh(mics[0], slice(0, N_BANDS - 1)).mean(1)
        picked.append(np.argsort(-level, kind="stable")[:LEARN_PER_DRUM])
    if kit.overheads:
        treble = np.max([fresh(m, slice(N_BANDS - 1, N_BANDS))[:, 0] for m in kit.overheads], axis=0)
        picked.append(np.argsort(-treble, kind="stable")[:LEARN_PER_DRUM])
    picked.append(np.arange(0, len(events), 1 + 2 * len(events) // LEARN_EVENTS))
    i = np.unique(np.concatenate(picked))
    return events.chosen(i)


def _update(
    events: Events,
    kit: Kit,
    leaks: NDArray[np.float64],
    prior: NDArray[np.float64],
    found: Explanation,
    price: float,
) -> NDArray[np.float64]:
    new = leaks.copy()
    fresh = np.maximum(events.after - events.before, 0.0).astype(np.float64)
    masked = fresh < FRESH_SHARE * events.after
    bound = fresh + FRESH_SHARE * events.after
    for d in range(len(leaks)):
        others = np.delete(found.level_db, d, axis=1).max(1) if len(leaks) > 1 else np.full(len(events), -np.inf)
        use = (found.level_db[:, d] > others + STRONGER_DB) & (found.worth[:, d] > WORTH * price)
        if not use.any():
            continue
        level = found.level_db[use, d].astype(np.float64)
        weight = np.clip(level + 30.0, 1.0, 30.0) / 30.0
        gain = 10.0 ** (level / 10.0)
        value = fresh[use] / gain[:, None, None]
        limit = np.minimum(bound[use] / gain[:, None, None], leaks[d])
        value = np.where(masked[use], limit, value)
        value = np.concatenate([value, prior[d][None]])
        weights = np.where(events.valid[use], weight[:, None, None], 0.0)
        weights = np.concatenate([weights, np.ones((1, *weights.shape[1:]))])
        mics = kit.own[d] if d < len(kit.drums) else ()
        new[d] = _quantile(value, weights, LEAK_QUANTILE)
        if mics:
            new[d, mics] = _quantile(value[:, mics], weights[:, mics], OWN_QUANTILE)
            own = new[d, mics[0], : N_BANDS - 1]
            new[d] /= 10 ** np.mean(np.log10(np.maximum(own, 1e-4)))
        else:
            treble = new[d][list(kit.cymbal_mics), N_BANDS - 2 : N_BANDS]
            if kit.overheads:
                new[d] /= max(float(treble.max()), 1e-4)
            low = np.r_[0:3, N_BANDS, N_BANDS + 1]
            new[d][:, low] = np.minimum(new[d][:, low], 10**-0.8)
    return np.clip(new, 1e-5, 1e2)


def _quantile(
    values: NDArray[np.float64], weights: NDArray[np.float64], share: float | Sequence[float]
) -> NDArray[np.float64]:
    """Weighted quantile over the first axis."""
    order = np.argsort(values, axis=0, kind="stable")
    sums = np.cumsum(np.take_along_axis(weights, order, 0), axis=0)
    index = np.argmax(sums >= share * sums[-1], axis=0)
    return np.asarray(np.take_along_axis(np.take_along_axis(values, order, 0), index[None], 0)[0])


@njit(nogil=True, cache=True)
def _cost(seen, rest, source, gain, weights, inverse, work):  # type: ignore[no-untyped-def]
    """Cost of explaining `seen` by rest + gain·source.

    Elementwise loops apart from the sum, so that the compiler can work on several numbers at once without changing
    the order of any sum.  The logarithm takes the exponent from the bits and a least-squares polynomial for the
    mantissa: right to 0.0001 dB.
    """
    n = len(seen)
    model, costs = work[0, :n], work[1, :n]
    bits = work[0].view(np.int32)[:n]
    scale = np.float32(gain)
    for j in range(n):
        model[j] = rest[j] + scale * source[j]
    one, slope, bound = np.float32(1.0), np.float32(inverse), np.float32(1.0 / (BOUND * BOUND))
    for j in range(n):
        exponent = np.float32((bits[j] >> 23) - 127)
        bits[j] = (bits[j] & 0x7FFFFF) | 0x3F800000
        costs[j] = exponent
    for j in range(n):
        m = model[j]
        log2 = ((L5 * m + L4) * m + L3) * m + L2
        log2 = (log2 * m + L1) * m + L0
        r = (seen[j] - DB * (costs[j] + log2)) * slope
        q = r * r
        costs[j] = weights[j] * q / (one + q * bound)
    a = b = c = d = 0.0
    stop = n - n % 4
    for j in range(0, stop, 4):
        a += costs[j]
        b += costs[j + 1]
        c += costs[j + 2]
        d += costs[j + 3]
    for j in range(stop, n):
        a += costs[j]
    return (a + b) + (c + d)


@njit(nogil=True, cache=True)
def _best_level(seen, rest, source, weights, inverse, start, work):  # type: ignore[no-untyped-def]
    """Level in dB with the least cost, searched around `start`, and that cost."""
    level = start
    cost = _cost(seen, rest, source, 10.0 ** (level / 10.0), weights, inverse, work)
    step = 4.0
    while step > 0.4:
        moved = False
        for sign in (1.0, -1.0):
            to = min(level + sign * step, MOST_DB)
            if to >= LEAST_DB and to != level:
                c = _cost(seen, rest, source, 10.0 ** (to / 10.0), weights, inverse, work)
                if c < cost:
                    cost, level, moved = c, to, True
                    break
        if not moved:
            step /= 2.0
    return level, cost


@njit(nogil=True, cache=True)
def _guess(linear, rest, source_db, own):  # type: ignore[no-untyped-def]
    """Mean level of the fresh energy in the source's own mics."""
    total, n = 0.0, 0
    for j in own:
        if j < 0:
            break
        total += 10.0 * np.log10(max(linear[j] - rest[j], FLOOR)) - source_db[j]
        n += 1
    return min(total / n, MOST_DB) if n else LEAST_DB


@njit(nogil=True, cache=True)
def _explain(linear, base, weights, sources, own, sigma, price, deep):  # type: ignore[no-untyped-def]
    n_events, n_numbers = linear.shape
    n_sources = len(sources)
    level = np.full((n_events, n_sources), -np.inf, np.float32)
    worth = np.zeros((n_events, n_sources), np.float32)
    margin = np.zeros((n_events, n_sources), np.float32)
    inverse = 1.0 / sigma
    rest, model = np.empty(n_numbers, np.float32), np.empty(n_numbers, np.float32)
    work = np.empty((2, n_numbers), np.float32)
    gains = np.empty(n_sources)
    levels = np.empty(n_sources)
    sources_db = 10.0 * np.log10(sources)
    for e in range(n_events):
        y, w = (10.0 * np.log10(linear[e])).astype(np.float32), weights[e]
        model[:] = base[e]
        gains[:] = 0.0
        cost = _cost(y, model, model, 0.0, w, inverse, work)
        n_used = 0
        while n_used < MOST_SOURCES:
            best, best_cost, best_level = -1, cost - price, 0.0
            for d in range(n_sources):
                if gains[d] > 0.0:
                    continue
                start = _guess(linear[e], model, sources_db[d], own[d])
                if start <= LEAST_DB:
                    continue
                found, c = _best_level(y, model, sources[d], w, inverse, start, work)
                if c < best_cost:
                    best, best_cost, best_level = d, c, found
            if best < 0:
                break
            levels[best], gains[best], cost = best_level, 10.0 ** (best_level / 10.0), best_cost
            n_used += 1
            for _ in range(2 if n_used > 1 else 0):
                for d in range(n_sources):
                    if gains[d] > 0.0:
                        _without(base[e], sources, gains, d, rest)
                        levels[d], cost = _best_level(y, rest, sources[d], w, inverse, levels[d], work)
                        gains[d] = 10.0 ** (levels[d] / 10.0)
            _without(base[e], sources, gains, -1, model)
        for d in range(n_sources):
            if gains[d] > 0.0:
                level[e, d] = levels[d]
                _without(base[e], sources, gains, d, rest)
                alone = _cost(y, rest, rest, 0.0, w, inverse, work)
                worth[e, d] = alone - cost
                if not deep:
                    continue
                other = alone - price
                for o in range(n_sources):
                    if gains[o] == 0.0 and o != d:
                        start = _guess(linear[e], rest, sources_db[o], own[o])
                        if start > LEAST_DB:
                            other = min(other, _best_level(y, rest, sources[o], w, inverse, start, work)[1])
                margin[e, d] = other - cost
            elif deep:
                start = _guess(linear[e], model, sources_db[d], own[d])
                if start > LEAST_DB:
                    worth[e, d] = cost - _best_level(y, model, sources[d], w, inverse, start, work)[1]
                margin[e, d] = worth[e, d] - price
    return level, worth, margin


@njit(nogil=True, cache=True)
def _without(base, sources, gains, left_out, out):  # type: ignore[no-untyped-def]
    """Model of all sources but one."""
    out[:] = base
    for d in range(len(gains)):
        if d != left_out and gains[d] > 0.0:
            scale = np.float32(gains[d])
            for j in range(len(out)):
                out[j] += scale * sources[d, j]
