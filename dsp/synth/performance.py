"""Invented performances: grooves with fills, flams, rolls, ghost notes; line checks; takes without toms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spillgate.dsp.errors import ParameterError, nearest

__all__ = ["STYLES", "Chart", "Performance", "Stroke", "perform"]


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """One stroke.

    Attributes
    ----------
    drum : str
    time_s : float
        Contact of stick and head, seconds from the take's first sample.
    level_db : float
        Re the drum's loudest stroke, at most 0.
    sound : str
        How it is struck: ``open`` or ``pedal`` (hat), ``mallet``, ``brush``, ``stick`` (across the rim), ``choke`` (a
        hand that ends what sounds); empty as usual.
    """

    drum: str
    time_s: float
    level_db: float
    sound: str = ""


@dataclass(frozen=True, kw_only=True)
class Performance:
    """What is played.

    Attributes
    ----------
    strokes : tuple of Stroke
        In order of time.
    seconds : float
        Length of the take.
    bpm : float
    style : str
    """

    strokes: tuple[Stroke, ...]
    seconds: float
    bpm: float
    style: str


SPACING_S = 0.014
"""Two strokes of one drum come no closer than this."""


class Chart:
    """Collects strokes on a grid of sixteenths and humanises them.

    Parameters
    ----------
    bpm : float
    drums : sequence of str
        What there is to be struck; strokes on others are left out.
    rng : numpy Generator
    """

    def __init__(self, bpm: float, drums: Sequence[str], rng: np.random.Generator) -> None:
        self.rng, self.bpm = rng, bpm
        self.sixteenth = 15.0 / bpm
        self.loose_s = float(rng.uniform(0.002, 0.007))
        self.swing = float(rng.choice([0.0, 0.0, 0.12, 0.25]))
        self.drums = tuple(drums)
        self.toms = [d for d in drums if d.startswith(("tom", "floor"))]
        self.floors = [d for d in self.toms if d.startswith("floor")] or self.toms[-1:]
        self.crashes = [d for d in drums if d.startswith(("crash", "china", "splash"))]
        self.strokes: list[Stroke] = []

    def time(self, step: float) -> float:
        """Turn sixteenths into seconds, with swing on the odd eighths."""
        late = self.swing * self.sixteenth * 2 if round(step) % 4 == 2 else 0.0
        return 0.35 + step * self.sixteenth + late

    def at(self, time_s: float, drum: str, level_db: float, sound: str = "", loose: float = 1.0) -> None:
        """Add a stroke near a time."""
        if drum not in self.drums:
            return
        level = min(level_db + float(self.rng.normal(0.0, 1.3)), 0.0)
        t = time_s + loose * float(np.clip(self.rng.normal(0.0, self.loose_s), -0.015, 0.015))
        self.strokes.append(Stroke(drum=drum, time_s=max(t, 0.02), level_db=level, sound=sound))

    def hit(self, step: float, drum: str, level_db: float, sound: str = "") -> None:
        """Add a stroke near a sixteenth."""
        self.at(self.time(step), drum, level_db, sound)

    def flam(self, step: float, drum: str, level_db: float) -> None:
        """Add a stroke with a softer one 15 to 40 ms before it."""
        t = self.time(step)
        self.at(t, drum, level_db, loose=0.0)
        self.at(t - float(self.rng.uniform(0.015, 0.040)), drum, level_db - float(self.rng.uniform(4, 14)), loose=0.0)

    def roll(self, start_s: float, stop_s: float, drum: str, from_db: float, to_db: float, gap_s: float) -> None:
        """Add a roll; `gap_s` 75 ms is a brisk single-stroke roll, 30 ms a closed one."""
        n = max(int((stop_s - start_s) / gap_s), 2)
        for k in range(n):
            level = from_db + (to_db - from_db) * k / (n - 1) - (0.8 if k % 2 else 0.0)
            t = start_s + k * gap_s * float(1 + self.rng.normal(0, 0.012))
            self.at(t, drum, level, loose=0.25)

    def finish(self, seconds: float, style: str) -> Performance:
        """Put the strokes in order, leaving out those too close to another of their drum or too near the end."""
        last: dict[str, float] = {}
        kept = []
        for s in sorted(self.strokes, key=lambda s: (s.time_s, s.drum)):
            if s.sound == "choke":
                kept.append(s)
                continue
            if s.time_s > seconds - 0.4 or s.time_s - last.get(s.drum, -1.0) < SPACING_S:
                continue
            last[s.drum] = s.time_s
            kept.append(s)
        return Performance(strokes=tuple(kept), seconds=seconds, bpm=self.bpm, style=style)


def _beat(c: Chart, bar: int, on: str, busy: float) -> None:
    """One bar of time-keeping on hat, ride or floor tom, with kick, snare and ghost notes."""
    rng, base = c.rng, 16 * bar
    kicks = [0, 8] + [int(k) for k in rng.choice([3, 6, 7, 10, 11, 14], rng.integers(0, 4), replace=False)]
    for step in kicks:
        c.hit(base + step, "kick", -2 if step in (0, 8) else -5)
    for step in (4, 12):
        if rng.random() < 0.08:
            c.flam(base + step, "snare", -1.5)
        else:
            c.hit(base + step, "snare", -1.5)
    for step in (1, 3, 6, 7, 9, 11, 14, 15):
        if rng.random() < 0.25 * busy:
            c.hit(base + step, "snare", -float(rng.uniform(15, 25)))
    if on == "floor" and c.floors:
        drum = str(rng.choice(c.floors))
        gap = 1 if rng.random() < 0.4 else 2
        for step in range(0, 16, gap):
            ghost = step % 4 != 0 and rng.random() < 0.4
            c.hit(base + step, drum, -float(rng.uniform(12, 20)) if ghost else (-1 if step % 4 == 0 else -5))
        return
    gap = 1 if (rng.random() < 0.2 and c.bpm < 120) else 2 if c.bpm < 160 or rng.random() < 0.5 else 4
    for step in range(0, 16, gap):
        accent = 0.0 if step % 4 == 0 else -4.0
        if on == "ride":
            c.hit(base + step, "ride", -5 + accent)
        elif on == "crash" and c.crashes:
            if step % 4 == 0:
                c.hit(base + step, c.crashes[bar % len(c.crashes)], -5)
        else:
            sound = "open" if step == 14 and rng.random() < 0.5 else ""
            c.hit(base + step, "hat", -4 + accent, sound)
    if on in ("ride", "crash"):
        for step in (4, 12):
            c.hit(base + step, "hat", -6, "pedal")


def _soft_toms(c: Chart, bar: int) -> None:
    """Soft tom notes strewn into a beat."""
    for step in (2, 5, 7, 10, 13, 15):
        if c.toms and c.rng.random() < 0.4:
            c.hit(16 * bar + step, str(c.rng.choice(c.toms)), -float(c.rng.uniform(10, 22)))


def _fill(c: Chart, bar: int, start: int) -> None:
    """A fill from sixteenth `start` to the bar's end and a crash with kick after it."""
    rng, base = c.rng, 16 * bar
    if not c.toms:
        return
    kind = int(rng.integers(0, 5))
    order = c.toms if rng.random() < 0.75 else c.toms[::-1]
    steps = list(range(start, 16))
    if kind == 0:  # down the toms in sixteenths
        for k, step in enumerate(steps):
            c.hit(base + step, order[min(k * len(order) // len(steps), len(order) - 1)], -float(rng.uniform(0, 5)))
    elif kind == 1:  # hands and feet in turn
        for k, step in enumerate(steps):
            c.hit(base + step, str(rng.choice(order)) if k % 3 < 2 else "kick", -float(rng.uniform(0, 6)))
    elif kind == 2:  # flams and two drums at once
        for step in steps[::2]:
            if rng.random() < 0.5:
                c.flam(base + step, str(rng.choice(order)), -1)
            else:
                for drum in rng.choice([*c.toms, "snare"], 2, replace=False):
                    c.hit(base + step, str(drum), -float(rng.uniform(0, 4)))
    elif kind == 3:  # doubled strokes, partly 32nds
        fine = 0.5 if c.sixteenth > 0.085 else 1.0
        for k in range(int(len(steps) / fine)):
            drum = order[min(int(k * fine) * len(order) // len(steps), len(order) - 1)]
            c.hit(base + start + k * fine, drum, -float(rng.uniform(1, 9)))
    else:  # sparse, with kick under each tom and perhaps a crash over it
        for step in steps[::2]:
            c.hit(base + step, str(rng.choice(order)), -float(rng.uniform(0, 5)))
            c.hit(base + step, "kick", -3)
            if c.crashes and rng.random() < 0.35:
                c.hit(base + step, str(rng.choice(c.crashes)), -float(rng.uniform(2, 8)))
    if c.crashes and rng.random() < 0.8:
        c.hit(base + 16, str(rng.choice(c.crashes)), -2)


def _groove(c: Chart, seconds: float, dense: bool) -> None:
    bars = int(seconds / (16 * c.sixteenth)) + 1
    modes = ["hat", "ride", "floor", "crash" if dense else "hat", "soft"]
    section = int(c.rng.integers(0, len(modes)))
    for bar in range(bars):
        if bar % 2 == 0 and bar:
            section = int(c.rng.integers(0, len(modes)))
        mode = modes[section]
        _beat(c, bar, "ride" if mode == "soft" else mode, 1.0 if c.rng.random() < 0.6 else 0.2)
        if mode == "soft":
            _soft_toms(c, bar)
        draw = c.rng.random()
        fills = 0.55 if dense else 0.45
        if draw < fills:
            _fill(c, bar, int(c.rng.choice([4, 8, 8, 12, 12])))
        elif draw < fills + 0.15 and c.toms:
            t = c.time(16 * bar + 8)
            gap = float(c.rng.choice([0.030, 0.045, 0.075, 0.09]))
            low, high = -float(c.rng.uniform(14, 24)), -float(c.rng.uniform(0, 5))
            if c.rng.random() < 0.3:
                low, high = high, low
            c.roll(t, t + 8 * c.sixteenth, str(c.rng.choice(c.toms)), low, high, gap)
        elif draw < fills + 0.23 and c.crashes:
            for step in c.rng.choice(16, 2, replace=False):
                c.hit(16 * bar + int(step), str(c.rng.choice(c.crashes)), -float(c.rng.uniform(0, 8)))


def _demo(c: Chart, seconds: float) -> None:
    """Something of everything in nine bars."""
    plan = ("hat", "hat", "floor", "floor", "soft", "soft", "crash", "hat", "ride")
    for bar in range(int(seconds / (16 * c.sixteenth)) + 1):
        mode = plan[min(bar, len(plan) - 1)]
        _beat(c, bar, "ride" if mode == "soft" else mode, 0.6)
        if mode == "soft":
            _soft_toms(c, bar)
        if bar % 2 == 1:
            _fill(c, bar, 8 if bar % 4 == 1 else 4)
        if bar == 6 and c.toms:
            t = c.time(16 * bar + 8)
            c.roll(t, t + 6 * c.sixteenth, c.toms[len(c.toms) // 2], -18.0, -2.0, 0.075)
        if bar in (0, 2, 4):
            c.flam(16 * bar + 15, c.toms[(bar // 2) % len(c.toms)], -2.0)


def _thin(c: Chart, share: float) -> None:
    """Leave some bars' worth of strokes out, so that some stand alone."""
    span = 16 * c.sixteenth
    drop = {int(b) for b in range(200) if c.rng.random() < share}
    c.strokes = [s for s in c.strokes if int(s.time_s / span) not in drop or c.rng.random() < 0.15]


def _no_toms(c: Chart, seconds: float) -> None:
    c.toms, c.floors = [], []
    _groove(c, seconds, c.rng.random() < 0.5)
    for bar in range(int(seconds / (16 * c.sixteenth)) + 1):
        if c.rng.random() < 0.3:
            t = c.time(16 * bar + 8)
            c.roll(t, t + 8 * c.sixteenth, "snare", -20, -2, float(c.rng.choice([0.035, 0.075])))


def _ballad(c: Chart, seconds: float) -> None:
    """Slow time on the ride, single tom strokes that ring out."""
    for bar in range(int(seconds / (16 * c.sixteenth)) + 1):
        base = 16 * bar
        c.hit(base, "kick", -4)
        c.hit(base + 8, "snare", -3)
        for step in range(0, 16, 4):
            c.hit(base + step, "ride", -8)
        if c.toms:
            for step in c.rng.choice([2, 6, 10, 12, 14], int(c.rng.integers(1, 3)), replace=False):
                drum = str(c.rng.choice(c.toms))
                level = -float(c.rng.uniform(0, 16))
                if c.rng.random() < 0.2:
                    c.flam(base + int(step), drum, level)
                else:
                    c.hit(base + int(step), drum, level)
        if c.crashes and c.rng.random() < 0.3:
            c.hit(base, str(c.rng.choice(c.crashes)), -float(c.rng.uniform(3, 10)))


def _line_check(c: Chart, seconds: float) -> None:
    """Each drum and cymbal in turn."""
    order: list[str] = [d for d in ("kick", "kick2", "snare", "snare2", "hat") if d in c.drums]
    order += [d for d in c.drums if d not in order]
    per = (seconds - 0.8) / len(order)
    times = 4 if per > 2.4 else 3
    for k, drum in enumerate(order):
        for j in range(times):
            t = 0.4 + per * (k + j / times)
            c.at(t, drum, -float(c.rng.uniform(0.0, 6.0)), loose=3.0)


STYLES = ("groove", "fast", "ballad", "no_toms", "line_check", "sparse", "demo")
"""What `perform` can play."""


def perform(style: str, seconds: float, seed: int, *, drums: Sequence[str], bpm: float | None = None) -> Performance:
    """Invent a performance.

    Parameters
    ----------
    style : str
        One of `STYLES`.
    seconds : float
        Length of the take.
    seed : int
    drums : sequence of str
        What there is to be struck (`Kit.drums`).
    bpm : float, optional
        Default: drawn, 60 to 190 by style.

    Returns
    -------
    performance : Performance

    Raises
    ------
    ParameterError
        If the style is unknown.
    """
    if style not in STYLES:
        raise ParameterError(f"style: nothing is called '{style}'; {nearest(style, STYLES)}")
    rng = np.random.default_rng((seed, STYLES.index(style)))
    low, high = {"fast": (140, 190), "ballad": (60, 84)}.get(style, (76, 150))
    c = Chart(bpm or float(rng.uniform(low, high)), drums, rng)
    if style in ("groove", "fast"):
        _groove(c, seconds, style == "fast")
    elif style == "sparse":
        _groove(c, seconds, False)
        _thin(c, 0.5)
    elif style == "ballad":
        _ballad(c, seconds)
    elif style == "demo":
        _demo(c, seconds)
    elif style == "no_toms":
        _no_toms(c, seconds)
    else:
        _line_check(c, seconds)
    return c.finish(seconds, style)
