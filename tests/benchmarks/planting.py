"""Faults to plant into made takes, and near misses: what looks like a fault and is none."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.synth import MadeTake
from spillgate.dsp.take.model import Track

__all__ = ["FAULTS", "NEAR_MISSES", "Planted", "clean", "plant", "plant_near_miss"]

SR = 44100
CLOSE = ("kick", "snare", "tom")
FADE_S = 0.35
Audio = dict[str, NDArray[np.float32]]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Planted:
    """Tracks and audio with something planted, and the tracks it was planted in."""

    tracks: tuple[Track, ...]
    audio: Audio
    where: frozenset[str]


def pcm(x: NDArray[np.floating]) -> NDArray[np.float32]:
    """Round to 24 bit."""
    return (np.clip(np.round(np.asarray(x, np.float64) * 2**23), -(2**23), 2**23 - 1) / 2**23).astype(np.float32)


def later(x: Floats, n: int) -> Floats:
    """Delay by n samples."""
    return np.concatenate([np.zeros(n), x[: len(x) - n]])


def clean(made: MadeTake) -> Planted:
    """Nothing planted; every track is faded out, as the made takes stop short after the last stroke."""
    return Planted(made.take.tracks, {k: pcm(faded(x)) for k, x in made.audio.items()}, frozenset())


def faded(x: NDArray[np.floating]) -> Floats:
    """Fade the end out."""
    n = round(FADE_S * SR)
    y = np.array(x, np.float64)
    y[-n:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)
    return y


class Desk:
    """One made take, its dice, and ways to choose a track of it."""

    def __init__(self, made: MadeTake, rng: np.random.Generator) -> None:
        self.made, self.rng = made, rng
        self.base = clean(made)
        self.by_role: dict[str, list[Track]] = defaultdict(list)
        for t in made.take.tracks:
            self.by_role[t.role].append(t)
        self.played = {t.id for t in made.take.tracks if len(made.arrivals.get(t.id, ())) >= 3}
        self.t = np.arange(made.take.n_samples) / SR

    def pick(self, *roles: str, played: bool = False) -> str | None:
        """Choose a track of these roles."""
        names = [t.id for r in roles for t in self.by_role[r] if not played or t.id in self.played]
        return str(self.rng.choice(names)) if names else None

    def sound(self, name: str) -> Floats:
        """Samples of a track, a copy."""
        return self.base.audio[name].astype(np.float64)

    def with_(self, changed: dict[str, Floats], where: set[str] | None = None) -> Planted:
        """The take with some tracks changed."""
        audio = self.base.audio | {k: pcm(v) for k, v in changed.items()}
        return Planted(self.base.tracks, audio, frozenset(changed if where is None else where))

    def change(self, name: str | None, how: Callable[[Floats], Floats]) -> Planted | None:
        """The take with one track changed; None without a track."""
        return None if name is None else self.with_({name: how(self.sound(name))})

    def pair(self) -> tuple[str, str] | None:
        """Left and right overhead."""
        found = {t.position: t.id for t in self.by_role["overhead"]}
        return (found["left"], found["right"]) if set(found) == {"left", "right"} else None


# ---- faults


def _clipped(d: Desk) -> Planted | None:
    over = 10 ** (d.rng.uniform(2.0, 8.0) / 20)
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: np.clip(x / np.abs(x).max() * over, -1.0, 1.0))


def _flat_tops(d: Desk) -> Planted | None:
    down = 10 ** (-d.rng.uniform(4.0, 8.0) / 20)
    return d.change(d.pick(*CLOSE, played=True), lambda x: np.clip(x, -down * np.abs(x).max(), down * np.abs(x).max()))


def _very_quiet(d: Desk) -> Planted | None:
    gain = 10 ** (-d.rng.uniform(36.5, 46.0) / 20)
    return d.change(d.pick(*CLOSE, played=True), lambda x: x * gain / np.abs(x).max())


def _silent(d: Desk) -> Planted | None:
    return d.change(d.pick(*CLOSE, "overhead"), np.zeros_like)


def _dead(d: Desk) -> Planted | None:
    level = 10 ** (d.rng.uniform(-95, -75) / 20)
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: level * d.rng.standard_normal(len(x)))


def _copy(d: Desk, source: str) -> Floats:
    x = d.rng.uniform(0.5, 1.0) * later(d.sound(source), int(d.rng.integers(0, 40)))
    return x + 10 ** (-90 / 20) * d.rng.standard_normal(len(x))


def _duplicate(d: Desk) -> Planted | None:
    name = d.pick(*CLOSE, "overhead")
    source = str(d.rng.choice([t.id for r in (*CLOSE, "overhead") for t in d.by_role[r] if t.id != name]))
    return None if name is None else d.with_({name: _copy(d, source)}, {name, source})


def _in_one_file(tracks: tuple[Track, ...], pair: tuple[str, str]) -> tuple[Track, ...]:
    """Make two tracks the channels of one stereo file; their ids stay."""
    file = replace(next(t for t in tracks if t.id == pair[0]).file, name="Overheads.wav", n_channels=2)
    return tuple(replace(t, files=(file,), channel=pair.index(t.id)) if t.id in pair else t for t in tracks)


def _same_twice(d: Desk) -> Planted | None:
    pair = d.pair()
    if pair is None:
        return None
    got = d.with_({pair[1]: d.rng.uniform(0.7, 1.0) * d.sound(pair[0])}, set(pair))
    return replace(got, tracks=_in_one_file(got.tracks, pair))


def _two_mics(d: Desk) -> Planted | None:
    """One channel of the overheads' file holds a drum's own mic, whose track is missing."""
    pair, name = d.pair(), d.pick("kick", "tom", "hat", played=True)
    if pair is None or name is None:
        return None
    k = int(d.rng.integers(2))
    got = d.with_({pair[k]: d.sound(name)}, set(pair))
    tracks = tuple(t for t in _in_one_file(got.tracks, pair) if t.id != name)
    return replace(got, tracks=tracks, audio={i: x for i, x in got.audio.items() if i != name})


def _flipped(d: Desk) -> Planted | None:
    name = d.pick("snare", "tom", played=True)
    if name is None or d.made.take.track(name).position == "bottom":
        return None
    return d.change(name, np.negative)


def _late(d: Desk) -> Planted | None:
    n = round(d.rng.uniform(4.0, 9.0) / 1000 * SR)
    return d.change(d.pick(*CLOSE, "hat", "overhead", played=False), lambda x: later(x, n))


def _hum(d: Desk) -> Planted | None:
    mains = d.rng.choice([50.0, 60.0]) * d.rng.uniform(0.999, 1.001)
    line = sum(a * np.sin(2 * np.pi * mains * h * d.t + h) for h, a in ((1, 1.0), (2, 0.3), (3, 0.5)))
    level = 10 ** (d.rng.uniform(-64.0, -50.0) / 20) / np.sqrt(np.mean(np.square(line)))
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: x + level * line)


def _dc_offset(d: Desk) -> Planted | None:
    offset = d.rng.choice([-1, 1]) * d.rng.uniform(0.003, 0.02)
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: x + offset)


def _swapped(d: Desk) -> Planted | None:
    pair = d.pair()
    if pair is None or (d.made.mismatch_cm is not None and abs(d.made.mismatch_cm) < 1e-6):
        return None  # a coincident pair, or hung to the millimetre
    return d.with_({pair[0]: d.sound(pair[1]), pair[1]: d.sound(pair[0])})


def _exchanged(d: Desk) -> Planted | None:
    """Two drums' mics under each other's names."""
    mics = {t.drum: t.id for r in (*CLOSE, "hat") for t in reversed(d.by_role[r]) if t.id in d.played}
    pairs = [
        ("kick", "snare"),
        ("snare", "hat"),
        ("tom1", "floor"),
        ("tom1", "tom2"),
        ("kick", "tom1"),
        ("hat", "tom1"),
    ]
    pairs = [p for p in pairs if set(p) <= set(mics)]
    if not pairs:
        return None
    a, b = (mics[n] for n in pairs[int(d.rng.integers(len(pairs)))])
    return d.with_({a: d.sound(b), b: d.sound(a)})


def _dropout(d: Desk) -> Planted | None:
    length = int(d.rng.uniform(0.8, 30.0) / 1000 * SR)

    def hole(x: Floats) -> Floats:
        loud = np.flatnonzero(np.abs(x[: -2 * SR]) > 0.2 * np.abs(x).max())
        a = int(d.rng.choice(loud)) + 200
        x[a : a + length] = 0.0
        return x

    return d.change(d.pick(*CLOSE, "overhead"), hole)


def _crackle(d: Desk) -> Planted | None:
    def crackles(x: Floats) -> Floats:
        for a in d.rng.integers(SR // 2, len(x) - SR // 2, 12):
            x[a : a + 3] += 0.15 * d.rng.choice([-1, 1]) * np.array([1.0, -0.5, 0.2])
        return x

    return d.change(d.pick(*CLOSE, "overhead"), crackles)


def _rumble(d: Desk) -> Planted | None:
    """A machine's tone and as much noise, 10 to 28 Hz."""
    tone = np.sin(2 * np.pi * d.rng.uniform(12, 28) * d.t)
    spectrum = np.fft.rfft(d.rng.standard_normal(len(d.t)))
    hz = np.fft.rfftfreq(len(d.t), 1.0 / SR)
    noise = np.fft.irfft(np.where((hz > 10) & (hz < 28), spectrum, 0.0), len(d.t))
    level = 10 ** (d.rng.uniform(-48.0, -38.0) / 20)
    both = level * np.sqrt(0.5) * (tone / np.std(tone) + noise / np.std(noise))
    return d.change(d.pick("snare", "tom", "overhead"), lambda x: x + both)


