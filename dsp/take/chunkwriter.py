"""Writing WAV files chunk by chunk: the input's, byte for byte, and new ones, round newly written samples.

Formats: IBM and Microsoft, *Multimedia Programming Interface and Data Specifications 1.0*, 1991 (RIFF); EBU Tech 3306
and ITU-R BS.2088 (RF64, BW64).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from spillgate.dsp.errors import AudioFileError, OutputError
from spillgate.dsp.take.chunks import STALE, U32_MAX, Chunk, Layout

__all__ = ["Made", "Piece", "WavWriter", "channel_mask", "format_chunk", "kept_chunks"]

_COPY = 1 << 20


@dataclass(frozen=True)
class Made:
    """A chunk whose data is new.

    Attributes
    ----------
    id, data : bytes
    """

    id: bytes
    data: bytes

    @property
    def size(self) -> int:
        """Bytes of its data, padding not counted."""
        return len(self.data)


def kept_chunks(layout: Layout) -> tuple[Chunk, ...]:
    """Give the chunks that a file with new samples takes over, the samples' own among them, in their order."""
    return tuple(c for c in layout.chunks if c.id not in (*STALE, b"ds64") and (c.id != b"data" or c == layout.data))


def format_chunk(sr: int, n_channels: int, subtype: str, order: str = "<", mask: int | None = None) -> Made:
    """Make a ``fmt`` chunk.

    Parameters
    ----------
    sr, n_channels : int
    subtype : str
        As ``soundfile`` names it: ``"PCM_U8"``, ``"PCM_16"``, ``"PCM_24"``, ``"PCM_32"``, ``"FLOAT"``, ``"DOUBLE"``.
    order : {'<', '>'}
        Byte order.
    mask : int, optional
        Loudspeaker positions of an extensible format; None: a plain one.

    Returns
    -------
    fmt : Made
        16 bytes for plain integers, 18 for plain floats, 40 for extensible ones (WAVEFORMATEXTENSIBLE, from memory).
    """
    bits = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}[subtype]
    tag = 3 if subtype in ("FLOAT", "DOUBLE") else 1
    align = n_channels * bits // 8
    first = tag if mask is None else 0xFFFE
    data = struct.pack(f"{order}HHIIHH", first, n_channels, sr, sr * align, align, bits)
    if mask is not None:
        data += struct.pack(f"{order}HHI", 22, bits, mask)
        data += struct.pack(f"{order}IHH", tag, 0, 16) + bytes((0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71))
    elif tag == 3:
        data += bytes(2)  # a format that is not integer states the size of its extension
    return Made(b"fmt ", data)


def channel_mask(data: bytes, order: str = "<") -> int | None:
    """Read the loudspeaker positions from the data of a ``fmt`` chunk; None if the format is a plain one."""
    if len(data) < 40 or struct.unpack_from(f"{order}H", data)[0] != 0xFFFE:
        return None
    mask: int = struct.unpack_from(f"{order}I", data, 20)[0]
    return mask


Piece = Chunk | Made
"""A chunk of the output: copied from the input, or new."""


class _Plan:
    """Chunks of the output and its sizes, all known before the first byte is written."""

    def __init__(self, form: bytes, before: Sequence[Piece], after: Sequence[Piece], size: int, n_frames: int) -> None:
        self.data_size = size
        self.before, self.after = list(before), list(after)
        total = 4 + sum(8 + c.size + (c.size & 1) for c in (*before, *after)) + 8 + size + (size & 1)
        self.form = form
        wide = form in (b"RF64", b"BW64")
        if not wide and total > U32_MAX:
            if form == b"RIFX":
                raise OutputError("a big-endian WAV file cannot be larger than 4 GiB; convert it to RF64 first")
            self.form, wide = b"RF64", True
            # the room that writers of long files leave for this very case
            if before and before[0].id == b"JUNK" and before[0].size >= 28:
                total -= 8 + before[0].size + (before[0].size & 1)
                del self.before[0]
        self.ds64 = b""
        if wide:
            table = [c for c in (*self.before, *self.after) if c.size >= U32_MAX]
            n = 28 + 12 * len(table)
            total += 8 + n
            self.ds64 = struct.pack("<4sIQQQI", b"ds64", n, total, self.data_size, n_frames, len(table))
            self.ds64 += b"".join(struct.pack("<4sQ", c.id, c.size) for c in table)
        self.total = U32_MAX if wide else total


class WavWriter:
    """Write the chunks of a WAV file round its samples.

    Parameters
    ----------
    target : binary file
        Open for writing, at its start.
    source : Path
        The input whose chunks are copied.
    form : bytes
        ``b"RIFF"``, ``b"RIFX"``, ``b"RF64"`` or ``b"BW64"``.
    before, after : sequence of Chunk or Made
        In front of the samples and behind them.
    data_size, n_frames : int
        Bytes of the samples, and samples per channel, that will be written.

    Raises
    ------
    OutputError
        If the form of the file cannot hold so much.

    Notes
    -----
    Call `head`, write the samples to `target`, call `tail`.  RIFF becomes RF64 beyond 4 GiB.
    """

    def __init__(
        self,
        target: BinaryIO,
        source: Path,
        form: bytes,
        before: Sequence[Piece],
        after: Sequence[Piece],
        data_size: int,
        n_frames: int,
    ) -> None:
        self._target, self._source, self._order = target, source, ">" if form == b"RIFX" else "<"
        self._plan = _Plan(form, before, after, data_size, n_frames)

    @classmethod
    def like(cls, target: BinaryIO, source: Path, layout: Layout, n_frames: int) -> WavWriter:
        """Write all chunks of `source`, as they are and in their order, round `n_frames` new samples."""
        kept = kept_chunks(layout)
        at = kept.index(layout.data)
        size = n_frames * layout.fmt.block_align
        return cls(target, source, layout.form, kept[:at], kept[at + 1 :], size, n_frames)

    def head(self) -> None:
        """Write everything before the samples."""
        p = self._plan
        self._target.write(struct.pack(f"{self._order}4sI4s", p.form, p.total, b"WAVE") + p.ds64)
        self._copy(p.before)
        size = U32_MAX if p.ds64 else p.data_size
        self._target.write(struct.pack(f"{self._order}4sI", b"data", size))

    def tail(self) -> None:
        """Write everything after the samples."""
        if self._plan.data_size & 1:
            self._target.write(b"\0")
        self._copy(self._plan.after)

    def _copy(self, pieces: Sequence[Piece]) -> None:
        for c in pieces:
            self._target.write(struct.pack(f"{self._order}4sI", c.id, min(c.size, U32_MAX)))
            if isinstance(c, Made):
                self._target.write(c.data)
            else:
                self._copy_data(c)
            if c.size & 1:
                self._target.write(b"\0")

    def _copy_data(self, chunk: Chunk) -> None:
        with open(self._source, "rb") as stream:
            stream.seek(chunk.offset)
            left = chunk.size
            while left > 0:
                piece = stream.read(min(left, _COPY))
                if not piece:
                    raise AudioFileError(f"{self._source.name}: became shorter while it was read")
                self._target.write(piece)
                left -= len(piece)
