"""Toms: less bleed under the ring, by what the other mics say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Flag, Range
from spillgate.dsp.plan.model import Finding, Plan
from spillgate.dsp.processors.gate import RING, Gate, TomMask, with_masks
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from spillgate.dsp.core.cleaning.bleed import Parts
    from spillgate.dsp.processors.tom_parts import TomParts

__all__ = ["Spill"]

FEWEST_HITS, LIKELY = 4, 0.9
"""With fewer hits, at least so certain, nothing is known of how the drum decays."""
LEAST_SILENCE_S = 1.5
"""The leaks are learned where the drum is silent; this much is needed, s."""
MOST_UNEXPLAINED = 0.45
"""With a larger share of the bleed unexplained by the other mics a track keeps the gate's mask (measured on four takes
with mics left out: up to here the result was better than the gate's in every case)."""
WORTH_SAYING = 0.20
"""From this share on it is said; complete takes have up to 0.16."""
KEPT_FADE_S = 0.010
"""Fade of the cancelling signal before and behind a span that is kept, s."""


@dataclass(frozen=True)
class Lowered:
    """A tom track after the coherent part of its bleed has been taken off.

    Attributes
    ----------
    parts : Parts
        What it is then made of.
    signal : ndarray, shape (n,), float32, or None
        What was taken off, at the low rate.
    """

    parts: Parts
    signal: NDArray[np.float32] | None


