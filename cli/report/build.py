"""Builds ``report.html`` from the take, the plan and the stems."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.cli.report.meeting import meeting
from spillgate.cli.report.pictures import Pictures, exact, packed, peaks, signature, without_same
from spillgate.cli.report.players import cleaned, players
from spillgate.dsp import params, registry
from spillgate.dsp.core.audio.overview import expand, piece_length
from spillgate.dsp.plan.model import Finding, Hit, Plan
from spillgate.dsp.plan.questions import ASKED, Group, groups, verdict
from spillgate.dsp.plan.sheet import Section
from spillgate.dsp.take.model import ROLES, Take, Track
from spillgate.dsp.words import clock, counted, duration
from spillgate.dsp.writing import write_atomically

__all__ = ["SURE", "Words", "asset", "environment", "page", "write_report"]

SURE = 0.99
"""Hits below this confidence are shown as doubtful."""

KEYS = (
    ("N", "next question"),
    ("P", "previous question"),
    ("+ −", "closer, wider; Ctrl and wheel, double-click"),
    ("← →", "earlier, later; or drag the picture"),
    ("0", "whole take"),
    ("Esc", "stop"),
)
"""Keys of the report, and what they do."""

EDITING_KEYS = (
    ("K", "keep the hit"),
    ("X", "leave it out"),
    ("A", "add one at the cursor"),
    ("[ ]", "move it by 1 ms"),
    ("R", "keep its ring until the cursor"),
    (", .", "previous, next hit"),
    ("shift ← →", "move the cursor"),
    ("I O", "span from here, to here; or drag with shift"),
    ("S", "keep the span"),
    ("D", "silence the span"),
    ("space", "play, stop"),
    ("L", "loop around the cursor"),
    ("1 2 3", "hear before, after, removed"),
    ("U Y", "undo, redo"),
    ("Ctrl S", "save"),
    ("Ctrl Enter", "save and render"),
)
"""Those that the review page adds."""

MENDED = 4
"""Findings to mend shown above everything else; the others follow the questions."""

FILL_S = 2.0
"""Length of what is called a fill when the loudest is looked for (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Words:
    """The plain sentences of the run, the same as on the terminal.

    Attributes
    ----------
    changed : str
        What was changed, on one line.
    tracks : mapping of str to str
        Per track id, what was done.
    caution : str
        What to do before anything is played.
    footer : str
        Versions and the like.
    sheet : sequence of Section
        The session sheet.
    """

    changed: str
    tracks: Mapping[str, str] = field(default_factory=dict)
    caution: str = ""
    footer: str = ""
    sheet: Sequence[Section] = ()


def write_report(
    take: Take, plan: Plan, stems: Take, out: Path, final: Path, words: Words, pictures: Pictures | None = None
) -> Path:
    """Write the page that opens from disk.

    Parameters
    ----------
    take : Take
        The input, as the plan was made from it.
    plan : Plan
    stems : Take
        The rendered files, opened with the same tracks (same ids).
    out : Path
        Folder that is written to.
    final : Path
        Folder in which the page will be opened: links to the originals are relative to it.
    words : Words
    pictures : Pictures, optional
        What was drawn before.

    Returns
    -------
    path : Path
        ``out / "report.html"``.
    """
    path = out / "report.html"
    write_atomically(path, page(take, plan, stems, final, words, pictures=pictures).encode())
    return path


def page(
    take: Take,
    plan: Plan,
    stems: Take,
    final: Path,
    words: Words,
    base: str = "",
    nonce: str = "",
    pictures: Pictures | None = None,
) -> str:
    """Build the page as text.

    Parameters
    ----------
    take, plan, stems, final, words, pictures
        As for `write_report`.
    base : str
        Address below which the review server answers; empty for the page that opens from disk.
    nonce : str
        Of the content-security policy; by default made from the data.

    Returns
    -------
    html : str
    """
    editing = bool(base)
    shown = take.drum_tracks
    index = {t.id: k for k, t in enumerate(shown)}
    asked = groups(plan.questions)
    held = Pictures() if pictures is None else pictures

    def one(track: Track) -> dict[str, Any]:
        at = [g.first.time_s for g in asked[:ASKED] if g.first.track == track.id and g.first.time_s is not None]
        return _Drawn(take, plan, stems, track, held).entry(final, at, editing)

    entries = take.map(one, shown, "drawing")
    data = {
        "sr": take.sr,
        "seconds": take.n_samples / take.sr,
        "peaks_per_s": take.sr / piece_length(take.sr, take.n_samples),
        "sure": SURE,
        "tracks": [e["data"] for e in entries],
        "questions": [_members(g, index) for g in asked],
    }
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True).replace("<", "\\u003c")
    rows = []
    for k, t in enumerate(take.tracks):
        mic = " ".join(w for w in (t.drum or t.role, t.position) if w)
        row = {"label": t.label, "mic": mic if t.is_drum else "no drum", "words": words.tracks.get(t.id, "")}
        more = entries[index[t.id]]["page"] if t.id in index else {}
        rows.append({**row, "shown": t.id in index, "index": index.get(t.id, k), **more})
    labels = {t.id: t.label for t in take.tracks}
    mend = [f for f in plan.findings if f.severity == "mend"]
    wide = [f for f in plan.findings if f.severity != "mend" and f.track not in index]
    text_of_page: str = (
        environment()
        .get_template("page.html")
        .render(
            take=take.name,
            verdict=verdict(plan),
            what=f"{counted(len(shown), 'drum track')}, {duration(take.n_samples / take.sr)}",
            changed=words.changed,
            tracks=rows,
            questions=[_question(g, k, index) for k, g in enumerate(asked[:ASKED])],
            more_questions=len(asked) - ASKED if len(asked) > ASKED else 0,
            mend=[_finding(f, labels) for f in mend[:MENDED]],
            wide=[_finding(f, labels) for f in (*mend[MENDED:], *wide)],
            chain=[_chain_row(p) for p in plan.chain],
            caution=words.caution,
            footer=words.footer,
            sheet=words.sheet,
            roles=ROLES,
            css=asset("report.css"),
            js=asset("report.js"),
            review_js=[asset("review.js"), asset("listen.js")] if editing else [],
            editing=editing,
            folder=final.name,
            keys=(*KEYS, *(EDITING_KEYS if editing else ())),
            base=base,
            data=_Safe(text),
            nonce=nonce or hashlib.blake2b(text.encode(), digest_size=12).hexdigest(),
        )
    )
    return text_of_page


