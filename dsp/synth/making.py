"""Putting a take together: voices, room, mics, faults, and the truth about all of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.synth.console import OTHER_NAMES, Console, Faults, guide_line, trigger_line, trigger_name
from spillgate.dsp.synth.kits import Kit
from spillgate.dsp.synth.mics import Layout
from spillgate.dsp.synth.performance import Performance, Stroke
from spillgate.dsp.synth.room import Mic, OverlapAdd, Point, Room
from spillgate.dsp.synth.stage import Shot, Stage, hit_alone, lay, ring_along, seeded, strike, strike_all
from spillgate.dsp.take.model import Take

__all__ = ["Arrival", "Faults", "MadeTake", "make_take"]

Audio = NDArray[np.float32]
Arrival = tuple[float, str, float, float]
"""(time_s, drum, level_db, snr_db) of a hit in a close mic of its drum."""

SampleSet = Mapping[str, Sequence[tuple[float, Audio]]]
"""Dry one-shots per drum: (level_db, sound)."""

HEAD_S = 0.020
"""A hit's level is its energy in this time after its arrival."""

BLEED_BEFORE_S, BLEED_AFTER_S = 0.005, 0.250
"""Span over which the energy of a hit counts for the bleed matrix."""

HEAD_KEPT_S = 0.35
"""What is kept of a stroke's own sound once it is summed: enough for the bleed matrix, flight included."""

BLEED_HITS = 10
"""Hits per drum that the bleed matrix is averaged over."""


@dataclass(frozen=True, kw_only=True)
class MadeTake:
    """A made take and the truth about it; see `make_take`.

    Attributes
    ----------
    take : Take
        Tracks with role, drum and position; reads from `audio`.
    audio : mapping of track id to ndarray of float32, shape (n_samples,)
    strokes : tuple of Stroke
    arrivals : mapping of track id to tuple of (time_s, drum, level_db, snr_db)
        Per close track the hits of its own drum as they arrive there: energy of the hit alone in its first 20 ms, re
        the loudest of them, and re everything else in that track in the same 20 ms.
    wanted : mapping of tom track id to ndarray of float32
        The tom's own sound as it is in its track, before clipping.
    alone : mapping of close track id to ndarray of float32
        The same for every close mic: its own drum and nothing else.
    delays : mapping of (close track, overhead track) to float
        Samples by which the close track must be delayed to meet the overhead.
    polarity : mapping of (close track, overhead track) to int
        −1 if they are opposite.
    mismatch_cm : float
        Right minus left overhead distance to the snare; 0 without a pair.
    bleed_db : mapping of track id to mapping of drum to float
        Mean energy of that drum's hits in that track, −5…+250 ms, re the track's own drum (else the snare);
        no row for a mic whose own drum is never struck.
    faults : mapping of fault to tuple of track ids
        ``flipped``, ``late``, ``clipped``, ``hum``, ``dc_offset``, ``silent``, ``very_quiet``.
    clipped_s : mapping of track id to tuple of float
        When clipped moments begin.
    late_samples : mapping of track id to int
    sources, places : mapping of str to Point
        Where the drums and the mics are.
    performance : Performance
    """

    take: Take
    audio: Mapping[str, Audio]
    strokes: tuple[Stroke, ...]
    arrivals: Mapping[str, tuple[Arrival, ...]]
    wanted: Mapping[str, Audio]
    alone: Mapping[str, Audio]
    delays: Mapping[tuple[str, str], float]
    polarity: Mapping[tuple[str, str], int]
    mismatch_cm: float
    bleed_db: Mapping[str, Mapping[str, float]]
    faults: Mapping[str, tuple[str, ...]]
    clipped_s: Mapping[str, tuple[float, ...]]
    late_samples: Mapping[str, int]
    sources: Mapping[str, Point]
    places: Mapping[str, Point]
    performance: Performance


def _energy(x: NDArray[np.floating]) -> float:
    return float(np.sum(np.square(x, dtype=np.float64)))


def _db(ratio: float) -> float:
    return 10.0 * float(np.log10(max(ratio, 1e-16)))


