"""Rendering a plan: stems from recordings, in blocks, with bounded memory.

Every file becomes one stem of the same name, start, length, rate, sample format and metadata.  All stems are written
in full under temporary names before the first one takes its place, so that a failure leaves nothing half done.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import log10
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp import params, registry
from spillgate.dsp.core.quantise import Overs, dither_key, quantise
from spillgate.dsp.errors import AudioFileError, OutputError, ParameterError, PlanError, PluginError, nearest
from spillgate.dsp.plan.model import Plan, StepSpec
from spillgate.dsp.steps.base import STAGES, Context, Step
from spillgate.dsp.take.model import AudioFile, Take, Track
from spillgate.dsp.take.stems import StemWriter, integer_bits
from spillgate.dsp.writing import FileCopy

__all__ = ["RenderReport", "StemReport", "render"]

BLOCK = 1 << 18
"""Samples rendered at a time."""

AUDIBLE_END_DB = -60.0
"""What a delay pushes past an end of its file is reported from this peak on, dBFS (common practice, no source)."""

SPARE_BYTES = 16 << 20
"""Room for chunks and tables that the disk must have besides the stems."""


@dataclass(frozen=True, kw_only=True)
class StemReport:
    """What the render did to one track.

    Attributes
    ----------
    track, file : str
        Track id and name of the stem.
    copied : bool
        Whether the stem is a byte-for-byte copy of the input.
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
    steps: tuple[str, ...] = ()
    peak_in: float = 0.0
    peak_out: float = 0.0
    removed_db: float = 0.0
    overs: Overs = field(default_factory=Overs)
    cut_s: float = 0.0
    cut_db: float = float("-inf")


@dataclass(frozen=True, kw_only=True)
class RenderReport:
    """What the render did.

    Attributes
    ----------
    stems : tuple of StemReport
        One per track and file, in the take's order.
    folder : Path
        Where the stems are.
    """

    stems: tuple[StemReport, ...]
    folder: Path


@dataclass(frozen=True)
class _Running:
    """One step of one track, ready to run."""

    step: Step
    arrays: Mapping[str, NDArray[Any]]
    owner: str

    @property
    def foreign(self) -> bool:
        return self.owner != "spillgate"


def render(
    take: Take,
    plan: Plan,
    out: Path,
    *,
    only: Iterable[str] | None = None,
    block: int = BLOCK,
) -> RenderReport:
    """Write the stems of a plan to ``out/stems``.

    Parameters
    ----------
    take : Take
        With files.
    plan : Plan
    out : Path
        Created if need be; stems that are there already are replaced.
    only : iterable of str, optional
        Track ids or file names; other stems are left as they are.
    block : int
        Samples rendered at a time; changes no bit.

    Returns
    -------
    report : RenderReport

    Raises
    ------
    OutputError
        `out` is inside the take, cannot be written, or the disk is too full; nothing has been written then.
    PlanError
        The plan does not fit the take.
    PluginError
        A third party's step failed or broke its contract; the message names its distribution.
    AudioFileError
        A recording cannot be read, or holds NaN or infinity.
    """
    chains = {t.id: _load(t, plan) for t in take.tracks}
    _fits(take, plan)
    files = _chosen(take, only)
    folder = out / "stems"
    _room(take, out, folder, files)
    done: list[tuple[Any, list[StemReport]]] = []

    def one(file: AudioFile) -> tuple[FileCopy | StemWriter, list[StemReport]]:
        result = _render_file(take, file, chains, folder, block)
        done.append(result)
        return result

    try:
        results = take.map(one, files, "rendering")
        for pending, _ in results:
            pending.commit()
    finally:
        for pending, _ in done:
            pending.abort()
    return RenderReport(stems=tuple(s for _, stems in results for s in stems), folder=folder)


def _load(track: Track, plan: Plan) -> tuple[_Running, ...]:
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
        running.append(_Running(step, arrays, registry.owner("step", spec.step).distribution))
    return tuple(sorted(running, key=lambda r: STAGES.index(r.step.stage)))


def _fits(take: Take, plan: Plan) -> None:
    known = {t.id for t in take.tracks}
    for track in plan.steps:
        if track not in known:
            raise PlanError(f"{track}: is in the plan, but not in {take.name}; is this the take it was made from?")
    for fact in plan.tracks:
        now = take.fingerprints.get(fact.file, "")
        if fact.fingerprint and now and fact.fingerprint != now:
            raise PlanError(f"{fact.file}: is not the recording that the plan was made from; run the main job again")
    if plan.steps and plan.sr and plan.sr != take.sr:
        raise PlanError(f"{take.name}: has {take.sr} Hz, but the plan was made for {plan.sr} Hz")
    if plan.steps and plan.n_samples and plan.n_samples != take.n_samples:
        raise PlanError(
            f"{take.name}: is {take.n_samples} samples long, but the plan was made for {plan.n_samples}; "
            "is this the take it was made from?"
        )


