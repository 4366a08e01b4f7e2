"""What the check says after listening to pieces of several tracks: copies, kick polarity, rooms, what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.checks.lateness import LATE_MS, Arrival, arrival, lateness
from spillgate.dsp.core.checks.levels import frame_hop
from spillgate.dsp.core.checks.likeness import same_signal, suspects
from spillgate.dsp.core.checks.pieces import arrival_after, direct_share, sum_gain_db
from spillgate.dsp.core.hits.envelopes import frame_length
from spillgate.dsp.plan.model import Finding, Plan
from spillgate.dsp.processors.check_tracks import Heard, finding
from spillgate.dsp.take.model import Take, Track

__all__ = ["copy_findings", "delay_findings", "kick_findings", "missing_findings", "room_findings"]

COPY_PIECES, COPY_BEFORE_S, COPY_S = 10, 0.05, 0.35
"""Copies are compared where each tenth of the take is loudest: several drums, since one drum alone sounds much the same
everywhere in a dry room."""
MOST_PIECES = 12
FEWEST_PIECES = 3
ALONE_BEFORE_S, ALONE_AFTER_S = 0.05, 0.15
"""A hit is alone if no other drum sounds in this span."""
PIECE_BEFORE_S, PIECE_S = 0.02, 0.3
SURE_HIT, MOST_ARRIVALS, FEWEST_ARRIVALS = 0.9, 24, 2
"""Arrivals are measured at so many of the loudest hits of this confidence; one alone may be anything."""
CERTAIN = 0.6
"""Share of the answers that must agree before a track is sent to be mended for being late; with less one is to look
(planted faults on made takes: 0.52 to 1.0; the gravest false one 0.53)."""
KICK_BANDS_HZ = ((40.0, 150.0), (150.0, 600.0))
NO_DIFFERENCE_DB = 1.0
SLAP_MS = 30.0
"""Common practice, no source; 6 to 20 ms are usual."""
SOUND_M_PER_S = 343.2
"""In dry air of 20 °C."""


def copy_findings(
    take: Take, heard: Mapping[str, Heard], dead: set[str]
) -> tuple[list[Finding], list[tuple[str, str]]]:
    """Find tracks that hold the same signal.

    Returns
    -------
    findings : list of Finding
        One for the later track of each pair.
    pairs : list of (str, str)
    """
    live = {i: h for i, h in heard.items() if h.is_live and i not in dead and h.track.role != "front"}
    out: list[Finding] = []
    pairs: list[tuple[str, str]] = []
    whole = {i: np.asarray(take.features["levels"][i][:, 2], np.float64) for i in live}
    for a, b in suspects(whole):
        same, share = same_signal(*(_loud_pieces(take, take.track(i), whole[a] + whole[b]) for i in (a, b)))
        if not same:
            continue
        pairs.append((a, b))
        one, two = take.track(a), take.track(b)
        stereo = one.file.name == two.file.name
        advice = (
            f"{two.label} holds the same signal as {one.label}: one mic recorded twice, or a wrong patch; "
            + ("a stereo file of one mic? " if stereo else "the other mic is missing? ")
            + "Follow the cable of the one that should differ."
        )
        out.append(finding("duplicate", "mend", b, 100.0 * share, "% of bands alike", 60.0, advice))
    return out, pairs


def _loud_pieces(take: Take, track: Track, power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Stretches of a track where each tenth of the take is loudest; shape (n_pieces, n_samples)."""
    hop = frame_hop(take.sr)
    n = round(COPY_S * take.sr)
    at: list[int] = []
    for part in np.array_split(np.arange(len(power)), COPY_PIECES):
        if len(part):
            start = int(part[0] + np.argmax(power[part])) * hop - round(COPY_BEFORE_S * take.sr)
            at.append(max(start, at[-1] + n if at else 0))
    return np.stack([take.read(track, a, a + n, "float64") for a in at])


def _pieces(take: Take, plan: Plan, drum: str, tracks: list[Track]) -> tuple[NDArray[np.float64], ...]:
    """Pieces of some tracks round the loudest hits of a drum that are alone; each shape (n_hits, n_samples)."""
    own = next((t for t in take.of_drum(drum) if plan.hits_of(t.id)), None)
    empty = tuple(np.zeros((0, 0)) for _ in tracks)
    if own is None:
        return empty
    others = np.array([h.time_s for h in plan.hits if h.drum != drum])
    hits = [
        h
        for h in plan.hits_of(own.id)
        if h.confidence >= 0.9
        and not np.any((others > h.time_s - ALONE_BEFORE_S) & (others < h.time_s + ALONE_AFTER_S))
    ]
    hits = sorted(sorted(hits, key=lambda h: -h.level_db)[:MOST_PIECES], key=lambda h: h.time_s)
    if len(hits) < FEWEST_PIECES:
        return empty
    n = round(PIECE_S * take.sr)
    at = [round((h.time_s - PIECE_BEFORE_S) * take.sr) for h in hits]
    return tuple(np.stack([take.read(t, a, a + n, "float64") for a in at]) for t in tracks)


