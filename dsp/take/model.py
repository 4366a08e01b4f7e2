"""The take and its tracks as immutable values; audio is read in blocks when asked for."""

from __future__ import annotations

import dataclasses
import os
import tempfile
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.writing import mapped

__all__ = ["CLOSE_ROLES", "ROLES", "AudioFile", "Progress", "Reader", "Take", "Track"]

ROLES = (
    "kick",
    "snare",
    "hat",
    "tom",
    "cymbal",
    "overhead",
    "room",
    "front",
    "trigger",
    "percussion",
    "other",
)
"""Every role a track can have; `other` is no drum and is copied unread."""

CLOSE_ROLES = ("kick", "snare", "hat", "tom", "cymbal")
"""Roles of mics that stand at one drum or cymbal."""

T = TypeVar("T")


class Progress(Protocol):
    """What `Take.map` tells about its work."""

    def __call__(self, done: int, of: int, what: str) -> None:
        """`done` of `of` pieces of `what` are finished."""


@dataclass(frozen=True, kw_only=True)
class AudioFile:
    """One file of the take.

    Attributes
    ----------
    path : Path
    name : str
        File name inside the take's folder; names the stem, too.
    sr, n_channels, n_samples : int
    format, subtype : str
        As ``soundfile`` names them, e.g. ``"WAV"``, ``"PCM_24"``.
    start : int
        First sample's place on the take's timeline.
    """

    path: Path
    name: str
    sr: int
    n_channels: int
    n_samples: int
    format: str
    subtype: str
    start: int = 0


@dataclass(frozen=True, kw_only=True)
class Track:
    """One mic: a channel of one file, or of several that follow one another.

    Attributes
    ----------
    id : str
        File name of the first file; in files of several channels with ``:channel`` behind it.
    files : tuple of AudioFile
        In order of time; more than one if the recorder split the recording.
    channel : int
    role : str
        One of `ROLES`.
    drum, position : str or None
        Words of the design: ``"tom1"``, ``"top"``, …
    target : str or None
        Track id of the overhead it is to be aligned to, if the input list names one.
    doubt : str
        Why the guess of role or drum is doubtful; empty if it is not.
    recall : mapping
        Recall fields of the input list (``mic``, ``distance_cm``, …).
    parameters : mapping
        Per-track parameters of the input list: ``{"gate": {"floor_db": -18.0}}``.
    intended : tuple of str
        Codes of findings that the input list calls intended.
    name : str
        What the file itself calls this channel of several (iXML); mostly empty.
    explains : bool
        Whether a track that is no drum (a guitar, a monitor) may explain bleed; such a track is read, too.
    """

    id: str
    files: tuple[AudioFile, ...]
    channel: int = 0
    role: str = "other"
    drum: str | None = None
    position: str | None = None
    target: str | None = None
    doubt: str = ""
    recall: Mapping[str, Any] = field(default_factory=dict)
    parameters: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    intended: tuple[str, ...] = ()
    name: str = ""
    explains: bool = False

    @property
    def file(self) -> AudioFile:
        """The first (mostly the only) file."""
        return self.files[0]

    @property
    def start(self) -> int:
        """First sample on the take's timeline."""
        return self.files[0].start

    @property
    def stop(self) -> int:
        """One past the last sample on the take's timeline."""
        return self.files[-1].start + self.files[-1].n_samples

    @property
    def is_close(self) -> bool:
        """Whether it stands at one drum or cymbal."""
        return self.role in CLOSE_ROLES

    @property
    def is_drum(self) -> bool:
        """Whether it belongs to the kit at all."""
        return self.role != "other"

    @property
    def label(self) -> str:
        """Short name for people: the file's without ending; two channels have sides, more have names of their own."""
        stem = Path(self.file.name).stem
        if self.file.n_channels == 1:
            return stem
        if self.file.n_channels == 2:
            return f"{stem} {self.position or ('left', 'right')[self.channel]}"
        return self.name or f"{stem} channel {self.channel + 1}"