class _Safe(str):
    """Text that goes into the page as it is."""

    __slots__ = ()

    def __html__(self) -> str:
        return str(self)


@functools.cache
def environment() -> Any:
    """Give the templates of the pages; everything that goes into them is escaped."""
    import jinja2

    loader = jinja2.PackageLoader("spillgate.cli.report", "assets")
    return jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined)


def asset(name: str) -> _Safe:
    """Read a script or style that goes into a page as it is."""
    return _Safe((resources.files("spillgate.cli.report") / "assets" / name).read_text(encoding="utf-8"))


def _chain_row(entry: Mapping[str, Any]) -> dict[str, str]:
    """Give the settings of a processor, those of single tracks behind."""
    own = entry["processor"]

    def said(values: Mapping[str, Any]) -> str:
        return ", ".join(f"{k} {registry.said(own, k, v)}" for k, v in values.items())

    singles = "; ".join(f"{track}: {said(values)}" for track, values in entry.get("tracks", {}).items())
    params = said(entry.get("params", {}))
    return {
        "processor": own,
        "version": entry.get("version", ""),
        "params": params + (f" ({singles})" if singles else ""),
    }


def _finding(f: Finding, labels: Mapping[str, str]) -> dict[str, str]:
    label = labels.get(f.track, f.track)
    advice = f.advice or f.code
    return {"severity": f.severity, "advice": advice if not label or label in advice else f"{label}: {advice}"}


