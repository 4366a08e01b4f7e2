"""Rendering a plan: stems from recordings, in blocks, with bounded memory.

Every file becomes one stem of the same name, start, length, rate, sample format and metadata, unless the plan asks for
something else (`spillgate.dsp.plan.output`).  All stems are written in full under temporary names before the first one
takes its place, so that a failure leaves nothing half done.
"""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.errors import OutputError, PlanError
from spillgate.dsp.handover import (
    REMOVED,
    STEMS,
    Job,
    check_targets,
    drums_of,
    edits_of,
    files_of,
    names_of_stems,
    notes_of,
    tracks_of,
)
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.plan.output import output_of
from spillgate.dsp.running import Running, StemReport, TrackStem, load_steps
from spillgate.dsp.take.model import AudioFile, Take, Track
from spillgate.dsp.take.stems import StemWriter
from spillgate.dsp.take.target import Target
from spillgate.dsp.writing import FileCopy

__all__ = ["RenderReport", "StemReport", "render", "with_report"]

BLOCK = 1 << 18
"""Samples rendered at a time."""

SPARE_BYTES = 16 << 20
"""Room for chunks and tables that the disk must have besides the stems."""


@dataclass(frozen=True, kw_only=True)
class RenderReport:
    """What the render did.

    Attributes
    ----------
    stems : tuple of StemReport
        One per track and file, in the take's order.
    folder : Path
        Where the stems are.
    files : mapping of str to tuple of str
        Per file of the take, what was written for it, relative to the output.
    outlines : mapping of str to ndarray of int8, shape (n_pieces, 2)
        Pictures of the tracks that were rendered, each over its recording (`spillgate.dsp.core.audio.overview`).
    """

    stems: tuple[StemReport, ...]
    folder: Path
    files: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    outlines: Mapping[str, NDArray[np.int8]] = field(default_factory=dict)


Listen = Callable[[str, int, NDArray[np.float64]], None]
_Written = tuple[list[FileCopy | StemWriter], list[StemReport], list[str], dict[str, NDArray[np.int8]]]


def render(
    take: Take,
    plan: Plan,
    out: Path | str,
    *,
    only: Iterable[str] | None = None,
    block: int = BLOCK,
    listen: Listen | None = None,
) -> RenderReport:
    """Write the stems of a plan to ``out/stems``, and what was removed to ``out/removed`` if the plan asks for it.

    Parameters
    ----------
    take : Take
        With files.
    plan : Plan
    out : Path or str
        Created if need be; stems that are there already are replaced.
    only : iterable of str, optional
        Track ids or file names of the take; other stems are left as they are.
    block : int
        Samples rendered at a time; changes no bit.
    listen : callable, optional
        ``listen(track, start, x)`` hears, block after block, what the steps take away from each track that is more
        than moved: float64 on the recording's timeline. Called on the threads of the render.

    Returns
    -------
    report : RenderReport

    Raises
    ------
    OutputError
        `out` is inside the take, cannot be written, or the disk is too full; nothing has been written then.
    ParameterError
        A format that cannot hold a track's samples, or two stems of one name; nothing has been written then.
    PlanError
        The plan does not fit the take.
    PluginError
        A third party's step failed or broke its contract; the message names its distribution.
    AudioFileError
        A recording cannot be read, or holds NaN or infinity.

    Notes
    -----
    *Removed.*  In an integer format, stem + removed = the recording moved as the stem is, bit for bit: the recording
    itself where it is moved by whole samples, else what the plan gives without its masks (same interpolation, same
    dither).  In floating point it is the nearest number to the difference.
    """
    out = Path(out)
    chains = {t.id: load_steps(t, plan) for t in take.tracks}
    _fits(take, plan)
    files = files_of(take, only)
    job = Job(
        take, plan, output_of(plan), chains, names_of_stems(take, plan), out / STEMS, out / REMOVED, block, listen
    )
    check_targets(take, plan)
    _room(job, out, files)
    done: list[list[FileCopy | StemWriter]] = []

    def one(file: AudioFile) -> _Written:
        result = _render_file(job, file)
        done.append(result[0])
        return result

    try:
        results = take.map(one, files, "rendering")
        for pendings, _, _, _ in results:
            for pending in pendings:
                pending.commit()
    finally:
        for pendings in done:
            for pending in pendings:
                pending.abort()
    return RenderReport(
        stems=tuple(s for _, stems, _, _ in results for s in stems),
        folder=job.stems,
        files={f.name: tuple(names) for f, (_, _, names, _) in zip(files, results, strict=True)},
        outlines=_pictures(outlines for _, _, _, outlines in results),
    )