@dataclass(frozen=True, kw_only=True)
class Spill(Gate):
    """Clean every tom track between hits as `Gate` does, and lower the bleed under its ring as well.

    Notes
    -----
    Replaces the mask of `Gate` on the tracks it takes.  Tracks on which the other mics cannot say what is bleed keep
    (or get) the gate's mask; their figures say ``mask = "gate"`` and why in ``kept``.  Further figures:
    ``under_ring_db`` (how much of the bleed is gone while the track is open), ``cancelled_db`` (by cancelling alone),
    ``gain_jump_db``.

    The last is the measure of watery noise: by how much the gains jump from one 17 ms frame to the next, mean of all
    audible cells, dB.  Plain spectral subtraction, known to sound watery, has 10 to 24; here 0.1 to 0.7 on eight made
    takes.
    """

    name: ClassVar[str] = "spill"
    summary: ClassVar[str] = "cleans tom tracks and lowers the bleed under the ring"
    features: ClassVar[frozenset[str]] = frozenset({"band_powers", "low_rate"})

    ring: Annotated[float, Range(0.1, 4, help="0.4 keeps more doubtful ring, 2 is tight")] = RING
    limit_db: Annotated[
        float | None,
        Range(1, 60, unit="dB", help="most it takes away under the ring: little 6, more 12", none="no limit"),
    ] = None
    cancel: Annotated[bool, Flag(help="cancel what is a filtered copy of other mics")] = True

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Replace the masks of all tom tracks whose bleed the other mics explain."""
        toms = take.of_role("tom")
        masks = take.map(lambda t: self.for_track(t).mask(take, plan, t), toms, "lowering bleed in toms")
        gated = {t for t, specs in plan.steps.items() if any(s.step == "mask" and s.by == "gate" for s in specs)}
        mine = [m for m in masks if _is_spill(m) or m.track not in gated]
        taken = {m.track for m in mine if m.arrays}
        steps = {
            t: tuple(s for s in specs if t not in taken or s.step != "mask" or s.by == self.name)
            for t, specs in plan.steps.items()
        }
        dropped = {f"gate/{t}/{name}" for t in taken for name in ("gains", "cuts")}
        arrays = {k: v for k, v in plan.arrays.items() if k not in dropped}
        plan = plan.replace(steps={t: s for t, s in steps.items() if s}, arrays=arrays)
        others = tuple(f for f in plan.findings if not f.code.startswith("spill."))
        more = any(t.role == "other" and not t.explains for t in take.tracks)
        plan = plan.replace(findings=others + tuple(f for m in masks for f in _findings(m, more)))
        plan = with_masks(plan, self.name, mine).with_figures(self.name, {m.track: m.figures for m in masks})
        return plan.with_questions("gate.", tuple(q for m in masks for q in m.questions))

    def _cleaned(self, take: Take, plan: Plan, track: Track) -> TomMask:
        from spillgate.dsp.processors.tom_parts import tom_parts

        tom = tom_parts(take, plan, track)
        doubt = _doubt(tom, sum(h.confidence >= LIKELY for h in plan.hits_of(track.id)))
        if doubt:
            kept = super()._cleaned(take, plan, track)
            kept.figures.update(mask="gate", kept=doubt)
            return kept
        return self._lowered(take, plan, track, tom)

    def _lowered(self, take: Take, plan: Plan, track: Track, tom: TomParts) -> TomMask:
        import numpy as np

        from spillgate.dsp.core.cleaning.closing import mask_of
        from spillgate.dsp.core.cleaning.softmask import SMOOTH, gain_jump_db, ring_gains, silences, soft_mask
        from spillgate.dsp.processors.gate import FRAMES_AT_ONCE, db, is_open, not_silenced, overruled, stored, summed

        key = (tom.made_from, self.cancel, self.limit_db, self.open_before_ms, self.attack_ms)
        left = take.once(f"lowered: {track.id}", key, lambda: self._cancelled(take, plan, track, tom))
        g, n = tom.grid, left.parts.x.shape[1]
        closing = silences(left.parts.ring, left.parts.bleed, self._firsts(tom), g.frame_s, self.hold_ms / 1000)
        curve = mask_of(closing, np.zeros(1, np.int64), g.frame_s, self._fade_s())[:, 0]
        mask = take.room((n, g.n_bands))
        for a in range(0, n, FRAMES_AT_ONCE):
            b = min(a + FRAMES_AT_ONCE, n)
            p, q = max(a - SMOOTH // 2, 0), min(b + SMOOTH // 2, n)
            gains = ring_gains(left.parts.ring[:, p:q], left.parts.bleed[:, p:q], self.ring)[:, a - p : b - p]
            if self.limit_db is not None:
                least = np.sqrt(tom.parts.x[:, a:b] / np.maximum(left.parts.x[:, a:b], np.float32(1e-30)))
                gains = np.maximum(gains, np.minimum(np.float32(self._least()) * least, np.float32(1)))
            mask[a:b] = soft_mask(gains, curve[a:b], self._floor())
        by_hand = [h for h in plan.hits_of(track.id) if h.ring_until_s is not None]
        if by_hand:  # then it is rendered as the gate would
            bands, _ = self._by_band(take, plan, track, tom)
            for h in by_hand:
                i = int(np.searchsorted(tom.hits, int(h.time_s * take.sr + 0.5)))
                mask[closing.firsts[i] : closing.stops[i]] = bands[closing.firsts[i] : closing.stops[i]]
        mask = overruled(mask, plan, track, g.hop, take.sr)
        cuts = not_silenced(tom.hits, plan, track, take.sr)
        figures = self._report(left.parts, tom, closing, mask, cuts, take)
        stays = is_open(mask, self._floor())
        under = sum(summed(band[stays]) for band in tom.parts.bleed)
        after = sum(summed(band[stays]) for band in left.parts.bleed)
        rest = sum(summed(band[stays] * np.square(mask[stays, k])) for k, band in enumerate(left.parts.bleed))
        figures.update(
            mask="spill",
            under_ring_db=round(db(under / rest), 1) if under > 0 and rest > 0 else 0.0,
            cancelled_db=round(db(under / after), 1) if left.signal is not None and under > 0 and after > 0 else 0.0,
            gain_jump_db=round(gain_jump_db(mask, left.parts.x), 2),
        )
        arrays: dict[str, NDArray[Any]] = {"gains": stored(mask, np.arange(g.n_bands), take), "cuts": cuts}
        if left.signal is not None:
            arrays["cancel"] = not_kept(left.signal, plan, track, take.sr)
        return TomMask(track.id, arrays, self._step(), figures, offset=tom.offset)

    def _least(self) -> float:
        return 0.0 if self.limit_db is None else float(10 ** (-self.limit_db / 20))

    def _cancelled(self, take: Take, plan: Plan, track: Track, tom: TomParts) -> Lowered:
        """Take the coherent part of the bleed off and see what is left."""
        import numpy as np

        from spillgate.dsp.core.cleaning.bandmask import Attack
        from spillgate.dsp.core.cleaning.bleed import take_apart
        from spillgate.dsp.core.cleaning.cancel import (
            bounded,
            cancelling_filters,
            cancelling_signal,
            muted,
            powers_without,
        )
        from spillgate.dsp.core.cleaning.lowrate import factor_of
        from spillgate.dsp.processors.tom_parts import low_rate, low_spectra, other_mics

        if not self.cancel:
            return Lowered(tom.parts, None)
        g, parts, sr = tom.grid, tom.parts, take.sr
        rate = sr / factor_of(sr)
        others = other_mics(take, plan, track)
        spectra, place = low_spectra(take)
        filters = cancelling_filters(
            spectra,
            place[track.id],
            [place[t.id] for t, _ in others],
            rate,
            parts.x,
            parts.ring,
            parts.bleed,
            g.centres_hz,
            g.frame_s,
            tom.hits / sr,
        )
        refs = [low_rate(take, t) for t, _ in others]
        copies = cancelling_signal(refs, filters, rate, take.room)
        signal = bounded(copies, parts.x, parts.ring, parts.bleed, sr, take.room)
        signal *= np.float32(1.0 - self._least())
        attack = Attack.of(self.open_before_ms, self.attack_ms, sr)
        taken = muted(signal, tom.hits, attack, sr, take.room)
        powers = powers_without(take.features["band_powers"][track.id], low_rate(take, track), taken, sr, take.room)
        frames = np.unique(g.frame_at(tom.hits.astype(np.float64)))
        return Lowered(take_apart(powers, [m for _, m in others], frames, g.frame_s, tom.parts, room=take.room), signal)


def not_kept(signal: NDArray[np.float32], plan: Plan, track: Track, sr: int) -> NDArray[np.float32]:
    """Cancel nothing in the spans that the engineer keeps: there the recording passes bit for bit.

    The signal at the low rate fades out before each span and in behind it, farther away than the rate changer reaches.
    """
    from math import ceil, floor

    import numpy as np

    from spillgate.dsp.core.cleaning.lowrate import MARGIN, factor_of

    kept = [s for s in plan.spans if s.track == track.id and s.keep]
    if not kept:
        return signal
    rate = sr / factor_of(sr)
    n = max(round(KEPT_FADE_S * rate), 1)
    up = (0.5 - 0.5 * np.cos(np.pi * np.arange(1, n + 1) / (n + 1))).astype(np.float32)
    share = np.ones(len(signal) + 2 * n, np.float32)  # n more at either end
    for span in kept:
        a = max(floor(span.start_s * rate) - MARGIN - 1, 0) + n
        b = min(max(ceil(span.stop_s * rate) + MARGIN + 2 + n, a), len(share) - n)
        share[a:b] = 0.0
        share[a - n : a] = np.minimum(share[a - n : a], up[::-1])
        share[b : b + n] = np.minimum(share[b : b + n], up)
    return signal * share[n:-n]


def _is_spill(m: TomMask) -> bool:
    return m.figures.get("mask") == "spill"


def _doubt(tom: TomParts, likely: int) -> str:
    """Say why the other mics cannot be trusted to tell what is bleed; empty if they can.

    `likely`: hits that are hardly doubted.
    """
    if likely < FEWEST_HITS:
        hits = "hits" if likely == len(tom.hits) else "clear hits"
        return f"only {likely} {hits}, {FEWEST_HITS} are needed to know its ring"
    if tom.n_mics == 0:
        return "no other mic can say what is bleed"
    if tom.parts.silent_s < LEAST_SILENCE_S:
        return f"the drum is silent for only {tom.parts.silent_s:.1f} s, too short to learn its bleed"
    if tom.parts.unexplained > MOST_UNEXPLAINED:
        return f"{100 * tom.parts.unexplained:.0f} % of its bleed is in no other mic"
    return ""


def _findings(m: TomMask, more: bool) -> tuple[Finding, ...]:
    """Say what share stays unexplained; `more`: there are tracks that are no drum and were not asked."""
    share = m.figures.get("unexplained_pct", 0.0)
    if share < 100 * WORTH_SAYING:
        return ()
    end = "it keeps the gate's mask" if not _is_spill(m) else "that part is not lowered under the ring"
    advice = f"{share:.0f} % of the bleed comes from something that no other drum mic hears; {end}"
    if more:
        advice += "; if another track holds it (a guitar, a monitor), write explains = true there in the input list"
    limit = 100 * MOST_UNEXPLAINED
    return (
        Finding(
            code="spill.unexplained", severity="note", track=m.track, value=share, unit="%", limit=limit, advice=advice
        ),
    )
