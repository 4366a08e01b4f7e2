"""What the terminal says at the end of a run: one screen of plain words, and the same for scripts."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import takewhile
from math import isinf, log10
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spillgate.dsp.words import clock, counted, duration, listed

if TYPE_CHECKING:
    from rich.console import Console

    from spillgate.dsp.plan.model import Alignment, Plan, StepSpec, TrackFacts
    from spillgate.dsp.render import RenderReport, StemReport
    from spillgate.dsp.take.model import Take

__all__ = ["console", "show", "summary"]

WIDTH = 80
"""Of the terminal when there is none."""

LONG_BEGINNING = 8
"""Characters that all names must share before the table leaves them out."""

CAUTION = "Turn the monitors down before you play a cleaned track: where it opens it can be louder than you expect."

GOOD = "worth cleaning"
"""What processors that clean tracks call one on which all went well."""

LEFT_ALONE = {"overhead": "as it was", "room": "as it was"}
"""Why tracks of a role are not touched."""


def console(stderr: bool = False) -> Console:
    """Console for results; as wide as the terminal, 80 columns without one."""
    from rich.console import Console

    made = Console(stderr=stderr, highlight=False, soft_wrap=False)
    return made if made.is_terminal or "COLUMNS" in made._environ else Console(
        stderr=stderr, highlight=False, width=WIDTH
    )  # fmt: skip


def show(take: Take, plan: Plan, report: RenderReport, out: Path) -> None:
    """Print the last screen of a run."""
    from rich.table import Table
    from rich.text import Text

    screen = console()
    screen.print(Text(verdict(take, plan), style="bold"))
    for line in (*changes(plan), *losses(plan, report)):
        screen.print(Text(line))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("track", no_wrap=True, max_width=18, overflow="ellipsis")
    table.add_column("mic", no_wrap=True, max_width=14, overflow="ellipsis")
    table.add_column("hits", no_wrap=True, justify="right")
    table.add_column("less\nbleed", no_wrap=True, justify="right")
    table.add_column("later by", no_wrap=True, justify="right")
    table.add_column("", overflow="fold")
    rows = track_rows(plan, report)
    for name, row in zip(apart([r[0] for r in rows]), rows, strict=True):
        table.add_row(*map(Text, (name, *row[1:])))
    screen.print()
    screen.print(table)
    screen.print()
    asked = questions(plan)
    if asked:
        screen.print(Text("Questions, the most weighty first:", style="bold"))
        list_ = Table.grid(padding=(0, 1, 0, 0))
        for k, text in enumerate(asked, 1):
            list_.add_row(f"{k:>2}.", Text(text))
        screen.print(list_)
        screen.print()
    screen.print(Text(f"Cleaned tracks: {out / 'stems'}"), soft_wrap=True)
    screen.print(Text(f"Pictures, before and after: {out / 'report.html'}"), soft_wrap=True)
    screen.print(Text(f"To change a decision: spillgate review {shlex.quote(str(out))}"), soft_wrap=True)
    if take.folder is not None and "check" not in plan.figures:
        said = f"Faults of the recordings were not looked for: spillgate check {shlex.quote(str(take.folder))}"
        screen.print(Text(said), soft_wrap=True)
    screen.print(Text(CAUTION))


def apart(names: Sequence[str]) -> list[str]:
    """Leave out what all names begin with, so that a narrow column tells them apart.

    Parameters
    ----------
    names : sequence of str

    Returns
    -------
    names : list of str

    Examples
    --------
    >>> apart(["Song 3 take 12 - 01 Kick", "Song 3 take 12 - 02 Snare"])
    ['01 Kick', '02 Snare']
    >>> apart(["Tom 1", "Tom 2"])
    ['Tom 1', 'Tom 2']
    """
    alike = takewhile(lambda column: len(set(column)) == 1, zip(*names, strict=False)) if len(names) > 1 else ()
    first = "".join(column[0] for column in alike)
    cut = max(first.rfind(c) for c in " _-") + 1 if first else 0
    return [n[cut:] for n in names] if cut >= LONG_BEGINNING else list(names)


def verdict(take: Take, plan: Plan) -> str:
    """Say in one line whether the take is ready."""
    from spillgate.dsp.plan.questions import verdict as said

    return f"{said(plan)}: {counted(len(take.drum_tracks), 'drum track')}, {duration(take.n_samples / take.sr)}."


def changes(plan: Plan) -> list[str]:
    """Say what was changed, one sentence each."""
    cleaned = {f.drum or f.track for f in plan.tracks if f.role == "tom" and _cleaned(plan, f.track)}
    others: Counter[str] = Counter()
    for f in plan.tracks:
        others.update(dict.fromkeys(s.by for s in plan.steps.get(f.track, ()) if _other(s, f)).keys())
    said = [f"{counted(len(cleaned), 'tom')} cleaned"] if cleaned else []
    said += [f"{by} on {counted(n, 'track')}" for by, n in others.items()]
    said = said or ["nothing cut"]
    moved = [a for a in plan.alignments if a.applied and a.delay_samples != 0.0]
    if moved:
        said.append(_kit_moves(plan, moved))
    turned = [_short(plan, a.track) for a in plan.alignments if a.applied and a.polarity < 0]
    if turned:
        said.append(f"polarity of {listed(turned)} turned")
    if plan.alignments and not moved:
        why = _common_reason(plan)
        said.append(why or "no track moved")
    text = "; ".join(said) + "."
    left = plan.figures.get("inputs", {}).get("left_out", ())
    without = [f"Left out, as the input list says: {', '.join(left)}."] if left else []
    return [text[:1].upper() + text[1:], *without]


def _common_reason(plan: Plan) -> str:
    """Give the reason that all tracks share for not being moved, if they do."""
    reasons = {a.reason for a in plan.alignments if a.confidence != "sure" and not a.applied}
    return reasons.pop() if len(reasons) == 1 and len(plan.alignments) > 1 else ""


def _kit_moves(plan: Plan, moved: Sequence[Alignment]) -> str:
    roles = {f.track: f.role for f in plan.tracks}
    close = [a for a in moved if roles.get(a.track) not in ("overhead", "room", "front")]
    if not close:
        overheads = [f.track for f in plan.tracks if f.role == "overhead"]
        together = bool(overheads) and set(overheads) <= {a.track for a in moved if a.delay_samples < 0}
        if not together:
            return f"{listed([_short(plan, a.track) for a in moved], 3)} moved, close mics as they were"
        ms = max(a.delay_samples for a in moved if a.track in overheads) / plan.sr * 1000.0
        return f"overheads and rooms now sit {-ms:.1f} ms earlier, close mics as they were"
    snare = [a for a in close if roles.get(a.track) == "snare"]
    ms = (snare or close)[0].delay_samples / plan.sr * 1000.0
    return f"the drums now sit {ms:.1f} ms later against everything else"


def losses(plan: Plan, report: RenderReport) -> list[str]:
    """Say what the stems could not hold: samples beyond full scale, sound pushed past the end."""
    said = []
    for stem in report.stems:
        if stem.overs.count:
            over_db = 20.0 * log10(stem.overs.peak)
            at = clock(stem.overs.first / plan.sr)
            said.append(f"{_short(plan, stem.track)} now clips: {over_db:.1f} dB over full scale at {at}.")
    cut = [s for s in report.stems if s.cut_s > 0.0]
    if cut:
        longest = max(cut, key=lambda s: s.cut_s)
        names = listed([_short(plan, s.track) for s in cut], 3)
        said.append(f"Pushed past the end by the delay: up to {longest.cut_s * 1000.0:.0f} ms of {names}.")
    noted: dict[str, list[str]] = {}
    for s in report.stems:
        for note in s.notes:
            noted.setdefault(note, []).append(_short(plan, s.track))
    said += [f"{listed(list(dict.fromkeys(names)), 3)}: {note}." for note, names in noted.items()]
    return said


def track_rows(plan: Plan, report: RenderReport) -> list[tuple[str, str, str, str, str, str]]:
    """Give per track its name, mic, hits, bleed removed, move, and whatever else was done or not done to it."""
    rows = []
    alignments = {a.track: a for a in plan.alignments}
    known = "" if any(a.applied for a in plan.alignments) else _common_reason(plan)  # said once, above the table
    stems = {s.track: s for s in report.stems}
    for facts in plan.tracks:
        if facts.role == "other":
            continue
        mic = " ".join(w for w in (facts.drum or facts.role, facts.position) if w)
        moved, remark = _move(plan, alignments.get(facts.track))
        remarks = [remark] if remark and remark != known else []
        less, state = _clean(plan, facts, stems.get(facts.track))
        if state:
            remarks.insert(0, state)
        remarks += dict.fromkeys(s.by for s in plan.steps.get(facts.track, ()) if _other(s, facts))
        if not less and not moved and not remarks:
            remarks = [LEFT_ALONE.get(facts.role, "as it was")]
        rows.append((_short(plan, facts.track), mic, _hits(plan, facts), less, moved, ", ".join(remarks)))
    others = [_short(plan, f.track) for f in plan.tracks if f.role == "other"]
    if others:
        rows.append((listed(others, 2), "no drum", "", "", "", "as they were"))
    return rows


def track_words(plan: Plan, report: RenderReport) -> dict[str, str]:
    """Give per track id one line of what was done, as the report shows it."""
    rows = track_rows(plan, report)
    drums = [f for f in plan.tracks if f.role != "other"]
    said = {}
    for facts, (_, _, hits, less, moved, remarks) in zip(drums, rows, strict=False):
        parts = [f"{hits} hits" if hits else "", f"{less} less bleed" if less.endswith("dB") else less]
        parts += [f"{moved} later" if moved and not moved.startswith("-") else moved, remarks]
        said[facts.track] = ", ".join(p for p in parts if p)
    return said | {f.track: "as it was" for f in plan.tracks if f.role == "other"}


def _hits(plan: Plan, facts: TrackFacts) -> str:
    if facts.drum is None:
        return ""
    return str(len(plan.hits_of(facts.track)))


def _cleaned(plan: Plan, track: str) -> bool:
    return any(s.step == "mask" for s in plan.steps.get(track, ()))


def _other(spec: StepSpec, facts: TrackFacts) -> bool:
    """Whether a step is neither a move nor a tom's mask."""
    return spec.step != "move" and (spec.step != "mask" or facts.role != "tom")


