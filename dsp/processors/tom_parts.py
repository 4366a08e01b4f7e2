"""What a tom track is made of, worked out once and shared by `gate` and `spill`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.plan.model import DrumState, Hit, Plan
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    from spillgate.dsp.core.cleaning.bandgrid import Grid
    from spillgate.dsp.core.cleaning.bleed import Parts
    from spillgate.dsp.core.cleaning.cancel import Spectra
    from spillgate.dsp.core.cleaning.sources import Mic

__all__ = [
    "SURE",
    "TomParts",
    "low_rate",
    "low_spectra",
    "offset_of",
    "other_mics",
    "state_of",
    "tom_parts",
    "was_played",
]

SURE = 0.97
"""A drum that was really played has at least one hit this certain (measured: never-hit toms reached 0.95, real ones at
least 0.987)."""
OFFSET_DB = -60.0
"""From this level on an offset is taken off before a mask closes on it, dBFS: each opening would thump (common
practice, no source)."""
OFFSET_FRAMES = 64
"""Frames in which it is measured; windowed, rumble averages out."""


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
    made_from : hashable
        What the parts depend on besides the take.
    offset : float
        Constant in the track that would thump at every opening, 1.0 = full scale; 0 if it is too small for that.
    """

    hits: NDArray[np.int64]
    parts: Parts
    n_mics: int
    grid: Grid
    made_from: Any
    offset: float = 0.0


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
    if not hits and state.played == "yes":
        return "no"  # the engineer has left out every one
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
    from spillgate.dsp.core.cleaning.bandgrid import grid
    from spillgate.dsp.core.cleaning.bleed import take_apart

    g = grid(take.sr)
    key = (_key(plan), tuple(h.time_s for h in plan.hits_of(track.id)))

    def make() -> TomParts:
        hits = samples_of(plan.hits_of(track.id), take.sr)
        mics = [mic for _, mic in other_mics(take, plan, track)]
        frames = np.unique(g.frame_at(hits.astype(np.float64)))
        parts = take_apart(take.features["band_powers"][track.id], mics, frames, g.frame_s, room=take.room)
        return TomParts(hits, parts, len(mics), g, key, offset_of(take, track))

    return take.once(f"tom parts: {track.id}", key, make)


def offset_of(take: Take, track: Track) -> float:
    """Measure a constant offset in a track, where it is quiet.

    Parameters
    ----------
    take : Take
        With the feature ``band_powers``.
    track : Track

    Returns
    -------
    offset : float
        1.0 = full scale; 0 under `OFFSET_DB`.  A multiple of 2⁻³¹, which 32-bit samples can hold.
    """
    from spillgate.dsp.core.cleaning.bandgrid import grid, window

    g = grid(take.sr)
    level: NDArray[np.float64] = np.sum(take.features["band_powers"][track.id], axis=1, dtype=np.float64)
    sounding = np.flatnonzero(level > 0)
    quiet = sounding[level[sounding] <= np.median(level[sounding])] if len(sounding) else sounding
    some = quiet[np.arange(min(len(quiet), OFFSET_FRAMES)) * len(quiet) // max(min(len(quiet), OFFSET_FRAMES), 1)]
    w = window(g.frame_length)
    half = g.frame_length // 2
    means = [float(w @ take.read(track, k * g.hop - half, k * g.hop + half, "float64")) / float(w.sum()) for k in some]
    found = float(np.median(means)) if means else 0.0
    return round(found * 2**31) / 2**31 if abs(found) >= 10 ** (OFFSET_DB / 20) else 0.0


def other_mics(take: Take, plan: Plan, track: Track) -> list[tuple[Track, Mic]]:
    """Give the mics that may explain the bleed in a track.

    Those are the close mics of other drums, the cymbals in the overheads, and of the tracks that are no drum but may
    explain bleed what the drums do not leave in them.

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
    from spillgate.dsp.core.cleaning.bandgrid import grid
    from spillgate.dsp.core.cleaning.sources import Mic, cymbals_of

    powers = take.features["band_powers"]
    g = grid(take.sr)
    found_s = _found_s(plan)

    def close(t: Track) -> Mic:
        frames = np.unique(g.frame_at(np.floor(np.asarray(found_s.get(t.id, ()), np.float64) * take.sr + 0.5)))
        return Mic(powers[t.id], frames if len(frames) else None, True)

    def farther(t: Track) -> Mic:
        def make() -> NDArray[np.float32]:
            drums = [close(c) for c in take.tracks if c.is_close and c.id in powers]
            return cymbals_of(powers[t.id], drums, take.room)

        return Mic(take.once(f"cymbals of {t.id}", _key(plan), make), None, False)

    found: list[tuple[Track, Mic]] = []
    for t in take.tracks:
        same = t.id == track.id or (t.drum is not None and t.drum == track.drum)
        if t.id in powers and not same:
            found.append((t, close(t) if t.is_close else farther(t)))
    return found


def low_rate(take: Take, track: Track) -> NDArray[np.float32]:
    """Give a whole track at the low rate at which bleed is cancelled; a feature of the take."""
    y: NDArray[np.float32] = take.features["low_rate"][track.id][:, 0]
    return y


def low_spectra(take: Take) -> tuple[Spectra, dict[str, int]]:
    """Give the low frequencies of all mics with band powers, and the place of each track among them."""
    from spillgate.dsp.core.cleaning.cancel import spectra_of
    from spillgate.dsp.core.cleaning.lowrate import factor_of

    tracks = [t for t in take.tracks if t.id in take.features["band_powers"]]

    def make() -> Spectra:
        return spectra_of([low_rate(take, t) for t in tracks], take.sr / factor_of(take.sr))

    return take.once("low spectra", None, make), {t.id: k for k, t in enumerate(tracks)}


def _found_s(plan: Plan) -> dict[str, list[float]]:
    """Times of the hits of every track as they were found: what the engineer overrules on one drum moves no other."""
    found: dict[str, list[float]] = {t.track: [] for t in plan.tracks}
    for h in plan.hits:
        found.setdefault(h.track, []).append(h.time_s)
    return found | {k: list(v) for k, v in plan.figures.get("corrections", {}).get("found", {}).items()}


def _key(plan: Plan) -> tuple[Any, ...]:
    return tuple((track, *times) for track, times in sorted(_found_s(plan).items()))
