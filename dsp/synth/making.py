"""Putting a take together: voices, room, mics, faults, and the truth about all of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.synth.kits import Kit, Layout
from spillgate.dsp.synth.performance import Performance, Stroke
from spillgate.dsp.synth.room import Mic, OverlapAdd, Point, Room
from spillgate.dsp.synth.stage import Shot, Stage, hit_alone, lay, ring_along, seeded, strike_all
from spillgate.dsp.take.model import AudioFile, Take, Track

__all__ = ["Arrival", "Faults", "MadeTake", "make_take"]

Audio = NDArray[np.float32]
Arrival = tuple[float, str, float, float]
"""(time_s, drum, level_db, snr_db) of a hit in a close mic of its drum."""

HEAD_S = 0.020
"""A hit's level is its energy in this time after its arrival."""

BLEED_BEFORE_S, BLEED_AFTER_S = 0.005, 0.250
"""Span over which the energy of a hit counts for the bleed matrix."""

BLEED_HITS = 10
"""Hits per drum that the bleed matrix is averaged over."""

PEAK_DB = {"kick": -5.0, "snare": -6.0, "hat": -10.0, "tom": -6.0, "overhead": -8.0, "room": -10.0, "other": -12.0}
"""Where the preamps put the peaks, before each track's scatter; common practice, no source."""

