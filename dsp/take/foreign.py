"""What a stem cannot take over from its input: named, so that nothing is lost in silence.

WAV to WAV keeps every chunk.  Other containers are written by ``soundfile``, which knows a few texts and nothing else.
Layouts: AIFF 1.3 and AIFF-C (IFF chunks), the FLAC format's metadata blocks, Apple's CAF 1.0, Sony's W64 (all from
memory, confirmed on files of ``soundfile``).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from spillgate.dsp.errors import AudioFileError
from spillgate.dsp.take import chunks

__all__ = ["TAG_NAMES", "WAV_FAMILY", "left_behind"]

WAV_FAMILY = frozenset({"WAV", "WAVEX", "RF64", "BW64"})

TAG_NAMES = ("title", "copyright", "software", "artist", "comment", "date", "album", "license", "tracknumber", "genre")
"""Texts that ``soundfile`` knows."""

_SPEAKING = {
    "bext": "bext (place on the timeline, coding history)",
    "iXML": "iXML",
    "cue": "cue (markers)",
    "LIST adtl": "adtl (labels)",
    "MARK": "MARK (markers)",
    "VORBIS_COMMENT": "comments",
}

_PLAIN = {
    "WAV": {"fmt", "data", "fact", "JUNK", "PAD", "FLLR", "filr", "ds64", "LIST INFO", "PEAK", "levl", "MD5"},
    "AIFF": {"COMM", "SSND", "FVER", "NAME", "AUTH", "(c)", "ANNO", "PEAK"},
    "FLAC": {"STREAMINFO", "PADDING", "SEEKTABLE"},
    "CAF": {"desc", "data", "free", "info", "pakt"},
    "W64": {"fmt", "data", "fact", "junk"},
}
"""What is no metadata, is made anew, or is kept."""

_FLAC_BLOCKS = ("STREAMINFO", "PADDING", "APPLICATION", "SEEKTABLE", "VORBIS_COMMENT", "CUESHEET", "PICTURE")
_FLAC_KEYS = {
    "TITLE",
    "COPYRIGHT",
    "ENCODER",
    "SOFTWARE",
    "ARTIST",
    "COMMENT",
    "DATE",
    "ALBUM",
    "LICENSE",
    "TRACKNUMBER",
    "GENRE",
}

MOST = 512
"""So many chunks are looked at; a file with more is no recording (common practice, no source)."""


def left_behind(path: Path, container: str, target: str) -> tuple[str, ...]:
    """Name the metadata of a file that its stem will not have.

    Parameters
    ----------
    path : Path
        The input.
    container, target : str
        Of the input and of the stem, as ``soundfile`` names them; ``"BW64"`` too.

    Returns
    -------
    names : tuple of str
        In the file's order, each once; empty where nothing is lost.  Files that cannot be read give none: whoever reads
        their samples will say so.
    """
    if container in WAV_FAMILY and target in WAV_FAMILY:
        return ()
    try:
        found = list(_listed(path, "WAV" if container in WAV_FAMILY else container))
    except (AudioFileError, OSError, struct.error):
        return ()
    plain = _PLAIN.get("WAV" if container in WAV_FAMILY else container, set())
    return tuple(dict.fromkeys(_SPEAKING.get(name, name) for name in found if name not in plain))


def _listed(path: Path, container: str) -> Iterator[str]:
    if container == "WAV":
        yield from _wav(path)
        return
    walk = {"AIFF": _aiff, "FLAC": _flac, "CAF": _caf, "W64": _w64}.get(container)
    if walk is None:
        return
    with open(path, "rb") as stream:
        yield from walk(stream)


def _word(name: bytes) -> str:
    return name.decode("ascii", "replace").strip()


def _wav(path: Path) -> Iterator[str]:
    layout = chunks.read_layout(path)
    with open(path, "rb") as stream:
        for c in layout.chunks:
            if c.id == b"LIST":
                stream.seek(c.offset)
                yield f"LIST {_word(stream.read(4))}"
            else:
                yield _word(c.id)


def _aiff(stream: BinaryIO) -> Iterator[str]:
    size, at = stream.seek(0, 2), 12
    for _ in range(MOST):
        if at + 8 > size:
            return
        stream.seek(at)
        name, n = struct.unpack(">4sI", stream.read(8))
        if (name, stream.read(4)) != (b"APPL", b"m3ga"):  # where libsndfile keeps the name of the software
            yield _word(name)
        at += 8 + n + (n & 1)


def _flac(stream: BinaryIO) -> Iterator[str]:
    if stream.read(4) != b"fLaC":
        return
    for _ in range(MOST):
        head = stream.read(4)
        if len(head) < 4:
            return
        kind, n = head[0] & 0x7F, int.from_bytes(head[1:], "big")
        name = _FLAC_BLOCKS[kind] if kind < len(_FLAC_BLOCKS) else f"block {kind}"
        if name != "VORBIS_COMMENT":
            yield name
            stream.seek(n, 1)
        elif not _comments(stream.read(n)) <= _FLAC_KEYS:
            yield name
        if head[0] & 0x80:
            return


def _comments(data: bytes) -> set[str]:
    (n,) = struct.unpack_from("<I", data)
    (count,) = struct.unpack_from("<I", data, 4 + n)
    at, keys = 8 + n, set()
    for _ in range(min(count, MOST)):
        (n,) = struct.unpack_from("<I", data, at)
        keys.add(data[at + 4 : at + 4 + n].partition(b"=")[0].decode("ascii", "replace").upper())
        at += 4 + n
    return keys


def _caf(stream: BinaryIO) -> Iterator[str]:
    size, at = stream.seek(0, 2), 8
    for _ in range(MOST):
        if at + 12 > size:
            return
        stream.seek(at)
        name, n = struct.unpack(">4sq", stream.read(12))
        yield _word(name)
        if n < 0:  # the samples go on to the end of the file
            return
        at += 12 + n


def _w64(stream: BinaryIO) -> Iterator[str]:
    size, at = stream.seek(0, 2), 40
    for _ in range(MOST):
        if at + 24 > size:
            return
        stream.seek(at)
        guid, n = struct.unpack("<16sQ", stream.read(24))
        yield _word(guid[:4])
        if n < 24:
            return
        at += n + (-n) % 8