def _cut_end(d: Desk) -> Planted | None:
    """Stopped 0.2 s after a loud stroke in the second half of a take."""
    if d.made.performance.style == "line_check":
        return None
    strokes = [s.time_s for s in d.made.strokes if s.time_s > 0.6 * d.t[-1] and s.level_db >= -6.0]
    if not strokes:
        return None
    n = round((float(d.rng.choice(strokes)) + 0.2) * SR)
    audio = {k: x[:n] for k, x in d.made.audio.items()}
    return Planted(d.base.tracks, audio, frozenset(audio))


def _odd_length(d: Desk) -> Planted | None:
    n = round(d.rng.uniform(0.6, 0.93) * d.made.take.n_samples)
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: x[:n])


FAULTS: dict[str, Callable[[Desk], Planted | None]] = {
    "clipped": _clipped,
    "flat_tops": _flat_tops,
    "very_quiet": _very_quiet,
    "silent": _silent,
    "dead": _dead,
    "duplicate": _duplicate,
    "same_twice": _same_twice,
    "two_mics": _two_mics,
    "flipped": _flipped,
    "late": _late,
    "hum": _hum,
    "dc_offset": _dc_offset,
    "swapped": _swapped,
    "exchanged": _exchanged,
    "dropout": _dropout,
    "crackle": _crackle,
    "rumble": _rumble,
    "cut_end": _cut_end,
    "odd_length": _odd_length,
}
"""A sample rate that differs shows in the header and is tested where takes are opened."""


