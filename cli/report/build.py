"""Builds ``report.html`` from the take, the plan and the stems."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from spillgate.cli.report.meeting import meeting
from spillgate.dsp import params, registry
from spillgate.dsp.core.overview import compand, extremes
from spillgate.dsp.plan.model import Hit, Plan, Question
from spillgate.dsp.take.model import Take, Track
from spillgate.dsp.writing import write_atomically

__all__ = ["PEAKS_PER_S", "SURE", "Words", "page", "write_report"]

PEAKS_PER_S = 1000
"""Pieces of the waveform kept in the page for each second, to the nearest whole number of samples: 1 ms."""

SURE = 0.99
"""Hits below this confidence are shown as doubtful."""

ASKED = 10
"""Questions shown at the top; the rest stays open."""

BLOCK_S = 10

PLAYS = frozenset({("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAVEX", "PCM_16"), ("WAVEX", "PCM_24"),
                   ("WAVEX", "FLOAT"), ("WAV", "PCM_32"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24")})  # fmt: skip
"""Formats that browsers play; for others there is no player."""


@dataclass(frozen=True, kw_only=True)
class Words:
    """The plain sentences of the run, the same as on the terminal.

    Attributes
    ----------
    verdict, changed : str
        The first two lines.
    tracks : mapping of str to str
        Per track id, what was done.
    footer : str
        Versions and the like.
    """

    verdict: str
    changed: str
    tracks: Mapping[str, str] = field(default_factory=dict)
    footer: str = ""


def write_report(take: Take, plan: Plan, stems: Take, out: Path, final: Path, words: Words) -> Path:
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

    Returns
    -------
    path : Path
        ``out / "report.html"``.
    """
    path = out / "report.html"
    write_atomically(path, page(take, plan, stems, final, words).encode())
    return path


