"""The stage of one made take: kit, room and mics set up, strokes struck, paths known."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from spillgate.dsp.synth.cymbals import Cymbal
from spillgate.dsp.synth.kits import Kit, jitter_kit, struck_as
from spillgate.dsp.synth.membranes import Drum, DrumVoice
from spillgate.dsp.synth.mics import Layout, place_mics
from spillgate.dsp.synth.performance import Performance, Stroke
from spillgate.dsp.synth.room import PRE_SAMPLES, Mic, Point, Room, TailNoise, path_response
from spillgate.dsp.synth.sources import make_voice
from spillgate.dsp.synth.voices import Voice

__all__ = ["Shot", "Stage", "hit_alone", "lay", "ring_along", "seeded", "strike", "strike_all"]

Audio = NDArray[np.float32]


def seeded(seed: int, *names: object) -> np.random.Generator:
    """Give a generator of its own to each named thing, so that no draw depends on another's."""
    return np.random.default_rng((seed, *(zlib.crc32(str(n).encode()) for n in names)))


def _voice_key(stroke: Stroke, kit: Kit) -> str:
    key = f"{stroke.drum}_{stroke.sound}" if stroke.sound else stroke.drum
    return key if key in kit.pieces else stroke.drum


NEAR_DRUM_DB, NEAR_CYMBAL_DB = 14.0, 10.0
"""What a close mic hears of its own drum beyond a point source: the modes' near field, which never leaves the head.
Chosen so that the bleed of real tom mics (snare −31…−38 dB, crashes −33…−42 dB, other toms −29…−44 dB by energy in one
well-isolated sampled kit; a dozen dB more in ordinary rooms) is met by bleed raised by −12…0 dB."""


class Stage:
    """Everything of one take that does not change while it is summed."""

    def __init__(
        self, kit: Kit, room: Room, performance: Performance, sr: int, seed: int, layout: Layout, spread_cm: float
    ) -> None:
        self.sr, self.seed, self.room = sr, seed, room
        self.kit = jitter_kit(kit, layout.shift_m, seeded(seed, "kit"))
        self.performance = performance
        self.mics = place_mics(self.kit, layout, seeded(seed, "mics"))
        self.n_samples = round(performance.seconds * sr)
        self.n_response = int((0.9 * room.rt60_s + 0.05) * sr) + 2 * PRE_SAMPLES
        self.tail = TailNoise(room, sr, self.n_response, seeded(seed, "tail"))
        self.spread_m = spread_cm / 100.0
        self._points: dict[str, tuple[Point, ...]] = {}
        self._responses: dict[tuple[str, int, str], Audio] = {}
        self._models: dict[str, DrumVoice] = {}

    def model(self, drum: str) -> DrumVoice:
        """Give the modelled voice of a drum."""
        if drum not in self._models:
            sound = self.kit.pieces[drum].sound
            assert isinstance(sound, Drum)
            self._models[drum] = DrumVoice(sound, self.sr, seeded(self.seed, "voice", struck_as(drum) or drum))
        return self._models[drum]

    def points(self, drum: str) -> tuple[Point, ...]:
        """Places from which strokes of a drum sound: its middle, or three round it."""
        if drum not in self._points:
            centre = np.asarray(self.kit.pieces[drum].place)
            if self.spread_m <= 0:
                self._points[drum] = (self.kit.pieces[drum].place,)
            else:
                rng = seeded(self.seed, "points", drum)
                angle = rng.uniform(0, 2 * np.pi) + np.arange(3) * 2 * np.pi / 3
                offsets = self.spread_m * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
                self._points[drum] = tuple((float(x), float(y), float(z)) for x, y, z in centre + offsets)
        return self._points[drum]

    def response(self, drum: str, point: int, mic: Mic) -> Audio:
        """Impulse response from one place of a drum to a mic, with the mic's colour."""
        key = (drum, point, mic.id)
        if key not in self._responses:
            piece = self.kit.pieces[drum]
            smallest = piece.radius_m * 0.8 if mic.drum == drum else 0.0
            near_db = 0.0
            if mic.drum == drum:
                near_db = NEAR_CYMBAL_DB if isinstance(piece.sound, Cymbal) else NEAR_DRUM_DB + piece.sound.near_db
            rng = seeded(self.seed, "path", drum, mic.id)
            h = path_response(self.room, self.points(drum)[point], mic, self.sr, self.tail, rng, smallest)
            size = int(next_fast_len(2 * len(h), real=True))
            coloured = irfft(rfft(h, size) * _colour(mic, size, self.sr, self.seed), size)
            self._responses[key] = np.asarray(coloured[: len(h)] * 10.0 ** (near_db / 20.0), np.float32)
        return self._responses[key]

    def delay_samples(self, drum: str, mic: Mic, point: int | None = None) -> float:
        """Time of flight from a drum's middle, or one of its points, to a mic."""
        start = self.kit.pieces[drum].place if point is None else self.points(drum)[point]
        return float(np.linalg.norm(np.asarray(start) - np.asarray(mic.place))) / self.room.speed_m_s * self.sr


