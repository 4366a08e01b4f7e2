"""Corrections laid over a plan."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

from spillgate.dsp.plan.corrections import Corrections
from spillgate.dsp.plan.model import Alignment, Hit, Plan, Question, Span, StepSpec

__all__ = ["MATCH_S", "ask_of_spans", "lay_delays", "lay_hits", "lay_spans"]

MATCH_S = 0.015
"""A correction belongs to the nearest hit within this distance (also the least distance of two hits)."""


def lay_hits(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> tuple[Plan, tuple[str, ...]]:
    """Lay the hit corrections over a plan's hits.

    Parameters
    ----------
    plan : Plan
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    unmatched : tuple of str
        One sentence for every correction that fits no hit.

    Notes
    -----
    A stroke is one hit in each close mic of its drum: keeping, leaving out and moving act on all of them, by the
    same amount of time.  Questions that a correction answers are gone.  The times that were found in the tracks
    whose hits changed stay in ``figures["corrections"]["found"]``: whatever a processor learns from them about *other*
    tracks, it learns from there, so that overruling a hit changes its own drum and nothing else.
    """
    hits = list(plan.hits)
    unmatched: list[str] = []
    facts = {t.track: t for t in plan.tracks}
    for edit in corrections.hits:
        track = find(edit.track)
        fact = facts[track]
        offset = fact.start / plan.sr
        time = edit.time_s + offset
        mics = [t.track for t in plan.tracks if t.drum == fact.drum and t.drum is not None and t.role == fact.role]
        if edit.do == "add" and not 0.0 <= edit.time_s <= fact.n_samples / plan.sr:
            length = f"{fact.n_samples / plan.sr:.3f} s"
            unmatched.append(
                f"{edit.where or corrections.source}: {edit.track} has no {edit.time_s:.3f} s (it lasts {length})"
            )
            continue
        if fact.drum is None:
            unmatched.append(f"{edit.where or corrections.source}: {edit.track} is the mic of no drum and has no hits")
            continue
        if edit.do == "move" and edit.to_s is not None and not 0.0 <= edit.to_s <= fact.n_samples / plan.sr:
            length = f"{fact.n_samples / plan.sr:.3f} s"
            unmatched.append(
                f"{edit.where or corrections.source}: {edit.track} has no {edit.to_s:.3f} s (it lasts {length}), "
                "so the hit was not moved"
            )
            continue
        if edit.do == "add":
            close = [k for k, h in enumerate(hits) if h.track == track and abs(h.time_s - time) <= MATCH_S]
            if not close:
                until = None if edit.ring_until_s is None else edit.ring_until_s + offset
                new = Hit(track=track, drum=fact.drum or "", time_s=time, level_db=0.0, confidence=1.0, source="added")
                hits += [dataclasses.replace(new, track=m, ring_until_s=until) for m in mics or [track]]
                continue
        found = _stroke(hits, track, mics, time)
        if not found and edit.do == "leave out" and _was_asked(plan, mics or [track], time):
            continue  # the answer to the question whether there is a stroke
        if not found:
            unmatched.append(
                f"{edit.where or corrections.source}: no hit of {edit.track} within 15 ms of {edit.time_s:.3f} s, "
                f"so '{edit.do}' was not done"
            )
            continue
        if edit.do == "leave out":
            hits = [h for k, h in enumerate(hits) if k not in found]
            continue
        by = (edit.to_s - edit.time_s) if edit.do == "move" and edit.to_s is not None else 0.0
        for k in found:
            h = hits[k]
            source = "moved" if edit.do == "move" else h.source
            until = h.ring_until_s if edit.ring_until_s is None else edit.ring_until_s + offset
            hits[k] = dataclasses.replace(h, time_s=h.time_s + by, confidence=1.0, source=source, ring_until_s=until)
    corrected = plan.with_hits(tuple(hits))
    changed = [t.track for t in plan.tracks if plan.hits_of(t.track) != corrected.hits_of(t.track)]
    found_s = {track: [h.time_s for h in plan.hits_of(track)] for track in changed}
    if found_s:
        corrected = corrected.with_figures("corrections", {"found": found_s})
    return _answered(corrected, corrections, find), tuple(unmatched)


def _was_asked(plan: Plan, tracks: Sequence[str], time: float) -> bool:
    asked = [q for q in plan.questions if q.code == "detect.hit_left_out" and q.track in tracks]
    return any(q.time_s is not None and abs(q.time_s - time) <= MATCH_S for q in asked)


def _answered(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Take out the questions about strokes and drums that the corrections answer."""
    facts = {t.track: t for t in plan.tracks}
    drum_of = {t.track: t.drum or t.track for t in plan.tracks}
    edits = [
        (drum_of[find(e.track)], e.time_s + facts[find(e.track)].start / plan.sr)
        for e in corrections.hits
        if e.do != "ring"
    ]

    def open_still(q: Question) -> bool:
        if not q.code.startswith("detect.") or q.track not in drum_of:
            return True
        mine = [time for drum, time in edits if drum == drum_of[q.track]]
        if q.time_s is None:
            return not mine
        return not any(abs(time - q.time_s) <= MATCH_S for time in mine)

    return plan.replace(questions=tuple(q for q in plan.questions if open_still(q)))