def page(take: Take, plan: Plan, stems: Take, final: Path, words: Words, base: str = "", nonce: str = "") -> str:
    """Build the page as text.

    Parameters
    ----------
    take, plan, stems, final, words
        As for `write_report`.
    base : str
        Address below which the review server answers; empty for the page that opens from disk.
    nonce : str
        Of the content-security policy; by default made from the data.

    Returns
    -------
    html : str
    """
    changed = set(plan.steps)
    shown = [t for t in take.tracks if t.is_drum]
    index = {t.id: k for k, t in enumerate(shown)}

    def one(track: Track) -> dict[str, Any]:
        return _track(take, plan, stems, track, final, track.id in changed)

    entries = take.map(one, shown, "drawing")
    groups = _alike(sorted(plan.questions, key=lambda q: -q.weight))
    data = {
        "sr": take.sr,
        "seconds": take.n_samples / take.sr,
        "peaks_per_s": take.sr / _per_piece(take.sr),
        "sure": SURE,
        "tracks": [e["data"] for e in entries],
    }
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=True).replace("<", "\\u003c")
    rows = []
    for k, t in enumerate(take.tracks):
        mic = " ".join(w for w in (t.drum or t.role, t.position) if w)
        row = {"label": t.label, "mic": mic if t.is_drum else "not drums", "words": words.tracks.get(t.id, "")}
        more = entries[index[t.id]]["page"] if t.id in index else {}
        rows.append({**row, "shown": t.id in index, "index": index.get(t.id, k), **more})
    text_of_page: str = (
        _environment()
        .get_template("page.html")
        .render(
            take=take.name,
            verdict=words.verdict,
            changed=words.changed,
            tracks=rows,
            questions=[_question(take, q, n, index) for q, n in groups[:ASKED]],
            more_questions=len(groups) - ASKED if len(groups) > ASKED else 0,
            chain=[_chain_row(p) for p in plan.chain],
            footer=words.footer,
            css=_asset("report.css"),
            js=_asset("report.js"),
            review_js=_asset("review.js") if base else "",
            editing=bool(base),
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


def _environment() -> Any:
    import jinja2

    loader = jinja2.PackageLoader("spillgate.cli.report", "assets")
    return jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined)


def _asset(name: str) -> _Safe:
    return _Safe((resources.files("spillgate.cli.report") / "assets" / name).read_text(encoding="utf-8"))


def _chain_row(entry: Mapping[str, Any]) -> dict[str, str]:
    params = ", ".join(f"{k} {'off' if v is None else v}" for k, v in entry.get("params", {}).items())
    singles = "; ".join(
        f"{track}: " + ", ".join(f"{k} {'off' if v is None else v}" for k, v in values.items())
        for track, values in entry.get("tracks", {}).items()
    )
    return {
        "processor": entry["processor"],
        "version": entry.get("version", ""),
        "params": params + (f" ({singles})" if singles else ""),
    }


def _alike(questions: Sequence[Question]) -> list[tuple[Question, int]]:
    """The weightiest of each kind and track, with the number of others alike."""
    count = Counter((q.code, q.track) for q in questions)
    seen: set[tuple[str, str]] = set()
    groups = []
    for q in questions:
        if (q.code, q.track) not in seen:
            seen.add((q.code, q.track))
            groups.append((q, count[q.code, q.track] - 1))
    return groups


def _question(take: Take, q: Question, alike: int, index: Mapping[str, int]) -> dict[str, Any]:
    jump = q.time_s if q.time_s is not None and q.track in index else None
    return {"text": q.text, "alike": alike, "jump": jump, "index": index.get(q.track, 0)}


def _track(take: Take, plan: Plan, stems: Take, track: Track, final: Path, changed: bool) -> dict[str, Any]:
    hits = plan.hits_of(track.id)
    move = next((a for a in plan.alignments if a.track == track.id), None)
    shift = move.delay_samples / take.sr if move and move.applied else 0.0
    figures = plan.figures.get("spill", {}).get(track.id) or plan.figures.get("gate", {}).get(track.id) or {}
    spans = [[round(float(a), 4), round(float(b), 4)] for a, b in figures.get("spans", [])]
    before = _peaks(take, track, 0)
    data: dict[str, Any] = {
        "label": track.label,
        "name": track.id,
        "offset": track.start / take.sr,
        "hits": [[round(h.time_s, 5), round(h.confidence, 4)] for h in hits],
        "spans": spans,
        "peaks": {"before": _packed(before)},
    }
    stem = next((t for t in stems.tracks if t.id == track.id), None)
    if changed and stem is not None:
        # drawn on the input's timeline, so that a cleaned track lies over its original
        data["peaks"]["after"] = _packed(_peaks(stems, stem, round(shift * take.sr)))
    met = meeting(take, plan, track, move)
    if met is not None:
        data["meeting"] = {k: met[k] for k in ("target", "ms", "before", "after", "overhead")}
    page: dict[str, Any] = {
        "jumps": _jumps(take, track, hits, before, spans),
        "players": _players(track, final, changed),
        "meeting": met,
        "findings": [{"severity": f.severity, "advice": f.advice} for f in plan.findings if f.track == track.id],
        "hits": _hit_rows(hits, track.start / take.sr),
        "doubtful": sum(h.confidence < SURE for h in hits),
        "settings": _settings(plan, track),
        "delay": round(move.delay_samples, 3) if move is not None else None,
        "polarity": move.polarity if move is not None else 1,
        "pan": {"left": -1, "right": 1}.get(track.position or "", 0),
    }
    return {"data": data, "page": page}


def _settings(plan: Plan, track: Track) -> list[dict[str, Any]]:
    """Parameters that can be set for this track: those of the processors that made its steps."""
    rows = []
    by = {s.by for s in plan.steps.get(track.id, ())} - {"align"}
    for entry in plan.chain:
        if entry["processor"] not in by:
            continue
        help_of = {p.name: p.help for p in params.parameters(registry.get_processor(entry["processor"]))}
        values = {**entry.get("params", {})}
        for name in (track.drum, track.label, track.file.name, track.id):
            values.update(entry.get("tracks", {}).get(name, {}))
        for name, value in values.items():
            shown = "off" if value is None else value
            rows.append({"processor": entry["processor"], "name": name, "value": shown, "help": help_of.get(name, "")})
    return rows


def _per_piece(sr: int) -> int:
    return max(1, round(sr / PEAKS_PER_S))


def _peaks(take: Take, track: Track, shift: int) -> NDArray[np.int8]:
    """Smallest and largest sample of every 1 ms piece, one byte each; `shift` samples are taken back."""
    per_piece = _per_piece(take.sr)
    n_pieces = -(-take.n_samples // per_piece)
    pairs = np.zeros((n_pieces, 2), np.int8)
    step = per_piece * PEAKS_PER_S * BLOCK_S
    for a in range(0, take.n_samples, step):
        b = min(a + step, take.n_samples)
        k, m = a // per_piece, -(-(b - a) // per_piece)
        pairs[k : k + m] = compand(extremes(take.read(track, a + shift, b + shift), a, per_piece, m))
    return pairs


def _packed(values: NDArray[Any]) -> str:
    return base64.b64encode(zlib.compress(values.tobytes(), 6)).decode("ascii")


def _hit_rows(hits: Sequence[Hit], offset: float) -> list[dict[str, Any]]:
    rows = []
    for h in sorted(hits, key=lambda h: (h.confidence >= SURE, h.time_s)):
        minutes, seconds = divmod(h.time_s - offset, 60.0)
        rows.append(
            {
                "time": f"{int(minutes)}:{seconds:06.3f}",
                "at": round(h.time_s, 5),
                "level": f"{h.level_db:.1f}",
                "confidence": f"{h.confidence:.2f}",
                "share": round(100 * h.confidence),
                "source": h.source,
                "doubtful": h.confidence < SURE,
            }
        )
    return rows


def _players(track: Track, final: Path, changed: bool) -> list[dict[str, str]]:
    f = track.file
    if (f.format, f.subtype) not in PLAYS or len(track.files) > 1:
        return []
    players = []
    if f.path.is_file():
        relative = os.path.relpath(f.path.resolve(), final.resolve())
        players.append({"which": "before", "src": quote(Path(relative).as_posix())})
    if changed:
        players.append({"which": "after", "src": quote(f"stems/{f.name}")})
    return players


def _jumps(
    take: Take, track: Track, hits: Sequence[Hit], before: NDArray[np.int8], spans: Sequence[Sequence[float]]
) -> list[dict[str, Any]]:
    """Places worth a look: the densest second of loud hits, the softest kept hit, the longest open span."""
    if track.role != "tom" or not hits:
        return []
    times = np.array([h.time_s for h in hits])
    power = np.array([10 ** (h.level_db / 10) for h in hits])
    loudness = [float(power[(times >= t) & (times < t + 1.0)].sum()) for t in times]
    jumps = [{"text": "loudest second", "time": round(float(times[int(np.argmax(loudness))]), 3)}]
    softest = min(hits, key=lambda h: (h.level_db, h.time_s))
    jumps.append({"text": "softest kept hit", "time": round(softest.time_s, 3)})
    if spans:
        longest = max(spans, key=lambda s: s[1] - s[0])
        jumps.append({"text": "longest open span", "time": round(float(longest[0]), 3)})
        per_s = take.sr / _per_piece(take.sr)
        removed = np.abs(before.astype(np.int16)).max(1)
        for a, b in spans:
            removed[int(a * per_s) : int(b * per_s) + 1] = 0
        jumps.append({"text": "loudest moment removed", "time": round(float(np.argmax(removed)) / per_s, 3)})
    return jumps