@dataclass
class Shot:
    """One stroke as emitted."""

    stroke: Stroke
    at: int
    point: int
    views: Mapping[str, Audio]
    gain: float = 1.0

    def view(self, name: str) -> Audio:
        """Give a view of the sound; what has only one has it for all."""
        return self.views.get(name, self.views["near"])


def strike(
    stage: Stage,
    samples: Mapping[str, Sequence[tuple[float, Audio]]] | None,
    stroke: Stroke,
    rng: np.random.Generator,
    voices: dict[str, Voice] | None = None,
) -> Mapping[str, Audio]:
    """Give the sound of one stroke; `voices` keeps what was made for earlier ones."""
    voices = {} if voices is None else voices
    key = _voice_key(stroke, stage.kit)
    if key not in voices:
        own = (samples or {}).get(key) or ((samples or {}).get(stroke.drum) if key != stroke.drum else None)
        sound = stage.kit.pieces[key].sound
        if isinstance(sound, Drum) and not own:
            voices[key] = stage.model(key)
        else:
            voices[key] = make_voice(sound, stage.sr, seeded(stage.seed, "voice", key), own)
    return voices[key].strike(stroke.level_db, stroke.sound, rng)


def strike_all(stage: Stage, samples: Mapping[str, Sequence[tuple[float, Audio]]] | None, drum: str) -> list[Shot]:
    """Strike one drum as the performance asks."""
    voices: dict[str, Voice] = {}
    shots = []
    for k, stroke in enumerate(stage.performance.strokes):
        if stroke.drum != drum:
            continue
        rng = seeded(stage.seed, "stroke", k)
        views = strike(stage, samples, stroke, rng, voices)
        point = int(rng.integers(0, len(stage.points(drum))))
        shots.append(Shot(stroke, round(stroke.time_s * stage.sr), point, views))
    if drum == "hat":
        _choke(shots, stage.sr)
    _damp(shots, stage.sr)
    return [s for s in shots if s.stroke.sound != "choke"]


DAMPED_S = 0.035
"""Time constant with which a hand ends a cymbal's or a head's sound, s (common practice, no source)."""


def _damp(shots: list[Shot], sr: int) -> None:
    """Let every hand on the drum end all that sounds then."""
    for hand in (s for s in shots if s.stroke.sound == "choke"):
        for shot in (s for s in shots if s.at < hand.at):
            shot.views = {name: _ended(x, hand.at - shot.at, DAMPED_S, sr) for name, x in shot.views.items()}


def _ended(x: Audio, at: int, tau_s: float, sr: int) -> Audio:
    """Let a sound die away from sample `at` on."""
    y = x.copy()
    y[at:] *= np.exp(-np.arange(max(len(y) - at, 0), dtype=np.float32) / np.float32(tau_s * sr))
    return y


def _choke(shots: list[Shot], sr: int) -> None:
    """Let each stroke of the hat end the open sound before it, as the closing pair does."""
    for shot, after in pairwise(shots):
        if shot.stroke.sound != "open" or after.stroke.sound == "open":
            continue
        views = {}
        for name, x in shot.views.items():
            y = x.copy()
            cut = max(after.at - shot.at, 0)
            rest = np.arange(max(len(y) - cut, 0), dtype=np.float32) / np.float32(sr)
            y[cut:] *= np.exp(-rest / np.float32(0.012))
            views[name] = y
        shot.views = views


