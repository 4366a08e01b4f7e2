"""Tables for people and spreadsheets: hits.csv and alignment.csv.

The one place where a delay is added to a time: everything else in a plan is on the input's timeline.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from spillgate.dsp.core.sound import speed_of_sound
from spillgate.dsp.plan.model import Alignment, Plan, TrackFacts, time_in_track
from spillgate.dsp.writing import write_atomically

__all__ = ["ALIGNMENT_COLUMNS", "HIT_COLUMNS", "TEMPERATURE_C", "write_alignment", "write_hits"]

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
    spans = {track: _spans(plan, track) for track in {h.track for h in plan.hits}}
    rows = []
    for hit in plan.hits:
        fact = facts.get(hit.track)
        time_s = _local(hit.time_s, fact)
        span = next((s for s in spans[hit.track] if s[0] <= hit.time_s < s[1]), None)
        rows.append(
            (
                _file(hit.track, facts),
                _fixed(time_s, 6),
                _fixed(time_s + delays.get(hit.track, 0.0), 6),
                hit.drum,
                _fixed(hit.level_db, 2),
                _fixed(hit.confidence, 4),
                hit.source,
                _fixed(_local(span[0], fact), 6) if span else "",
                _fixed(_local(span[1], fact), 6) if span else "",
            )
        )
    _write(path, HIT_COLUMNS, rows)


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
                _fixed(samples, 4),
                _fixed(seconds * 1e3, 5),
                _fixed(seconds * speed * 1e2, 2),
                str(polarity),
                a.target,
                _fixed(a.margin, 3),
                a.confidence,
                str(int(a.applied)),
                _fixed(a.measured_samples, 4),
                str(a.measured_polarity),
            )
        )
    _write(path, ALIGNMENT_COLUMNS, rows)


def _said(a: Alignment) -> tuple[float, int]:
    return (a.delay_samples, a.polarity) if a.applied else (a.measured_samples, a.measured_polarity)


def _file(track: str, facts: Mapping[str, TrackFacts]) -> str:
    return facts[track].file if track in facts else track


def _local(time_s: float, fact: TrackFacts | None) -> float:
    return time_s if fact is None else time_in_track(time_s, fact.start, fact.sr)


def _spans(plan: Plan, track: str) -> Sequence[Sequence[float]]:
    # a track has the mask of one of them, never of both
    for by in ("spill", "gate"):
        held = plan.figures.get(by, {}).get(track)
        if isinstance(held, Mapping) and "spans" in held:
            spans: Sequence[Sequence[float]] = held["spans"]
            return spans
    return ()


def _fixed(value: float, places: int) -> str:
    """Decimal text without a sign on zero."""
    text = f"{value:.{places}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def _write(path: Path, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    write_atomically(path, stream.getvalue().encode())
