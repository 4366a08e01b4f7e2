"""The steps of a plan at work on one track: block by block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isinf, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp import params, registry
from spillgate.dsp.core.audio.overview import Outline, piece_length
from spillgate.dsp.core.audio.quantise import Overs, dither_key, quantise
from spillgate.dsp.errors import AudioFileError, ParameterError, PlanError, PluginError
from spillgate.dsp.plan.model import Plan, StepSpec
from spillgate.dsp.steps.base import STAGES, Context, Step
from spillgate.dsp.steps.move import MoveStep
from spillgate.dsp.take.model import AudioFile, Take, Track
from spillgate.dsp.take.target import integer_bits

__all__ = ["Running", "StemReport", "TrackStem", "load_steps"]

AUDIBLE_END_DB = -60.0
"""What a delay pushes past an end of its file is reported from this peak on, dBFS (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class StemReport:
    """What the render did to one track.

    Attributes
    ----------
    track, file : str
        Track id and name of the stem.
    copied : bool
        Whether the stem is a byte-for-byte copy of the input.
    written : bool
        False: there was nothing to do and only changed tracks were asked for.
    removed_file : str
        Name of the file that holds what was removed; empty if there is none.
    notes : tuple of str
        What the stem's format could not take over, and the like.
    steps : tuple of str
        Names of the steps in the order they ran.
    peak_in, peak_out : float
        1.0 = full scale; 0 for files that were copied unread.
    removed_db : float
        Energy of the track after its steps re before, dB, ≤ 0 for masks; −inf if nothing is left, 0 if it was only
        moved or copied.
    overs : Overs
        Samples that an integer format could not hold; numbered from the file's first sample.
    cut_s, cut_db : float
        Length and peak of what a delay pushed past an end of the file; 0 and −inf if below −60 dBFS.
    """

    track: str
    file: str
    copied: bool
    written: bool = True
    removed_file: str = ""
    notes: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    peak_in: float = 0.0
    peak_out: float = 0.0
    removed_db: float = 0.0
    overs: Overs = field(default_factory=Overs)
    cut_s: float = 0.0
    cut_db: float = float("-inf")

    def to_dict(self, sr: int) -> dict[str, Any]:
        """Give it as plain data: no infinities, times in seconds, overs in dB above full scale."""
        entry: dict[str, Any] = {"file": self.file, "copied": self.copied, "written": self.written}
        entry |= {"removed_file": self.removed_file, "notes": list(self.notes), "steps": list(self.steps)}
        entry |= {"peak_in": self.peak_in, "peak_out": self.peak_out}
        entry["removed_db"] = None if isinf(self.removed_db) else self.removed_db
        if self.overs.count:
            over_db = round(20 * log10(self.overs.peak), 3)
            entry |= {"overs": self.overs.count, "over_at_s": round(self.overs.first / sr, 6), "over_db": over_db}
        if self.cut_s:
            entry |= {"cut_s": round(self.cut_s, 6), "cut_db": round(self.cut_db, 2)}
        return entry


@dataclass(frozen=True)
class Running:
    """One step of one track, ready to run."""

    step: Step
    arrays: Mapping[str, NDArray[Any]]
    owner: str

    @property
    def words(self) -> str:
        """What it does, for a coding history."""
        given = " ".join(f"{k} {v:.8g}" for k, v in params.to_dict(self.step).items() if isinstance(v, int | float))
        return f"{self.step.name} {given}" if self.moves and given else self.step.name

    @property
    def moves(self) -> bool:
        """Whether it only shifts the track or turns it."""
        return self.step.stage == "move"

    @property
    def foreign(self) -> bool:
        """Whether it is a third party's."""
        return self.owner != "spillgate"


def load_steps(track: Track, plan: Plan) -> tuple[Running, ...]:
    """Make the steps of a track from the plan, in the order of the render.

    Parameters
    ----------
    track : Track
    plan : Plan

    Returns
    -------
    running : tuple of Running
        Several moves have become one.

    Raises
    ------
    PlanError
        If a step's parameters or arrays do not fit.
    PluginError
        If a step is not installed, or does not say how far it looks.
    """
    specs: Sequence[StepSpec] = plan.steps.get(track.id, ())
    running = []
    for spec in specs:
        where = f"{track.id}: step '{spec.step}'"
        cls = registry.get_step(spec.step)
        try:
            step = cls(**params.from_dict(cls, spec.params, spec.step))
        except ParameterError as error:
            raise PlanError(f"{track.id}: {error}") from error
        missing = sorted(a for a in spec.arrays.values() if a not in plan.arrays)
        if missing:
            raise PlanError(f"{where} needs the array '{missing[0]}', which the plan lacks; run the main job again")
        arrays = {name: plan.arrays[key] for name, key in spec.arrays.items()}
        running.append(Running(step, arrays, registry.owner("step", spec.step).distribution))
        if running[-1].foreign:
            _check_margins(running[-1], track)
    return tuple(_one_move(sorted(running, key=lambda r: STAGES.index(r.step.stage))))


def _check_margins(run: Running, track: Track) -> None:
    """Make sure that a third party's step says how far it looks, before anything is written."""
    where = f"{run.owner}: step '{run.step.name}' on {track.id}"
    if run.step.stage not in STAGES:
        raise PluginError(f"{where} has the stage {run.step.stage!r}; it must be one of {', '.join(STAGES)}")
    try:
        margins: Any = run.step.margins(track.file.sr)
    except Exception as error:
        raise PluginError(f"{where} failed ({type(error).__name__}: {error})") from error
    whole = isinstance(margins, tuple) and len(margins) == 2 and all(isinstance(m, int) and m >= 0 for m in margins)
    if not whole:
        raise PluginError(f"{where} has the margins {margins!r} instead of two whole numbers from 0 up")


def _one_move(running: Sequence[Running]) -> list[Running]:
    """Merge what several processors ask of delay and polarity, so that a track is interpolated once."""
    moves = [r.step for r in running if isinstance(r.step, MoveStep)]
    if len(moves) < 2:
        return list(running)
    turned = sum(m.polarity < 0 for m in moves) % 2
    total = round(sum(m.delay_samples for m in moves), 6) + 0.0  # delays that add up to whole samples keep the bits
    both = MoveStep(delay_samples=total, polarity=-1 if turned else 1)
    owner = next(r.owner for r in running if isinstance(r.step, MoveStep))
    rest = [r for r in running if not isinstance(r.step, MoveStep)]
    return [*rest, Running(both, {}, owner)]


class TrackStem:
    """One track of one file on its way through its steps.

    Parameters
    ----------
    take : Take
    track : Track
    file : AudioFile
    subtype : str
        Samples of the stem, as ``soundfile`` names them.
    chain : tuple of Running
    shift : int
        Samples that are taken back in the stem's picture (`outline`), so that it lies over the recording's.
    """

    def __init__(
        self, take: Take, track: Track, file: AudioFile, subtype: str, chain: tuple[Running, ...], shift: int = 0
    ) -> None:
        self.take, self.track, self.file, self.chain = take, track, file, chain
        self.changed = False
        self.bits = integer_bits(subtype)
        self._key = dither_key(track.id)
        self._overs = Overs()
        self._energy = np.zeros(2)
        self._peaks = np.zeros(2)
        self._held: tuple[int, NDArray[np.float64]] = (0, np.zeros(0))
        self._n_clean = sum(not r.moves for r in chain)
        self._clean: tuple[int, NDArray[np.float64]] = (0, np.zeros(0))
        size, first = piece_length(take.sr, take.n_samples), file.start - shift
        self.shift, self.outline = shift, Outline(size, take.n_samples, first, first + file.n_samples)

    def block(self, a: int, b: int) -> NDArray[Any]:
        """Samples `a` to `b` of the stem: integer steps of its last bit, or floats."""
        y = self._after(len(self.chain), a, b) if self.chain else self._input(a, b)
        x = self._input(a, b)
        top = [max(float(np.max(v, initial=0.0)), -float(np.min(v, initial=0.0))) for v in (x, y)]  # NaN comes through
        if not np.isfinite(top[1]):
            first = int(np.flatnonzero(~np.isfinite(y))[0]) + a - self.file.start
            raise AudioFileError(
                f"{self.file.name}: sample {first} (at {first / self.file.sr:.3f} s) is not a finite number; "
                "export the file again"
            )
        self._peaks = np.maximum(self._peaks, top)
        self._energy += (float(np.dot(x, x)), float(np.dot(y, y)))
        self.changed = self.changed or not np.array_equal(x.view(np.int64), y.view(np.int64))
        if self.bits is None:
            self.outline.push(y, a - self.shift)
            return y
        steps, overs = quantise(y, self.bits, self._key, a)
        self.outline.push(steps, a - self.shift, 0.5 ** (self.bits - 1))
        self._overs += overs
        return steps

    def report(self, name: str) -> StemReport:
        """Say what became of the track, once all its blocks are through; `name` is that of the stem."""
        before, after = self._energy
        removed = 0.0
        if before > 0.0 and any(r.step.stage != "move" for r in self.chain):
            removed = 10 * log10(after / before) if after > 0.0 else float("-inf")
        overs = self._overs
        if overs.count:
            overs = Overs(overs.count, overs.first - self.file.start, overs.peak)
        cut_s, cut_db = self._cut()
        return StemReport(
            track=self.track.id,
            file=name,
            copied=False,
            steps=tuple(r.step.name for r in self.chain),
            peak_in=float(self._peaks[0]),
            peak_out=float(self._peaks[1]),
            removed_db=round(removed, 3) + 0.0,
            overs=overs,
            cut_s=cut_s,
            cut_db=cut_db,
        )

    def _read(self, track_id: str, a: int, b: int) -> NDArray[np.float64]:
        track = self.track if track_id == self.track.id else self.take.track(track_id)
        x: NDArray[np.float64] = np.ascontiguousarray(self.take.read(track, a, b, "float64"))
        return x

    def _input(self, a: int, b: int) -> NDArray[np.float64]:
        """Samples `a` to `b` of the recording; where blocks overlap by the margins it is not read again."""
        first, held = self._held
        last = first + len(held)
        if first <= a and b <= last:
            return held[a - first : b - first]
        if first <= a < last:
            held = np.concatenate([held[a - first :], self._read(self.track.id, last, b)])
        else:
            held = self._read(self.track.id, a, b)
        held.setflags(write=False)
        self._held = (a, held)
        return held

    def removed(self, a: int, b: int) -> NDArray[np.float64]:
        """Samples `a` to `b`, on the recording's timeline, of what the steps have taken away; right after `block`."""
        first, clean = self._clean
        gone: NDArray[np.float64] = self._input(a, b) - clean[a - first : b - first]
        return gone

    def _after(self, k: int, a: int, b: int) -> NDArray[np.float64]:
        """Samples `a` to `b` after the first `k` steps; zero outside the take."""
        if k == 0:
            return self._input(a, b)
        y = self._step(k, a, b)
        if k == self._n_clean:
            self._clean = (a, y)
        return y

    def _step(self, k: int, a: int, b: int) -> NDArray[np.float64]:
        run = self.chain[k - 1]
        # a delay may be asked what it pushes past the end; nothing else knows anything beyond the take
        moves = run.step.stage == "move"
        low, high = (a, b) if moves else (max(a, 0), min(b, self.take.n_samples))
        if high <= low:
            return np.zeros(b - a)
        before, after = run.step.margins(self.take.sr)
        x = self._after(k - 1, low - before, high + after)
        y = self._apply(run, x, low, high)
        if (low, high) == (a, b):
            return y
        padded = np.zeros(b - a)
        padded[low - a : high - a] = y
        return padded

    def _apply(self, run: Running, x: NDArray[np.float64], a: int, b: int) -> NDArray[np.float64]:
        context = Context(
            start=a,
            n_out=b - a,
            sr=self.take.sr,
            n_samples=self.take.n_samples,
            track=self.track.id,
            arrays=run.arrays,
            read=self._read,
        )
        if not run.foreign:
            return run.step.apply(x, context)
        where = f"{run.owner}: step '{run.step.name}' on {self.track.id}"
        x.setflags(write=False)
        try:
            y: Any = run.step.apply(x, context)
        except (Exception, SystemExit) as error:
            raise PluginError(f"{where} failed ({type(error).__name__}: {error})") from error
        if not isinstance(y, np.ndarray) or y.shape != (b - a,):
            got = f"shape {y.shape}" if isinstance(y, np.ndarray) else type(y).__name__
            raise PluginError(f"{where} returned {got} instead of {b - a} samples")
        if y.dtype.kind != "f" or not np.isfinite(y).all():
            raise PluginError(f"{where} returned samples that are no finite numbers")
        return np.ascontiguousarray(y, np.float64)

    def _cut(self) -> tuple[float, float]:
        """Length in s and peak in dBFS of what the delay pushed past an end of the file."""
        last = self.file.start + self.file.n_samples
        reach = [run.step.margins(self.take.sr) for run in self.chain if run.step.stage == "move"]
        before, after = sum(m[0] for m in reach), sum(m[1] for m in reach)
        limit = 10 ** (AUDIBLE_END_DB / 20)
        worst = (0.0, 0.0)
        for a, b, backward in (
            (last, last + before, False),
            (self.file.start - after, self.file.start, True),
        ):
            if b <= a or self._continues(a):
                continue
            y = np.abs(self._after(len(self.chain), a, b))
            loud = np.flatnonzero(y > limit)
            if len(loud):
                length = len(y) - loud[0] if backward else loud[-1] + 1
                worst = max(worst, (float(np.max(y)), length / self.take.sr))
        peak, seconds = worst
        return (seconds, 20 * log10(peak)) if peak > 0 else (0.0, float("-inf"))

    def _continues(self, at: int) -> bool:
        """Whether another part of the same recording holds that sample: then nothing is lost there."""
        return any(f.start <= at < f.start + f.n_samples for f in self.track.files)