def lay(shots: Sequence[Shot], view: str, point: int, n_samples: int) -> Audio:
    """Sum what sounds at one place of a drum, dry, on the take's timeline."""
    y = np.zeros(n_samples, np.float32)
    for shot in shots:
        if shot.point != point or shot.at >= n_samples:
            continue
        x = shot.view(view)[: n_samples - shot.at]
        y[shot.at : shot.at + len(x)] += x if shot.gain == 1.0 else np.float32(shot.gain) * x
    return y


SYMPATHY_DB = {"kick": -38.0, "snare": -36.0, "tom": -34.0, "floor": -36.0}
"""How loud an undamped head rings along with a full stroke on another drum, re its own loudest; scatter ±4 dB.
Common practice, no source."""


def ring_along(stage: Stage, drum: str, shots: Mapping[str, Sequence[Shot]]) -> list[Shot]:
    """Ring of a drum excited by the other drums' strokes."""
    if isinstance(stage.kit.pieces[drum].sound, Cymbal):
        return []
    voice = stage.model(drum)
    rings = [voice.ring(0.0, seeded(stage.seed, "ring", drum, k)) for k in range(RINGS)]
    found = []
    for other, theirs in shots.items():
        base = next((v for k, v in SYMPATHY_DB.items() if other.startswith(k)), None)
        if other == drum or base is None:
            continue
        away = np.linalg.norm(np.asarray(stage.kit.pieces[other].place) - np.asarray(stage.kit.pieces[drum].place))
        lag = int(away / stage.room.speed_m_s * stage.sr)
        rng = seeded(stage.seed, "sympathy", drum, other)
        taste = float(rng.normal(0.0, 4.0))
        for shot in theirs:
            level = base + taste + shot.stroke.level_db
            ring = rings[int(rng.integers(0, RINGS))]
            if level > FAINT_DB:
                found.append(Shot(shot.stroke, shot.at + lag, 0, {"near": ring}, 10.0 ** (level / 20.0)))
    return found


RINGS = 6
"""Different sympathetic rings per drum."""

FAINT_DB = -60.0
"""Sympathetic rings under this, re the drum's loudest stroke, are left out."""


def _colour(mic: Mic, size: int, sr: int, seed: int) -> NDArray[np.float32]:
    """Give a mic's colour as a real gain over frequency: zero phase, so that it moves no arrival."""
    rng = seeded(seed, "colour", mic.group or mic.id)
    octave = np.log2(np.maximum(np.arange(size // 2 + 1) * sr / size, 10.0) / 1000.0)
    gain_db = np.zeros(len(octave))
    for centre in (1.3, 2.2, 3.2):
        gain_db += rng.normal(0.0, 1.5) * np.exp(-(((octave - centre) / 0.9) ** 2))
    gain_db -= 3.0 * np.maximum(octave - rng.uniform(3.5, 4.2), 0.0) ** 2
    return np.asarray(10.0 ** (gain_db / 20.0), np.float32)


def hit_alone(
    stage: Stage, shot: Shot, view: str, mics: Sequence[Mic], before_s: float, after_s: float
) -> dict[str, tuple[Audio, float]]:
    """Sound of one hit alone in some mics, from before to after its arrival: (samples, arrival in samples)."""
    sr, drum = stage.sr, shot.stroke.drum
    longest = max(stage.delay_samples(drum, m, shot.point) for m in mics)
    n = int(after_s * sr + longest) + 2 * PRE_SAMPLES
    size = int(next_fast_len(2 * n, real=True))
    spectrum = rfft(shot.view(view)[:n], size)
    found = {}
    for mic in mics:
        h = stage.response(drum, shot.point, mic)[:n]
        y = irfft(spectrum * rfft(h, size), size)
        arrival = stage.delay_samples(drum, mic, shot.point)
        a = max(PRE_SAMPLES + round(arrival) - round(before_s * sr), 0)
        b = PRE_SAMPLES + round(arrival) + round(after_s * sr)
        found[mic.id] = (np.asarray(y[a:b], np.float32), arrival)
    return found
