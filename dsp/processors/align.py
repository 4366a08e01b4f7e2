"""Lines the close microphones up with the overheads and turns reversed polarity round."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Choice, Flag
from spillgate.dsp.plan.model import Alignment, Plan, Question, StepSpec
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    from spillgate.dsp.core.timing.drum_timing import DrumTiming
    from spillgate.dsp.core.timing.kit_timing import Lag, Moved
    from spillgate.dsp.processors.align_measure import DrumSound

__all__ = ["Align"]

FAR_ROLES = ("overhead", "room", "front")
RANK = {"sure": 2, "likely": 1, "unsure": 0}


@dataclass(frozen=True)
class _Mic:
    """A close microphone with its lags to all overheads, in samples of the take."""

    track: Track
    drum: str
    lags: Mapping[str, Lag]
    after_first: float | None
    arrival_s: float | None


@dataclass(frozen=True, kw_only=True)
class Align(Processor):
    """Measure delay and polarity of every close microphone against the overheads, and decide what moves.

    Parameters
    ----------
    move : {'close', 'overheads', 'none'}
        Which tracks move; ``'none'`` for a single track leaves that one where it is.
    target : {'nearest', 'left', 'right', 'mean'}
        What a close microphone is lined up with; the input list's ``target`` comes first.
    whole_samples : bool
        Round delays, so that moved tracks keep their bits.
    accept : {'sure', 'likely', 'unsure'}
        How certain a delay must be to be used; ``'unsure'`` for a single track takes what was measured of it as it is,
        its polarity, too.
    """

    name: ClassVar[str] = "align"
    summary: ClassVar[str] = "lines the close mics up with the overheads and turns reversed polarity round"
    needs: ClassVar[frozenset[str]] = frozenset({"hits"})
    gives: ClassVar[frozenset[str]] = frozenset({"delays"})

    move: Annotated[
        str,
        Choice(("close", "overheads", "none"), help="close mics later, overheads and rooms earlier, or only measure"),
    ] = "close"
    target: Annotated[
        str, Choice(("nearest", "left", "right", "mean"), help="overhead that a close mic is lined up with")
    ] = "nearest"
    whole_samples: Annotated[bool, Flag(help="round delays to whole samples")] = False
    accept: Annotated[str, Choice(("sure", "likely", "unsure"), help="how certain a delay must be to be used")] = "sure"

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Return the plan with alignments, moves, questions and figures."""
        from spillgate.dsp.core.timing.drum_timing import answers
        from spillgate.dsp.core.timing.kit_timing import Mover, move_kit, odd_sign_out, usual_sign
        from spillgate.dsp.processors.align_measure import drums_of, measure_drum

        overheads = _overheads(take)
        sounds = take.map(
            lambda job: measure_drum(take, plan, job[0], job[1], overheads), drums_of(take), "delay and polarity"
        )
        signs, opposite = _overhead_signs(sounds, overheads)
        second = signs[1] if len(signs) > 1 else 1
        timings = take.map(lambda s: None if s.evidence is None else answers(s.evidence, second), sounds)
        mics = [m for s, t in zip(sounds, timings, strict=True) for m in _mics(s, t, overheads, signs)]
        choices = {m.track.id: _choose(m, self.for_track(m.track), overheads, take) for m in mics}
        judged = _judged(mics)
        # of two overheads that are opposite one is wrong: close mics are turned against the right one
        normal = usual_sign(judged.values(), signs) if min(signs, default=1) < 0 else 1
        heard_by = {t.id: s * normal for t, s in zip(overheads, signs, strict=True)}
        movers = []
        for m in mics:
            own = self.for_track(m.track)
            lag, target, sign = choices[m.track.id]
            sign *= heard_by.get(target, normal)
            good = lag is not None and RANK[lag.confidence] >= RANK[own.accept]
            turn = lag is not None and (lag.confidence == "sure" or own.accept == "unsure")
            delay = lag.lag_samples if lag else 0.0
            movers.append(Mover(m.track.id, m.drum, delay, sign, good, turn, m.after_first))
        movers += [Mover(t.id, t.id, 0.0, 1, False, False) for t in take.of_role("percussion")]
        snare_drum = next((d for d in ("snare", "snare2") if any(m.drum == d for m in movers)), "snare")
        far = [t.id for t in take.tracks if t.role in FAR_ROLES]
        moved, snare = move_kit(movers, far, self.move if overheads else "none", snare_drum)
        moved = {t: self._finish(v, take.track(t), bool(overheads)) for t, v in moved.items()}
        rows = tuple(_row(m, choices[m.track.id], moved[m.track.id]) for m in mics) + tuple(
            _other_row(t, moved[t.id]) for t in take.tracks if t.id in moved and t.id not in choices
        )
        steps = {
            t: (StepSpec(step="move", params={"delay_samples": v.delay, "polarity": v.polarity}),)
            for t, v in moved.items()
            if v.delay != 0.0 or v.polarity != 1
        }
        figures = _figures(take, mics, overheads, signs, opposite, moved, snare if self.move == "close" else None)
        figures["flipped"] = odd_sign_out(judged, signs)
        settled = {m.track for m in movers if m.accepted}
        odd = [t for t in overheads if heard_by[t.id] < 0]
        questions = _questions(take, mics, choices, overheads, odd, snare, snare_drum, settled)
        plan = plan.replace(alignments=rows).with_steps(self.name, steps)
        return plan.with_questions("align.", questions).with_figures(self.name, figures)

    def _finish(self, moved: Moved, track: Track, any_overhead: bool) -> Moved:
        """Round the delay, and leave out what is not to move."""
        from spillgate.dsp.core.timing.kit_timing import Moved

        own = self.for_track(track)
        if not any_overhead:
            return Moved(0.0, 1, "nothing moves: there is no overhead to line up with")
        if own.move == "none":
            return Moved(0.0, 1, "only measured")
        delay = float(round(moved.delay)) if own.whole_samples else round(moved.delay, 4)
        return Moved(delay + 0.0, moved.polarity, moved.reason)