def arrivals(take: Take, plan: Plan) -> dict[tuple[str, str], Arrival]:
    """Measure when each drum's hits arrive in every other close mic and overhead.

    Parameters
    ----------
    take : Take
        With the feature `band_envelopes`.
    plan : Plan
        With hits.

    Returns
    -------
    arrivals : dict of (source track, mic track) to Arrival
    """
    envelopes = take.features["band_envelopes"]
    hop = frame_length(take.sr)
    mics = [t for t in take.tracks if t.id in envelopes and (t.is_close or t.role == "overhead")]

    def frames(times: list[float]) -> NDArray[np.int64]:
        return np.sort(np.array([round(t * take.sr / hop) for t in times], np.int64))

    def one(source: Track) -> dict[tuple[str, str], Arrival]:
        hits = sorted((h for h in plan.hits_of(source.id) if h.confidence >= SURE_HIT), key=lambda h: -h.level_db)
        own = frames([h.time_s for h in hits[:MOST_ARRIVALS]])
        others = frames([h.time_s for h in plan.hits if h.drum != source.drum])
        return {
            (source.id, m.id): arrival(envelopes[m.id], own, others, hop / take.sr) for m in mics if m is not source
        }

    sure = {t.id: sum(h.confidence >= SURE_HIT for h in plan.hits_of(t.id)) for t in mics}
    sources = [t for t in mics if t.is_close and sure[t.id] >= FEWEST_ARRIVALS]
    return {k: v for row in take.map(one, sources) for k, v in row.items()}


def delay_findings(take: Take, found: Mapping[tuple[str, str], Arrival]) -> list[Finding]:
    """Find tracks that are late or early by a constant.

    Parameters
    ----------
    take : Take
    found : mapping
        Of `arrivals`.

    Returns
    -------
    findings : list of Finding
        Value: ms by which the track is late.
    """
    kinds = {t.id: (t.role, t.drum or t.id) for t in take.tracks if any(t.id in pair for pair in found)}
    out = []
    for track, answer in lateness(found, kinds).items():
        late = answer.ms
        word = "late" if late > 0 else "early"
        advice = (
            f"{take.track(track).label} is {word} by about {abs(late):.1f} ms ({abs(late) * take.sr / 1000:.0f} "
            "samples): a converter, plug-in or digital link with latency of its own in this channel? Route it as the "
            "others."
        )
        out.append(finding(word, "mend" if answer.share >= CERTAIN else "advise", track, late, "ms", LATE_MS, advice))
    return out


def kick_findings(take: Take, plan: Plan) -> list[Finding]:
    """Say in numbers how the kick sums with the overheads, as it is and turned."""
    overheads = [t for t in take.of_role("overhead") if t.position != "side"]
    out = []
    for kick in take.of_role("kick"):
        if not overheads or kick.drum is None:
            continue
        own, *far = _pieces(take, plan, kick.drum, [kick, *overheads])
        if not len(own):
            continue
        gains = [sum_gain_db(own, np.mean(far, axis=0), take.sr, *band) for band in KICK_BANDS_HZ]
        told = ", ".join(
            f"{low:.0f}–{high:.0f} Hz {gain:+.1f} dB" for (low, high), gain in zip(KICK_BANDS_HZ, gains, strict=True)
        )
        best = max(gains, key=abs)
        if max(abs(g) for g in gains) < NO_DIFFERENCE_DB:
            verdict = "makes no difference"
        elif gains[0] * gains[1] < 0.0 and min(abs(g) for g in gains) >= NO_DIFFERENCE_DB:
            verdict = "the bands disagree: choose by ear"
        else:
            verdict = "louder as it is" if best > 0 else "louder turned: try it by ear"
        advice = (
            f"{kick.label} with the overheads, both equally loud, as it is against turned round: {told}: {verdict}."
        )
        out.append(finding("kick_polarity", "note", kick.id, best, "dB", NO_DIFFERENCE_DB, advice))
    return out


def room_findings(take: Take, plan: Plan) -> list[Finding]:
    """Tell each room mic's distance from the snare and its share of direct sound."""
    snare = next((t for t in take.of_role("snare") if plan.hits_of(t.id)), None)
    rooms = list(take.of_role("room"))
    if snare is None or snare.drum is None or not rooms:
        return []
    close, *far = _pieces(take, plan, snare.drum, [snare, *rooms])
    out = []
    for room, pieces in zip(rooms, far, strict=True):
        if not len(close):
            continue
        ms = arrival_after(close, pieces, take.sr)
        if ms is None:
            continue
        share = direct_share(pieces, take.sr)
        advice = (
            f"{room.label} is {ms:.1f} ms ({ms / 1000.0 * SOUND_M_PER_S:.1f} m) behind the snare; "
            f"{100.0 * share:.0f} % of its energy is direct sound."
        )
        late = ms > SLAP_MS
        if late:
            advice += " More than 30 ms may be heard as a slap: nearer, if that is not meant."
        out.append(finding("room_distance", "advise" if late else "note", room.id, ms, "ms", SLAP_MS, advice))
    return out


def missing_findings(take: Take, plan: Plan, kind: str) -> list[Finding]:
    """Name the drums that were not heard, so that a partial answer is known to be one."""
    labels: dict[str, Any] = {t.id: t.label for t in take.tracks}
    out = []
    for d in plan.drums:
        if d.played == "yes":
            continue
        names = ", ".join(labels[t] for t in d.tracks)
        advice = (
            f"{names}: {d.drum} was not heard; hit it three or four times and check again."
            if kind == "line"
            else f"{names}: {d.drum} was not played for sure, so its level and bleed are not judged."
        )
        out.append(finding("not_heard", "note", d.tracks[0], d.best_confidence, "", 0.97, advice))
    if not any(t.role == "overhead" for t in take.tracks):
        out.append(
            finding(
                "no_overhead", "note", "", None, "", None, "No overhead in the take: delays and polarity not judged."
            )
        )
    return out