def _chosen(take: Take, only: Iterable[str] | None) -> list[AudioFile]:
    files = {f.name: f for t in take.tracks for f in t.files}
    if only is None:
        return list(files.values())
    named = {**{t.id: {f.name for f in t.files} for t in take.tracks}, **{n: {n} for n in files}}
    wanted: set[str] = set()
    for name in only:
        if name not in named:
            raise ParameterError(f"{name}: no such track in {take.name}; {nearest(name, named)}")
        wanted |= named[name]
    return [f for n, f in files.items() if n in wanted]


def _room(take: Take, out: Path, folder: Path, files: Sequence[AudioFile]) -> None:
    """Make the folder for the stems; everything that can be known to fail fails here."""
    inside = {f.path.resolve().parent for t in take.tracks for f in t.files}
    target = folder.resolve()
    for home in inside:
        if target == home or home in target.parents:
            raise OutputError(f"{out}: lies inside the take {home.name}; choose a folder outside it")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK | os.X_OK):
            raise OutputError(f"{folder}: no permission to write there; choose another folder")
        need = sum(f.path.stat().st_size for f in files) + SPARE_BYTES
        free = shutil.disk_usage(folder).free
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f"{folder}: cannot be made ({error.strerror}); choose another folder") from error
    if need > free:
        raise OutputError(f"{folder}: needs {need / 1e9:.2f} GB, but the disk has {free / 1e9:.2f} GB left; make room")


def _render_file(
    take: Take, file: AudioFile, chains: Mapping[str, tuple[_Running, ...]], folder: Path, block: int
) -> tuple[FileCopy | StemWriter, list[StemReport]]:
    tracks = [t for t in take.tracks if any(f.name == file.name for f in t.files)]
    plain = [StemReport(track=t.id, file=file.name, copied=True) for t in tracks]
    if not any(chains[t.id] for t in tracks):
        return FileCopy(file.path, folder), plain
    if len(tracks) != file.n_channels:
        raise PlanError(f"{file.name}: {len(tracks)} of its {file.n_channels} channels are in the take; all are needed")
    tracks.sort(key=lambda t: t.channel)
    stems = [_Stem(take, t, file, chains[t.id]) for t in tracks]
    writer = StemWriter(file, folder)
    try:
        for a in range(file.start, file.start + file.n_samples, block):
            b = min(a + block, file.start + file.n_samples)
            writer.write(np.stack([s.block(a, b) for s in stems]))
        if not any(s.changed for s in stems):
            writer.abort()
            return FileCopy(file.path, folder), plain
        writer.finish()
    except BaseException:
        writer.abort()
        raise
    return writer, [s.report() for s in stems]


class _Stem:
    """One track of one file on its way through its steps."""

    def __init__(self, take: Take, track: Track, file: AudioFile, chain: tuple[_Running, ...]) -> None:
        self.take, self.track, self.file, self.chain = take, track, file, chain
        self.changed = False
        self._bits = integer_bits(file)
        self._key = dither_key(track.id)
        self._overs = Overs()
        self._energy = np.zeros(2)
        self._peaks = np.zeros(2)
        self._held: tuple[int, NDArray[np.float64]] = (0, np.zeros(0))

    def block(self, a: int, b: int) -> NDArray[Any]:
        """Samples `a` to `b` of the stem in the format of the file."""
        y = self._after(len(self.chain), a, b) if self.chain else self._input(a, b)
        x = self._input(a, b)
        top = [float(np.max(np.abs(v), initial=0.0)) for v in (x, y)]
        if not np.isfinite(top[1]):
            first = int(np.flatnonzero(~np.isfinite(y))[0]) + a - self.file.start
            raise AudioFileError(
                f"{self.file.name}: sample {first} (at {first / self.file.sr:.3f} s) is not a finite number; "
                "export the file again"
            )
        self._peaks = np.maximum(self._peaks, top)
        self._energy += (float(np.dot(x, x)), float(np.dot(y, y)))
        self.changed = self.changed or not np.array_equal(x.view(np.int64), y.view(np.int64))
        if self._bits is None:
            return y
        steps, overs = quantise(y, self._bits, self._key, a)
        self._overs += overs
        return steps

    def report(self) -> StemReport:
        """What became of the track, once all its blocks are through."""
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
            file=self.file.name,
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
        """Samples `a` to `b` of the recording; blocks overlap by the margins, and nothing is read twice."""
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

    def _after(self, k: int, a: int, b: int) -> NDArray[np.float64]:
        """Samples `a` to `b` after the first `k` steps; zero outside the take."""
        if k == 0:
            return self._input(a, b)
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

    def _apply(self, run: _Running, x: NDArray[np.float64], a: int, b: int) -> NDArray[np.float64]:
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
        except Exception as error:
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
