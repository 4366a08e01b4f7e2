"""The session sheet: what the mix engineer elsewhere needs to know, as plain data and as plain text."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spillgate.dsp.core.audio.sound import speed_of_sound
from spillgate.dsp.plan.cuts import cuts_of
from spillgate.dsp.plan.model import Plan, TrackFacts
from spillgate.dsp.plan.output import output_of
from spillgate.dsp.plan.questions import ASKED, groups
from spillgate.dsp.plan.tables import TEMPERATURE_C, fixed
from spillgate.dsp.words import clock, counted
from spillgate.dsp.writing import write_atomically

__all__ = ["Section", "session_sheet", "sheet_text", "write_sheet"]

RECALL = {
    "mic": "microphone",
    "pattern": "pattern",
    "pad_db": "pad dB",
    "low_cut_hz": "low cut Hz",
    "distance_cm": "distance cm",
    "height_cm": "height cm",
    "note": "note",
}
"""Recall fields of the input list -> column."""

WIDTH = 100
"""Longest line of the plain text, characters; lines of the last column may go on below themselves."""


@dataclass(frozen=True, kw_only=True)
class Section:
    """One part of the sheet.

    Attributes
    ----------
    title : str
    lines : tuple of str
        Sentences before the table.
    columns : tuple of str
    rows : tuple of tuple of str
    """

    title: str
    lines: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def session_sheet(
    plan: Plan,
    *,
    take: str,
    said: Sequence[str] = (),
    words: Mapping[str, str] | None = None,
    recall: Mapping[str, Mapping[str, Any]] | None = None,
    said_as: Callable[[str, str, Any], Any] = lambda processor, name, value: value,
) -> tuple[Section, ...]:
    """Gather the sheet.

    Parameters
    ----------
    plan : Plan
        ``plan.figures["render"]["tracks"]``, if there, holds what the render did.
    take : str
        Name of the take.
    said : sequence of str
        What was found and changed, in sentences.
    words : mapping of str to str, optional
        Per track id, what was done to it.
    recall : mapping of str to mapping, optional
        Per track id, the recall fields of the input list.
    said_as : callable, optional
        Turns processor, parameter and value into what people write.

    Returns
    -------
    sections : tuple of Section
        Parts with nothing to say are left out.
    """
    sections = (
        _about(plan, take, said),
        _inputs(plan, recall or {}, words or {}),
        _faults(plan),
        _alignment(plan),
        _stems(plan),
        _questions(plan),
        _settings(plan, said_as),
    )
    return tuple(s for s in sections if s.lines or s.rows)


def _about(plan: Plan, take: str, said: Sequence[str]) -> Section:
    seconds = plan.n_samples / plan.sr if plan.sr else 0.0
    first = f"{take}: {len(plan.tracks)} tracks, {plan.sr} Hz, {clock(seconds)} long"
    moved = [a for a in plan.alignments if a.applied and a.delay_samples]
    how = ["Stems keep the start and the length of the recordings: lay them at the same place."]
    if moved:
        whole = all(float(a.delay_samples).is_integer() for a in moved)
        exact = "exactly" if whole else "to within the interpolation"
        how.append(f"Moved back by what the alignment table says, delayed tracks meet their recordings again {exact}.")
    return Section(title="Session", lines=(first, *said, *how))


def _name(fact: TrackFacts) -> str:
    return fact.file if ":" not in fact.track else f"{fact.file} {fact.position or f'channel {fact.channel + 1}'}"


def _inputs(plan: Plan, recall: Mapping[str, Mapping[str, Any]], words: Mapping[str, str]) -> Section:
    used = [k for k in RECALL if any(recall.get(t.track, {}).get(k) not in (None, "") for t in plan.tracks)]
    strokes = {t.track: len(plan.hits_of(t.track)) for t in plan.tracks}
    rows = []
    for t in plan.tracks:
        mic = " ".join(w for w in (t.drum or t.role, t.position) if w) if t.role != "other" else "no drum"
        fields = [_value(recall.get(t.track, {}).get(k)) for k in used]
        done = words.get(t.track, "")
        rows.append((_name(t), mic, *fields, str(strokes[t.track] or ""), done))
    return Section(
        title="Input list and what was done",
        columns=("track", "mic", *(RECALL[k] for k in used), "hits", "done"),
        rows=tuple(rows),
    )


def _value(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _faults(plan: Plan) -> Section:
    order = {"mend": 0, "advise": 1, "note": 2}
    found = sorted(plan.findings, key=lambda f: (order.get(f.severity, 3), f.track, f.code))
    names = {t.track: _name(t) for t in plan.tracks}
    rows = tuple((f.severity, names.get(f.track, f.track) or "the take", f.advice) for f in found)
    return Section(title="Faults", columns=("how urgent", "track", "what to do"), rows=rows)


def _alignment(plan: Plan) -> Section:
    names = {t.track: _name(t) for t in plan.tracks}
    speed = speed_of_sound(TEMPERATURE_C)
    rows = []
    for a in plan.alignments:
        samples, polarity = (a.delay_samples, a.polarity) if a.applied else (a.measured_samples, a.measured_polarity)
        seconds = samples / plan.sr if plan.sr else 0.0
        rows.append(
            (
                names.get(a.track, a.track),
                names.get(a.target, a.target),
                fixed(samples, 3),
                fixed(seconds * 1e3, 3),
                fixed(seconds * speed * 1e2, 1),
                "turned" if polarity < 0 else "as it is",
                a.confidence if a.target else "none",
                "yes" if a.applied else "no",
                a.reason,
            )
        )
    columns = ("track", "against", "later, samples", "ms", "cm", "polarity", "own delay", "applied", "why")
    return Section(title="Alignment", columns=columns, rows=tuple(rows))


def _stems(plan: Plan) -> Section:
    held: Mapping[str, Any] = plan.figures.get("render", {}).get("tracks", {})
    rows = []
    for t in plan.tracks:
        for f in held.get(t.track, ()):
            remarks = list(f.get("notes", ()))
            if f.get("overs"):
                at, up_to = clock(f["over_at_s"]), f"{f['over_db']:.2f} dB over full scale"
                remarks.insert(0, f"{counted(f['overs'], 'sample')} clipped, the first at {at}, up to {up_to}")
            if f.get("cut_s"):
                remarks.insert(0, f"{f['cut_s'] * 1e3:.1f} ms pushed past the end, peak {f['cut_db']:.0f} dBFS")
            if not f["written"]:
                state = "as the recording, left out"
            elif f["copied"]:
                state = "as the recording"
            else:
                before, after = _db(f["peak_in"]), _db(f["peak_out"])
                state = f"peak {before} dBFS" if before == after else f"peak {before} to {after} dBFS"
            regions = [c for c in cuts_of(plan, t.track) if c.gain == 1.0]
            rows.append((f["file"], state, str(len(regions) or ""), "; ".join(remarks)))
    # channels of one file that were left as they are need saying once
    return Section(title="Stems", columns=("stem", "level", "regions", "to note"), rows=tuple(dict.fromkeys(rows)))


def _db(peak: float) -> str:
    from math import log10

    return fixed(20 * log10(peak), 1) if peak > 0 else "-inf"


def _questions(plan: Plan) -> Section:
    asked = [g.text for g in groups(plan.questions)]
    more = [f"and {len(asked) - ASKED} more in report.html"] if len(asked) > ASKED else []
    return Section(title="Open questions", lines=(*asked[:ASKED], *more))


def _settings(plan: Plan, said_as: Callable[[str, str, Any], Any]) -> Section:
    rows = []
    for entry in plan.chain:
        by = entry["processor"]
        values = [f"{k} {_setting(said_as(by, k, v))}" for k, v in entry.get("params", {}).items()]
        for track, own in entry.get("tracks", {}).items():
            values.append(f"{track}: " + ", ".join(f"{k} {_setting(said_as(by, k, v))}" for k, v in own.items()))
        rows.append((entry["processor"], entry.get("version", ""), "; ".join(values)))
    output = output_of(plan).to_dict()
    if output:
        rows.append(("stems", "", "; ".join(f"{k.replace('_', '-')} {_setting(v)}" for k, v in output.items())))
    return Section(title="Settings", columns=("processor", "version", "parameters"), rows=tuple(rows))


def _setting(value: Any) -> str:
    if value is None or value is False:
        return "off"
    return "on" if value is True else _value(value)


def sheet_text(sections: Iterable[Section]) -> str:
    """Write the sheet as plain text that any printer prints.

    Parameters
    ----------
    sections : iterable of Section

    Returns
    -------
    text : str
        Lines of at most 100 characters where the words allow it.
    """
    blocks = []
    for s in sections:
        lines = [s.title, "-" * len(s.title)]
        for sentence in s.lines:
            lines += _folded(sentence, WIDTH)
        if s.rows:
            lines += ([""] if s.lines else []) + _table(s.columns, s.rows)
        blocks.append("\n".join(line.rstrip() for line in lines))
    return "\n\n".join(blocks) + "\n"


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(str(r[k])) for r in (columns, *rows)) for k in range(len(columns))]
    before = sum(w + 2 for w in widths[:-1])
    last = max(WIDTH - before, 24)
    lines = []
    for row in (columns, tuple("-" * min(w, last) for w in widths), *rows):
        parts = _folded(str(row[-1]), last) or [""]
        lines.append("".join(str(v).ljust(w + 2) for v, w in zip(row[:-1], widths[:-1], strict=True)) + parts[0])
        lines += [" " * before + p for p in parts[1:]]
    return lines


def _folded(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)


def write_sheet(sections: Iterable[Section], path: Path) -> None:
    """Write the sheet as plain text (UTF-8), whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_atomically(path, sheet_text(sections).encode())