def _overheads(take: Take) -> tuple[Track, ...]:
    """Overheads that close microphones can be measured against, left and right first."""
    order = {"left": 0, "right": 1}
    found = [t for t in take.of_role("overhead") if t.position != "side"]
    return tuple(sorted(found, key=lambda t: order.get(t.position or "", 2)))


def _overhead_signs(sounds: Sequence[DrumSound], overheads: Sequence[Track]) -> tuple[list[int], list[float]]:
    """Sign of each overhead against the first, and the evidence for it."""
    from spillgate.dsp.core.timing.kit_timing import pair_sign, relative_sign

    signs, evidence = [1], [0.0]
    heard = [s.evidence for s in sounds if s.evidence is not None]
    for k in range(1, len(overheads)):
        if k == 1:
            sign, total = pair_sign([float(e.pairs[0].plus.max() - e.pairs[0].minus.max()) for e in heard])
        else:
            votes = [(e.votes[0][0], e.votes[0][k]) for e in heard]
            sign, total = relative_sign(
                [(float(a.plus.max() - a.minus.max()), float(b.plus.max() - b.minus.max())) for a, b in votes]
            )
        signs.append(sign)
        evidence.append(total)
    return signs[: len(overheads)], evidence[: len(overheads)]


def _mics(
    sound: DrumSound, timing: DrumTiming | None, overheads: Sequence[Track], overhead_signs: Sequence[int]
) -> list[_Mic]:
    """Decide the sign of one drum and give the lags of all its microphones."""
    from spillgate.dsp.core.timing.kit_timing import Lag, confidence, drum_sign

    out = []
    for k, track in enumerate(sound.mics):
        lags: dict[str, Lag] = {}
        after: float | None = 0.0 if k == 0 else None
        if timing is not None:
            pair = timing.betweens[k - 1] if k else None
            joined = pair is None or pair.sure
            if pair is not None and pair.sure:
                after = pair.lag * sound.factor
            # the first two overheads have been joined, so either of them speaks for both
            told = [
                ((plus.score - minus.score), sign)
                for j, ((plus, minus), sign) in enumerate(zip(timing.answers[k], overhead_signs, strict=True))
                if j != 1
            ]
            group_sign, sign_margin = drum_sign([e for e, _ in told], [v for _, v in told])
            own_sign = group_sign * (pair.sign if pair is not None and joined else 1)
            if pair is not None and joined:
                sign_margin = min(sign_margin, pair.sign_margin)
            unit = [m for m in range(len(sound.mics)) if m == 0 or timing.betweens[m - 1].sure] if joined else [k]
            for j, (overhead, oh_sign) in enumerate(zip(overheads, overhead_signs, strict=True)):
                plus, minus = timing.answers[k][j]
                answer = plus if group_sign * oh_sign > 0 else minus
                # what one microphone of the drum hears clearly is clear for all that are tied to it
                n_hits = max(v[0].n_hits for v in timing.answers[k][:2]) if j < 2 else answer.n_hits
                clear = max(timing.answers[m][j][0 if answer is plus else 1].coherence for m in unit)
                margin = 0.0 if answer.at_edge else max(min(answer.lead, sign_margin), 0.0)
                lags[overhead.id] = Lag(
                    answer.lag * sound.factor,
                    own_sign * oh_sign,
                    answer.lead,
                    answer.sharpness,
                    margin,
                    answer.coherence,
                    n_hits,
                    confidence(margin, answer.sharpness, track.role, clear, n_hits, sound.doubt),
                    answer.ways,
                )
        out.append(_Mic(track, sound.drum, lags, after, sound.arrival_s))
    return out


