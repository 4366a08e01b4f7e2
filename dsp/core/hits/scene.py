"""Everything about a take that is measured before any hit is decided: rises, events, leaks, candidates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.each import Each, serial
from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.events import N_NUMBERS, OVERHEAD_BANDS, Events, find_events, observe
from spillgate.dsp.core.hits.explain import Explanation, Kit, explain, learn_leaks
from spillgate.dsp.core.hits.foretold import innovations
from spillgate.dsp.core.hits.lows import N_LOWS, unit
from spillgate.dsp.core.hits.novelty import (
    EMPTY,
    NOISE_SHARE,
    REACH,
    Novelty,
    ceilings,
    gather,
    novelty,
    rises_at,
    surroundings,
)
from spillgate.dsp.core.hits.shapes import UNKNOWN
from spillgate.dsp.core.hits.under_ring import with_those_under_ring
from spillgate.dsp.core.room import Room, in_memory

__all__ = ["FAR", "USUAL_SPREAD", "Candidates", "Lows", "Scene", "Sources", "listen"]

FAR = 8.0
"""Distances in frames count up to here."""
OVERHEAD_RISE_DB = 6.0
"""Least rise in an overhead that may be a cymbal.  Tuned on takes of three kits."""

FIRST_LOW, FIRST_LOW_CYMBAL = 1e-3, 1e-2
"""Innovation that drums and cymbals are first thought to leave in another drum's mic (−30 and −20 dB)."""

USUAL_SPREAD = 10**0.5
"""What a source leaks at most re what it leaks, where that cannot be told from the take."""


@dataclass(frozen=True)
class Lows:
    """The lows of one mic.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        From `LowBand`.
    rate : float
        Hz.
    frame_s : float
        Length of a frame of the energies.
    """

    samples: NDArray[np.float32]
    rate: float
    frame_s: float


@dataclass(frozen=True)
class Sources:
    """Drums and cymbals as the mics hear them.

    Attributes
    ----------
    leaks : ndarray, shape (n_sources, n_mics, 8)
        Power re each mic's own loud hits when the source is as loud as its loud hits; the kit's drums first.
    most : ndarray, shape (n_sources, n_mics, 8)
        The same when the source leaks as much as it ever usually does.
    lags : ndarray, shape (n_drums, n_mics)
        Frames by which a mic hears the drum later than the drum's own mic does.
    lows, most_lows : ndarray, shape (n_sources, n_drums, 2)
        Innovation in each drum's own mic, re its unit, when the source is as loud as its loud hits.
    own_shape : ndarray, shape (n_candidates, 2)
        How much of each candidate's innovation has the shape of its drum's strokes (`shapes`).
    """

    leaks: NDArray[np.float64]
    most: NDArray[np.float64]
    lags: NDArray[np.float64]
    lows: NDArray[np.float64]
    most_lows: NDArray[np.float64]
    own_shape: NDArray[np.float32]