def _question(g: Group, k: int, index: Mapping[str, int]) -> dict[str, Any]:
    shown = g.first.track in index
    return {
        "text": g.text,
        "alike": len(g.members) - 1,
        "shown": shown,
        "group": k,
        "answers": [{"do": do, "word": word} for do, word in g.answers] if shown else [],
    }


def _members(g: Group, index: Mapping[str, int]) -> dict[str, Any]:
    """All questions of a group, for stepping through and for answering them together."""
    times = [round(q.time_s, 5) for q in g.members if q.time_s is not None]
    texts = [q.text for q in g.members]
    named = {"track": index.get(g.first.track, -1), "code": g.first.code, "answers": g.answers}
    return {**named, "times": times, "texts": texts}


class _Drawn:
    """One track on its way into the page."""

    def __init__(self, take: Take, plan: Plan, stems: Take, track: Track, pictures: Pictures) -> None:
        self.take, self.plan, self.track, self.pictures = take, plan, track, pictures
        self.stems = stems
        self.stem = next((t for t in stems.tracks if t.id == track.id), None)
        self.move = next((a for a in plan.alignments if a.track == track.id), None)
        # everything is drawn on the input's timeline, so that a cleaned track lies over its original
        self.shift = plan.shift_of(track.id)
        self.cleaned = self.stem is not None and cleaned(plan, track.id)
        self.sources = signature(track)
        self.results = signature(self.stem) if self.stem is not None else None

    def entry(self, final: Path, asked: Sequence[float], editing: bool) -> dict[str, Any]:
        """Give what the script draws (``data``) and what the template shows (``page``)."""
        take, plan, track, held = self.take, self.plan, self.track, self.pictures
        hits = plan.hits_of(track.id)
        figures = plan.figures.get("spill", {}).get(track.id) or plan.figures.get("gate", {}).get(track.id) or {}
        spans = [[round(float(a), 4), round(float(b), 4)] for a, b in figures.get("spans", [])]
        before, small = held.get(("before", track.id), self.sources, self._before)
        data: dict[str, Any] = {
            "label": track.label,
            "name": track.id,
            "offset": track.start / take.sr,
            "shift": self.shift,
            "moved": track.id in plan.steps,
            "cleaned": self.cleaned,
            "hits": [[round(h.time_s, 5), round(h.confidence, 4)] for h in hits],
            "spans": spans,
            "peaks": {"before": small},
        }
        after: NDArray[np.int8] | None = None
        both = None if self.sources is None or self.results is None else (self.sources, self.results, self.shift)
        if self.cleaned:
            after, data["peaks"]["after"] = held.get(("after", track.id), both, lambda: self._after(before))
        if editing and self.move is not None:
            m = self.move
            data["delay"] = [round(m.delay_samples, 4) if m.applied else 0.0, m.polarity if m.applied else 1]
            data["own"] = [round(m.measured_samples, 4), m.measured_polarity]
        if asked and not editing:  # the review page asks the server for every sample it shows
            data["exact"] = self._exact(asked)
        other = tuple(a for a in plan.alignments if a.track in (track.id, self.move.target if self.move else ""))
        key = None if self.sources is None else (self.sources, hits, other)
        met = held.get(("meeting", track.id), key, lambda: meeting(take, plan, track, self.move))
        if met is not None:
            data["meeting"] = {k: met[k] for k in ("target", "ms", "before", "after", "overhead")}
        shown: dict[str, Any] = {
            "jumps": _jumps(take, plan, track, hits, before, after, spans),
            "players": [] if editing else players(track, plan, final),
            "meeting": met,
            "findings": [
                {"severity": f.severity, "advice": f.advice or f.code} for f in plan.findings if f.track == track.id
            ],
            "hits": _hit_rows(hits, track.start / take.sr),
            "doubtful": sum(h.confidence < SURE for h in hits),
            "settings": _settings(plan, track) if editing else [],
            "delay": round(self.move.delay_samples, 3) if self.move is not None else None,
            "polarity": self.move.polarity if self.move is not None else 1,
            "pan": {"left": -1, "right": 1}.get(track.position or "", 0),
            "role": track.role,
            "drum": track.drum or "",
        }
        return {"data": data, "page": shown}

    def _before(self) -> tuple[NDArray[np.int8], str]:
        seen = self.take.outlines.get(self.track.id)
        pairs = peaks(self.take, self.track, 0) if seen is None else seen
        return pairs, packed(pairs)

    def _after(self, before: NDArray[np.int8]) -> tuple[NDArray[np.int8], str]:
        assert self.stem is not None
        seen = self.stems.outlines.get(self.track.id)
        pairs = peaks(self.stems, self.stem, self.shift) if seen is None else seen
        return pairs, packed(without_same(pairs, before))

    def _exact(self, asked: Sequence[float]) -> dict[str, Any]:
        pieces = {"before": exact(self.take, self.track, asked, 0)}
        if self.cleaned and self.stem is not None:
            pieces["after"] = exact(self.stems, self.stem, asked, self.shift)
        return pieces


