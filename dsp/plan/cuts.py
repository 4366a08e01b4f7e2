"""Cuts as data: the stretches in which a track is open, as an editor would cut it by hand; and markers for the stems.

A stem is made band by band; the plain edit is the same decision in its simplest form: everything between the regions is
turned down, each region has a linear fade at either end.  Any editor can do that.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.audio.marker import Marker
from spillgate.dsp.core.cleaning.bandmask import FULL, Attack
from spillgate.dsp.core.cleaning.closing import FADE_S, FADE_SHARE
from spillgate.dsp.plan.model import Plan, TrackFacts
from spillgate.dsp.plan.tables import fixed, spans_of, write_table

__all__ = ["CUT_COLUMNS", "SURE", "Cut", "cuts_of", "markers_of", "shift_of", "write_cuts"]

CUT_COLUMNS = (
    "track",
    "channel",
    "region",
    "start_samples",
    "end_samples",
    "fade_in_samples",
    "fade_out_samples",
    "gain",
    "gain_between",
    "start_s",
    "end_s",
    "fade_in_s",
    "fade_out_s",
    "stem_start_samples",
    "stem_end_samples",
)

SURE = 0.99
"""Markers of hits below this confidence end with a question mark."""

NEAR_S = 0.001
"""A region that begins this near the opening of a hit begins there to the sample."""

OPEN_BEFORE_MS, ATTACK_MS = 1.5, 7.5
"""Of a mask that does not say (its defaults)."""


@dataclass(frozen=True, kw_only=True)
class Cut:
    """One region of a plain edit.

    Attributes
    ----------
    track : str
    start, stop : int
        Samples on the take's timeline.
    fade_in, fade_out : int
        Length of the linear fades inside the region, samples.
    gain : float
        Linear, of the region.
    between : float
        Linear, before, between and after the track's regions.
    """

    track: str
    start: int
    stop: int
    fade_in: int
    fade_out: int
    gain: float = 1.0
    between: float = 0.0


def cuts_of(plan: Plan, track: str) -> tuple[Cut, ...]:
    """Give the plain edit of one track.

    Parameters
    ----------
    plan : Plan
    track : str
        Track id.

    Returns
    -------
    cuts : tuple of Cut
        In order of time; empty for tracks without a mask.  A track that is turned down throughout has one region with
        that gain.

    Notes
    -----
    A region begins where the mask opens (by default 1.5 ms before its first hit, with a fade of 1 ms) and ends where
    the last band has closed.  Its fade out takes a sixth of the time since its last hit, and at least 60 ms, unless
    ``fade_ms`` says otherwise: the length that the bands' own fades have.
    """
    cleaning = next((s for s in plan.steps.get(track, ()) if "gains" in s.arrays or s.step == "mask"), None)
    facts = next((t for t in plan.tracks if t.track == track), None)
    if cleaning is None or facts is None:
        return ()
    sr, end = plan.sr, facts.start + facts.n_samples
    gains = plan.arrays.get(cleaning.arrays.get("gains", ""))
    between = _between(gains)
    spans = spans_of(plan, track)
    if not spans:
        whole = float(np.max(gains)) / FULL if gains is not None and gains.dtype == np.uint16 and gains.size else 1.0
        return (Cut(track=track, start=facts.start, stop=end, fade_in=0, fade_out=0, gain=whole, between=between),)
    attack = Attack.of(
        float(cleaning.params.get("open_before_ms", OPEN_BEFORE_MS)),
        float(cleaning.params.get("attack_ms", ATTACK_MS)),
        sr,
    )
    fade_ms = _parameter(plan, facts, cleaning.by, "fade_ms")
    hits = np.asarray([int(np.floor(h.time_s * sr + 0.5)) for h in plan.hits_of(track)], np.int64)
    cuts = []
    for a, b in spans:
        start, stop = round(a * sr), min(round(b * sr), end)
        opened = hits + attack.start
        near = opened[np.abs(opened - start) <= NEAR_S * sr]
        start = max(int(near[0]) if len(near) else start, facts.start)
        if stop <= start:
            continue
        inside = hits[(hits >= start) & (hits < stop)]
        since = (stop - (int(inside[-1]) if len(inside) else start)) / sr
        fade_s = max(FADE_S, since * FADE_SHARE / (1 + FADE_SHARE)) if fade_ms is None else fade_ms / 1000
        fade_in = min(attack.full - attack.start, stop - start) if start > facts.start else 0
        fade_out = 0 if stop >= end else min(round(fade_s * sr), stop - start - fade_in)
        cuts.append(
            Cut(track=track, start=start, stop=stop, fade_in=fade_in, fade_out=max(fade_out, 0), between=between)
        )
    return tuple(cuts)


def _between(gains: NDArray[Any] | None) -> float:
    if gains is None or gains.dtype != np.uint16 or not gains.size:
        return 0.0
    return float(np.min(gains)) / FULL


def _parameter(plan: Plan, facts: TrackFacts, processor: str, name: str) -> float | None:
    value: Any = None
    for entry in plan.chain:
        if entry["processor"] == processor:
            value = entry.get("params", {}).get(name)
            single = entry.get("tracks", {})
            for key in (facts.drum, Path(facts.file).stem, facts.file, facts.track):
                value = single.get(key, {}).get(name, value)
    return None if value is None else float(value)


def shift_of(plan: Plan, track: str) -> float:
    """Tell by how many samples the render moves a track; positive is later."""
    return next((a.delay_samples for a in plan.alignments if a.track == track and a.applied), 0.0)


def markers_of(plan: Plan, track: str, which: str) -> tuple[Marker, ...]:
    """Give the markers of a track's stem.

    Parameters
    ----------
    plan : Plan
    track : str
    which : {'hits', 'cuts', 'both'}

    Returns
    -------
    markers : tuple of Marker
        On the take's timeline, moved as the stem is, to the nearest sample; sorted.  Hits are called by the drum's name
        in the input list, doubtful ones with a question mark; stretches "open".
    """
    shift = shift_of(plan, track)
    found = []
    if which in ("hits", "both"):
        for h in plan.hits_of(track):
            text = h.drum if h.confidence >= SURE else f"{h.drum} ?"
            found.append(Marker(int(np.floor(h.time_s * plan.sr + shift + 0.5)), 0, text))
    if which in ("cuts", "both"):
        drum = next((t.drum or t.role for t in plan.tracks if t.track == track), "")
        move = int(np.floor(shift + 0.5))
        regions = [c for c in cuts_of(plan, track) if c.gain == 1.0]
        found += [Marker(c.start + move, c.stop - c.start, f"{drum} open") for c in regions]
    return tuple(sorted(found))


def write_cuts(plan: Plan, path: Path) -> None:
    """Write ``cuts.csv``: one row per region of every track with a mask.

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
    ``start_samples`` and ``end_samples`` count from the first sample of the recording, ``stem_…`` from that of the
    stem, to the nearest sample.  Multiply the recording by `gain` inside the regions and by ``gain_between`` outside;
    fades are linear, lie inside the region and lead from one to the other.
    """
    rows = []
    facts = {t.track: t for t in plan.tracks}
    for track in plan.steps:
        fact = facts.get(track)
        if fact is None:
            continue
        move = int(np.floor(shift_of(plan, track) + 0.5))
        for k, c in enumerate(cuts_of(plan, track)):
            a, b = c.start - fact.start, c.stop - fact.start
            lengths = (a, b, c.fade_in, c.fade_out)
            rows.append(
                (
                    fact.file,
                    str(fact.channel),
                    str(k + 1),
                    *map(str, lengths),
                    fixed(c.gain, 6),
                    fixed(c.between, 6),
                    *(fixed(v / plan.sr, 6) for v in lengths),
                    str(a + move),
                    str(b + move),
                )
            )
    order = {t.track: k for k, t in enumerate(plan.tracks)}
    by_file = {(t.file, str(t.channel)): order[t.track] for t in plan.tracks}
    rows.sort(key=lambda r: (by_file[r[0], r[1]], int(r[2])))
    write_table(path, CUT_COLUMNS, rows)
