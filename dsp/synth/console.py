"""Cables, preamps and converter of a made take: gains, noise and the faults that are planted."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.synth.mics import Layout
from spillgate.dsp.synth.performance import Performance, Stroke
from spillgate.dsp.synth.room import Mic
from spillgate.dsp.synth.stage import Stage, seeded
from spillgate.dsp.take.model import AudioFile, Track

__all__ = ["OTHER_NAMES", "Console", "Faults", "guide_line", "trigger_line", "trigger_name"]

Audio = NDArray[np.float32]

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


def guide_line(number: int, n_samples: int, sr: int, performance: Performance, rng: np.random.Generator) -> Audio:
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
    y *= 10.0 ** (PEAK_DB["other"] / 20.0) / max(float(np.max(np.abs(y))), 1e-9)
    return np.asarray(y, np.float32)


def trigger_name(drum: str) -> str:
    """Give the file name of a drum's trigger."""
    return f"{drum.capitalize()} Trig.wav"


def trigger_line(strokes: Sequence[Stroke], n_samples: int, sr: int, late_s: float = 0.0025) -> Audio:
    """Make the track of a drum's trigger.

    Parameters
    ----------
    strokes : sequence of Stroke
        What it fires at.
    n_samples, sr : int
        Length and Hz.
    late_s : float
        So much after the stroke, s.

    Returns
    -------
    x : ndarray, shape (n_samples,), float32
        A pulse of half a millisecond and its swing-out per stroke, louder the harder it was.
    """
    y = np.zeros(n_samples)
    t = np.arange(int(0.012 * sr)) / sr
    pulse = np.sin(2 * np.pi * 900.0 * t) * np.exp(-t / 0.0015)
    for stroke in strokes:
        a = round((stroke.time_s + late_s) * sr)
        n = min(len(pulse), n_samples - a)
        if n > 0:
            y[a : a + n] += 10.0 ** (stroke.level_db / 40.0) * pulse[:n]
    return np.asarray(0.5 * y, np.float32)


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


class Console:
    """Preamps, cables and converter: what happens to a mic's signal on its way into the file."""

    def __init__(
        self, stage: Stage, layout: Layout, faults: Faults, noise_dbfs: float, scatter_db: float, seed: int
    ) -> None:
        self.stage, self.plan, self.seed, self.scatter_db = stage, faults, seed, scatter_db
        self.noise_dbfs = noise_dbfs
        self.tracks = [_track(m, stage.sr, stage.n_samples) for m in stage.mics]
        more = {name: Track(id=name, files=()) for name in OTHER_NAMES[: layout.others]}
        more |= {trigger_name(d): Track(id=trigger_name(d), files=(), role="trigger", drum=d) for d in layout.triggers}
        for name, track in more.items():
            file = AudioFile(
                path=Path(name), name=name, sr=stage.sr, n_channels=1, n_samples=stage.n_samples, format="WAV",
                subtype="PCM_24",
            )  # fmt: skip
            self.tracks.append(dataclasses.replace(track, files=(file,)))
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