def _stroke(hits: Sequence[Hit], track: str, mics: Sequence[str], time: float) -> set[int]:
    """Indices of the hits that are one stroke: the nearest in `track`, and those of its drum's other mics near it."""
    own = [k for k, h in enumerate(hits) if h.track == track and abs(h.time_s - time) <= MATCH_S]
    if not own:
        return set()
    nearest_one = min(own, key=lambda k: (abs(hits[k].time_s - time), k))
    found = {nearest_one}
    for mic in mics:
        near = [k for k, h in enumerate(hits) if h.track == mic and abs(h.time_s - hits[nearest_one].time_s) <= MATCH_S]
        if mic != track and near:
            found.add(min(near, key=lambda k: (abs(hits[k].time_s - hits[nearest_one].time_s), k)))
    return found


def lay_spans(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Write the span corrections into a plan, where the processors that make masks find them.

    Parameters
    ----------
    plan : Plan
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    """
    facts = {t.track: t for t in plan.tracks}
    spans = []
    for edit in corrections.spans:
        track = find(edit.track)
        offset = facts[track].start / plan.sr
        keep = edit.do == "keep"
        spans.append(Span(track=track, start_s=edit.from_s + offset, stop_s=edit.to_s + offset, keep=keep))
    return plan.replace(spans=tuple(spans))


def ask_of_spans(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Ask about spans that could not be kept or silenced: their track is never opened and closed, or ends before.

    Parameters
    ----------
    plan : Plan
        With all steps.
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    """
    facts = {t.track: t for t in plan.tracks}
    asked = []
    for e in corrections.spans:
        track = find(e.track)
        fact, where = facts[track], e.where or corrections.source
        if e.from_s >= fact.n_samples / fact.sr:
            why = f"{e.track} has no {e.from_s:.3f} s (it lasts {fact.n_samples / fact.sr:.3f} s)"
        elif fact.role != "tom" and e.do != "keep" and not any(s.arrays for s in plan.steps.get(track, ())):
            why = f"{e.track} is not a track that is opened and closed, so '{e.do}' was not done"
        else:
            continue
        asked.append(Question(code="correction.span", text=f"{where}: {why}; is it still wanted?"))
    return plan.with_questions("correction.span", tuple(asked))


def lay_delays(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Lay the delay corrections over a plan's alignments and moving steps.

    Parameters
    ----------
    plan : Plan
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    """
    for edit in corrections.delays:
        track = find(edit.track)
        moved = edit.samples != 0 or edit.polarity != 1
        old = next((a for a in plan.alignments if a.track == track), None)
        new = Alignment(
            track=track,
            measured_samples=old.measured_samples if old else 0.0,
            measured_polarity=old.measured_polarity if old else 1,
            delay_samples=edit.samples,
            polarity=edit.polarity,
            target=old.target if old else "",
            margin=old.margin if old else 0.0,
            confidence="sure",
            applied=moved,
            reason="set by hand",
        )
        rest = tuple(new if a.track == track else a for a in plan.alignments)
        others = tuple(s for s in plan.steps.get(track, ()) if s.step != "move")
        params = {"delay_samples": edit.samples, "polarity": edit.polarity}
        step = (StepSpec(step="move", params=params, by="align"),) if moved else ()
        plan = plan.replace(
            questions=tuple(q for q in plan.questions if q.track != track or not q.code.startswith("align.")),
            alignments=rest if old else (*rest, new),
            steps={t: s for t, s in {**plan.steps, track: others + step}.items() if s},
        )
    return plan