def _clean(plan: Plan, facts: TrackFacts, stem: StemReport | None) -> tuple[str, str]:
    """Give the bleed removed and a remark."""
    figures = next((f[facts.track] for f in plan.figures.values() if _has_bleed(f, facts.track)), None)
    if stem is not None and isinf(stem.removed_db):
        return "silent", figures.get("why", "") if figures else ""
    if figures is None:
        return "", ""
    if not _cleaned(plan, facts.track):
        return "", f"left open: {figures['why']}" if figures.get("why") else "left open"
    verdict = figures.get("verdict", "")
    remark = {GOOD: "", "leave": figures.get("why", "")}.get(verdict, verdict)
    if figures.get("left_open_s"):
        said = f"{figures['left_open_s']:.0f} s left open: no clear strokes"
        remark = f"{remark}, {said}" if remark else said
    return f"{figures['bleed_removed_db']:.0f} dB", remark


def _has_bleed(figures: Any, track: str) -> bool:
    return isinstance(figures, Mapping) and "bleed_removed_db" in figures.get(track, ())


def _move(plan: Plan, found: Alignment | None) -> tuple[str, str]:
    """Give the move in ms and a remark."""
    if found is None:
        return "", ""
    ms = found.delay_samples / plan.sr * 1000.0
    moved = f"{ms:.2f} ms" if found.applied and ms != 0.0 else ""
    remarks = []
    if found.applied and found.polarity < 0:
        remarks.append("polarity turned")
    if found.confidence != "sure":
        remarks.append(_brief(found.reason) or f"own delay {found.confidence}")
    return moved, ", ".join(remarks)