# ---- near misses


def _loud(d: Desk) -> Planted | None:
    top = 10 ** (-d.rng.uniform(0.1, 0.3) / 20)
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: x * top / np.abs(x).max())


def _pause(d: Desk) -> Planted | None:
    """Muted with short fades wherever the track is soft for long, as a noise gate at the desk does."""

    def muted(x: Floats) -> Floats:
        power = np.convolve(x * x, np.ones(2205) / 2205, "same")
        soft = power < 10 ** (-45 / 10) * power.max()
        gain = np.convolve(~soft, np.hanning(1325), "same") > 0
        smooth = np.convolve(gain, np.hanning(884) / np.hanning(884).sum(), "same")
        return np.where(smooth < 1e-9, 0.0, x * smooth)

    return d.change(d.pick(*CLOSE), muted)


def _low_tom(d: Desk) -> Planted | None:
    """A floor tom that rings long near the mains' frequency; a rack tom does not go so low."""
    floors = sorted(t.id for t in d.by_role["tom"] if (t.drum or "").startswith("floor") and t.id in d.played)
    name = str(d.rng.choice(floors)) if floors else None
    hz = d.rng.choice([50.0, 60.0]) + d.rng.uniform(-0.7, 0.7)
    t60 = d.rng.uniform(0.8, 2.5)

    def ring(x: Floats) -> Floats:
        top = np.abs(x).max()
        for at, _, level, _ in d.made.arrivals[name or ""]:
            a = round(at * SR)
            s = np.arange(len(x) - a) / SR
            x[a:] += 0.3 * top * 10 ** (level / 20) * np.sin(2 * np.pi * hz * s) * 10 ** (-3.0 * s / t60)
        return 0.7 * faded(x)

    return d.change(name, ring)


