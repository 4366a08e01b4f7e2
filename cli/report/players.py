"""What the report plays: stems and originals where a browser can, previews for the rest and for what was removed."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Collection
from pathlib import Path
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.plan.model import Plan
from spillgate.dsp.plan.output import output_of
from spillgate.dsp.steps.base import Context
from spillgate.dsp.steps.move import MoveStep
from spillgate.dsp.take.model import Take, Track
from spillgate.dsp.take.preview import Preview, write_preview

__all__ = ["PLAYS", "PREVIEWS", "Removed", "cleaned", "players", "removed", "write_previews"]

PLAYS = frozenset({("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "FLOAT"), ("WAVEX", "PCM_16"), ("WAVEX", "PCM_24"),
                   ("WAVEX", "FLOAT"), ("WAV", "PCM_32"), ("FLAC", "PCM_16"), ("FLAC", "PCM_24")})  # fmt: skip
"""Formats that browsers play; the others get previews."""

PREVIEWS = "previews"
"""Folder in the output."""

BLOCK = 1 << 18


def cleaned(plan: Plan, track: str) -> bool:
    """Whether a track was treated, not only moved."""
    return any(s.step != "move" for s in plan.steps.get(track, ()))


def removed(take: Take, plan: Plan, stems: Take, track: Track, a: int, b: int) -> NDArray[np.float32]:
    """Samples `a` to `b` of what was taken away: the recording, moved like its stem, minus the stem."""
    stem = stems.read(stems.track(track.id), a, b)
    gone: NDArray[np.float32] = (_moved(take, plan, track, a, b) - stem).astype(np.float32)
    return gone


def _moved(take: Take, plan: Plan, track: Track, a: int, b: int) -> NDArray[np.float64]:
    spec = next((s for s in plan.steps.get(track.id, ()) if s.step == "move"), None)
    if spec is None:
        x: NDArray[np.float64] = take.read(track, a, b, "float64")
        return x
    step = MoveStep(**spec.params)
    before, after = step.margins(take.sr)
    context = Context(
        start=a,
        n_out=b - a,
        sr=take.sr,
        n_samples=take.n_samples,
        track=track.id,
        arrays={},
        read=lambda other, c, d: np.zeros(max(d - c, 0)),
    )
    return step.apply(take.read(track, a - before, b + after, "float64"), context)


def players(track: Track, plan: Plan, final: Path) -> list[dict[str, str]]:
    """Say what can be listened to, with addresses relative to the page."""
    listed = []
    changed = track.id in plan.steps
    if not _plays(track):
        listed.append({"which": "before", "src": _preview(track, "before")})
    elif track.file.path.is_file():
        relative = os.path.relpath(track.file.path.resolve(), final.resolve())
        listed.append({"which": "before", "src": quote(Path(relative).as_posix())})
    if changed:
        stem = _stem(track, plan)
        listed.append({"which": "after", "src": quote(f"stems/{stem}") if stem else _preview(track, "after")})
    if cleaned(plan, track.id):
        listed.append({"which": "removed", "src": _preview(track, "removed")})
    return listed


class Removed:
    """Writes what is removed from the tracks while they are rendered, each over its stem to the nearest sample.

    Parameters
    ----------
    take, plan : Take, Plan
    new : Path
        As for `write_previews`.
    """

    def __init__(self, take: Take, plan: Plan, new: Path) -> None:
        self._plan, self._new = plan, new
        alone = [t for t in take.drum_tracks if len(t.files) == 1 and cleaned(plan, t.id)]
        self._tracks = {t.id: t for t in alone}
        self._limits = {t.track: t.peak or 1.0 for t in plan.tracks}
        self._open: dict[str, tuple[Preview, int]] = {}

    def __call__(self, track_id: str, start: int, x: NDArray[np.float64]) -> None:
        """Hear the next block of a track."""
        track = self._tracks.get(track_id)
        if track is None:
            return
        if track_id not in self._open:
            path = self._new / _name(track, "removed")
            path.parent.mkdir(parents=True, exist_ok=True)
            self._open[track_id] = Preview(path, track.file.sr, self._limits.get(track_id, 1.0)), 0
        preview, done = self._open[track_id]
        n, at = track.stop - track.start, start - track.start + self._plan.shift_of(track_id)
        if at > done:
            preview.write(np.zeros(min(at, n) - done))
            done = min(at, n)
        x = x[done - at :][: n - done] if at < done + len(x) else x[:0]
        move = next((a for a in self._plan.alignments if a.track == track_id and a.applied), None)
        preview.write(-x if move is not None and move.polarity < 0 else x)
        self._open[track_id] = preview, done + len(x)

    def close(self) -> frozenset[str]:
        """Complete what was begun; gives the tracks."""
        begun, self._open = self._open, {}
        for track_id, (preview, done) in begun.items():
            missing = self._tracks[track_id].stop - self._tracks[track_id].start - done
            if missing > 0:
                preview.write(np.zeros(missing))
            preview.close()
        return frozenset(begun)


def write_previews(
    take: Take,
    plan: Plan,
    stems: Take,
    new: Path,
    files: Collection[str] | None,
    there: Path | None = None,
    done: Collection[str] = (),
) -> list[Path]:
    """Write sounds for the report: what was removed, and what a browser cannot play as it is.

    Parameters
    ----------
    take, plan : Take, Plan
    stems : Take
        The rendered files with the same tracks.
    new : Path
        Folder that is written to; the previews go to ``new / "previews"``.
    files : collection of str or None
        Stems that were rendered anew; None for all. Previews of other tracks stay as they are…
    there : Path, optional
        …if this folder has them already.
    done : collection of str, optional
        Tracks whose removed sound is there already (`Removed`).

    Returns
    -------
    paths : list of Path
        FLAC, 16 bit, as long as the track, never above the original's peak; nothing in them depends on the clock.
    """
    peak_of = {t.track: t.peak for t in plan.tracks}
    todo: list[tuple[Track, str]] = []
    for track in take.drum_tracks:
        anew = files is None or any(f.name in files for f in track.files)
        kinds = [] if _plays(track) else ["before"]
        kinds += ["after"] if track.id in plan.steps and _stem(track, plan) is None else []
        kinds += ["removed"] if cleaned(plan, track.id) and track.id not in done else []
        todo += [(track, k) for k in kinds if anew or there is None or not (there / _name(track, k)).is_file()]

    def one(job: tuple[Track, str]) -> Path:
        track, kind = job
        read: dict[str, Callable[[int, int], NDArray[np.float32]]] = {
            "before": lambda a, b: take.read(track, a, b),
            "after": lambda a, b: stems.read(stems.track(track.id), a, b),
            "removed": lambda a, b: removed(take, plan, stems, track, a, b),
        }
        path = new / _name(track, kind)
        path.parent.mkdir(parents=True, exist_ok=True)
        blocks = (read[kind](a, min(a + BLOCK, track.stop)) for a in range(track.start, track.stop, BLOCK))
        write_preview(path, blocks, take.sr, peak_of.get(track.id) or 1.0)
        return path

    return take.map(one, todo, "previews")


def _plays(track: Track) -> bool:
    return (track.file.format, track.file.subtype) in PLAYS and len(track.files) == 1


def _stem(track: Track, plan: Plan) -> str | None:
    """Name the stem if a browser plays it and it is sure to be there."""
    output = output_of(plan)
    if not _plays(track) or output.format or output.subtype or output.split or output.changed_only:
        return None
    return f"{Path(track.file.name).stem}{output.suffix}{Path(track.file.name).suffix}"


def _name(track: Track, kind: str) -> str:
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in track.label)[:40]
    digest = hashlib.blake2b(track.id.encode(), digest_size=4).hexdigest()
    return f"{PREVIEWS}/{plain}-{digest}-{kind}.flac"


def _preview(track: Track, kind: str) -> str:
    return quote(_name(track, kind))
