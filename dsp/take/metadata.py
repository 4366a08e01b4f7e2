"""What changes in a stem's metadata: coding history, loudness, UMID, markers, the channel list of a single track.

Everything else is copied byte for byte.  Layouts: EBU Tech 3285 (``bext``) and EBU R98 (coding history); IBM and
Microsoft, *Multimedia Programming Interface and Data Specifications 1.0*, 1991 (``cue``, ``adtl``); SMPTE ST 330 (UMID,
from memory); iXML specification (``TRACK_LIST``, from memory).
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Sequence
from xml.etree import ElementTree

from spillgate.dsp.core.audio.marker import Marker

__all__ = [
    "coding_line",
    "new_umid",
    "renewed_bext",
    "single_track_ixml",
    "with_cues",
    "with_labels",
]

UNUSED = 0x7FFF
"""A loudness field of ``bext`` that says nothing."""

LAYOUT_WORDS = {1: "mono", 2: "stereo"}
"""Words that EBU R98 has for the number of channels; it has none for more."""

LABEL = bytes((0x06, 0x0A, 0x2B, 0x34, 0x01, 0x01, 0x01, 0x05, 0x01, 0x01, 0x0F, 0x20, 0x13, 0, 0, 0))
"""First half of a basic UMID: universal label, material not identified, number made as a UUID, length, instance 0."""

POINT = 24
"""Bytes of one cue point."""


def coding_line(sr: int, bits: int, n_channels: int, text: str) -> str:
    r"""Make one line of a coding history.

    Parameters
    ----------
    sr, bits, n_channels : int
    text : str
        Free words; commas would end them and become semicolons.

    Returns
    -------
    line : str
        After EBU R98, with CR and LF at its end.

    Examples
    --------
    >>> coding_line(48000, 24, 1, "Spillgate 1; mask")
    'A=PCM,F=48000,W=24,M=mono,T=Spillgate 1; mask\r\n'
    """
    mode = f",M={LAYOUT_WORDS[n_channels]}" if n_channels in LAYOUT_WORDS else ""
    words = text.encode("ascii", "replace").decode().replace(",", ";").replace("\r", " ").replace("\n", " ")
    return f"A=PCM,F={sr},W={bits}{mode},T={words}\r\n"


def renewed_bext(data: bytes, line: str, umid: bytes = b"") -> bytes:
    """Bring a broadcast extension up to date for audio that was changed.

    Parameters
    ----------
    data : bytes
        Of the ``bext`` chunk.
    line : str
        Appended to the coding history, as `coding_line` makes it.
    umid : bytes
        64 bytes; empty: the old one stays.

    Returns
    -------
    data : bytes
        The loudness fields (version 2 on) are set to "unused", since they described the audio before; a version of 0
        becomes 1 if there is a UMID.  A chunk shorter than the standard's 602 bytes comes back as it is.
    """
    if len(data) < 602:
        return data
    fixed, history = bytearray(data[:602]), data[602:].rstrip(b"\0")
    (version,) = struct.unpack_from("<H", fixed, 346)
    if version >= 2:
        struct.pack_into("<5H", fixed, 412, *[UNUSED] * 5)
    if umid:
        struct.pack_into("<H", fixed, 346, max(version, 1))
        fixed[348:412] = umid.ljust(64, b"\0")[:64]
    if history and not history.endswith(b"\r\n"):
        history = history.rstrip(b"\r\n") + b"\r\n"
    return bytes(fixed) + history + line.encode("ascii")


def new_umid(*made_from: str) -> bytes:
    """Make a UMID for changed audio.

    Parameters
    ----------
    made_from : str
        Everything the audio follows from; the same texts give the same UMID, so that the same input, settings and
        version give the same bytes.

    Returns
    -------
    umid : bytes
        64 bytes: a basic UMID whose material number is a name-based UUID (RFC 9562, version 8), then zeros.
    """
    digest = bytearray(hashlib.blake2b("\0".join(made_from).encode(), digest_size=16).digest())
    digest[6] = (digest[6] & 0x0F) | 0x80
    digest[8] = (digest[8] & 0x3F) | 0x80
    return LABEL + bytes(digest) + bytes(32)


def _points(data: bytes, order: str) -> tuple[bytes, int]:
    """Give the cue points of a chunk as they are, and the largest of their ids."""
    if len(data) < 4:
        return b"", 0
    (stated,) = struct.unpack_from(f"{order}I", data)
    n = min(stated, (len(data) - 4) // POINT)
    ids = [struct.unpack_from(f"{order}I", data, 4 + POINT * k)[0] for k in range(n)]
    return data[4 : 4 + POINT * n], max(ids, default=0)


def with_cues(data: bytes, markers: Sequence[Marker], order: str = "<") -> tuple[bytes, int]:
    """Add cue points.

    Parameters
    ----------
    data : bytes
        Of the ``cue`` chunk there is; empty if there is none.
    markers : sequence of Marker
    order : {'<', '>'}
        Byte order.

    Returns
    -------
    data : bytes
        The old points first, unchanged.
    first : int
        Id of the first new point; the others count on from it.
    """
    old, largest = _points(data, order)
    new = b"".join(
        struct.pack(f"{order}II4sIII", largest + 1 + k, m.at, b"data", 0, 0, m.at) for k, m in enumerate(markers)
    )
    count = len(old) // POINT + len(markers)
    return struct.pack(f"{order}I", count) + old + new, largest + 1


def with_labels(data: bytes, markers: Sequence[Marker], first: int, order: str = "<") -> bytes:
    """Add labels and ranges.

    Parameters
    ----------
    data : bytes
        Of the ``LIST`` chunk of type ``adtl`` there is; empty if there is none.
    markers : sequence of Marker
    first : int
        Id of the first marker's cue point.
    order : {'<', '>'}

    Returns
    -------
    data : bytes
        What was there, then a label for each marker and, for a stretch, its length in an ``ltxt`` of purpose ``rgn``.
    """
    parts = [data or b"adtl"]
    if len(parts[0]) & 1:
        parts.append(b"\0")
    for k, m in enumerate(markers):
        text = struct.pack(f"{order}I", first + k) + m.text.encode("utf-8") + b"\0"
        parts.append(_sub(b"labl", text, order))
        if m.length:
            parts.append(_sub(b"ltxt", struct.pack(f"{order}II4s4H", first + k, m.length, b"rgn ", 0, 0, 0, 0), order))
    return b"".join(parts)


def _sub(name: bytes, data: bytes, order: str) -> bytes:
    return struct.pack(f"{order}4sI", name, len(data)) + data + b"\0" * (len(data) & 1)


def single_track_ixml(data: bytes, channel: int) -> bytes:
    """Reduce the channel list of an iXML chunk to one channel.

    Parameters
    ----------
    data : bytes
    channel : int
        Counted from 0.

    Returns
    -------
    data : bytes
        With a ``TRACK_LIST`` of that one track, now the first of its file; as it was if it has no such list, is no
        XML, or brings its own entities.
    """
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        return data
    try:
        root = ElementTree.fromstring(data.strip(b"\0 \r\n\t"))
    except (ElementTree.ParseError, LookupError, ValueError):
        return data
    listed = root.find(".//TRACK_LIST")
    if listed is None:
        return data
    for k, track in enumerate(listed.findall("TRACK")):
        index = (track.findtext("INTERLEAVE_INDEX") or track.findtext("CHANNEL_INDEX") or str(k + 1)).strip()
        if index != str(channel + 1):
            listed.remove(track)
            continue
        place = track.find("INTERLEAVE_INDEX")
        if place is None:
            place = ElementTree.SubElement(track, "INTERLEAVE_INDEX")
        place.text = "1"
    count = listed.find("TRACK_COUNT")
    if count is not None:
        count.text = str(len(listed.findall("TRACK")))
    text: bytes = ElementTree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text
