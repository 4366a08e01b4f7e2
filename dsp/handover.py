"""What the stems of a plan are to be: names, formats, markers, and what is new in their metadata."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.audio.marker import Marker
from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.plan.cuts import markers_of
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.plan.output import SUBTYPES, Output, output_of, stem_names
from spillgate.dsp.running import Running
from spillgate.dsp.take.foreign import WAV_FAMILY, left_behind
from spillgate.dsp.take.metadata import new_umid
from spillgate.dsp.take.model import AudioFile, Take, Track
from spillgate.dsp.take.target import Edits, Target

__all__ = [
    "REMOVED",
    "STEMS",
    "Job",
    "check_targets",
    "drums_of",
    "edits_of",
    "files_of",
    "names_of_stems",
    "notes_of",
    "tracks_of",
]

STEMS, REMOVED = "stems", "removed"
"""Folders in the output."""


@dataclass(frozen=True)
class Job:
    """What holds for all files of one render."""

    take: Take
    plan: Plan
    output: Output
    chains: Mapping[str, tuple[Running, ...]]
    names: Mapping[tuple[str, int], str]
    stems: Path
    removed: Path
    block: int
    listen: Callable[[str, int, NDArray[np.float64]], None] | None = None

    def targets(self, file: AudioFile, tracks: Sequence[Track]) -> list[Target]:
        """Say what becomes of a file."""
        return _targets(self.output, self.names, file, tracks)

    def markers(self, file: AudioFile, tracks: Sequence[Track], target: Target) -> tuple[Marker, ...]:
        """Give the markers of some tracks, from the file's first sample on; none where the format has no place."""
        if not self.output.markers or target.format not in WAV_FAMILY:
            return ()
        found = [m for t in tracks for m in markers_of(self.plan, t.id, self.output.markers)]
        local = [dataclasses.replace(m, at=m.at - file.start) for m in sorted(found)]
        return tuple(m for m in local if 0 <= m.at < file.n_samples)


def names_of_stems(take: Take, plan: Plan) -> dict[tuple[str, int], str]:
    """Name the stem of every file and channel of a take.

    Raises
    ------
    ParameterError
        If two would have the same name.
    """
    drums = drums_of(take, plan)
    rows = [(t.id, f.name, t.channel, t.position, t.id in drums) for t in take.tracks for f in t.files]
    return stem_names(rows, output_of(plan))


def drums_of(take: Take, plan: Plan) -> frozenset[str]:
    """Give the tracks that belong to the kit; a correction may have said so in the plan."""
    roles = {**{t.id: t.role for t in take.tracks}, **{f.track: f.role for f in plan.tracks}}
    return frozenset(t for t, role in roles.items() if role != "other")


def check_targets(take: Take, plan: Plan) -> None:
    """Make sure that the stems can be what the plan wants them to be.

    Raises
    ------
    ParameterError
        A format that cannot hold a track's samples, or two stems of one name.
    """
    names, output, drums = names_of_stems(take, plan), output_of(plan), drums_of(take, plan)
    for file in files_of(take, None):
        tracks = tracks_of(take, file)
        if any(t.id in drums for t in tracks):
            _targets(output, names, file, tracks)


def _targets(
    output: Output, names: Mapping[tuple[str, int], str], file: AudioFile, tracks: Sequence[Track]
) -> list[Target]:
    subtype = SUBTYPES.get(output.subtype, "")
    groups = [[t] for t in tracks] if output.split and file.n_channels > 1 else [list(tracks)]
    return [
        Target.of(file, names[file.name, g[0].channel], output.format, subtype, [t.channel for t in g]) for g in groups
    ]


def files_of(take: Take, only: Iterable[str] | None) -> list[AudioFile]:
    """Give the files of a take, or only those of some tracks or names.

    Raises
    ------
    ParameterError
        If nothing has such a name.
    """
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


def tracks_of(take: Take, file: AudioFile) -> list[Track]:
    """Give the tracks that a file holds, in the order of its channels."""
    tracks = [t for t in take.tracks if any(f.name == file.name for f in t.files)]
    return sorted(tracks, key=lambda t: t.channel)


def edits_of(
    job: Job,
    file: AudioFile,
    tracks: Sequence[Track],
    target: Target,
    chains: Mapping[str, tuple[Running, ...]],
    which: str,
) -> Edits:
    """Say what is new in the metadata of one stem."""
    markers = job.markers(file, tracks, target)
    steps = []
    for t in tracks:
        done = "; ".join(r.words for r in chains.get(t.id, ()))
        if done:
            steps.append(done if len(tracks) == 1 else f"channel {t.channel + 1}: {done}")
    recoded = target.subtype != file.subtype
    if not steps and not recoded:
        return Edits(markers=markers)
    said = [*steps] + (["what was removed"] if which == REMOVED else []) + (["recoded"] if recoded else [])
    umid = b""
    if job.output.new_umid and steps:
        fact = next((f for f in job.plan.tracks if f.file == file.name), None)
        umid = new_umid(version("spillgate"), which, target.name, fact.fingerprint if fact else "", _work(job, tracks))
    return Edits(line=f"Spillgate {version('spillgate')}; " + "; ".join(said), umid=umid, markers=markers)


def _work(job: Job, tracks: Sequence[Track]) -> str:
    """Everything that is done to some tracks, as one text."""
    rows = []
    for t in tracks:
        for spec in job.plan.steps.get(t.id, ()):
            arrays = {k: hashlib.blake2b(job.plan.arrays[v].tobytes()).hexdigest() for k, v in spec.arrays.items()}
            rows.append([t.id, spec.step, dict(spec.params), arrays])
    return json.dumps([rows, job.output.to_dict()], sort_keys=True, default=float)


def notes_of(job: Job, file: AudioFile, target: Target, clipped: int) -> tuple[str, ...]:
    """Say what a stem cannot take over; `clipped` samples of what was removed did not fit into the format."""
    notes = []
    lost = left_behind(file.path, file.format, target.format)
    kind = target.format.replace("WAVEX", "WAV")
    if lost:
        notes.append(f"{kind} cannot take over {', '.join(lost)} from the recording")
    if job.output.markers and target.format not in WAV_FAMILY:
        notes.append(f"no markers: they can only be written to WAV files, not to {kind}")
    if clipped:
        notes.append(f"{REMOVED}/{target.name}: {clipped} samples were beyond full scale and are clipped there")
    return tuple(notes)