def with_report(plan: Plan, report: RenderReport, before: Plan | None = None) -> Plan:
    """Keep what the render did in the plan.

    Parameters
    ----------
    plan : Plan
        As rendered.
    report : RenderReport
    before : Plan, optional
        The plan of the output that was there: what it says of files that were not rendered now still holds.

    Returns
    -------
    plan : Plan
        ``figures["render"]["tracks"][track]`` is a list, one entry per file of the track: the numbers of `StemReport`,
        with overs in seconds from the file's first sample and in dB; ``["files"][file]`` lists what was written for a
        file of the take.
    """
    held: Mapping[str, Any] = before.figures.get("render", {}) if before is not None else {}
    known = {t.track for t in plan.tracks}
    new = {s.file for s in report.stems}
    tracks = {
        t: [e for e in v if isinstance(e, Mapping) and str(e.get("file")) not in new]
        for t, v in held.get("tracks", {}).items()
        if t in known
    }
    for s in report.stems:
        tracks.setdefault(s.track, []).append(s.to_dict(plan.sr))
    files = {**held.get("files", {}), **{k: list(v) for k, v in report.files.items()}}
    return plan.with_figures("render", {"tracks": dict(sorted(tracks.items())), "files": dict(sorted(files.items()))})


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


def _room(job: Job, out: Path, files: Sequence[AudioFile]) -> None:
    """Make the folders; everything that can be known to fail fails here."""
    folder = job.stems
    inside = {f.path.resolve().parent for t in job.take.tracks for f in t.files}
    target = folder.resolve()
    for home in inside:
        if target == home or home in target.parents:
            raise OutputError(f"{out}: lies inside the take {home.name}; choose a folder outside it")
    try:
        for made in (job.stems, job.removed) if job.output.removed else (job.stems,):
            made.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK | os.X_OK):
            raise OutputError(f"{folder}: no permission to write there; choose another folder")
        need = sum(_bytes(job, f) for f in files) + SPARE_BYTES
        free = shutil.disk_usage(folder).free
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f"{folder}: cannot be made ({error.strerror}); choose another folder") from error
    if need > free:
        raise OutputError(f"{folder}: needs {need / 1e9:.2f} GB, but the disk has {free / 1e9:.2f} GB left; make room")


def _bytes(job: Job, file: AudioFile) -> int:
    size = file.path.stat().st_size
    tracks, drums = tracks_of(job.take, file), drums_of(job.take, job.plan)
    if (job.output.format or job.output.subtype) and any(t.id in drums for t in tracks):
        each = [t.sample_bytes * len(t.channels) for t in job.targets(file, tracks)]
        size = max(size, file.n_samples * sum(each))
    return size * (2 if job.output.removed else 1)


def _render_file(job: Job, file: AudioFile) -> _Written:
    tracks = tracks_of(job.take, file)
    active = any(job.chains[t.id] for t in tracks)
    drums = drums_of(job.take, job.plan)
    if not active and not any(t.id in drums for t in tracks):
        return _copied(job, file, tracks)
    targets = job.targets(file, tracks)
    remade = any(not t.is_as(file) or job.markers(file, tracks, t) for t in targets)
    if active or (remade and not job.output.changed_only):
        if len(tracks) != file.n_channels:
            text = f"{len(tracks)} of its {file.n_channels} channels are in the take; all are needed"
            raise PlanError(f"{file.name}: {text}")
        written = _written(job, file, tracks, targets, job.chains if active else {}, active)
        if written is not None:
            return written
        if remade and not job.output.changed_only:
            again = _written(job, file, tracks, targets, {}, False)
            if again is not None:
                return again
    return _copied(job, file, tracks)


def _copied(job: Job, file: AudioFile, tracks: Sequence[Track]) -> _Written:
    name = job.names[file.name, tracks[0].channel]
    keep = not job.output.changed_only
    reports = [StemReport(track=t.id, file=name, copied=True, written=keep) for t in tracks]
    if not keep:
        return [], reports, [], {}
    return [FileCopy(file.path, job.stems, name)], reports, [f"{STEMS}/{name}"], {}


