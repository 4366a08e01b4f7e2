"""Playing that is no rock groove: brushes, mallets, chokes, single strokes, double kick, two snares."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping

import numpy as np

from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.synth.kits import Kit, Piece
from spillgate.dsp.synth.membranes import Drum
from spillgate.dsp.synth.performance import Chart, Performance, Stroke

__all__ = ["PLAYING", "further_sounds", "play"]

MALLET_MS = 7.0
"""Contact of a felt mallet with the head; a stick's is about 1 ms (common practice, no source)."""
MALLET_DB = -4.0
BRUSH_DB = -22.0
"""Sweep of a brush re a full stroke with a stick; its length follows."""
SWEEP_S = 0.45
RIM_DB = -9.0
"""Stick across the rim re a full stroke on the head; as the two before: common practice, no source."""


def further_sounds(kit: Kit, second_kick: bool = False, second_snare: bool = False) -> Kit:
    """Add what mallets, brushes and a stick across the rim make of a kit's drums.

    Parameters
    ----------
    kit : Kit
    second_kick, second_snare : bool
        Adds the drum ``kick2``, ``snare2`` as well.

    Returns
    -------
    kit : Kit
    """
    pieces = dict(kit.pieces)
    for name, piece in kit.pieces.items():
        d = piece.sound
        if not isinstance(d, Drum) or name == "kick":
            continue
        soft = dataclasses.replace(
            d, contact_ms=MALLET_MS, click=0.01, body=0.02, push=0.3, source_db=d.source_db + MALLET_DB
        )
        swept = dataclasses.replace(d, wires=0.0, sweep_s=SWEEP_S, source_db=d.source_db + BRUSH_DB)
        pieces |= {
            f"{name}_mallet": dataclasses.replace(piece, sound=soft),
            f"{name}_brush": dataclasses.replace(piece, sound=swept),
        }
        if name.startswith("snare"):
            rim = dataclasses.replace(
                d, t60_s=0.12, t60_01_s=0.06, click=0.6, click_hz=2200.0, wires=0.02, source_db=d.source_db + RIM_DB
            )
            pieces[f"{name}_stick"] = dataclasses.replace(piece, sound=rim)
    if second_kick:
        pieces["kick2"] = _second(kit.pieces["kick"], 0.93, (-0.62, 0.0, 0.0))
    if second_snare:
        pieces["snare2"] = _second(kit.pieces["snare"], 1.35, (-0.6, -0.2, 0.0))
    return Kit(name=kit.name, pieces=pieces)


def _second(piece: Piece, tuned: float, away_m: tuple[float, float, float]) -> Piece:
    assert isinstance(piece.sound, Drum)
    sound = dataclasses.replace(piece.sound, f0_hz=piece.sound.f0_hz * tuned)
    x, y, z = (float(a + b) for a, b in zip(piece.place, away_m, strict=True))
    return dataclasses.replace(piece, sound=sound, place=(x, y, z))


def _bars(c: Chart, seconds: float) -> int:
    return int(seconds / (16 * c.sixteenth)) + 1


def _time(c: Chart, bar: int, on: str = "hat", backbeat: str = "snare", sound: str = "") -> None:
    """One bar of plain time."""
    base = 16 * bar
    for step in (0, 8, 10):
        c.hit(base + step, "kick", -3)
    for step in (4, 12):
        c.hit(base + step, backbeat, -2, sound)
    for step in range(0, 16, 2):
        c.hit(base + step, on, -6 if step % 4 == 0 else -9)


def _floor_groove(c: Chart, seconds: float) -> None:
    """Four bars of time on the floor tom between bars of hat."""
    for bar in range(_bars(c, seconds)):
        if bar % 8 in (2, 3, 4, 5):
            _time(c, bar, "")
            for step in range(16):
                c.hit(16 * bar + step, c.floors[0], -2 if step % 4 == 0 else -7)
        else:
            _time(c, bar)