@dataclass(frozen=True)
class Candidates:
    """Moments at which the mics of the kit's drums hear something begin, all drums together.

    Attributes
    ----------
    drum, frame : ndarray of int64, shape (n,)
    after, before, fresh : ndarray, shape (n, 6)
        Own mic, its own units.
    ring_after, ring_before : ndarray, shape (n, 2)
    rise : ndarray, shape (n, 6)
        dB.
    around : tuple of ndarray, shape (n, 6)
        See `surroundings`.
    ceiling : ndarray, shape (n, n_mics, 6)
        Greatest fresh energy of every mic near that moment.
    overhead_distance : ndarray, shape (n,)
        Frames to the strongest rise of an overhead near that moment.
    event : ndarray of int64, shape (n,)
        The event it belongs to, −1 for none.
    innovation, foretold : ndarray, shape (n, 2)
        What the lows do that their past does not foretell, from then on and before then (`innovations`), re the mic's
        loud hits; 0 for mics whose lows are not looked at.
    """

    drum: NDArray[np.int64]
    frame: NDArray[np.int64]
    after: NDArray[np.float32]
    before: NDArray[np.float32]
    fresh: NDArray[np.float32]
    ring_after: NDArray[np.float32]
    ring_before: NDArray[np.float32]
    rise: NDArray[np.float32]
    around: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]
    ceiling: NDArray[np.float32]
    overhead_distance: NDArray[np.float64]
    event: NDArray[np.int64]
    innovation: NDArray[np.float32]
    foretold: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.frame)

    def chosen(self, rows: NDArray[np.int64]) -> Candidates:
        """Give some of them, in memory."""
        before, fresh, later = self.around
        return Candidates(
            self.drum[rows],
            self.frame[rows],
            np.asarray(self.after[rows]),
            np.asarray(self.before[rows]),
            np.asarray(self.fresh[rows]),
            np.asarray(self.ring_after[rows]),
            np.asarray(self.ring_before[rows]),
            np.asarray(self.rise[rows]),
            (np.asarray(before[rows]), np.asarray(fresh[rows]), np.asarray(later[rows])),
            np.asarray(self.ceiling[rows]),
            self.overhead_distance[rows],
            self.event[rows],
            np.asarray(self.innovation[rows]),
            np.asarray(self.foretold[rows]),
        )


@dataclass(frozen=True)
class Scene:
    """Everything that is measured before anything is decided.

    Attributes
    ----------
    kit : Kit
    mics : tuple of Novelty
    energies : tuple of ndarray, shape (n_frames, 6)
    lows : tuple of Lows or None
    events : Events
    explanation : Explanation
    sources : Sources
        First guess of the leaks.
    candidates : Candidates
    """

    kit: Kit
    mics: tuple[Novelty, ...]
    energies: tuple[NDArray[np.float32], ...]
    lows: tuple[Lows | None, ...]
    events: Events
    explanation: Explanation
    sources: Sources
    candidates: Candidates


def listen(
    energies: Sequence[NDArray[np.float32]],
    kit: Kit,
    lows: Sequence[Lows | None],
    each: Each = serial,
    room: Room | None = None,
) -> Scene:
    """Measure everything that hits are decided by.

    Parameters
    ----------
    energies : sequence of ndarray, shape (n_frames, 6)
        From `BandEnvelopes`, one per mic of the kit, all of one length.
    kit : Kit
    lows : sequence of Lows or None
        One per mic; None where they are not looked at.
    each : callable, optional
        Like `map`, to a list; may use threads.
    room : callable, optional
        Makes the long arrays; default: in memory.

    Returns
    -------
    scene : Scene
    """
    bands = [OVERHEAD_BANDS if over else (0, N_BANDS) for over in kit.overhead]
    mics: tuple[Novelty, ...] = tuple(each(lambda m: novelty(energies[m], bands[m], room), range(kit.n_mics)))
    frames = find_events(mics)
    events = observe(frames, mics, energies, kit.overhead, room)
    leaks = learn_leaks(events, kit)
    explanation = explain(events, kit, leaks, each=each)
    candidates = _candidates(kit, mics, energies, lows, events, each, room or in_memory)
    n_drums = len(kit.drums)
    low_leaks = np.full((len(leaks), n_drums, N_LOWS), FIRST_LOW)
    low_leaks[n_drums:] = FIRST_LOW_CYMBAL
    low_leaks[np.arange(n_drums), np.arange(n_drums)] = 1.0
    lags = np.zeros((n_drums, kit.n_mics))
    unknown = np.full((len(candidates), N_LOWS), UNKNOWN, np.float32)
    sources = Sources(leaks, leaks * USUAL_SPREAD, lags, low_leaks, low_leaks * USUAL_SPREAD, unknown)
    return Scene(kit, mics, tuple(energies), tuple(lows), events, explanation, sources, candidates)


