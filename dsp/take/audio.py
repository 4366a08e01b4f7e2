"""Samples in: the adapter to ``soundfile``, and a reader that threads share."""

from __future__ import annotations

import io
import re
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from spillgate.dsp.errors import AudioFileError, OutputError, about
from spillgate.dsp.take import chunks
from spillgate.dsp.take.model import AudioFile, Track
from spillgate.dsp.writing import told

__all__ = ["FLOAT_TYPES", "INTEGER_BITS", "SUFFIXES", "FileReader", "Probe", "probe"]

SUFFIXES = frozenset({".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac"})
"""File endings of recordings; lossy formats are no recordings."""

HEADS = (b"FORM", b"fLaC", b"caff", b"riff")
"""First bytes of the containers besides WAV: AIFF, FLAC, CAF, W64."""

_LOSSY = (b"ID3", b"OggS", b"\xff\xfb", b"\xff\xf3", b"\xff\xf2")
"""First bytes of MPEG and Ogg files."""

_MPEG = (0x50, 0x55)
"""Format tags of MPEG sound in a WAV file (RFC 2361)."""

_DAMAGED = "cannot be read as audio; it may be cut short or damaged: copy or export it again"
_FOREIGN = "holds lossy sound and cannot be given back as it came; export it as 16, 24 or 32-bit PCM or as float"

CONTAINERS = frozenset({"WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"})
"""As ``soundfile`` names them."""

INTEGER_BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
FLOAT_TYPES: dict[str, np.dtype[Any]] = {"FLOAT": np.dtype(np.float32), "DOUBLE": np.dtype(np.float64)}

MAX_OPEN = 96
"""Files kept open at a time; systems allow 256 to 1024 for a program."""

_WRAPPED = 0xFFF00000
"""So many bytes behind the last chunk show that its size of 32 bits has run over (with 1 MiB for chunks behind it)."""

CACHE_BYTES = 32 << 20
"""Decoded blocks of files with several channels kept for the other channels."""


@dataclass(frozen=True)
class Probe:
    """What is known of a file before its samples are read.

    Attributes
    ----------
    file : AudioFile
        With `start` 0.
    time_reference : int or None
        Of its ``bext`` chunk, samples.
    channel_names : mapping of int to str
        From iXML.
    """

    file: AudioFile
    time_reference: int | None
    channel_names: dict[int, str]


class _AsRf64(io.RawIOBase):
    """A BW64 file that calls itself RF64: the same layout, under a name libsndfile knows."""

    def __init__(self, path: Path) -> None:
        self._stream = open(path, "rb")  # noqa: SIM115 - closed with the object

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0, /) -> int:
        return self._stream.seek(offset, whence)

    def tell(self) -> int:
        return self._stream.tell()

    def readinto(self, buffer: Any, /) -> int:
        at = self._stream.tell()
        n = self._stream.readinto(buffer)
        if at < 4:
            head = b"RF64"[at : at + n]
            buffer[: len(head)] = head
        return n

    def close(self) -> None:
        self._stream.close()
        super().close()


def open_sound(path: Path) -> sf.SoundFile:
    """Open a file with ``soundfile``; BW64 too."""
    with open(path, "rb") as stream:
        bw64 = stream.read(4) == b"BW64"
    return sf.SoundFile(_AsRf64(path) if bw64 else str(path))


@contextmanager
def sound_told(name: str, source: Path | None = None) -> Iterator[None]:
    """Turn what the system or the library says about a sound file that is written into one line."""
    with told(name, source):
        try:
            yield
        except sf.LibsndfileError as error:
            why = error.error_string.strip().rstrip(".").removeprefix("Error : ")
            text = f"{name}: cannot be written ({why}); look at the space and the rights there"
            raise OutputError(text) from error
        except AssertionError as error:  # soundfile's way to say that the system took only a part
            text = f"{name}: cannot be written (only a part of it was taken); look at the space and the rights there"
            raise OutputError(text) from error