GRID = 2.0**23
"""Samples are rounded to 24 bit, which float32 holds exactly."""


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What is wrong with the recording, by track id, file name without ending or drum.

    Attributes
    ----------
    flipped : tuple of str
        Reversed cables.
    late : mapping to int
        Samples by which the track is late (negative: early).
    clipped : mapping to float
        dB by which the loudest peak goes over full scale.
    hum : mapping to float
        Level of 50 Hz hum with its 100 and 150 Hz, dBFS RMS.
    dc : mapping to float
        Offset, full scale = 1.
    gain_db : mapping to float
        Change of a track's preamp gain.
    silent : tuple of str
        Dead channels: nothing but the converter's noise.
    dropped : tuple of str
        Tracks left out of the take.
    """

    flipped: tuple[str, ...] = ()
    late: Mapping[str, int] = field(default_factory=dict)
    clipped: Mapping[str, float] = field(default_factory=dict)
    hum: Mapping[str, float] = field(default_factory=dict)
    dc: Mapping[str, float] = field(default_factory=dict)
    gain_db: Mapping[str, float] = field(default_factory=dict)
    silent: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()


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
    delays : mapping of (close track, overhead track) to float
        Samples by which the close track must be delayed to meet the overhead.
    polarity : mapping of (close track, overhead track) to int
        −1 if they are opposite.
    mismatch_cm : float
        Right minus left overhead distance to the snare; 0 without a pair.
    bleed_db : mapping of track id to mapping of drum to float
        Mean energy of that drum's hits in that track, −5…+250 ms, re the track's own drum (else the snare).
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


def _guide(number: int, n_samples: int, sr: int, performance: Performance, rng: np.random.Generator) -> Audio:
    """A line of plucked tones: no drum."""
    y = np.zeros(n_samples)
    beat = 60.0 / performance.bpm
    root = (55.0, 220.0)[number % 2]
    t0 = 0.35
    while t0 < performance.seconds - 0.2:
        f = root * 2.0 ** (float(rng.choice([0, 0, 3, 5, 7, 10])) / 12.0)
        a = int(t0 * sr)
        n = min(int(beat * 0.95 * sr), n_samples - a)
        t = np.arange(n) / sr
        tone = sum(np.sin(2 * np.pi * f * k * t) / k**1.6 for k in range(1, 7))
        y[a : a + n] += (
            tone * np.minimum(t / 0.006, 1.0) * np.exp(-t / (beat * 0.6)) * np.clip((n / sr - t) / 0.01, 0, 1)
        )
        t0 += beat * float(rng.choice([1.0, 1.0, 0.5, 2.0]))
    return np.asarray(y, np.float32)


OTHER_NAMES = ("Bass Line.wav", "Guide Keys.wav")


class _Matcher:
    """Finds track ids by id, file name, file name without ending or drum."""

    def __init__(self, tracks: Sequence[Track]) -> None:
        self.tracks = tracks

    def __call__(self, names: Sequence[str] | Mapping[str, object]) -> dict[str, str]:
        found = {}
        for name in names:
            hits = [t.id for t in self.tracks if name in (t.id, t.file.name, Path(t.file.name).stem, t.label)]
            hits = hits or [t.id for t in self.tracks if t.drum == name][:1]
            if not hits:
                raise ParameterError(
                    f"faults: no track is called '{name}'; {nearest(name, [t.id for t in self.tracks])}"
                )
            found.update(dict.fromkeys(hits, name))
        return found


def make_take(
    kit: Kit,
    room: Room,
    performance: Performance,
    sr: int,
    seed: int,
    *,
    samples: Mapping[str, Sequence[tuple[float, Audio]]] | None = None,
    bleed_db: float = 0.0,
    layout: Layout | None = None,
    faults: Faults | None = None,
    spread_cm: float = 2.0,
    sympathetic: bool = True,
    noise_dbfs: float = -86.0,
    gain_scatter_db: float = 2.0,
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
    shots = {d: strike_all(stage, samples, d) for d in stage.kit.drums}
    shots = {d: s for d, s in shots.items() if s}
    own, rest = _sum(stage, shots, sympathetic)
    leak = 10.0 ** (bleed_db / 20.0)
    for mic in stage.mics:
        if mic.role == "tom":
            rest[mic.id] *= np.float32(leak)
    console = _Console(stage, layout, faults, noise_dbfs, gain_scatter_db, seed)
    gains = console.gains({m.id: own[m.id] + rest[m.id] for m in stage.mics})
    wanted = {m.id: console.shift(m.id, own[m.id] * np.float32(gains[m.id])) for m in stage.mics if m.role == "tom"}
    audio, clipped_s = {}, {}
    arrivals = {}
    for mic in stage.mics:
        clean = (own[mic.id] + rest[mic.id]) * np.float32(gains[mic.id])
        if mic.drum is not None:
            arrivals[mic.id] = _arrivals(stage, shots.get(mic.drum, []), mic, gains[mic.id], clean, console)
        audio[mic.id], clipped_s[mic.id] = console.record(mic.id, console.shift(mic.id, clean))
    for k in range(min(layout.others, len(OTHER_NAMES))):
        rng = seeded(seed, "other", k)
        x = _guide(k, stage.n_samples, sr, performance, rng)
        x *= np.float32(10.0 ** (PEAK_DB["other"] / 20.0) / max(float(np.max(np.abs(x))), 1e-9))
        audio[OTHER_NAMES[k]], clipped_s[OTHER_NAMES[k]] = console.record(OTHER_NAMES[k], x)
    tracks = [t for t in console.tracks if t.id not in console.dropped]
    ids = [t.id for t in tracks]
    delays, polarity = _alignment(stage, console)
    return MadeTake(
        take=Take.from_arrays(tracks, {k: audio[k] for k in ids}, sr, name),
        audio={k: audio[k] for k in ids},
        strokes=performance.strokes,
        arrivals={k: v for k, v in arrivals.items() if k in ids},
        wanted={k: v for k, v in wanted.items() if k in ids},
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


def _sum(
    stage: Stage, shots: Mapping[str, Sequence[Shot]], sympathetic: bool
) -> tuple[dict[str, Audio], dict[str, Audio]]:
    """Sum every stroke through every path: own drum and all the rest, per mic."""
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

    for drum, theirs in shots.items():
        spread(theirs, drum, is_own=True)
    if sympathetic:
        for drum in stage.kit.drums:
            found = ring_along(stage, drum, shots)
            if found:
                spread(found, drum, is_own=False)
    own = {m.id: engine.result(f"own:{m.id}") for m in stage.mics}
    rest = {m.id: engine.result(f"rest:{m.id}") for m in stage.mics}
    return own, rest


class _Console:
    """Preamps, cables and converter: what happens to a mic's signal on its way into the file."""

    def __init__(
        self, stage: Stage, layout: Layout, faults: Faults, noise_dbfs: float, scatter_db: float, seed: int
    ) -> None:
        self.stage, self.plan, self.seed, self.scatter_db = stage, faults, seed, scatter_db
        self.noise_dbfs = noise_dbfs
        self.tracks = [_track(m, stage.sr, stage.n_samples) for m in stage.mics]
        for name in OTHER_NAMES[: layout.others]:
            file = AudioFile(
                path=Path(name), name=name, sr=stage.sr, n_channels=1, n_samples=stage.n_samples, format="WAV",
                subtype="PCM_24",
            )  # fmt: skip
            self.tracks.append(Track(id=name, files=(file,)))
        match = _Matcher(self.tracks)
        self.flipped = match(faults.flipped)
        self.late = {k: int(faults.late[v]) for k, v in match(faults.late).items()}
        self.over_db = {k: faults.clipped[v] for k, v in match(faults.clipped).items()}
        self.hum = {k: faults.hum[v] for k, v in match(faults.hum).items()}
        self.dc = {k: faults.dc[v] for k, v in match(faults.dc).items()}
        self.gain_db = {k: faults.gain_db[v] for k, v in match(faults.gain_db).items()}
        self.silent = match(faults.silent)
        self.dropped = match(faults.dropped)

    def gains(self, heard: Mapping[str, Audio]) -> dict[str, float]:
        """Set the preamps by the peaks, those of a pair alike."""
        peaks: dict[str, float] = {}
        for mic in self.stage.mics:
            key = mic.group or mic.id
            peaks[key] = max(peaks.get(key, 0.0), float(np.max(np.abs(heard[mic.id]))))
        gains = {}
        for mic in self.stage.mics:
            key = mic.group or mic.id
            scatter = float(np.clip(seeded(self.seed, "gain", key).normal(0.0, self.scatter_db), -6.0, 3.0))
            level_db = PEAK_DB[mic.role] + scatter + self.gain_db.get(mic.id, 0.0)
            gain = 10.0 ** (level_db / 20.0) / max(peaks[key], 1e-9)
            if mic.id in self.over_db:
                gain = 10.0 ** (self.over_db[mic.id] / 20.0) / max(float(np.max(np.abs(heard[mic.id]))), 1e-9)
            gains[mic.id] = 0.0 if mic.id in self.silent else gain
        return gains

    def shift(self, name: str, x: Audio) -> Audio:
        """Apply cable polarity and lateness."""
        y = np.array(-x if name in self.flipped else x)
        n = self.late.get(name, 0)
        if n > 0:
            y = np.concatenate([np.zeros(n, np.float32), y[:-n]])
        elif n < 0:
            y = np.concatenate([y[-n:], np.zeros(-n, np.float32)])
        return y

    def noise_power(self) -> float:
        """Mean square of a track's noise."""
        return float(10.0 ** (self.noise_dbfs / 10.0))

    def record(self, name: str, x: Audio) -> tuple[Audio, tuple[float, ...]]:
        """Add noise and faults, clip, round to 24 bit; also when clipped moments begin."""
        sr = self.stage.sr
        y = x.astype(np.float64)
        y += np.sqrt(self.noise_power()) * seeded(self.seed, "noise", name).standard_normal(len(y))
        if name in self.hum:
            t = np.arange(len(y)) / sr
            hum = sum(g * np.sin(2 * np.pi * f * t + f) for f, g in ((50.0, 1.0), (100.0, 0.5), (150.0, 0.35)))
            y += hum * 10.0 ** (self.hum[name] / 20.0) / np.sqrt(np.mean(np.square(hum)))
        y += self.dc.get(name, 0.0)
        top = 1.0 - 1.0 / GRID
        over = np.flatnonzero(np.abs(y) > top)
        starts = over[np.flatnonzero(np.diff(over, prepend=-sr) > int(0.05 * sr))] if len(over) else over
        y = np.round(np.clip(y, -1.0, top) * GRID) / GRID
        return y.astype(np.float32), tuple(float(s) / sr for s in starts)

    def faults(self, clipped_s: Mapping[str, tuple[float, ...]]) -> dict[str, tuple[str, ...]]:
        """List the tracks that suffer from each fault."""
        return {
            "flipped": tuple(self.flipped),
            "late": tuple(k for k, n in self.late.items() if n),
            "clipped": tuple(k for k, v in clipped_s.items() if v),
            "hum": tuple(self.hum),
            "dc_offset": tuple(self.dc),
            "silent": tuple(self.silent),
            "very_quiet": tuple(k for k, v in self.gain_db.items() if v <= VERY_QUIET_DB),
        }


VERY_QUIET_DB = -24.0
"""A preamp this far down counts as a fault."""


def _track(mic: Mic, sr: int, n_samples: int) -> Track:
    file = AudioFile(
        path=Path(mic.file),
        name=mic.file,
        sr=sr,
        n_channels=mic.n_channels,
        n_samples=n_samples,
        format="WAV",
        subtype="PCM_24",
    )
    return Track(id=mic.id, files=(file,), channel=mic.channel, role=mic.role, drum=mic.drum, position=mic.position)


def _arrivals(
    stage: Stage, shots: Sequence[Shot], mic: Mic, gain: float, clean: Audio, console: _Console
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


def _alignment(stage: Stage, console: _Console) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], int]]:
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