def make_take(
    kit: Kit,
    room: Room,
    performance: Performance,
    sr: int,
    seed: int,
    *,
    samples: SampleSet | None = None,
    bleed_db: float = 0.0,
    layout: Layout | None = None,
    faults: Faults | None = None,
    spread_cm: float = 2.0,
    sympathetic: bool = True,
    noise_dbfs: float = -86.0,
    gain_scatter_db: float = 2.0,
    line_check: bool = False,
    name: str = "made",
) -> MadeTake:
    """Make a take with exact truth.

    Parameters
    ----------
    kit : Kit
    room : Room
    performance : Performance
    sr : int
        Hz.
    seed : int
        Same arguments and seed, same samples.
    samples : mapping of drum name to sequence of (level_db, ndarray), optional
        Dry one-shots at `sr` in place of the model, per drum (``hat_open`` and ``hat_pedal`` too).
    bleed_db : float
        Raises everything but the own drum in the tom mics.
    layout : Layout, optional
        Which mics stand where.
    faults : Faults, optional
    spread_cm : float
        How far from a drum's middle its strokes sound; 0 makes every drum a point.
    sympathetic : bool
        Whether drums ring along with others (counted as bleed).
    noise_dbfs : float
        RMS of each track's own noise.
    gain_scatter_db : float
        Standard deviation of the preamps' gains.
    line_check : bool
        Whether the preamps of the close mics are set by a full stroke on their drum, whatever is then played; else
        by the take's peaks.
    name : str

    Returns
    -------
    made : MadeTake

    Raises
    ------
    ParameterError
        If a fault names no track.
    """
    layout, faults = layout or Layout(), faults or Faults()
    stage = Stage(kit, room, performance, sr, seed, layout, spread_cm)
    shots, own, rest = _sum(stage, samples, sympathetic)
    leak = 10.0 ** (bleed_db / 20.0)
    for mic in stage.mics:
        if mic.role == "tom":
            rest[mic.id] *= np.float32(leak)
    console = Console(stage, layout, faults, noise_dbfs, gain_scatter_db, seed)
    heard = {m.id: own[m.id] + rest[m.id] for m in stage.mics}
    if line_check:
        heard |= {m.id: _full_stroke(stage, samples, m) for m in stage.mics if m.drum is not None}
    gains = console.gains(heard)
    alone = {m.id: console.shift(m.id, own[m.id] * np.float32(gains[m.id])) for m in stage.mics if m.drum is not None}
    toms = {m.id for m in stage.mics if m.role == "tom"}
    audio, clipped_s = {}, {}
    arrivals = {}
    for mic in stage.mics:
        clean = (own[mic.id] + rest[mic.id]) * np.float32(gains[mic.id])
        if mic.drum is not None:
            arrivals[mic.id] = _arrivals(stage, shots.get(mic.drum, []), mic, gains[mic.id], clean, console)
        audio[mic.id], clipped_s[mic.id] = console.record(mic.id, console.shift(mic.id, clean))
    for k in range(min(layout.others, len(OTHER_NAMES))):
        rng = seeded(seed, "other", k)
        x = guide_line(k, stage.n_samples, sr, performance, rng)
        audio[OTHER_NAMES[k]], clipped_s[OTHER_NAMES[k]] = console.record(OTHER_NAMES[k], x)
    for drum in layout.triggers:
        id_ = trigger_name(drum)
        x = trigger_line([s for s in performance.strokes if s.drum == drum], stage.n_samples, sr)
        audio[id_], clipped_s[id_] = console.record(id_, x)
    tracks = [t for t in console.tracks if t.id not in console.dropped]
    ids = [t.id for t in tracks]
    delays, polarity = _alignment(stage, console)
    return MadeTake(
        take=Take.from_arrays(tracks, {k: audio[k] for k in ids}, sr, name),
        audio={k: audio[k] for k in ids},
        strokes=performance.strokes,
        arrivals={k: v for k, v in arrivals.items() if k in ids},
        wanted={k: v for k, v in alone.items() if k in ids and k in toms},
        alone={k: v for k, v in alone.items() if k in ids},
        delays={k: v for k, v in delays.items() if set(k) <= set(ids)},
        polarity={k: v for k, v in polarity.items() if set(k) <= set(ids)},
        mismatch_cm=_mismatch_cm(stage),
        bleed_db={k: v for k, v in _bleed(stage, shots, leak).items() if k in ids},
        faults={k: tuple(i for i in v if i in ids) for k, v in console.faults(clipped_s).items()},
        clipped_s={k: v for k, v in clipped_s.items() if k in ids},
        late_samples={k: v for k, v in console.late.items() if k in ids},
        sources={d: p.place for d, p in stage.kit.pieces.items() if d in stage.kit.drums},
        places={m.id: m.place for m in stage.mics if m.id in ids},
        performance=performance,
    )


def _full_stroke(stage: Stage, samples: SampleSet | None, mic: Mic) -> Audio:
    """Give the loudest stroke on a mic's drum as that mic hears it."""
    assert mic.drum is not None
    stroke = Stroke(drum=mic.drum, time_s=0.0, level_db=0.0)
    shot = Shot(stroke, 0, 0, strike(stage, samples, stroke, seeded(stage.seed, "line check", mic.drum)))
    return hit_alone(stage, shot, mic.view, [mic], 0.0, HEAD_KEPT_S)[mic.id][0]


