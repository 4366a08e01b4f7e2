"""Writing stems: the input's format and chunks, new samples, and never half a file under its final name."""

from __future__ import annotations

import contextlib
import struct
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from spillgate.dsp.take import chunkwriter, wavparts
from spillgate.dsp.take.audio import FLOAT_TYPES, open_sound, sound_told
from spillgate.dsp.take.foreign import TAG_NAMES, WAV_FAMILY
from spillgate.dsp.take.model import AudioFile
from spillgate.dsp.take.target import Edits, Target, integer_bits
from spillgate.dsp.writing import Pending, synced

__all__ = ["StemWriter"]


class _Packed:
    """Samples as bytes."""

    def __init__(self, subtype: str, order: str) -> None:
        self._integer = integer_bits(subtype) is not None
        bits = integer_bits(subtype)
        self.bytes = bits // 8 if bits else FLOAT_TYPES[subtype].itemsize
        self._order = order

    def __call__(self, frames: NDArray[Any]) -> NDArray[Any]:
        n = self.bytes
        if not self._integer:
            return np.ascontiguousarray(frames, dtype=f"{self._order}f{n}")
        if n == 1:
            return np.ascontiguousarray(frames + 128, dtype=np.uint8)  # 8-bit WAV is unsigned
        if n != 3:
            return np.ascontiguousarray(frames, dtype=f"{self._order}i{n}")
        wide = np.ascontiguousarray(frames, dtype=f"{self._order}i4").view(np.uint8).reshape(-1, 4)
        packed = np.empty((len(wide), 3), np.uint8)
        for k in range(3):  # byte by byte: six times as fast as one copy of rows of three
            packed[:, k] = wide[:, k + (self._order == ">")]
        return packed


class _WavBody:
    """Our own WAV: the input's chunks round new samples."""

    def __init__(self, path: Path, file: AudioFile, target: Target, edits: Edits) -> None:
        if file.format in WAV_FAMILY:
            form, before, after = wavparts.of_wav(file, target, edits)
        else:
            form, before, after = wavparts.of_other(file, target, edits)
        self._packed = _Packed(target.subtype, ">" if form == b"RIFX" else "<")
        size = file.n_samples * len(target.channels) * self._packed.bytes
        self._stream: BinaryIO = open(path, "wb")  # noqa: SIM115 - lives as long as the writer
        self._wav = chunkwriter.WavWriter(self._stream, file.path, form, before, after, size, file.n_samples)
        self._wav.head()

    def write(self, frames: NDArray[Any]) -> None:
        self._stream.write(self._packed(frames).data)

    def finish(self) -> None:
        self._wav.tail()

    def close(self) -> None:
        self._stream.close()


class _SoundBody:
    """AIFF, FLAC, CAF, W64 through ``soundfile``, with the tags it can keep."""

    def __init__(self, path: Path, file: AudioFile, target: Target, edits: Edits) -> None:
        with open_sound(file.path) as source:
            endian, tags = source.endian, {t: getattr(source, t) for t in TAG_NAMES}
        if target.format != file.format:
            endian = "FILE"
        self._path, self._aiff = path, target.format == "AIFF"
        bits = integer_bits(target.subtype)
        self._shift = None if bits is None else 32 - bits
        self._type = FLOAT_TYPES.get(target.subtype, np.dtype(np.float64))
        n = len(target.channels)
        self._sound = sf.SoundFile(str(path), "w", file.sr, n, target.subtype, endian, target.format)
        for tag, text in tags.items():
            if text and target.format in ("AIFF", "FLAC", "CAF"):
                setattr(self._sound, tag, text)

    def write(self, frames: NDArray[Any]) -> None:
        # integers go in left-justified: libsndfile would round towards minus infinity
        y = frames.astype(self._type) if self._shift is None else frames << self._shift
        self._sound.write(np.ascontiguousarray(y))

    def finish(self) -> None:
        self._sound.close()
        if self._aiff:
            _stop_clock(self._path)

    def close(self) -> None:
        self._sound.close()


def _stop_clock(path: Path) -> None:
    """Zero the time stamp in the PEAK chunk of a float AIFF: the same input must give the same bytes."""
    with open(path, "rb+") as stream:
        size = stream.seek(0, 2)
        at = 12
        while at + 16 <= size:
            stream.seek(at)
            name, n = struct.unpack(">4sI", stream.read(8))
            if name == b"PEAK":
                stream.seek(at + 12)
                stream.write(bytes(4))
            at += 8 + n + (n & 1)


class StemWriter(Pending):
    """Writes one stem: format, rate, channels, length and metadata of its input, new samples.

    Parameters
    ----------
    source : AudioFile
        The input.
    folder : Path
        Where the stem goes.
    target : Target, optional
        What it is to be; default: as the input, under its name.
    edits : Edits, optional
        What is new in its metadata; default: nothing.

    Raises
    ------
    OutputError
        If it cannot be written.

    Notes
    -----
    As a context manager it commits at the end and throws the file away after an error.  Without: `write`, `finish`,
    then `commit` or `abort`.
    """

    def __init__(
        self, source: AudioFile, folder: Path, target: Target | None = None, edits: Edits | None = None
    ) -> None:
        target = target or Target.of(source)
        super().__init__(folder / target.name)
        self._source, self._name = source, target.name
        self._left = source.n_samples
        self._body: _WavBody | _SoundBody | None = None
        try:
            with sound_told(target.name, source.path):
                body = _WavBody if target.format in WAV_FAMILY else _SoundBody
                self._body = body(self.temporary, source, target, edits or Edits())
        except BaseException:
            self.abort()
            raise

    def write(self, block: NDArray[Any]) -> None:
        """Append samples.

        Parameters
        ----------
        block : ndarray, shape (n_channels, n)
            int32 in steps of the format's last bit for integer formats, else float.
        """
        if self._body is None:
            raise ValueError("the stem is finished")
        self._left -= block.shape[1]
        with sound_told(self._name, self._source.path):
            self._body.write(block.T)

    def finish(self) -> None:
        """Complete the file under its temporary name and see it on the disk.

        Raises
        ------
        ValueError
            If it has not got as many samples as its input.
        """
        if self._body is None:
            return
        if self._left != 0:
            raise ValueError(f"{self._name}: {self._left} samples are missing")
        with sound_told(self._name, self._source.path):
            self._body.finish()
            self._body.close()
            self._body = None
            synced(self.temporary)

    def abort(self) -> None:
        """Throw the file away."""
        body, self._body = self._body, None
        try:
            if body is not None:
                with contextlib.suppress(OSError, sf.LibsndfileError):  # a full disk says so once more
                    body.close()
        finally:
            super().abort()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self.abort()
            return
        try:
            self.finish()
            self.commit()
        except BaseException:
            self.abort()
            raise