def _brief(reason: str) -> str:
    """Shorten a reason to what fits a column; alignment.csv and plan.json have all of it."""
    text = reason.partition(",")[0].partition(" (")[0]
    return text.replace("moves with", "with").replace("drum's other microphone", "other mic")


def questions(plan: Plan) -> list[str]:
    """Give the questions to the engineer, the most weighty first, alike ones together, at most ten."""
    from spillgate.dsp.plan.questions import ASKED, groups  # the same ones as on the page

    asked = [g.text for g in groups(plan.questions)]
    if len(asked) > ASKED:
        asked = [*asked[: ASKED - 1], f"{len(asked) - ASKED + 1} smaller ones: see the report."]
    return asked


def summary(take: Take, plan: Plan, report: RenderReport, out: Path) -> str:
    """Give the same as JSON."""
    hits = Counter(h.track for h in plan.hits)
    alignments = {a.track: a for a in plan.alignments}
    stems = {s.track: s for s in report.stems}
    tracks = []
    for f in plan.tracks:
        entry: dict[str, Any] = {"track": f.track, "role": f.role, "drum": f.drum, "position": f.position}
        entry |= {"hits": hits[f.track], "cleaned": _cleaned(plan, f.track)}
        stem = stems.get(f.track)
        if stem is not None:
            removed = stem.removed_db  # JSON has no infinity: null where nothing is left
            entry |= {"copied": stem.copied, "removed_db": None if isinf(removed) else removed}
            entry |= {"stem": stem.file if stem.written else None, "notes": list(stem.notes)}
        for figures in plan.figures.values():
            if _has_bleed(figures, f.track):
                entry["bleed_removed_db"] = figures[f.track]["bleed_removed_db"]
        a = alignments.get(f.track)
        if a is not None:
            entry |= {
                "delay_samples": a.delay_samples,
                "polarity": a.polarity,
                "confidence": a.confidence,
                "applied": a.applied,
            }
        tracks.append(entry)
    facts = {
        "schema": 1,
        "take": take.name,
        "sr": plan.sr,
        "seconds": plan.n_samples / plan.sr,
        "verdict": verdict(take, plan),
        "changes": changes(plan),
        "tracks": tracks,
        "questions": [
            {"code": q.code, "text": q.text, "track": q.track, "time_s": q.time_s, "weight": q.weight}
            for q in plan.questions
        ],
        "output": str(out),
    }
    return json.dumps(facts, indent=2, ensure_ascii=False)


def _short(plan: Plan, track: str) -> str:
    facts = next(f for f in plan.tracks if f.track == track)
    return facts.label or Path(facts.file).stem