def _candidates(
    kit: Kit,
    mics: Sequence[Novelty],
    energies: Sequence[NDArray[np.float32]],
    lows: Sequence[Lows | None],
    events: Events,
    each: Each,
    room: Room,
) -> Candidates:
    main = [own[0] for own in kit.own]
    per_drum = each(lambda d: _moments(kit.kinds[d], mics[main[d]], energies[main[d]], lows[main[d]]), range(len(main)))
    drum = np.repeat(np.arange(len(main)), [len(c) for c in per_drum])
    frame = np.concatenate(per_drum) if per_drum else np.empty(0, np.int64)
    first = np.r_[0, np.cumsum([len(c) for c in per_drum])]
    n = len(frame)
    after, before, fresh, rise, *around = (room((n, N_BANDS)) for _ in range(7))
    ring_after, ring_before = room((n, N_NUMBERS - N_BANDS)), room((n, N_NUMBERS - N_BANDS))
    innovation, foretold = room((n, N_LOWS)), room((n, N_LOWS))
    ceiling, event = room((kit.n_mics, n, N_BANDS)), np.full(n, -1)

    def of_mic(m: int) -> None:
        ceiling[m] = ceilings(energies[m], mics[m], frame)

    def of_drum(d: int) -> None:
        m, mine = main[d], slice(first[d], first[d + 1])
        frames, known = per_drum[d], mics[m]
        after[mine], before[mine], ring_after[mine], ring_before[mine] = gather(energies[m], known, frames)
        fresh[mine] = np.maximum(after[mine] - before[mine], 0.0)
        reference = np.maximum(known.reference, EMPTY)
        lowest = np.maximum(NOISE_SHARE * known.quiet, np.maximum(EMPTY, 1e-9 * known.reference)) / reference
        rises = 10.0 * np.log10(np.maximum(after[mine], 1e-12) / (before[mine] + lowest))
        rises[:, known.reference <= EMPTY] = 0.0
        rise[mine] = np.maximum(rises, 0.0)
        for to, found in zip(around, surroundings(energies[m], known, frames), strict=True):
            to[mine] = found
        if len(events):
            where = events.where[:, m]
            order = np.argsort(where, kind="stable")
            at = np.searchsorted(where[order], frames)
            left, right = order[np.maximum(at - 1, 0)], order[np.minimum(at, len(order) - 1)]
            near = np.where(np.abs(where[left] - frames) <= np.abs(where[right] - frames), left, right)
            event[mine] = np.where(np.abs(where[near] - frames) <= REACH, near, -1)
        innovation[mine], foretold[mine] = _innovations(lows[m], frames)

    each(of_mic, range(kit.n_mics))
    each(of_drum, range(len(main)))
    distance = np.full(len(frame), FAR)
    for m in kit.overheads:
        where, there = rises_at(mics[m], frame - int(FAR), frame + int(FAR))
        distance = np.where(there > OVERHEAD_RISE_DB, np.minimum(distance, np.abs(where - frame)), distance)
    return Candidates(
        drum=drum,
        frame=frame,
        after=after,
        before=before,
        fresh=fresh,
        ring_after=ring_after,
        ring_before=ring_before,
        rise=rise,
        around=(around[0], around[1], around[2]),
        ceiling=ceiling.transpose(1, 0, 2),
        overhead_distance=distance,
        event=event,
        innovation=innovation,
        foretold=foretold,
    )


def _moments(kind: str, known: Novelty, energy: NDArray[np.float32], low: Lows | None) -> NDArray[np.int64]:
    if kind != "tom" or low is None:
        return known.candidates
    return with_those_under_ring(
        known.candidates, energy, known.quiet, known.reference, low.samples, low.rate, low.frame_s
    )


def _innovations(low: Lows | None, frames: NDArray[np.int64]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    if low is None:
        nothing = np.zeros((len(frames), N_LOWS), np.float32)
        return nothing, nothing
    after, before = innovations(low.samples, low.rate, np.asarray(frames * low.frame_s, np.float64))
    scale = 1.0 / unit(after)
    return after * scale, before * scale
