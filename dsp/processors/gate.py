"""Toms: open at each hit, close band by band where the ring sinks into the bleed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import DrumState, Hit, Plan, Question, StepSpec
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from spillgate.dsp.core.cleaning.bleed import Parts
    from spillgate.dsp.core.cleaning.closing import Closing
    from spillgate.dsp.processors.tom_parts import TomParts

__all__ = ["Gate", "TomMask", "db", "is_open", "not_silenced", "overruled", "stored", "summed", "with_masks"]

DOUBTFUL_DB = -18.0
"""Level of a tom of which it is not sure that it was played at all, dB."""
RING = 0.85
"""Value of `ring` at which ring and bleed are weighed as measured."""
LITTLE_DB = 30.0
"""With the bleed of the whole track so far under the drum there is little to gain, dB (common practice, no source)."""
SONG_OVER_S = 0.5
"""A last ring is kept if no drum is struck later than this after its stroke, s."""
FLOORS = (("tight", None), ("natural", -18.0), ("open", -9.0))
"""Words for `floor_db`: silence between hits, or how far down, dB (common practice, no source)."""
LEFT_OPEN_FADES_S = (0.06, 0.25)
"""Passages without clear strokes open and close over these times, s: they begin and end softly themselves."""
FRAMES_AT_ONCE = 4096
"""Frames whose gains are stored at a time: what a long take needs lies in files."""
MOST_DB = 100.0
"""Where nothing at all is left, the figure for bleed removed says this."""


@dataclass(frozen=True)
class TomMask:
    """What becomes of one tom track.

    Attributes
    ----------
    track : str
        Track id.
    arrays : dict
        Arrays of the step ``mask`` under its own names; empty: the track is left alone.
    step : dict
        Parameters of that step.
    figures : dict
        For reports.
    questions : tuple of Question
    offset : float
        Constant to be taken off first, 1.0 = full scale.
    """

    track: str
    arrays: dict[str, NDArray[Any]]
    step: dict[str, float]
    figures: dict[str, Any]
    questions: tuple[Question, ...] = ()
    offset: float = 0.0


def with_masks(plan: Plan, by: str, masks: Iterable[TomMask]) -> Plan:
    """Return a plan with these masks, and offsets that nobody else takes off, as the steps of processor `by`."""
    steps: dict[str, tuple[StepSpec, ...]] = {}
    arrays: dict[str, NDArray[Any]] = {}
    for m in masks:
        if m.arrays:
            names = {name: f"{by}/{m.track}/{name}" for name in m.arrays}
            arrays.update({names[name]: array for name, array in m.arrays.items()})
            steps[m.track] = (StepSpec(step="mask", params=m.step, arrays=names),)
            off = any(s.step == "offset" and s.by != by for s in plan.steps.get(m.track, ()))
            if m.offset and not off:
                steps[m.track] = (StepSpec(step="offset", params={"offset": m.offset}), *steps[m.track])
    return plan.with_steps(by, steps, arrays)


@dataclass(frozen=True, kw_only=True)
class Gate(Processor):
    """Open every tom track at its own hits and close it, band by band, where the ring sinks into the bleed.

    Notes
    -----
    Figures per track: ``spans`` ([[open_s, close_s], …] on the take's timeline), ``verdict`` (``worth cleaning``,
    ``little to gain``, ``leave``), ``why``, ``bleed_removed_db``, ``drum_to_bleed_db``, ``ring_s`` (median time open
    after a hit that no other cuts short), ``hits``, ``mics`` (other mics that may explain the bleed),
    ``unexplained_pct`` (share of the bleed between hits that they do not explain), ``offset_dbfs`` (of a constant
    offset that is taken off first, if there is one).
    """

    name: ClassVar[str] = "gate"
    summary: ClassVar[str] = "cleans tom tracks between hits, following each ring"
    needs: ClassVar[frozenset[str]] = frozenset({"hits"})
    gives: ClassVar[frozenset[str]] = frozenset({"masks"})
    features: ClassVar[frozenset[str]] = frozenset({"band_powers"})

    open_before_ms: Annotated[float, Range(0, 20, unit="ms", help="opens so long before a hit")] = 1.5
    attack_ms: Annotated[float, Range(0, 50, unit="ms", help="left untouched after a hit")] = 7.5
    ring: Annotated[float, Range(0.1, 4, help="0.4 keeps more doubtful ring, 2 is tight")] = RING
    hold_ms: Annotated[float, Range(0, 2000, unit="ms", help="stays open so much longer")] = 0.0
    fade_ms: Annotated[
        float | None,
        Range(5, 2000, unit="ms", help="length of the fades", none="in proportion to the ring, at least 60 ms"),
    ] = None
    floor_db: Annotated[
        float | None,
        Range(-60, 0, unit="dB", help="level between hits", none="silence", words=FLOORS),
    ] = None

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Add a mask for every tom track that is worth one."""
        toms = take.of_role("tom")
        masks = take.map(lambda t: self.for_track(t).mask(take, plan, t), toms, "cleaning toms")
        plan = with_masks(plan, self.name, masks).with_figures(self.name, {m.track: m.figures for m in masks})
        return plan.with_questions("gate.", tuple(q for m in masks for q in m.questions))

    def mask(self, take: Take, plan: Plan, track: Track) -> TomMask:
        """Decide on one track (with the parameters that hold for it)."""
        from spillgate.dsp.processors.tom_parts import state_of

        found = self._decided(take, plan, track)
        state = state_of(plan, track)
        return found if state is None or not state.unclear_s else _with_passages(found, track, state)

    def _decided(self, take: Take, plan: Plan, track: Track) -> TomMask:
        from spillgate.dsp.processors.tom_parts import state_of, was_played

        hits = plan.hits_of(track.id)
        state = state_of(plan, track)
        played = was_played(hits, state)
        if state is not None and state.strokes == "unclear":
            text = f"{track.label} has no clear strokes and is left open; is that right?"
            ask = Question(code="gate.unclear", text=text, track=track.id, weight=10.0)
            mine = any(s.track == track.id for s in plan.spans)
            arrays = self._level(take, plan, track, 1.0) if mine else {}
            step = self._step() if mine else {}
            return TomMask(track.id, arrays, step, _figures("leave", "no clear strokes", len(hits)), (ask,))
        if played == "unknown":
            return TomMask(track.id, {}, {}, _figures("leave", "no hits are known", 0))
        if played == "yes":
            return self._cleaned(take, plan, track)
        floor = self._floor()
        if played == "no":
            figures = _figures("worth cleaning", "never played", 0, db(1 / floor**2) if floor else MOST_DB)
            return TomMask(track.id, self._level(take, plan, track, floor), self._step(), figures)
        low = max(floor, 10 ** (DOUBTFUL_DB / 20))
        best = state.best_confidence if state else 0.0
        text = f"{track.label} was perhaps never played and is turned down by {-db(low**2):.0f} dB; was it played?"
        likeliest = max(hits, key=lambda h: h.confidence).time_s if hits else None
        ask = Question(code="gate.doubtful", text=text, track=track.id, time_s=likeliest, weight=1000.0 * (1 + best))
        figures = _figures("leave", "perhaps never played", len(hits), -db(low**2))
        return TomMask(track.id, self._level(take, plan, track, low), self._step(), figures, (ask,))

    def _level(self, take: Take, plan: Plan, track: Track, gain: float) -> dict[str, NDArray[Any]]:
        """Arrays that turn a whole track down."""
        import numpy as np

        from spillgate.dsp.core.cleaning.bandgrid import grid

        g = grid(take.sr)
        gains = np.full((g.n_frames(take.n_samples), 1), gain)
        gains = overruled(gains, plan, track, g.hop, take.sr)
        return {"gains": stored(gains, np.zeros(g.n_bands, np.int64), take), "cuts": np.zeros(0, np.int64)}

    def _cleaned(self, take: Take, plan: Plan, track: Track) -> TomMask:
        from spillgate.dsp.core.cleaning.closing import group_of
        from spillgate.dsp.processors.tom_parts import tom_parts

        tom = tom_parts(take, plan, track)
        group = group_of(tom.grid.centres_hz)
        gains, closing = self._by_group(take, plan, track, tom)
        gains = overruled(gains, plan, track, tom.grid.hop, take.sr)
        cuts = not_silenced(tom.hits, plan, track, take.sr)
        figures = self._report(tom.parts, tom, closing, gains, cuts, take, group)
        arrays: dict[str, NDArray[Any]] = {"gains": stored(gains, group, take), "cuts": cuts}
        return TomMask(track.id, arrays, self._step(), figures, offset=tom.offset)

    def _by_group(self, take: Take, plan: Plan, track: Track, tom: TomParts) -> tuple[NDArray[np.float32], Closing]:
        """Close band by band; as far as the engineer says how long a ring is kept, by that.

        Gains, shape (n_frames, n_groups): the bands of a group close together.
        """
        import numpy as np

        from spillgate.dsp.core.cleaning.closing import close_by_band, group_of, mask_of, until

        g, parts = tom.grid, tom.parts
        group = group_of(g.centres_hz)
        final = parts.x if _song_is_over(plan, track, tom.hits, take.sr) else None
        closing = close_by_band(
            parts.ring, parts.bleed, self._firsts(tom), group, g.frame_s, self.hold_ms / 1000, final, self.ring / RING
        )
        for h in plan.hits_of(track.id):
            if h.ring_until_s is not None:
                at = int(np.searchsorted(tom.hits, int(h.time_s * take.sr + 0.5)))
                closing = until(closing, at, int(g.frame_at(h.ring_until_s * take.sr)))
        return mask_of(closing, np.arange(int(group.max()) + 1), g.frame_s, self._fade_s(), self._floor()), closing

    def _by_band(self, take: Take, plan: Plan, track: Track, tom: TomParts) -> tuple[NDArray[np.float32], Closing]:
        """Give the same gains laid out for each band, shape (n_frames, n_bands)."""
        from spillgate.dsp.core.cleaning.closing import group_of

        gains, closing = self._by_group(take, plan, track, tom)
        return gains[:, group_of(tom.grid.centres_hz)], closing

    def _firsts(self, tom: TomParts) -> NDArray[np.int64]:
        """First frame of the mask after each hit."""
        import numpy as np

        from spillgate.dsp.core.cleaning.bandmask import Attack

        opening = Attack.of(self.open_before_ms, self.attack_ms, tom.grid.sr).start
        return np.clip(-(-(tom.hits + opening) // tom.grid.hop), 0, tom.parts.x.shape[1])

    def _report(
        self,
        left: Parts,
        tom: TomParts,
        closing: Closing,
        gains: NDArray[np.floating],
        cuts: NDArray[np.int64],
        take: Take,
        group: NDArray[np.int64] | None = None,
    ) -> dict[str, Any]:
        """Give the figures of a cleaned track.

        `left` is what it is made of just before the gains, `group` the column of `gains` for each band if there is not
        one each.
        """
        import numpy as np

        from spillgate.dsp.core.cleaning.bandmask import Attack
        from spillgate.dsp.core.cleaning.closing import open_spans

        parts, g = tom.parts, tom.grid
        bleed = sum(summed(np.minimum(b, x)) for b, x in zip(parts.bleed, parts.x, strict=True))
        columns = range(g.n_bands) if group is None else group
        rest = sum(
            summed(np.minimum(b, x) * np.square(gains[:, k]))
            for b, x, k in zip(left.bleed, left.x, columns, strict=True)
        )
        ratio = db(summed(parts.ring) / bleed) if bleed > 0 and parts.ring.any() else MOST_DB
        verdict = "little to gain" if ratio >= LITTLE_DB else "worth cleaning"
        why = f"the bleed is {abs(ratio):.0f} dB {'under' if ratio >= 0 else 'over'} the drum"
        figures = _figures(verdict, why, len(cuts), min(db(bleed / rest), MOST_DB) if rest > 0 else MOST_DB)
        opening = Attack.of(self.open_before_ms, self.attack_ms, take.sr).start
        spans = open_spans(is_open(gains, self._floor())[:, None], cuts + opening, g.hop, take.sr, take.n_samples)
        ends = closing.closes.max(axis=1)
        whole = ends < closing.stops if (ends < closing.stops).any() else np.ones(len(ends), bool)
        figures.update(
            spans=[[round(float(a), 4), round(float(b), 4)] for a, b in spans],
            drum_to_bleed_db=round(ratio, 1),
            ring_s=round(float(np.median((ends - closing.firsts)[whole])) * g.frame_s, 3),
            mics=tom.n_mics,
            unexplained_pct=round(100 * parts.unexplained, 1),
        )
        if tom.offset:
            figures.update(offset_dbfs=round(db(tom.offset**2), 1))
            figures["why"] += f"; an offset of {db(tom.offset**2):.0f} dBFS is taken off first"
        return figures

    def _step(self) -> dict[str, float]:
        return {"open_before_ms": self.open_before_ms, "attack_ms": self.attack_ms}

    def _fade_s(self) -> float | None:
        return None if self.fade_ms is None else self.fade_ms / 1000

    def _floor(self) -> float:
        return 0.0 if self.floor_db is None else float(10 ** (self.floor_db / 20))


def stored(gains: NDArray[np.floating], columns: NDArray[np.int64], take: Take) -> NDArray[np.uint16]:
    """Store gains as the step wants them, the column of each band laid out for it; a stretch at a time."""
    import numpy as np

    from spillgate.dsp.core.cleaning.bandmask import quantise

    out = take.room((len(gains), len(columns)), np.uint16)
    for a in range(0, len(gains), FRAMES_AT_ONCE):
        out[a : a + FRAMES_AT_ONCE] = quantise(gains[a : a + FRAMES_AT_ONCE])[:, columns]
    return out


def is_open(gains: NDArray[np.floating], floor: float) -> NDArray[np.bool_]:
    """Tell in which frames any band is over the floor; a stretch at a time."""
    import numpy as np

    found = np.zeros(len(gains), bool)
    for a in range(0, len(gains), FRAMES_AT_ONCE):
        found[a : a + FRAMES_AT_ONCE] = (gains[a : a + FRAMES_AT_ONCE] > floor + 1e-6).any(axis=1)
    return found


def summed(powers: NDArray[np.floating]) -> float:
    """Sum in double precision."""
    import numpy as np

    return float(np.sum(powers, dtype=np.float64))


def db(power_ratio: float) -> float:
    """Decibels of a ratio of powers."""
    from math import log10

    return 10 * log10(power_ratio)


def _figures(verdict: str, why: str, hits: int, removed_db: float = 0.0) -> dict[str, Any]:
    return {"verdict": verdict, "why": why, "hits": hits, "spans": [], "bleed_removed_db": round(removed_db, 1)}


def _song_is_over(plan: Plan, track: Track, hits: NDArray[np.int64], sr: int) -> bool:
    """Whether no other drum is struck after the tom's last stroke."""
    last_s = float(hits[-1]) / sr + SONG_OVER_S
    others: tuple[Hit, ...] = tuple(h for h in plan.hits if h.track != track.id)
    return bool(others) and not any(h.time_s > last_s for h in others)


def overruled(gains: NDArray[Any], plan: Plan, track: Track, hop: int, sr: int) -> NDArray[Any]:
    """Leave passages without clear strokes open, then obey the engineer.

    Spans that are kept are open in every frame that touches them, silenced ones fade inside.
    """
    from math import ceil, floor

    from spillgate.dsp.processors.tom_parts import state_of

    state = state_of(plan, track)
    for a, b in state.passages if state is not None else ():
        _open(gains, a * sr / hop, b * sr / hop, LEFT_OPEN_FADES_S[0] * sr / hop, LEFT_OPEN_FADES_S[1] * sr / hop)
    for span in plan.spans:
        if span.track == track.id:
            a, b = span.start_s * sr / hop, span.stop_s * sr / hop
            if span.keep:
                gains[max(floor(a) - 1, 0) : max(ceil(b) + 2, 0)] = 1.0
            else:
                gains[max(ceil(a), 0) : max(floor(b) + 1, 0)] = 0.0
    return gains


def _open(gains: NDArray[Any], start: float, stop: float, fade_in: float, fade_out: float) -> None:
    """Open a stretch of frames, with half cosines outside it (in place)."""
    import numpy as np

    first, last = max(int(start - fade_in), 0), min(int(stop + fade_out) + 1, len(gains))
    frames = np.arange(first, last)
    away = np.clip(np.maximum((start - frames) / fade_in, (frames - stop) / fade_out), 0.0, 1.0)
    least = 0.5 + 0.5 * np.cos(np.pi * away)
    gains[first:last] = np.maximum(gains[first:last], least[:, None])


def _with_passages(found: TomMask, track: Track, state: DrumState) -> TomMask:
    """Say that passages without clear strokes are left open."""
    from dataclasses import replace

    from spillgate.dsp.words import clock, counted

    open_s = sum(b - a for a, b in state.passages)
    why = f"{found.figures['why']}; {open_s:.0f} s without clear strokes left open"
    spans = found.figures["spans"] or [list(p) for p in state.passages]
    figures = found.figures | {"why": why, "spans": spans, "left_open_s": round(open_s, 2)}
    first, more = state.passages[0], len(state.passages) - 1
    text = f"{track.label} has no clear strokes from {clock(first[0], 1)} to {clock(first[1], 1)}"
    text += f" and in {counted(more, 'other place')}" if more else ""
    text += " and is left open there; is that right?"
    ask = Question(code="gate.passage", text=text, track=track.id, time_s=first[0], weight=5.0)
    doubts = tuple(q for q in found.questions if q.code != "gate.doubtful")  # it was played there
    return replace(found, figures=figures, questions=(*doubts, ask))


def not_silenced(hits: NDArray[np.int64], plan: Plan, track: Track, sr: int) -> NDArray[np.int64]:
    """Hits outside the spans that the engineer silences."""
    import numpy as np

    stays = np.ones(len(hits), bool)
    for span in plan.spans:
        if span.track == track.id and not span.keep:
            stays &= (hits < span.start_s * sr) | (hits >= span.stop_s * sr)
    return hits[stays]
