"""What the terminal says at the end of a run: one screen of plain words, and the same for scripts."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from spillgate.dsp.plan.model import Alignment, Plan, Question, TrackFacts
    from spillgate.dsp.render import RenderReport
    from spillgate.dsp.take.model import Take

__all__ = ["console", "show", "summary"]

MOST_QUESTIONS = 10
"""More than that nobody answers after a long day."""

WIDTH = 80
"""Of the terminal when there is none."""

CAUTION = "Turn the monitors down before playing the stems: an opened or turned track can be louder than expected."

SURE_HIT = 0.99
"""Confidence from which a hit is called sure."""


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
    for line in changes(plan):
        screen.print(line)
    screen.print()
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True, max_width=24, overflow="ellipsis")
    table.add_column(no_wrap=True)
    table.add_column()
    for name, what, said in track_rows(plan, report):
        table.add_row(Text(name), Text(what, style="dim"), Text(said))
    screen.print(table)
    asked = questions(plan)
    if asked:
        screen.print()
        screen.print(Text("Questions, the most weighty first:", style="bold"))
        for k, text in enumerate(asked, 1):
            screen.print(Text(f"{k:>2}. {text}"))
    screen.print()
    screen.print(Text(f"Cleaned tracks: {out / 'stems'}"), soft_wrap=True)
    screen.print(Text("Beside them: hits.csv, alignment.csv, plan.json (every decision)."))
    screen.print(Text(CAUTION))


def verdict(take: Take, plan: Plan) -> str:
    """Say in one line whether the take is ready."""
    n = len(questions(plan))
    length = f"{_clock(take.n_samples / take.sr)} of {_count(len(take.drum_tracks), 'drum track')}"
    return f"Ready: {length}." if n == 0 else f"Ready, with {_count(n, 'question')}: {length}."


def changes(plan: Plan) -> list[str]:
    """Say what was changed, one sentence each."""
    cleaned = sorted({f.drum or f.track for f in plan.tracks if _cleaned(plan, f.track)})
    said = [f"{_count(len(cleaned), 'tom')} cleaned" if cleaned else "nothing cut"]
    moved = [a for a in plan.alignments if a.applied and a.delay_samples != 0.0]
    if moved:
        said.append(_kit_moves(plan, moved))
    turned = [_short(plan, a.track) for a in plan.alignments if a.applied and a.polarity < 0]
    if turned:
        said.append(f"polarity of {_listed(turned)} turned")
    if plan.alignments and not moved:
        said.append("no track moved")
    text = "; ".join(said) + "."
    return [text[:1].upper() + text[1:]]


def _kit_moves(plan: Plan, moved: Sequence[Alignment]) -> str:
    roles = {f.track: f.role for f in plan.tracks}
    close = [a for a in moved if roles.get(a.track) not in ("overhead", "room", "front")]
    if not close:
        ms = min(a.delay_samples for a in moved) / plan.sr * 1000.0
        return f"overheads and rooms now sit {-ms:.1f} ms earlier, close mics as they were"
    snare = [a for a in close if roles.get(a.track) == "snare"]
    ms = (snare or close)[0].delay_samples / plan.sr * 1000.0
    return f"the drums now sit {ms:.1f} ms later against everything else"


def track_rows(plan: Plan, report: RenderReport) -> list[tuple[str, str, str]]:
    """Give per track its name, what it is, and in plain words what was done to it."""
    rows = []
    alignments = {a.track: a for a in plan.alignments}
    for facts in plan.tracks:
        if facts.role == "other":
            continue
        said = [s for s in (_hits(plan, facts), _clean(plan, facts, report), _move(plan, alignments, facts)) if s]
        what = " ".join(w for w in (facts.drum or facts.role, facts.position) if w)
        rows.append((_short(plan, facts.track), what, ", ".join(said) or "left alone"))
    others = [_short(plan, f.track) for f in plan.tracks if f.role == "other"]
    if others:
        rows.append((_listed(others, 3), "no drum", "copied as it is"))
    return rows


def _hits(plan: Plan, facts: TrackFacts) -> str:
    hits = plan.hits_of(facts.track)
    if not hits:
        return ""
    doubtful = sum(h.confidence < SURE_HIT for h in hits)
    return _count(len(hits), "hit") + (f" ({doubtful} doubtful)" if doubtful else "")


def _cleaned(plan: Plan, track: str) -> bool:
    return any(s.step != "move" for s in plan.steps.get(track, ()))


def _clean(plan: Plan, facts: TrackFacts, report: RenderReport) -> str:
    return "cleaned" if _cleaned(plan, facts.track) else ""


def _move(plan: Plan, alignments: dict[str, Alignment], facts: TrackFacts) -> str:
    found = alignments.get(facts.track)
    if found is None:
        return ""
    said = []
    ms = found.delay_samples / plan.sr * 1000.0
    if found.applied and found.delay_samples != 0.0:
        said.append(f"{abs(ms):.2f} ms {'later' if ms > 0 else 'earlier'}")
        if found.confidence == "unsure" and found.reason:
            said[-1] += f" ({found.reason})"
    elif found.confidence != "sure":
        said.append(f"not moved ({found.reason or found.confidence})")
    if found.applied and found.polarity < 0:
        said.append("polarity turned")
    return ", ".join(said)


def questions(plan: Plan) -> list[str]:
    """Give the questions to the engineer, the most weighty first, alike ones together, at most ten."""
    groups: dict[tuple[str, str], list[Question]] = {}
    for q in sorted(plan.questions, key=lambda q: (-q.weight, q.code, q.track, q.time_s or 0.0)):
        key = (q.code, q.track) if q.time_s is not None else (q.code, f"{q.track}\0{q.text}")
        groups.setdefault(key, []).append(q)
    asked = []
    for alike in groups.values():
        more = len(alike) - 1
        asked.append(alike[0].text + (f" ({more} more like it in hits.csv)" if more else ""))
    if len(asked) > MOST_QUESTIONS:
        left = len(asked) - MOST_QUESTIONS
        asked = [*asked[:MOST_QUESTIONS], f"{_count(left, 'smaller question')} more in plan.json."]
    return asked


def summary(take: Take, plan: Plan, report: RenderReport, out: Path) -> str:
    """Give the same as JSON."""
    hits = Counter(h.track for h in plan.hits)
    alignments = {a.track: a for a in plan.alignments}
    tracks = []
    for f in plan.tracks:
        entry: dict[str, Any] = {"track": f.track, "role": f.role, "drum": f.drum, "position": f.position}
        entry |= {"hits": hits[f.track], "cleaned": _cleaned(plan, f.track)}
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
    stem = Path(facts.file).stem
    return stem if ":" not in track else f"{stem} {track.rsplit(':', 1)[1]}"


def _count(n: int, what: str) -> str:
    return f"{n} {what}" + ("" if n == 1 else "s")


def _listed(names: Sequence[str], most: int = 4) -> str:
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " and " + shown[-1]


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d} min" if minutes else f"{rest} s"
