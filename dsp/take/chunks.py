"""The chunks of WAV files: what ``soundfile`` drops when it copies a recording.

A file is read as a list of chunks in their order, none of them loaded: sizes in a header may be hostile.  Formats: IBM
and Microsoft, *Multimedia Programming Interface and Data Specifications 1.0*, 1991 (RIFF); EBU Tech 3285 (``bext``);
EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO
from xml.etree import ElementTree

from spillgate.dsp.errors import AudioFileError

__all__ = [
    "Bext",
    "Chunk",
    "Layout",
    "WavFormat",
    "is_wav",
    "ixml_names",
    "parse_bext",
    "payload",
    "read_layout",
]

FORMS = (b"RIFF", b"RIFX", b"RF64", b"BW64")

U32_MAX = 0xFFFFFFFF
"""Largest size a RIFF header can state; in RF64 and BW64 it says "see ds64"."""

MAX_CHUNKS = 4096
"""A file with more chunks than this is no recording (common practice, no source)."""

MAX_PAYLOAD = 16 << 20
"""Chunks larger than this are copied but not looked into, bytes (common practice, no source)."""

STALE = (b"PEAK", b"levl", b"MD5 ")
"""Chunks that describe the samples as they were (``PEAK`` holds a clock too); left out when samples change."""


@dataclass(frozen=True)
class Chunk:
    """Place of one chunk.

    Attributes
    ----------
    id : bytes
        Four characters.
    offset, size : int
        Of its data in the file, bytes; padding not counted.
    """

    id: bytes
    offset: int
    size: int


@dataclass(frozen=True)
class WavFormat:
    """What the ``fmt`` chunk says.

    Attributes
    ----------
    tag : int
        1 = integer, 3 = float; of an extensible format, the first two bytes of its subformat.
    n_channels, sr, block_align, bits : int
        `block_align` in bytes; `bits` are the valid ones of a sample.
    """

    tag: int
    n_channels: int
    sr: int
    block_align: int
    bits: int


@dataclass(frozen=True)
class Layout:
    """A WAV file as a list of chunks.

    Attributes
    ----------
    form : bytes
        ``b"RIFF"``, ``b"RIFX"`` (big-endian), ``b"RF64"`` or ``b"BW64"``.
    chunks : tuple of Chunk
        In the file's order, ``ds64`` included.
    data : Chunk
        The samples; its size is what the header promises.
    held : int
        Bytes of samples the file really holds.
    behind : int
        Bytes behind the last chunk that are no chunk.
    fmt : WavFormat
    """

    form: bytes
    chunks: tuple[Chunk, ...]
    data: Chunk
    held: int
    behind: int
    fmt: WavFormat

    @property
    def order(self) -> str:
        """Byte order for `struct`."""
        return ">" if self.form == b"RIFX" else "<"

    def find(self, name: bytes) -> Chunk | None:
        """Give the first chunk of that id."""
        return next((c for c in self.chunks if c.id == name), None)


@dataclass(frozen=True)
class Bext:
    """Broadcast extension, all versions.

    Attributes
    ----------
    description, originator, reference, date, time : str
    time_reference : int
        First sample since midnight, samples.
    version : int
    umid : bytes
        64 bytes from version 1 on, else empty.
    loudness : tuple of float, or None
        Loudness (LUFS), range (LU), true peak (dBTP), momentary, short-term (LUFS) from version 2 on; unused ones NaN.
    coding_history : str
    """

    description: str
    originator: str
    reference: str
    date: str
    time: str
    time_reference: int
    version: int
    umid: bytes
    loudness: tuple[float, ...] | None
    coding_history: str


def is_wav(head: bytes) -> bool:
    """Tell from the first twelve bytes whether a file is of the WAV family."""
    return len(head) >= 12 and head[:4] in FORMS and head[8:12] == b"WAVE"


def read_layout(path: Path) -> Layout:
    """List the chunks of a WAV file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    layout : Layout
        A last chunk that the file does not hold in full is left out, unless it is the samples.

    Raises
    ------
    AudioFileError
        If it is no WAV file, or has no format or no samples.
    OSError
        If it cannot be read.
    """
    with open(path, "rb") as stream:
        size = stream.seek(0, 2)
        stream.seek(0)
        head = stream.read(12)
        if not is_wav(head):
            raise AudioFileError(f"{path.name}: is no WAV file; export it again")
        form = head[:4]
        order = ">" if form == b"RIFX" else "<"
        chunks: list[Chunk] = []
        large: dict[bytes, int] = {}
        at = 12
        while at + 8 <= size and len(chunks) < MAX_CHUNKS:
            stream.seek(at)
            name, n = struct.unpack(f"{order}4sI", stream.read(8))
            if not all(32 <= c < 127 for c in name):
                break  # no chunk: rubbish behind the last one, or samples behind a header that was never finished
            if form in (b"RF64", b"BW64"):
                if name == b"ds64":
                    large = _ds64(stream.read(min(n, MAX_PAYLOAD, size - at)))
                elif n == U32_MAX:
                    n = large.get(name, n)
            at += 8
            if at + n > size and name != b"data":
                break
            chunks.append(Chunk(name, at, n))
            at += n + (n & 1)
        layout = _layout(path, stream, form, order, chunks, size)
    return layout


def _ds64(data: bytes) -> dict[bytes, int]:
    # riffSize, dataSize, sampleCount, then a table of further large chunks
    if len(data) < 24:
        return {}
    sizes = {b"data": struct.unpack_from("<Q", data, 8)[0]}
    count = struct.unpack_from("<I", data, 24)[0] if len(data) >= 28 else 0
    for k in range(min(count, (len(data) - 28) // 12)):
        name, n = struct.unpack_from("<4sQ", data, 28 + 12 * k)
        sizes.setdefault(name, n)
    return sizes


def _layout(path: Path, stream: BinaryIO, form: bytes, order: str, chunks: list[Chunk], size: int) -> Layout:
    fmt = next((c for c in chunks if c.id == b"fmt "), None)
    data = next((c for c in chunks if c.id == b"data"), None)
    if fmt is None or fmt.size < 16:
        raise AudioFileError(f"{path.name}: the WAV header states no sample format; copy or export the file again")
    if data is None:
        raise AudioFileError(f"{path.name}: the WAV file holds no samples; copy or export it again")
    stream.seek(fmt.offset)
    raw = stream.read(min(fmt.size, 64))
    tag, n_channels, sr, _, align, bits = struct.unpack_from(f"{order}HHIIHH", raw)
    if tag == 0xFFFE and len(raw) >= 28:
        valid = struct.unpack_from(f"{order}H", raw, 18)[0]
        bits = valid if 0 < valid <= bits else bits
        tag = struct.unpack_from(f"{order}I", raw, 24)[0]
    held = min(data.size, size - data.offset)
    last = chunks[-1]
    behind = max(size - last.offset - last.size - (last.size & 1), 0)
    return Layout(form, tuple(chunks), data, held, behind, WavFormat(tag, n_channels, sr, align, bits))


def payload(path: Path, chunk: Chunk | None) -> bytes:
    """Load the data of one chunk; empty if there is none or if it is absurdly large."""
    if chunk is None or chunk.size > MAX_PAYLOAD:
        return b""
    with open(path, "rb") as stream:
        stream.seek(chunk.offset)
        return stream.read(chunk.size)


def parse_bext(data: bytes) -> Bext | None:
    """Read a broadcast extension.

    Parameters
    ----------
    data : bytes
        Data of the ``bext`` chunk (EBU Tech 3285 v2: little-endian, 602 bytes, then the coding history).

    Returns
    -------
    bext : Bext or None
        None if it is shorter than the standard's fixed part.
    """
    if len(data) < 602:
        return None
    low, high, version = struct.unpack_from("<IIH", data, 338)
    loudness = None
    if version >= 2:
        stated = struct.unpack_from("<5h", data, 412)
        loudness = tuple(float("nan") if v == 0x7FFF else v / 100 for v in stated)
    return Bext(
        description=_text(data[:256]),
        originator=_text(data[256:288]),
        reference=_text(data[288:320]),
        date=_text(data[320:330]),
        time=_text(data[330:338]),
        time_reference=low | high << 32,
        version=version,
        umid=data[348:412] if version >= 1 else b"",
        loudness=loudness,
        coding_history=_text(data[602:]),
    )


def _text(data: bytes) -> str:
    # the standard says ASCII; other bytes are found in the wild
    return data.split(b"\0", 1)[0].decode("utf-8", "replace")


def ixml_names(data: bytes) -> dict[int, str]:
    """Read the names of the channels from an iXML chunk.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    names : dict of int to str
        Channel in the file, counted from 0, and its name; empty where the chunk has none or is no XML.
    """
    if not data or b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        return {}
    try:
        root = ElementTree.fromstring(data.strip(b"\0 \r\n\t"))
    except (ElementTree.ParseError, LookupError, ValueError):
        return {}
    names: dict[int, str] = {}
    for k, track in enumerate(root.iterfind(".//TRACK_LIST/TRACK")):
        index = (track.findtext("INTERLEAVE_INDEX") or track.findtext("CHANNEL_INDEX") or str(k + 1)).strip()
        name = (track.findtext("NAME") or "").strip()
        if name and index.isdecimal() and int(index) > 0:
            names[int(index) - 1] = name
    return names