def probe(path: Path) -> Probe:
    """Look at a file without reading its samples.

    Parameters
    ----------
    path : Path

    Returns
    -------
    found : Probe

    Raises
    ------
    AudioFileError
        Not there, no permission, no audio, a format that stems cannot be written in, without samples, or shorter than
        its header promises.
    """
    name = path.name
    try:
        with open(path, "rb") as stream:
            head = stream.read(12)
            size = stream.seek(0, 2)
        if size == 0:
            raise AudioFileError(f"{name}: is empty (0 bytes); copy it again or take it out of the folder")
        layout = chunks.read_layout(path) if chunks.is_wav(head) else None
    except AudioFileError:
        raise
    except PermissionError as error:
        raise AudioFileError(f"{name}: no permission to read it; change its access rights") from error
    except OSError as error:
        raise AudioFileError(f"{name}: cannot be read ({error.strerror}); check the disk") from error
    if layout is not None:
        _whole(name, layout)
    if layout.fmt.tag in _MPEG if layout is not None else not head.startswith(HEADS):
        # the library would look for lossy sound in it and report on standard error
        lossy = layout is not None or head.startswith(_LOSSY)
        raise AudioFileError(f"{name}: {_FOREIGN if lossy else _DAMAGED}")
    try:
        with open_sound(path) as sound:
            file = AudioFile(
                path=path,
                name=name,
                sr=int(sound.samplerate),
                n_channels=int(sound.channels),
                n_samples=int(sound.frames),
                format=str(sound.format),
                subtype=str(sound.subtype),
            )
            _check(file, sound)
        if layout is not None:
            _consistent(file, layout)
    except sf.LibsndfileError as error:
        raise AudioFileError(f"{name}: {_DAMAGED}") from error
    time_reference, names = None, {}
    if layout is not None:
        bext = chunks.parse_bext(chunks.payload(path, layout.find(b"bext")))
        time_reference = bext.time_reference if bext is not None else None
        names = chunks.ixml_names(chunks.payload(path, layout.find(b"iXML")))
    return Probe(file, time_reference, names)


def _whole(name: str, layout: chunks.Layout) -> None:
    frame = max(layout.fmt.block_align, 1)
    unstated = layout.data.size == 0 and layout.data == layout.chunks[-1] and layout.behind >= frame
    if unstated or layout.data.size == chunks.U32_MAX:
        raise AudioFileError(
            f"{name}: the recorder never finished its header (it states no length); open it in an editor that repairs "
            "WAV files and save it again"
        )
    if layout.behind >= _WRAPPED:
        raise AudioFileError(
            f"{name}: is longer than the 4 GiB its header can state; open it in an editor that repairs WAV files and "
            "save it as RF64"
        )
    if layout.held < layout.data.size:
        raise AudioFileError(
            f"{name}: is cut short: its header promises {layout.data.size // frame} samples, {layout.held // frame} "
            "are there; copy it again"
        )


def _consistent(file: AudioFile, layout: chunks.Layout) -> None:
    width = INTEGER_BITS[file.subtype] // 8 if file.subtype in INTEGER_BITS else FLOAT_TYPES[file.subtype].itemsize
    if layout.fmt.block_align != width * file.n_channels:
        raise AudioFileError(
            f"{file.name}: its header contradicts itself ({layout.fmt.block_align} bytes for {file.n_channels} samples "
            f"of {width}); export it again"
        )


def _check(file: AudioFile, sound: sf.SoundFile) -> None:
    if file.format not in CONTAINERS or file.subtype not in (*INTEGER_BITS, *FLOAT_TYPES):
        raise AudioFileError(
            f"{file.name}: {file.format} with {file.subtype} samples cannot be given back as it came; export it as "
            "16, 24 or 32-bit PCM or as float"
        )
    if file.n_samples <= 0:
        raise AudioFileError(f"{file.name}: holds no samples; take it out of the folder")
    # libsndfile quietly shortens what is cut short, and says so in its log only
    cut = any(int(a) > int(b) for a, b in re.findall(r": (\d+) \(should be (\d+)\)", str(sound.extra_info)))
    if not cut or file.format in ("WAV", "WAVEX", "RF64"):
        try:
            sound.seek(file.n_samples - 1)
            cut = len(sound.read(1, dtype="float32", always_2d=True)) != 1
        except sf.LibsndfileError:
            cut = True
    if cut:
        raise AudioFileError(f"{file.name}: is cut short: it holds less than its header promises; copy it again")


