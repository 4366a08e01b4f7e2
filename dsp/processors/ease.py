"""``ease``: turns kick and snare tracks down a little between their hits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import Plan, StepSpec
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Ease"]

LEAST_S = {"kick": 0.08, "snare": 0.12}
"""Open at least so long after a hit, s (common practice, no source)."""

OVER_DB = 3.0
"""A hit has sunk when its track is less than this over what usually lies between hits, dB.

Tuned on three made takes: what is lost of the first 0.2 s after a hit stays 50 dB under it in every kick and snare
track, and 0.7 to 4.8 dB of what lies between is gone."""


@dataclass(frozen=True, kw_only=True)
class Ease(Processor):
    """Turn kick and snare tracks down between their hits, never to silence.

    Parameters
    ----------
    down_db, hold_ms, fade_ms, sure : float
        See the options of the same names.

    Notes
    -----
    Compression in the mix brings the bleed of kick and snare mics up; 6 dB less between hits is what goes unnoticed
    (common practice, no source).  Every hit opens the track, also the soft and doubtful ones: a ghost note that is
    turned down is worse than a little bleed.  It closes when the track is within 3 dB of what it usually holds between
    hits.
    """

    name: ClassVar[str] = "ease"
    summary: ClassVar[str] = "turns kick and snare down a little between hits, never to silence"
    needs: ClassVar[frozenset[str]] = frozenset({"hits"})
    gives: ClassVar[frozenset[str]] = frozenset({"masks"})
    features: ClassVar[frozenset[str]] = frozenset({"band_powers"})

    down_db: Annotated[float, Range(0.0, 12.0, unit="dB", help="how far down between hits")] = 6.0
    hold_ms: Annotated[float, Range(0.0, 2000.0, unit="ms", help="stays open so much longer")] = 0.0
    fade_ms: Annotated[float, Range(20.0, 2000.0, unit="ms", help="then goes down over this time")] = 150.0
    sure: Annotated[float, Range(0.0, 1.0, help="least confidence of a hit that opens it")] = 0.1

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Ask for a mask on every kick and snare track with hits."""
        steps: dict[str, tuple[StepSpec, ...]] = {}
        arrays: dict[str, NDArray[Any]] = {}
        figures: dict[str, Any] = {}
        unclear = {d.drum for d in plan.drums if d.strokes == "unclear"}
        for track in take.of_role(*LEAST_S):
            mine = self.for_track(track)
            table = take.features["band_powers"].get(track.id)
            hits = [h.time_s for h in plan.hits_of(track.id) if h.confidence >= mine.sure]
            if table is None or not hits or track.drum in unclear or mine.down_db == 0.0:
                continue
            gains, cuts, share = mine.mask(take, plan, track)
            names = {"gains": f"{self.name}/{track.id}/gains", "cuts": f"{self.name}/{track.id}/cuts"}
            arrays |= {names["gains"]: gains, names["cuts"]: cuts}
            steps[track.id] = (StepSpec(step="mask", arrays=names),)
            figures[track.id] = {"hits": len(cuts), "open_share": round(share, 3)}
        return plan.with_steps(self.name, steps, arrays).with_figures(self.name, figures)

    def mask(self, take: Take, plan: Plan, track: Track) -> tuple[NDArray[np.uint16], NDArray[np.int64], float]:
        """Draw the gains of one track (with the parameters that hold for it).

        Parameters
        ----------
        take : Take
        plan : Plan
        track : Track

        Returns
        -------
        gains, cuts : ndarray
            Arrays of the step ``mask``.
        share : float
            Share of the time that is fully open.
        """
        import numpy as np

        from spillgate.dsp.core.cleaning.bandgrid import grid
        from spillgate.dsp.core.cleaning.bandmask import Attack, quantise
        from spillgate.dsp.core.cleaning.between import closes_between, usual_level
        from spillgate.dsp.core.cleaning.closing import Closing, mask_of

        g = grid(take.sr)
        power: NDArray[np.float64] = np.asarray(take.features["band_powers"][track.id], np.float64).sum(axis=1)
        times = np.array([h.time_s for h in plan.hits_of(track.id) if h.confidence >= self.sure])
        cuts = np.unique(np.floor(times * take.sr + 0.5).astype(np.int64))
        opening = Attack.of(1.5, 7.5, take.sr).start
        firsts = np.clip(-(-(cuts + opening) // g.hop), 0, len(power))
        level = usual_level(power, firsts, g.frame_s) * 10 ** (OVER_DB / 10)
        least_s = LEAST_S[track.role] + self.hold_ms / 1000
        closes = closes_between(power, firsts, g.frame_s, least_s, level)
        kept = {h.time_s: h.ring_until_s for h in plan.hits_of(track.id) if h.ring_until_s is not None}
        for time_s, until_s in kept.items():
            k = int(np.searchsorted(cuts, int(time_s * take.sr + 0.5)))
            if k < len(closes):
                closes[k] = min(int(g.frame_at(until_s * take.sr)), int(np.append(firsts, len(power))[k + 1]))
        floor = 10 ** (-self.down_db / 20)
        whole = np.zeros(g.n_bands, np.int64)
        gains = mask_of(Closing(firsts, closes[:, None], len(power)), whole, g.frame_s, self.fade_ms / 1000, floor)
        for span in plan.spans:
            if span.track == track.id:
                a, b = (int(v * take.sr) // g.hop for v in (span.start_s, span.stop_s))
                if span.keep:
                    gains[max(a - 1, 0) : b + 2] = 1.0
                else:
                    gains[a + 1 : b] = 0.0
        return quantise(gains), cuts, float(np.mean(gains[:, 0] >= 1.0))