def _farther(d: Desk) -> Planted | None:
    return d.change(d.pick(*CLOSE, "hat"), lambda x: later(x, round(0.0007 * SR)))


def _soft(d: Desk) -> Planted | None:
    return d.change(d.pick(*CLOSE, played=True), lambda x: x * 10 ** (-30 / 20) / np.abs(x).max())


def _small_offset(d: Desk) -> Planted | None:
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: x + 0.001)


def _stick(d: Desk) -> Planted | None:
    """Short knocks that belong to no drum: sticks, a rim, a chair."""

    def knocks(x: Floats) -> Floats:
        for a in d.rng.integers(SR // 2, len(x) - SR // 2, 6):
            n = SR // 50
            x[a : a + n] += 0.1 * d.rng.standard_normal(n) * np.exp(-np.arange(n) / (0.002 * SR))
        return x

    return d.change(d.pick(*CLOSE, "overhead"), knocks)


def _boom(d: Desk) -> Planted | None:
    """A stage that booms with every kick."""
    name, kick = d.pick("snare", "tom", "overhead"), d.pick("kick", played=True)
    hz = d.rng.uniform(22.0, 32.0)

    def boom(x: Floats) -> Floats:
        top = np.abs(x).max()
        for at, _, level, _ in d.made.arrivals.get(kick or "", ()):
            a = round(at * SR)
            s = np.arange(min(SR, len(x) - a)) / SR
            x[a : a + len(s)] += 0.1 * top * 10 ** (level / 20) * np.sin(2 * np.pi * hz * s) * 10 ** (-3.0 * s / 0.35)
        return 0.9 * faded(x)

    return d.change(name, boom)


def _a_little_shorter(d: Desk) -> Planted | None:
    return d.change(d.pick(*CLOSE, "overhead"), lambda x: x[: len(x) - int(d.rng.integers(64, 4096))])


def _alike_pair(d: Desk) -> Planted | None:
    """Overheads that hear nearly the same, as a coincident pair does, in one file."""
    pair = d.pair()
    if pair is None:
        return None
    a, b = d.sound(pair[0]), d.sound(pair[1])
    got = d.with_({pair[0]: 0.75 * a + 0.25 * b, pair[1]: 0.25 * a + 0.75 * b}, set(pair))
    return replace(got, tracks=_in_one_file(got.tracks, pair))


NEAR_MISSES: dict[str, Callable[[Desk], Planted | None]] = {
    "loud, not clipped": _loud,
    "gated pauses": _pause,
    "tom near 50/60 Hz": _low_tom,
    "mic 24 cm farther": _farther,
    "quiet, not too quiet": _soft,
    "offset of 0.1 %": _small_offset,
    "knocks of no drum": _stick,
    "booming stage": _boom,
    "a buffer shorter": _a_little_shorter,
    "pair nearly alike": _alike_pair,
}


def plant(fault: str, made: MadeTake, rng: np.random.Generator) -> Planted | None:
    """Put one fault into a take; None where it cannot have it."""
    return FAULTS[fault](Desk(made, rng))


def plant_near_miss(name: str, made: MadeTake, rng: np.random.Generator) -> Planted | None:
    """Put one near miss into a take; None where it cannot have it."""
    return NEAR_MISSES[name](Desk(made, rng))