class Reader(Protocol):
    """Reads samples of a track; safe to call from several threads at once."""

    def __call__(self, track: Track, start: int, stop: int, dtype: str) -> NDArray[Any]:
        """Samples `start` to `stop` on the take's timeline, zero where the track has none, shape (stop - start,)."""


def _no_reader(track: Track, start: int, stop: int, dtype: str) -> NDArray[Any]:
    """Stand in where a take is made for its facts alone."""
    raise NotImplementedError("this take was made without a reader")


class _Once:
    """Results by name, the latest of each; of several threads one makes it and the others wait."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._locks: dict[str, threading.Lock] = {}
        self._held: dict[str, tuple[Any, Any]] = {}

    def get(self, name: str, made_from: Any, make: Callable[[], T]) -> T:
        with self._lock:
            lock = self._locks.setdefault(name, threading.Lock())
        with lock:
            held = self._held.get(name)
            if held is None or held[0] != made_from:
                held = self._held[name] = (made_from, make())
        result: T = held[1]
        return result


@dataclass(frozen=True, kw_only=True)
class Take:
    """Audio files recorded together.

    Attributes
    ----------
    name : str
        Folder name; used in texts only.
    folder : Path or None
    sr, n_samples : int
        Common rate in Hz; length of the timeline from the earliest first to the latest last sample.
    tracks : tuple of Track
        In kit order.
    reader : Reader
    workers : int
        Threads that `map` uses.
    progress : Progress or None
    features : mapping of str to mapping of str to ndarray
        What the streaming pass measured: ``features["band_powers"][track.id]``, shape (n_frames, n_columns).
    fingerprints, peaks : mapping of str to (str, float)
        Per file name and per track id, known after the streaming pass.
    outlines : mapping of str to ndarray of int8, shape (n_pieces, 2)
        Pictures of the tracks, known after the streaming pass (`spillgate.dsp.core.audio.overview`).
    view : {'drummer', 'audience'}
        Whose left and right.
    layout : str or None
        Overhead layout, if the input list names it.
    work : Path or None
        Where long arrays go that a long take cannot hold in memory; None: there is no need.
    left_out : tuple of str
        Audio files in the folder that were left out because somebody said so.
    """

    name: str
    sr: int
    n_samples: int
    tracks: tuple[Track, ...]
    folder: Path | None = None
    reader: Reader = _no_reader
    workers: int = 1
    progress: Progress | None = None
    features: Mapping[str, Mapping[str, NDArray[Any]]] = field(default_factory=dict)
    fingerprints: Mapping[str, str] = field(default_factory=dict)
    peaks: Mapping[str, float] = field(default_factory=dict)
    outlines: Mapping[str, NDArray[np.int8]] = field(default_factory=dict)
    view: str = "drummer"
    layout: str | None = None
    work: Path | None = None
    left_out: tuple[str, ...] = ()
    _worked_out: _Once = field(default_factory=lambda: _Once(), init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for name in ("features", "fingerprints", "peaks", "outlines"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def replace(self, **changes: Any) -> Take:
        """Return a take with some fields changed."""
        return dataclasses.replace(self, **changes)

    def read(self, track: Track, start: int = 0, stop: int | None = None, dtype: str = "float32") -> NDArray[Any]:
        """Read samples of one track.

        Parameters
        ----------
        track : Track
        start, stop : int
            On the take's timeline; may lie outside it. Default: all of it.
        dtype : {'float32', 'float64'}
            float32 holds up to 24-bit samples exactly.

        Returns
        -------
        x : ndarray, shape (stop - start,)
            Zero where the track has no samples.

        Raises
        ------
        AudioFileError
            If the file cannot be read.
        """
        return self.reader(track, start, self.n_samples if stop is None else stop, dtype)

    def of_role(self, *roles: str) -> tuple[Track, ...]:
        """Return the tracks of these roles in kit order."""
        return tuple(t for t in self.tracks if t.role in roles)

    def of_drum(self, drum: str) -> tuple[Track, ...]:
        """Return the close mics of one drum in kit order."""
        return tuple(t for t in self.tracks if t.is_close and t.drum == drum)

    def room(self, shape: tuple[int, ...], dtype: Any = np.float32) -> NDArray[Any]:
        """Make an array for something long: in memory, or in a file that goes with the run for a long take.

        Parameters
        ----------
        shape : tuple of int
        dtype : dtype

        Returns
        -------
        array : ndarray
            Zeros.
        """
        if self.work is None or not int(np.prod(shape)):
            return np.zeros(shape, dtype)
        handle, name = tempfile.mkstemp(".dat", "room-", self.work)
        os.close(handle)
        return mapped(Path(name), shape, dtype)

    def once(self, name: str, made_from: Any, make: Callable[[], T]) -> T:
        """Work something out of the features once and share it between processors.

        Parameters
        ----------
        name : str
            What it is, with the name of its track.
        made_from : hashable
            Everything besides the take that it depends on; if that has changed it is made anew.
        make : callable
            Makes it; its result must not be changed by anybody.

        Returns
        -------
        result
            Held until the take is replaced.
        """
        return self._worked_out.get(name, made_from, make)

    @property
    def drum_tracks(self) -> tuple[Track, ...]:
        """All tracks that belong to the kit."""
        return tuple(t for t in self.tracks if t.is_drum)

    @property
    def heard_tracks(self) -> tuple[Track, ...]:
        """Those and the ones that may explain bleed: all that are read."""
        return tuple(t for t in self.tracks if t.is_drum or t.explains)

    def track(self, name: str) -> Track:
        """Find a track by id, file name, file name without ending, or the name of its drum.

        Raises
        ------
        ParameterError
            If none, or more than one, answers to that name.
        """
        for found in (
            [t for t in self.tracks if t.id == name],
            [t for t in self.tracks if t.file.name == name or Path(t.file.name).stem == name or t.label == name],
            [t for t in self.tracks if t.drum == name],
        ):
            if len(found) == 1:
                return found[0]
            if found:
                raise ParameterError(f"{name}: names {len(found)} tracks; use one of {', '.join(t.id for t in found)}")
        known = [Path(t.file.name).stem for t in self.tracks]
        raise ParameterError(f"{name}: no such track in {self.name}; {nearest(name, known)}")

    def map(self, func: Callable[[Any], T], items: Iterable[Any], what: str = "") -> list[T]:
        """Apply `func` to every item on the take's threads.

        Parameters
        ----------
        func : callable
            Must not depend on the order of the calls.
        items : iterable
            Mostly tracks.
        what : str
            Named to the progress display.

        Returns
        -------
        results : list
            In the order of `items`, whatever the number of workers.
        """
        todo: Sequence[Any] = list(items)
        results: list[T] = []
        if self.workers <= 1 or len(todo) <= 1:
            for k, item in enumerate(todo):
                results.append(func(item))
                self._tell(k + 1, len(todo), what)
            return results
        with ThreadPoolExecutor(self.workers) as pool:
            for k, result in enumerate(pool.map(func, todo)):
                results.append(result)
                self._tell(k + 1, len(todo), what)
        return results

    def _tell(self, done: int, of: int, what: str) -> None:
        if self.progress is not None and what:
            self.progress(done, of, what)

    @classmethod
    def from_arrays(
        cls, tracks: Sequence[Track], audio: Mapping[str, NDArray[Any]], sr: int, name: str = "take"
    ) -> Take:
        """Make a take of arrays in memory (tests, synthesis, interactive use).

        Parameters
        ----------
        tracks : sequence of Track
        audio : mapping of track id to ndarray, shape (n_samples,)
            All start at the timeline's first sample.
        sr : int
            Hz.
        name : str

        Returns
        -------
        take : Take
        """
        held = {k: np.asarray(v) for k, v in audio.items()}

        def reader(track: Track, start: int, stop: int, dtype: str) -> NDArray[Any]:
            x = held[track.id]
            y = np.zeros(max(stop - start, 0), dtype)
            a, b = max(start, 0), min(stop, len(x))
            if b > a:
                y[a - start : b - start] = x[a:b]
            return y

        n = max((len(v) for v in held.values()), default=0)
        return cls(name=name, sr=sr, n_samples=n, tracks=tuple(tracks), reader=reader)
