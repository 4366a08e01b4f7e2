"""``snare-spill``: lowers hat and ride in the snare tracks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.processors.gate import TomMask, db, not_silenced, overruled, summed, with_masks
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["SnareSpill"]

CYMBAL_ROLES = frozenset({"hat", "cymbal", "overhead"})
"""Mics that say what hat and cymbals are doing; of the overheads, what is left without the drums."""

SILENCE_S = (0.25, 0.40)
"""A snare grows silent sooner than a tom: from 0.25 s after a hit on, over 0.4 s."""

LEAST_SILENCE_S = 1.0
"""So much of it is needed to learn what hat and cymbals leave in its mic, s."""


@dataclass(frozen=True, kw_only=True)
class SnareSpill(Processor):
    """Lower what hat, ride and crashes leave in the snare tracks, under ghost notes and between hits.

    Parameters
    ----------
    limit_db, after_ms, sure : float
        See the options of the same names.

    Notes
    -----
    What the hat mic and the overheads hear says how much of each band is hat and cymbals, as for the toms in `Spill`;
    only that part is turned down, so kick, toms and the buzz they stir in the wires stay as they are.  Attacks pass bit
    for bit.  Figures per track: ``verdict``, ``why``, ``hits``, ``mics`` (that say what hat and cymbals do),
    ``bleed_removed_db`` (by how much hat and cymbals are lower), ``spill_db`` (their level re the track),
    ``gain_jump_db`` (restlessness of the gains).
    """

    name: ClassVar[str] = "snare-spill"
    summary: ClassVar[str] = "lowers hat and ride in snare tracks, never to silence"
    needs: ClassVar[frozenset[str]] = frozenset({"hits"})
    gives: ClassVar[frozenset[str]] = frozenset({"masks"})
    features: ClassVar[frozenset[str]] = frozenset({"band_powers"})

    limit_db: Annotated[float, Range(1.0, 24.0, unit="dB", help="most it takes away")] = 6.0
    after_ms: Annotated[
        float, Range(0.0, 2000.0, unit="ms", help="full effect so long after a hit, none for a third of it")
    ] = 300.0
    sure: Annotated[float, Range(0.0, 1.0, help="least confidence of a hit that is protected")] = 0.1

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Ask for a mask on every snare track in which hat and cymbals can be told from the rest."""
        snares = take.of_role("snare")
        masks = take.map(lambda t: self.for_track(t).mask(take, plan, t), snares, "lowering hat and ride in snares")
        return with_masks(plan, self.name, masks).with_figures(self.name, {m.track: m.figures for m in masks})

    def mask(self, take: Take, plan: Plan, track: Track) -> TomMask:
        """Decide on one track (with the parameters that hold for it).

        Parameters
        ----------
        take : Take
        plan : Plan
        track : Track

        Returns
        -------
        mask : TomMask
        """
        import numpy as np

        from spillgate.dsp.core.cleaning.bandgrid import grid
        from spillgate.dsp.core.cleaning.bandmask import quantise
        from spillgate.dsp.core.cleaning.bleed import take_apart
        from spillgate.dsp.core.cleaning.ring import ages
        from spillgate.dsp.core.cleaning.softmask import gain_jump_db, lowering_gains
        from spillgate.dsp.processors.tom_parts import other_mics, samples_of, state_of

        hits = samples_of(tuple(h for h in plan.hits_of(track.id) if h.confidence >= self.sure), take.sr)
        state = state_of(plan, track)
        mics = other_mics(take, plan, track)
        chosen = np.asarray([t.role in CYMBAL_ROLES for t, _ in mics], bool)
        if state is not None and state.strokes == "unclear":
            return TomMask(track.id, {}, {}, _figures("leave", "no clear strokes", len(hits)))
        if not len(hits):
            return TomMask(track.id, {}, {}, _figures("leave", "no hits are known", 0))
        if not chosen.any():
            return TomMask(track.id, {}, {}, _figures("leave", "no mic says what hat and ride do", len(hits)))
        g = grid(take.sr)
        frames = np.unique(g.frame_at(hits.astype(np.float64)))
        powers = take.features["band_powers"][track.id]
        parts = take_apart(powers, [m for _, m in mics], frames, g.frame_s, chosen=chosen, silence=SILENCE_S)
        if parts.silent_s < LEAST_SILENCE_S:
            why = (
                f"the snare is silent for only {parts.silent_s:.1f} s, too short to learn what hat and ride leave in it"
            )
            return TomMask(track.id, {}, {}, _figures("leave", why, len(hits)))
        spill = np.minimum(np.zeros_like(parts.x) if parts.chosen is None else parts.chosen, parts.x)
        age = ages(frames, len(powers))
        age_s = np.where(age < 0, np.inf, age * g.frame_s)
        rest = parts.ring + np.maximum(parts.bleed - spill, 0)
        least = 10 ** (-self.limit_db / 20)
        gains = lowering_gains(parts.x, rest, spill, age_s, self.after_ms / 1000, g.centres_hz, least).T
        gains = overruled(_kept(gains, plan, track, g.hop, take.sr), plan, track, g.hop, take.sr)
        removed = summed(spill * np.square(gains.T))
        figures = _figures("worth cleaning", "hat and ride are lower", len(hits))
        if summed(spill) > 0:
            figures["bleed_removed_db"] = round(db(summed(spill) / removed), 1) if removed > 0 else 0.0
            figures["spill_db"] = round(db(summed(spill) / summed(parts.x)), 1)
        figures.update(mics=int(chosen.sum()), gain_jump_db=round(gain_jump_db(gains, parts.x), 2))
        cuts = not_silenced(hits, plan, track, take.sr)
        return TomMask(track.id, {"gains": quantise(gains), "cuts": cuts}, {}, figures)


def _kept(gains: NDArray[Any], plan: Plan, track: Track, hop: int, sr: int) -> NDArray[Any]:
    """Leave the ring of a hit alone for as long as the engineer wants it kept."""
    for h in plan.hits_of(track.id):
        if h.ring_until_s is not None:
            gains[max(int(h.time_s * sr / hop), 0) : max(int(h.ring_until_s * sr / hop) + 1, 0)] = 1.0
    return gains


def _figures(verdict: str, why: str, hits: int) -> dict[str, Any]:
    return {"verdict": verdict, "why": why, "hits": hits, "bleed_removed_db": 0.0}