def _written(
    job: Job,
    file: AudioFile,
    tracks: Sequence[Track],
    targets: Sequence[Target],
    chains: Mapping[str, tuple[Running, ...]],
    must_change: bool,
) -> _Written | None:
    """Write the stems of one file; None, and nothing left, if its audio `must_change` and did not."""
    parts = {
        t.channel: TrackStem(job.take, t, file, targets[0].subtype, chains.get(t.id, ()), job.plan.shift_of(t.id))
        for t in tracks
    }
    cleaned = [t for t in tracks if any(not r.moves for r in chains.get(t.id, ()))] if job.output.removed else []
    moved = {
        t.channel: TrackStem(job.take, t, file, targets[0].subtype, tuple(r for r in chains.get(t.id, ()) if r.moves))
        for t in tracks
        if cleaned
    }
    writers: list[StemWriter] = []
    rest: list[StemWriter | None] = []
    clipped = 0
    try:
        for target in targets:
            own = [t for t in tracks if t.channel in target.channels]
            writers.append(StemWriter(file, job.stems, target, edits_of(job, file, own, target, chains, STEMS)))
            wanted = any(t in cleaned for t in own)
            rest.append(
                StemWriter(file, job.removed, target, edits_of(job, file, own, target, chains, REMOVED))
                if wanted
                else None
            )
        for a in range(file.start, file.start + file.n_samples, job.block):
            b = min(a + job.block, file.start + file.n_samples)
            y = {c: part.block(a, b) for c, part in parts.items()}
            if job.listen is not None:
                for part in parts.values():
                    if any(not r.moves for r in part.chain):
                        job.listen(part.track.id, a, part.removed(a, b))
            for target, writer, other in zip(targets, writers, rest, strict=True):
                writer.write(_frames([y[c] for c in target.channels]))
                if other is not None:
                    whole = [moved[c].block(a, b) for c in target.channels]
                    left = [_difference(m, y[c], target) for m, c in zip(whole, target.channels, strict=True)]
                    clipped += sum(n for _, n in left)
                    other.write(_frames([d for d, _ in left]))
        all_writers = [w for w in (*writers, *rest) if w is not None]
        if must_change and not any(p.changed for p in parts.values()):
            for w in all_writers:
                w.abort()
            return None
        for w in all_writers:
            w.finish()
    except BaseException:
        for begun in (*writers, *rest):
            if begun is not None:
                begun.abort()
        raise
    reports, names = [], []
    for target, other in zip(targets, rest, strict=True):
        notes = notes_of(job, file, target, clipped)
        names += [f"{STEMS}/{target.name}"] + ([f"{REMOVED}/{target.name}"] if other is not None else [])
        for c in target.channels:
            report = parts[c].report(target.name)
            reports.append(
                dataclasses.replace(report, notes=notes, removed_file=target.name if other is not None else "")
            )
    return list(all_writers), reports, names, {part.track.id: part.outline.small() for part in parts.values()}


def _pictures(found: Iterable[Mapping[str, NDArray[np.int8]]]) -> dict[str, NDArray[np.int8]]:
    """Pictures by track; those of the files of one recording lie one behind the other."""
    whole: dict[str, NDArray[np.int8]] = {}
    for outlines in found:
        for track, new in outlines.items():
            old = whole.setdefault(track, new)
            if old is not new:
                whole[track] = np.stack([np.minimum(old[:, 0], new[:, 0]), np.maximum(old[:, 1], new[:, 1])], axis=1)
    return whole


def _frames(channels: Sequence[NDArray[Any]]) -> NDArray[Any]:
    """Channels one over the other; a single one is not copied."""
    return channels[0][None] if len(channels) == 1 else np.stack(channels)


def _difference(moved: NDArray[Any], kept: NDArray[Any], target: Target) -> tuple[NDArray[Any], int]:
    """Give what was removed in the format of the file, and how many samples did not fit into it."""
    if moved.dtype != np.int32:
        held = kept.astype(np.float32).astype(np.float64) if target.subtype == "FLOAT" else kept
        return moved - held, 0
    top = 2 ** (8 * target.sample_bytes - 1)
    exact = moved.astype(np.int64) - kept
    fitting = np.clip(exact, -top, top - 1)
    return fitting.astype(np.int32), int(np.count_nonzero(fitting != exact))
