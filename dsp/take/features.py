"""The one streaming pass over the take that measures all features a chain needs.

A feature is a streaming function: blocks of audio go in, rows of numbers come out, and what it must remember between
blocks is a value that goes in and comes out.  Its arithmetic lives in `spillgate.dsp.core`; `FEATURES` only says
where.  Rows sit on an absolute grid (row k starts at k × hop), so how the audio is cut changes no bit.
"""

from __future__ import annotations

import hashlib
import importlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.audio.overview import Outline, piece_length
from spillgate.dsp.errors import AudioFileError, ParameterError, about, nearest
from spillgate.dsp.take.model import Take, Track
from spillgate.dsp.writing import mapped

__all__ = ["FEATURES", "Feature", "feature", "measure"]

BLOCK = 1 << 19
"""Samples read at a time."""

IN_MEMORY_BYTES = 150_000_000
"""Features of a take larger than this go to plain files in the work folder."""


class Feature(Protocol):
    """A streaming measurement of one track."""

    roles: frozenset[str]
    """Roles of the tracks it is measured on."""

    def shape(self, sr: int, n_samples: int) -> tuple[int, int]:
        """(n_frames, n_columns) of the result for a track of this length."""

    def start(self, sr: int) -> Any:
        """State before the first block."""

    def push(self, x: NDArray[np.float32], state: Any) -> tuple[NDArray[np.float32], Any]:
        """Rows that this block, shape (n,), completes, and the new state."""

    def finish(self, state: Any) -> NDArray[np.float32]:
        """The rows that remain after the last block (as if silence followed)."""


FEATURES: dict[str, str] = {
    "band_envelopes": "spillgate.dsp.core.hits.envelopes:BandEnvelopes",
    "band_powers": "spillgate.dsp.core.cleaning.bandgrid:BandPowers",
    "low_band": "spillgate.dsp.core.hits.lows:LowBand",
    "low_rate": "spillgate.dsp.core.cleaning.lowrate:LowRate",
    "levels": "spillgate.dsp.core.checks.levels:Levels",
}
"""Name of each feature -> where its class is."""
OF_EXPLAINING = frozenset({"band_powers", "low_rate"})
"""Features that are also measured on tracks which are no drum but may explain bleed."""


def feature(name: str) -> Feature:
    """Give the streaming function of that name.

    Parameters
    ----------
    name : str
        Key of `FEATURES`.

    Returns
    -------
    measurement : Feature

    Raises
    ------
    ParameterError
        If there is none.
    """
    if name not in FEATURES:
        raise ParameterError(f"{name}: no such feature; {nearest(name, FEATURES)}")
    module, cls = FEATURES[name].split(":")
    made: Feature = getattr(importlib.import_module(module), cls)()
    return made


def measure(take: Take, names: Iterable[str], work: Path | None = None, hashed: bool = True) -> Take:
    """Read every drum track once and measure the named features, peaks and fingerprints.

    So it does with every other track that may explain bleed, for the features that are about bleed.

    Parameters
    ----------
    take : Take
    names : iterable of str
        Keys of `FEATURES`.
    work : Path, optional
        Folder for the features of long takes; without it everything stays in memory.
    hashed : bool, optional
        Whether fingerprints of the files are wanted, which takes as long as reading them.

    Returns
    -------
    take : Take
        With `features`, `peaks`, `outlines` and `fingerprints` filled in.

    Raises
    ------
    AudioFileError
        If a track holds NaN or infinity; the message names the first place.
    """
    todo = {name: feature(name) for name in sorted(set(names))}
    tracks = take.heard_tracks

    def measured_on(track: Track) -> dict[str, Feature]:
        return {n: f for n, f in todo.items() if track.role in f.roles or (track.explains and n in OF_EXPLAINING)}

    sizes = [4 * int(np.prod(f.shape(take.sr, take.n_samples))) for t in tracks for f in measured_on(t).values()]
    on_disk = work is not None and sum(sizes) > IN_MEMORY_BYTES

    def one(track: Track) -> tuple[dict[str, NDArray[np.float32]], float, NDArray[np.int8]]:
        mine = measured_on(track)
        states = {n: f.start(take.sr) for n, f in mine.items()}
        rows = {
            n: _room(f.shape(take.sr, take.n_samples), n, track, work if on_disk else None) for n, f in mine.items()
        }
        filled = dict.fromkeys(mine, 0)
        peak = 0.0
        outline = Outline(piece_length(take.sr, take.n_samples), take.n_samples, 0, take.n_samples)
        for a in range(0, take.n_samples, BLOCK):
            b = min(a + BLOCK, take.n_samples)
            x = take.read(track, a, b)
            top = max(float(x.max(initial=0.0)), -float(x.min(initial=0.0)))  # NaN and infinity come through
            if not np.isfinite(top):
                first = int(np.flatnonzero(~np.isfinite(x))[0]) + a - track.start
                text = f"{track.file.name}: sample {first} (at {first / take.sr:.3f} s) is not a finite number; "
                raise about(track.file.name, AudioFileError(text + "export the file again"))
            peak = max(peak, top)
            outline.push(x, a)
            for n, f in mine.items():
                new, states[n] = f.push(x, states[n])
                filled[n] = _put(rows[n], filled[n], new)
        for n, f in mine.items():
            filled[n] = _put(rows[n], filled[n], f.finish(states[n]))
        return rows, peak, outline.small()

    measured = take.map(one, tracks, "listening")
    features: dict[str, dict[str, NDArray[np.float32]]] = {n: {} for n in todo}
    for track, (rows, _, _) in zip(tracks, measured, strict=True):
        for n, array in rows.items():
            features[n][track.id] = array
    return take.replace(
        features={**take.features, **features},
        peaks={t.id: p for t, (_, p, _) in zip(tracks, measured, strict=True)},
        outlines={t.id: o for t, (_, _, o) in zip(tracks, measured, strict=True)},
        fingerprints=fingerprints(take) if hashed else {},
        work=work if on_disk else None,
    )


def fingerprints(take: Take) -> Mapping[str, str]:
    """Hash every file of the take; empty for a take without files."""
    files = {f.name: f.path for t in take.tracks for f in t.files if f.path.is_file()}

    def one(path: Path) -> str:
        try:
            with open(path, "rb") as stream:
                return hashlib.file_digest(stream, lambda: hashlib.blake2b(digest_size=16)).hexdigest()
        except OSError as error:
            raise AudioFileError(f"{path.name}: cannot be read ({error.strerror}); check the disk") from error

    return dict(zip(files, take.map(one, files.values()), strict=True))


def _room(shape: tuple[int, int], name: str, track: Track, work: Path | None) -> NDArray[np.float32]:
    if work is None:
        return np.zeros(shape, np.float32)
    work.mkdir(parents=True, exist_ok=True)
    plain = "".join(c if c.isalnum() else "_" for c in track.id)
    digest = hashlib.blake2b(track.id.encode(), digest_size=4).hexdigest()
    return mapped(work / f"{name}-{plain[:40]}-{digest}.f32", shape, np.float32)


def _put(rows: NDArray[np.float32], filled: int, new: NDArray[np.float32]) -> int:
    stop = min(filled + len(new), len(rows))
    rows[filled:stop] = new[: stop - filled]
    return stop