def _settings(plan: Plan, track: Track) -> list[dict[str, Any]]:
    """Parameters that can be set for this track: those of the processors that made its steps."""
    rows = []
    by = {s.by for s in plan.steps.get(track.id, ())} - {"align"}
    if track.role == "tom":
        by |= {"gate", "detect"}
    for entry in plan.chain:
        if entry["processor"] not in by:
            continue
        help_of = {p.name: p.help for p in params.parameters(registry.get_processor(entry["processor"]))}
        values = {**entry.get("params", {})}
        for name in (track.drum, track.label, track.file.name, track.id):
            values.update(entry.get("tracks", {}).get(name, {}))
        for name, value in values.items():
            by_name = {"processor": entry["processor"], "name": name, "help": help_of.get(name, "")}
            rows.append({**by_name, "value": registry.said(entry["processor"], name, value)})
    return rows


def _hit_rows(hits: Sequence[Hit], offset: float) -> list[dict[str, Any]]:
    rows = []
    for h in sorted(hits, key=lambda h: (h.confidence >= SURE, h.time_s)):
        rows.append(
            {
                "time": clock(h.time_s - offset),
                "at": round(h.time_s, 5),
                "level": f"{h.level_db:.1f}",
                "confidence": f"{h.confidence:.2f}",
                "share": round(100 * h.confidence),
                "source": h.source,
                "doubtful": h.confidence < SURE,
            }
        )
    return rows


def _jumps(
    take: Take,
    plan: Plan,
    track: Track,
    hits: Sequence[Hit],
    before: NDArray[np.int8],
    after: NDArray[np.int8] | None,
    spans: Sequence[Sequence[float]],
) -> list[dict[str, Any]]:
    """Places worth a look: the loudest fill, the softest kept hit, the longest ring, the loudest moment removed."""
    if track.role != "tom":
        return []
    jumps: list[tuple[str, float]] = []
    toms = {t.id for t in take.of_role("tom")}
    all_hits = [h for h in plan.hits if h.track in toms]
    if hits:
        times = np.array([h.time_s for h in all_hits])
        power = np.concatenate([[0.0], np.cumsum([10 ** (h.level_db / 10) for h in all_hits])])
        starts = np.array([h.time_s for h in hits])
        loudness = power[np.searchsorted(times, starts + FILL_S)] - power[np.searchsorted(times, starts)]
        jumps.append(("loudest fill", hits[int(np.argmax(loudness))].time_s))
        softest = min(hits, key=lambda h: (h.level_db, h.time_s))
        jumps.append(("softest kept hit", softest.time_s))
    if spans:
        longest = max(spans, key=lambda s: s[1] - s[0])
        jumps.append(("longest ring", float(longest[0])))
    if after is not None and len(before):
        gone = np.abs(expand(before)).max(1) - np.abs(expand(after)).max(1)
        at = int(np.argmax(gone)) * piece_length(take.sr, take.n_samples) / take.sr
        jumps.append(("loudest moment in what was removed", at))
    return [{"text": text, "time": round(float(at), 3)} for text, at in jumps]