class _Handle:
    """An open file that knows where it stands, so that reading on needs no seek."""

    def __init__(self, file: AudioFile) -> None:
        self.path = file.path
        try:
            self.sound = open_sound(file.path)
        except (sf.LibsndfileError, OSError) as error:
            raise AudioFileError(f"{file.name}: can no longer be read; is the disk still there?") from error
        self.position = 0

    def read(self, file: AudioFile, start: int, n: int, dtype: str) -> NDArray[Any]:
        """Samples from `start` on, shape (n, n_channels)."""
        try:
            if start != self.position:
                self.position = self.sound.seek(start)
            x: NDArray[Any] = self.sound.read(n, dtype=dtype, always_2d=True)
        except sf.LibsndfileError as error:
            self.position = -1
            text = f"{file.name}: cannot be read from {start / file.sr:.3f} s on; it may be damaged: copy it again"
            raise about(file.name, AudioFileError(text)) from error
        self.position = start + len(x)
        if len(x) != n:
            text = (
                f"{file.name}: ends at {self.position / file.sr:.3f} s, but promises {file.n_samples / file.sr:.3f} s; "
                "copy it again"
            )
            raise about(file.name, AudioFileError(text))
        return x


class FileReader:
    """Reads tracks from their files, on the take's timeline; safe to share between threads.

    Notes
    -----
    Every thread gets a file handle of its own for as long as it reads; handles wait in a pool, and one that stands at
    the wanted sample is taken first, so that reading on never seeks.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._idle: OrderedDict[int, _Handle] = OrderedDict()
        self._blocks: OrderedDict[tuple[Path, int, int, str], NDArray[Any]] = OrderedDict()
        self._bytes = 0

    def __call__(self, track: Track, start: int, stop: int, dtype: str = "float32") -> NDArray[Any]:
        """Samples `start` to `stop` on the take's timeline, zero where the track has none, shape (stop - start,)."""
        if dtype not in ("float32", "float64"):
            raise ValueError(f"dtype {dtype!r}: use 'float32' or 'float64'")
        n = max(stop - start, 0)
        y: NDArray[Any] | None = None
        for file in track.files:
            a, b = max(start, file.start), min(stop, file.start + file.n_samples)
            if b <= a:
                continue
            x = self._file(file, a - file.start, b - a, dtype)
            if file.n_channels == 1 and b - a == n:
                return x[:, 0]
            if y is None:
                y = np.zeros(n, dtype)
            y[a - start : b - start] = x[:, track.channel]
        return np.zeros(n, dtype) if y is None else y

    def close(self) -> None:
        """Close all files that wait in the pool."""
        with self._lock:
            waiting, self._idle = list(self._idle.values()), OrderedDict()
            self._blocks.clear()
            self._bytes = 0
        for handle in waiting:
            handle.sound.close()

    def _file(self, file: AudioFile, start: int, n: int, dtype: str) -> NDArray[Any]:
        key = (file.path, start, n, dtype)
        if file.n_channels > 1:
            with self._lock:
                if key in self._blocks:
                    self._blocks.move_to_end(key)
                    return self._blocks[key]
        handle = self._take(file, start)
        try:
            x = handle.read(file, start, n, dtype)
        finally:
            self._give(handle)
        if file.n_channels > 1 and x.nbytes <= CACHE_BYTES:
            x.setflags(write=False)
            with self._lock:
                if key not in self._blocks:
                    self._blocks[key] = x
                    self._bytes += x.nbytes
                while self._bytes > CACHE_BYTES:
                    self._bytes -= self._blocks.popitem(last=False)[1].nbytes
        return x

    def _take(self, file: AudioFile, start: int) -> _Handle:
        with self._lock:
            mine = [k for k, h in self._idle.items() if h.path == file.path]
            mine.sort(key=lambda k: self._idle[k].position != start)
            if mine:
                return self._idle.pop(mine[0])
        return _Handle(file)

    def _give(self, handle: _Handle) -> None:
        with self._lock:
            self._idle[id(handle)] = handle
            old = self._idle.popitem(last=False)[1] if len(self._idle) > MAX_OPEN else None
        if old is not None:
            old.sound.close()