def _choose(mic: _Mic, own: Align, overheads: Sequence[Track], take: Take) -> tuple[Lag | None, str, int]:
    """Lag that counts, id of the target, sign."""
    from spillgate.dsp.core.timing.kit_timing import Lag

    if not mic.lags:
        return None, "", 1
    ids = [t.id for t in overheads]
    wanted: str | None = None
    if mic.track.target is not None:
        wanted = take.track(mic.track.target).id
    elif own.target in ("left", "right"):
        wanted = next((t.id for t in overheads if t.position == own.target), None)
    elif own.target == "mean" and len(ids) > 1:
        a, b = mic.lags[ids[0]], mic.lags[ids[1]]
        worse = min(a, b, key=lambda v: (RANK[v.confidence], v.margin))
        mean = Lag(
            0.5 * (a.lag_samples + b.lag_samples),
            a.sign,
            worse.lead,
            worse.sharpness,
            worse.margin,
            worse.coherence,
            worse.n_hits,
            worse.confidence if a.sign == b.sign else "unsure",
            worse.ways,
        )
        return mean, f"{ids[0]} + {ids[1]}", a.sign
    if wanted is None or wanted not in mic.lags:
        best = max(RANK[v.confidence] for v in mic.lags.values())
        least = min(best, 1)
        usable = {k: v for k, v in mic.lags.items() if RANK[v.confidence] >= least}
        wanted = min(usable, key=lambda k: usable[k].lag_samples)
        if RANK[usable[wanted].confidence] < best:  # the nearer one is only likely: the sure one counts
            sure = {k: v for k, v in usable.items() if RANK[v.confidence] == best}
            wanted = min(sure, key=lambda k: sure[k].lag_samples)
    lag = mic.lags[wanted]
    return lag, wanted, lag.sign


def _row(mic: _Mic, choice: tuple[Lag | None, str, int], moved: Moved) -> Alignment:
    lag, target, sign = choice
    return Alignment(
        track=mic.track.id,
        measured_samples=round(lag.lag_samples, 4) if lag else 0.0,
        measured_polarity=sign,
        delay_samples=moved.delay,
        polarity=moved.polarity,
        target=target,
        margin=round(lag.margin, 3) if lag else 0.0,
        confidence=lag.confidence if lag else "unsure",
        applied=moved.delay != 0.0 or moved.polarity != 1,
        reason=moved.reason,
    )


def _other_row(track: Track, moved: Moved) -> Alignment:
    """Row of a track that only moves along."""
    return Alignment(
        track=track.id,
        measured_samples=0.0,
        measured_polarity=1,
        delay_samples=moved.delay,
        polarity=moved.polarity,
        target="",
        margin=0.0,
        confidence="unsure",
        applied=moved.delay != 0.0,
        reason=moved.reason,
    )


def _judged(mics: Sequence[_Mic]) -> dict[str, tuple[str, str | None, int, float, float]]:
    """Give what each microphone's polarity is judged by: role, position, sign against the first overhead, evidence."""
    return {
        m.track.id: (
            m.track.role,
            m.track.position,
            next(iter(m.lags.values())).sign,
            min(max(v.margin for v in m.lags.values()), 1e9),
            max(v.lead for v in m.lags.values()),
        )
        for m in mics
        if m.lags and all(RANK[v.confidence] for v in m.lags.values())
    }


