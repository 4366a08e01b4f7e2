"""What a tom track is made of, worked out once and shared by `gate` and `spill`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.plan.model import DrumState, Hit, Plan
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    from spillgate.dsp.core.bandgrid import Grid
    from spillgate.dsp.core.bleed import Mic, Parts

__all__ = ["SURE", "TomParts", "other_mics", "state_of", "tom_parts", "was_played"]

SURE = 0.97
"""A drum that was really played has at least one hit this certain (measured: never-hit toms reached 0.95, real ones at
least 0.987)."""


@dataclass(frozen=True)
class TomParts:
    """One tom track taken apart.

    Attributes
    ----------
    hits : ndarray, shape (n_hits,), int64
        Its own hits on the take's timeline, samples, increasing.
    parts : Parts
        Powers of the drum and of the bleed.
    n_mics : int
        Other mics that explain the bleed.
    grid : Grid
    """

    hits: NDArray[np.int64]
    parts: Parts
    n_mics: int
    grid: Grid


def state_of(plan: Plan, track: Track) -> DrumState | None:
    """Give what is known of the drum a track stands at."""
    named = [d for d in plan.drums if track.id in d.tracks]
    return named[0] if named else next((d for d in plan.drums if d.drum == track.drum), None)


def was_played(hits: tuple[Hit, ...], state: DrumState | None) -> str:
    """Tell whether a tom was played: ``"yes"``, ``"no"``, ``"doubtful"`` or ``"unknown"``.

    One certain hit, found or confirmed by the engineer, is enough.
    """
    if any(h.confidence >= SURE for h in hits):
        return "yes"
    if state is None:
        return "yes" if hits else "unknown"
    return state.played


def samples_of(hits: tuple[Hit, ...], sr: int) -> NDArray[np.int64]:
    """Samples on the take's timeline, increasing, each once."""
    times = np.asarray([h.time_s for h in hits], np.float64)
    return np.unique(np.floor(times * sr + 0.5).astype(np.int64))


def tom_parts(take: Take, plan: Plan, track: Track) -> TomParts:
    """Take one tom track apart, or give what was worked out before.

    Parameters
    ----------
    take : Take
        With the feature ``band_powers``.
    plan : Plan
        With hits.
    track : Track

    Returns
    -------
    parts : TomParts
    """
    from spillgate.dsp.core.bandgrid import grid
    from spillgate.dsp.core.bleed import take_apart

    g = grid(take.sr)
    key = _key(plan)

    def make() -> TomParts:
        hits = samples_of(plan.hits_of(track.id), take.sr)
        mics = [mic for _, mic in other_mics(take, plan, track)]
        frames = np.unique(g.frame_at(hits.astype(np.float64)))
        parts = take_apart(take.features["band_powers"][track.id], mics, frames, g.frame_s)
        return TomParts(hits, parts, len(mics), g)

    return take.once(f"tom parts: {track.id}", key, make)


def other_mics(take: Take, plan: Plan, track: Track) -> list[tuple[Track, Mic]]:
    """Give the mics that may explain the bleed in a track: close mics of other drums, and the cymbals in the overheads.

    Parameters
    ----------
    take : Take
        With the feature ``band_powers``.
    plan : Plan
    track : Track

    Returns
    -------
    mics : list of (Track, Mic)
        In the order of the take.
    """
    from spillgate.dsp.core.bandgrid import grid
    from spillgate.dsp.core.bleed import Mic, cymbals_of

    powers = take.features["band_powers"]
    g = grid(take.sr)

    def close(t: Track) -> Mic:
        hits = samples_of(plan.hits_of(t.id), take.sr)
        frames = np.unique(g.frame_at(hits.astype(np.float64)))
        return Mic(powers[t.id], frames if len(frames) else None, True)

    def overhead(t: Track) -> Mic:
        def make() -> NDArray[np.float32]:
            return cymbals_of(powers[t.id], [close(c) for c in take.tracks if c.is_close and c.id in powers])

        return Mic(take.once(f"cymbals of {t.id}", _key(plan), make), None, False)

    found: list[tuple[Track, Mic]] = []
    for t in take.tracks:
        same = t.id == track.id or (t.drum is not None and t.drum == track.drum)
        if t.id in powers and not same:
            found.append((t, close(t) if t.is_close else overhead(t)))
    return found


def _key(plan: Plan) -> tuple[Any, ...]:
    return tuple((h.track, h.time_s) for h in plan.hits)
