"""Tables for people and spreadsheets: hits.csv and alignment.csv.

The one place where a delay is added to a time: everything else in a plan is on the input's timeline.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from spillgate.dsp.core.audio.sound import speed_of_sound
from spillgate.dsp.plan.model import Alignment, Plan, TrackFacts, time_in_track
from spillgate.dsp.plan.notes import note_of, velocity
from spillgate.dsp.writing import write_atomically

__all__ = [
    "ALIGNMENT_COLUMNS",
    "HIT_COLUMNS",
    "TEMPERATURE_C",
    "fixed",
    "spans_of",
    "write_alignment",
    "write_hits",
    "write_hits_json",
    "write_table",
]

HIT_COLUMNS = (
    "track",
    "time_s",
    "stem_time_s",
    "piece",
    "level_db",
    "confidence",
    "source",
    "open_s",
    "close_s",
)

ALIGNMENT_COLUMNS = (
    "track",
    "channel",
    "delay_samples",
    "delay_ms",
    "distance_cm",
    "polarity",
    "target",
    "margin",
    "confidence",
    "applied",
    "measured_samples",
    "measured_polarity",
)

TEMPERATURE_C = 21.0
"""Of the air that ``distance_cm`` is worked out for; 10 degrees more or less change it by 1.7 %."""


def write_hits(plan: Plan, path: Path) -> None:
    """Write one row per hit and close mic of its drum.

    Parameters
    ----------
    plan : Plan
        ``plan.figures["gate"][track]["spans"]`` (or ``["spill"]``), where there are any, holds the stretches in which
        the track is open: pairs of seconds on the take's timeline.
    path : Path

    Raises
    ------
    OutputError
        If it cannot be written.

    Notes
    -----
    ``time_s`` (and ``open_s``, ``close_s``: the stretch that holds the hit) count from the first sample of the input,
    ``stem_time_s`` from the first sample of the stem, which is later by the applied delay.
    """
    facts = {t.track: t for t in plan.tracks}
    delays = {a.track: a.delay_samples / plan.sr for a in plan.alignments if a.applied and plan.sr}
    spans = {track: spans_of(plan, track) for track in {h.track for h in plan.hits}}
    rows = []
    for hit in plan.hits:
        fact = facts.get(hit.track)
        time_s = _local(hit.time_s, fact)
        span = next((s for s in spans[hit.track] if s[0] <= hit.time_s < s[1]), None)
        rows.append(
            (
                _file(hit.track, facts),
                fixed(time_s, 6),
                fixed(time_s + delays.get(hit.track, 0.0), 6),
                hit.drum,
                fixed(hit.level_db, 2),
                fixed(hit.confidence, 4),
                hit.source,
                fixed(_local(span[0], fact), 6) if span else "",
                fixed(_local(span[1], fact), 6) if span else "",
            )
        )
    write_table(path, HIT_COLUMNS, rows)


def write_hits_json(plan: Plan, path: Path) -> None:
    """Write the hits for programs: the rows of ``hits.csv`` with the stem's sample and the MIDI key and velocity.

    Parameters
    ----------
    plan : Plan
    path : Path

    Raises
    ------
    OutputError
        If it cannot be written.

    Notes
    -----
    ``{"schema": 1, "sr": …, "hits": [{"track", "channel", "drum", "position", "time_s", "stem_time_s", "stem_sample",
    "level_db", "confidence", "source", "note", "velocity"}, …]}``; ``note`` is null for what the General MIDI
    percussion map has no key for.
    """
    facts = {t.track: t for t in plan.tracks}
    drums = tuple(t.drum for t in plan.tracks if t.drum)
    delays = {a.track: a.delay_samples for a in plan.alignments if a.applied}
    rows = []
    for hit in plan.hits:
        fact = facts.get(hit.track)
        time_s = _local(hit.time_s, fact)
        stem = time_s * plan.sr + delays.get(hit.track, 0.0)
        rows.append(
            {
                "track": _file(hit.track, facts),
                "channel": fact.channel if fact else 0,
                "drum": hit.drum,
                "position": fact.position if fact else None,
                "time_s": round(time_s, 6),
                "stem_time_s": round(stem / plan.sr, 6),
                "stem_sample": round(stem),
                "level_db": round(hit.level_db, 2),
                "confidence": round(hit.confidence, 4),
                "source": hit.source,
                "note": note_of(hit.drum, drums),
                "velocity": velocity(hit.level_db),
            }
        )
    head = json.dumps({"schema": 1, "sr": plan.sr})[:-1]
    body = ",\n".join("  " + json.dumps(row, ensure_ascii=False) for row in rows)
    write_atomically(path, f'{head}, "hits": [\n{body}\n]}}\n'.encode())


def write_alignment(plan: Plan, path: Path) -> None:
    """Write one row per measured track.

    Parameters
    ----------
    plan : Plan
    path : Path

    Raises
    ------
    OutputError
        If it cannot be written.

    Notes
    -----
    ``delay_samples`` and ``polarity`` are what the render does where ``applied`` is 1, else what was measured;
    positive is later.  ``distance_cm`` is the way sound goes in that time at `TEMPERATURE_C`, same sign.
    """
    facts = {t.track: t for t in plan.tracks}
    speed = speed_of_sound(TEMPERATURE_C)
    rows = []
    for a in plan.alignments:
        samples, polarity = _said(a)
        seconds = samples / plan.sr if plan.sr else 0.0
        fact = facts.get(a.track)
        rows.append(
            (
                _file(a.track, facts),
                str(fact.channel if fact else 0),
                fixed(samples, 4),
                fixed(seconds * 1e3, 5),
                fixed(seconds * speed * 1e2, 2),
                str(polarity),
                a.target,
                fixed(a.margin, 3),
                a.confidence,
                str(int(a.applied)),
                fixed(a.measured_samples, 4),
                str(a.measured_polarity),
            )
        )
    write_table(path, ALIGNMENT_COLUMNS, rows)


def _said(a: Alignment) -> tuple[float, int]:
    return (a.delay_samples, a.polarity) if a.applied else (a.measured_samples, a.measured_polarity)


def _file(track: str, facts: Mapping[str, TrackFacts]) -> str:
    return facts[track].file if track in facts else track


def _local(time_s: float, fact: TrackFacts | None) -> float:
    return time_s if fact is None else time_in_track(time_s, fact.start, fact.sr)


def spans_of(plan: Plan, track: str) -> Sequence[Sequence[float]]:
    """Give the stretches in which a track is open, seconds on the take's timeline."""
    # a track has the mask of one of them, never of both
    for by in ("spill", "gate"):
        held = plan.figures.get(by, {}).get(track)
        if isinstance(held, Mapping) and "spans" in held:
            spans: Sequence[Sequence[float]] = held["spans"]
            return spans
    return ()


def fixed(value: float, places: int) -> str:
    """Give a decimal text without a sign on zero."""
    text = f"{value:.{places}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Write a table as comma-separated text, whole or not at all."""
    write_atomically(path, table_text(columns, rows).encode())


def table_text(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Give a table as comma-separated text."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return stream.getvalue()