def _figures(
    take: Take,
    mics: Sequence[_Mic],
    overheads: Sequence[Track],
    signs: Sequence[int],
    opposite: Sequence[float],
    moved: Mapping[str, Moved],
    snare: float | None,
) -> dict[str, Any]:
    """Plain figures for reports and for the check."""
    from spillgate.dsp.core.timing.kit_timing import overhead_mismatch, sides, swapped

    names = {t.id: t.position or t.label for t in overheads}
    pairs = {
        m.track.id: {
            names[k]: {
                "overhead": k,
                "lag_samples": round(v.lag_samples, 4),
                "polarity": v.sign,
                "margin": round(v.margin, 3),
                "lead": round(v.lead, 3),
                "sharpness": round(v.sharpness, 3),
                "coherence": round(v.coherence, 3),
                "hits": v.n_hits,
                "ways": v.ways,
                "confidence": v.confidence,
            }
            for k, v in m.lags.items()
        }
        for m in mics
    }
    figures: dict[str, Any] = {"pairs": pairs, "kit_later_ms": round(1000 * (snare or 0.0) / take.sr, 3)}
    late = {m.track.id: round(1000 * m.arrival_s, 2) for m in mics if m.arrival_s is not None}
    figures["unusual_arrival_ms"] = late
    if len(overheads) < 2 or {overheads[0].position, overheads[1].position} != {"left", "right"}:
        return figures
    left, right = overheads[0].id, overheads[1].id
    figures["overheads_sign"] = {"sign": signs[1], "evidence": round(opposite[1], 2)}
    both = {m.track.id: (m.lags[left], m.lags[right]) for m in mics if m.lags}
    drum_of = {m.track.id: m.drum for m in mics}
    snare_pair = next((v for t, v in both.items() if drum_of[t] == "snare"), None)
    if snare_pair is not None:
        found = overhead_mismatch(*snare_pair, take.sr)
        figures["snare_mismatch"] = {
            "samples": round(found.samples, 3),
            "cm": round(found.cm, 2),
            "uncertainty_cm": found.uncertainty_cm,
            "confidence": found.confidence,
        }
    side_of = sides(both, take.sr)
    figures["sides"] = {
        m.track.id: side_of[m.track.id] for m in mics if m.track.role == "tom" and m.track.id in side_of
    }
    points = swapped({drum_of[t]: s for t, s in side_of.items()}, "L" if take.view == "drummer" else "R")
    figures["swapped"] = {"points": points, "suspicion": points <= -2}
    return figures


def _questions(
    take: Take,
    mics: Sequence[_Mic],
    choices: Mapping[str, tuple[Lag | None, str, int]],
    overheads: Sequence[Track],
    odd: Sequence[Track],
    snare: float | None,
    snare_drum: str,
    settled: Collection[str],
) -> tuple[Question, ...]:
    """Ask about what is not settled: the snare first, since everything hangs on it."""
    from spillgate.dsp.core.audio.sound import speed_of_sound
    from spillgate.dsp.plan.tables import TEMPERATURE_C

    if not overheads:
        return ()
    out = []
    label = {t.id: t.label for t in take.tracks}
    for m in mics:
        lag, target, sign = choices[m.track.id]
        if lag is None or m.track.id in settled:
            continue
        ms = 1000 * lag.lag_samples / take.sr
        cm = abs(ms) / 10.0 * speed_of_sound(TEMPERATURE_C)
        turned = " with its polarity turned" if sign < 0 else ""
        when = "later" if ms >= 0 else "earlier"
        far = label.get(target, target)
        what = f"{m.track.label}: does it reach {far} {abs(ms):.2f} ms {when} ({cm:.0f} cm){turned}"
        if m.drum == snare_drum and snare is None:
            if lag.confidence == "unsure":
                text = f"{m.track.label}: how much later does it reach {far}? That cannot be told, so nothing moves."
                out.append(Question(code="align.snare_unknown", text=text, track=m.track.id, weight=2.0))
                continue
            text = f"{what}? Nothing moves until that is clear."
            out.append(Question(code="align.snare", text=text, track=m.track.id, weight=2.0))
        elif lag.confidence == "likely" and m.drum != snare_drum:
            text = f"{what}, or should it stay with the snare?"
            out.append(Question(code="align.delay", text=text, track=m.track.id, weight=0.3))
    for track in odd:
        other = next((t for t in overheads if t not in odd), None)
        if other is not None:
            text = f"{track.label}: is its polarity opposite to {other.label}?"
            out.append(Question(code="align.overheads", text=text, track=track.id, weight=3.0))
    return tuple(out)