def _sum(
    stage: Stage, samples: SampleSet | None, sympathetic: bool
) -> tuple[dict[str, list[Shot]], dict[str, Audio], dict[str, Audio]]:
    """Strike every drum and sum every path: the strokes (only their heads are kept), own drum and rest per mic."""
    shots: dict[str, list[Shot]] = {}
    engine = OverlapAdd(stage.n_samples, stage.n_response)

    def spread(theirs: Sequence[Shot], drum: str, *, is_own: bool) -> None:
        for point in range(len(stage.points(drum))):
            if not any(s.point == point for s in theirs):
                continue
            by_view: dict[str, list[Mic]] = {}
            for mic in stage.mics:
                by_view.setdefault(mic.view if mic.drum == drum else "far", []).append(mic)
            for view, mics in by_view.items():
                source = engine.spectra(lay(theirs, view, point, stage.n_samples))
                for mic in mics:
                    kind = "own" if mic.drum == drum and is_own else "rest"
                    engine.add(f"{kind}:{mic.id}", source, engine.response(stage.response(drum, point, mic)))

    keep = int(HEAD_KEPT_S * stage.sr)
    for drum in stage.kit.drums:
        theirs = strike_all(stage, samples, drum)
        if not theirs:
            continue
        spread(theirs, drum, is_own=True)
        for shot in theirs:
            shot.views = {k: v[:keep].copy() for k, v in shot.views.items()}
        shots[drum] = theirs
    if sympathetic:
        for drum in stage.kit.drums:
            found = ring_along(stage, drum, shots)
            if found:
                spread(found, drum, is_own=False)
    own = {m.id: engine.result(f"own:{m.id}") for m in stage.mics}
    rest = {m.id: engine.result(f"rest:{m.id}") for m in stage.mics}
    return shots, own, rest


def _arrivals(
    stage: Stage, shots: Sequence[Shot], mic: Mic, gain: float, clean: Audio, console: Console
) -> tuple[Arrival, ...]:
    if gain <= 0:
        return ()
    rows = []
    for shot in shots:
        alone, arrival = hit_alone(stage, shot, mic.view, [mic], 0.0, HEAD_S)[mic.id]
        alone = alone * np.float32(gain)
        start = shot.at + round(arrival)
        everything = clean[start : start + len(alone)]
        noise = console.noise_power() * len(everything)
        energy = _energy(alone)
        snr_db = _db(energy / (_energy(everything - alone[: len(everything)]) + noise))
        time_s = (shot.at + arrival + console.late.get(mic.id, 0)) / stage.sr
        rows.append((time_s, shot.stroke.drum, energy, snr_db))
    loudest = max((e for _, _, e, _ in rows), default=1.0)
    return tuple((t, d, _db(e / loudest), s) for t, d, e, s in rows if t < stage.n_samples / stage.sr)


def _alignment(stage: Stage, console: Console) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], int]]:
    delays, polarity = {}, {}
    for close in stage.mics:
        if close.drum is None:
            continue
        for far in stage.mics:
            if far.role != "overhead":
                continue
            key = (close.id, far.id)
            flight = stage.delay_samples(close.drum, far) - stage.delay_samples(close.drum, close)
            delays[key] = flight + console.late.get(far.id, 0) - console.late.get(close.id, 0)
            sign = -1 if close.view == "bottom" else 1
            for name in key:
                sign = -sign if name in console.flipped else sign
            polarity[key] = sign
    return delays, polarity


def _mismatch_cm(stage: Stage) -> float:
    away = {m.position: stage.delay_samples("snare", m) for m in stage.mics if m.role == "overhead"}
    if not {"left", "right"} <= set(away):
        return 0.0
    return (away["right"] - away["left"]) / stage.sr * stage.room.speed_m_s * 100.0


def _bleed(stage: Stage, shots: Mapping[str, Sequence[Shot]], leak: float) -> dict[str, dict[str, float]]:
    energy: dict[str, dict[str, float]] = {m.id: {} for m in stage.mics}
    for drum, theirs in shots.items():
        step = -(-len(theirs) // BLEED_HITS)
        chosen = theirs[::step]
        by_view: dict[str, list[Mic]] = {}
        for mic in stage.mics:
            by_view.setdefault(mic.view if mic.drum == drum else "far", []).append(mic)
        for view, mics in by_view.items():
            sums = dict.fromkeys([m.id for m in mics], 0.0)
            for shot in chosen:
                for name, (x, _) in hit_alone(stage, shot, view, mics, BLEED_BEFORE_S, BLEED_AFTER_S).items():
                    sums[name] += _energy(x) / len(chosen)
            for mic in mics:
                raised = leak**2 if mic.role == "tom" and mic.drum != drum else 1.0
                energy[mic.id][drum] = sums[mic.id] * raised
    table = {}
    for mic in stage.mics:
        reference = energy[mic.id].get(mic.drum or "snare", 0.0)
        if reference > 0:
            table[mic.id] = {d: round(_db(e / reference), 2) for d, e in energy[mic.id].items()}
    return table