def _choked(c: Chart, seconds: float) -> None:
    """A fill down the toms into a crash that is choked a beat later, and nothing more."""
    bars = max(int((seconds - 4.5) / (16 * c.sixteenth)), 1)
    for bar in range(bars):
        if bar < bars - 1:
            _time(c, bar)
            continue
        for k in range(16):
            c.hit(16 * bar + k, c.toms[min(k * len(c.toms) // 16, len(c.toms) - 1)], -2)
    c.hit(16 * bars, "kick", -2)
    for drum in c.crashes[:2]:
        c.hit(16 * bars, drum, -2)
        c.strokes.append(Stroke(drum=drum, time_s=c.time(16 * bars + 4), level_db=-60.0, sound="choke"))


def _last_ring(c: Chart, seconds: float) -> None:
    """Time, a fill, and a last stroke on the floor tom with a crash that ring out."""
    bars = max(int((seconds - 7.0) / (16 * c.sixteenth)), 1)
    for bar in range(bars):
        _time(c, bar)
        if bar == bars - 1:
            for step in range(8, 16):
                c.hit(16 * bar + step, c.toms[(step - 8) * len(c.toms) // 8], -3)
    for drum in (c.floors[0], "kick", *c.crashes[:1]):
        c.hit(16 * bars, drum, -1)


def _single(c: Chart, seconds: float) -> None:
    """Slow time on the ride, and one stroke on one tom in all of it."""
    for bar in range(_bars(c, seconds)):
        _time(c, bar, "ride")
    c.at(0.6 * seconds, c.toms[0], -1)


def _cross_stick(c: Chart, seconds: float) -> None:
    """Slow time with the stick across the rim, a stroke on a tom now and then."""
    for bar in range(_bars(c, seconds)):
        _time(c, bar, "hat", "snare", "stick")
        if bar % 2:
            c.hit(16 * bar + 14, c.toms[bar // 2 % len(c.toms)], -4)


def _brushes(c: Chart, seconds: float) -> None:
    """Brushes: sweeps on snare and the first tom without a break, soft kick, ride."""
    for bar in range(_bars(c, seconds)):
        base = 16 * bar
        c.hit(base, "kick", -8)
        for step in range(0, 16, 4):
            c.hit(base + step, "ride", -14)
    t = 0.1
    while t < seconds:
        c.at(t, c.toms[0], -float(c.rng.uniform(0, 4)), "brush")
        c.at(t + 0.1, "snare", -float(c.rng.uniform(0, 4)), "brush")
        t += float(c.rng.uniform(0.17, 0.24))


def _mallet_roll(c: Chart, start_s: float, stop_s: float, drum: str, from_db: float, to_db: float) -> None:
    t, gap = start_s, float(c.rng.uniform(0.07, 0.10))
    while t < stop_s:
        level = from_db + (to_db - from_db) * (t - start_s) / (stop_s - start_s)
        c.at(t, drum, min(level, 0.0), "mallet", loose=0.5)
        t += gap * float(c.rng.uniform(0.85, 1.15))


def _mallets(c: Chart, seconds: float) -> None:
    """Mallet rolls that come and go on the floor tom all through, under a ride and a soft kick."""
    for bar in range(_bars(c, seconds)):
        c.hit(16 * bar, "kick", -8)
        for step in range(0, 16, 8):
            c.hit(16 * bar + step, "ride", -10)
    t = 0.5
    while t < seconds - 1:
        length = float(c.rng.uniform(2.5, 4.0))
        half = t + length / 2
        _mallet_roll(c, t, half, c.floors[0], -26, -4)
        _mallet_roll(c, half, t + length, c.floors[0], -4, -20)
        t += length + float(c.rng.uniform(0.5, 1.5))


def _swell(c: Chart, seconds: float) -> None:
    """A song with sticks in which a mallet roll swells on the floor tom for some seconds, twice."""
    bars = _bars(c, seconds)
    for bar in range(bars):
        if bar % 6 in (3, 4):
            c.hit(16 * bar, "kick", -6)
            for step in (0, 8):
                c.hit(16 * bar + step, "ride", -9)
            if bar % 6 == 3:
                t = c.time(16 * bar)
                _mallet_roll(c, t, t + 30 * c.sixteenth, c.floors[0], -28, -2)
            continue
        _time(c, bar)
        if bar % 2:
            for step in range(12, 16):
                c.hit(16 * bar + step, c.toms[(step - 12) * len(c.toms) // 4], -3)


def _double_kick(c: Chart, seconds: float) -> None:
    """Kick in sixteenths, by both feet if there are two, fills on the toms over it."""
    for bar in range(_bars(c, seconds)):
        base = 16 * bar
        for step in range(16):
            second = "kick2" in c.drums and step % 2 == 1
            c.hit(base + step, "kick2" if second else "kick", -2 - float(c.rng.uniform(0, 3)))
        for step in (4, 12):
            c.hit(base + step, "snare", -2)
        for step in range(0, 16, 4):
            c.hit(base + step, "ride", -6)
        if bar % 2:
            for step in range(8, 16):
                c.hit(base + step, c.toms[(step - 8) * len(c.toms) // 8], -3)


def _two_snares(c: Chart, seconds: float) -> None:
    """The backbeat on one snare, answers and rolls on the other, fills."""
    for bar in range(_bars(c, seconds)):
        _time(c, bar)
        for step in (7, 15) if bar % 2 else (6,):
            c.hit(16 * bar + step, "snare2", -4)
        if bar % 4 == 3:
            for step in range(12, 16):
                c.hit(16 * bar + step, c.toms[(step - 12) * len(c.toms) // 4], -3)


Score = Callable[[Chart, float], None]

PLAYING: Mapping[str, tuple[Score, float]] = {
    "floor_groove": (_floor_groove, 112.0),
    "choked": (_choked, 118.0),
    "last_ring": (_last_ring, 96.0),
    "single": (_single, 66.0),
    "cross_stick": (_cross_stick, 72.0),
    "brushes": (_brushes, 90.0),
    "mallets": (_mallets, 70.0),
    "swell": (_swell, 84.0),
    "double_kick": (_double_kick, 180.0),
    "two_snares": (_two_snares, 104.0),
}
"""What `play` can play, and its tempo."""


def play(name: str, seconds: float, seed: int, *, kit: Kit, bpm: float | None = None) -> Performance:
    """Invent playing of a kind.

    Parameters
    ----------
    name : str
        Key of `PLAYING`.
    seconds : float
        Length of the take.
    seed : int
    kit : Kit
        With `further_sounds`; drums it has not are left out.
    bpm : float, optional
        Default: as in `PLAYING`.

    Returns
    -------
    performance : Performance

    Raises
    ------
    ParameterError
        If there is none of that name.
    """
    if name not in PLAYING:
        raise ParameterError(f"playing: nothing is called '{name}'; {nearest(name, PLAYING)}")
    score, usual = PLAYING[name]
    c = Chart(bpm or usual, kit.drums, np.random.default_rng((seed, 40, list(PLAYING).index(name))))
    c.swing = 0.0
    score(c, seconds)
    return c.finish(seconds, name)
