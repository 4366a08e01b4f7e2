"""The chunks round a stem's samples: the input's, with only that changed which no longer holds."""

from __future__ import annotations

import struct

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.take import chunks, chunkwriter
from spillgate.dsp.take.audio import FLOAT_TYPES, open_sound
from spillgate.dsp.take.foreign import TAG_NAMES
from spillgate.dsp.take.metadata import coding_line, renewed_bext, single_track_ixml, with_cues, with_labels
from spillgate.dsp.take.model import AudioFile
from spillgate.dsp.take.target import Edits, Target

__all__ = ["of_other", "of_wav"]

_INFO = {
    "title": b"INAM", "artist": b"IART", "comment": b"ICMT", "copyright": b"ICOP", "software": b"ISFT",
    "date": b"ICRD", "album": b"IPRD", "genre": b"IGNR", "tracknumber": b"ITRK",
}  # fmt: skip
"""Texts -> their names in a WAV file's ``LIST`` of type ``INFO``."""

Pieces = list[chunkwriter.Piece]


def of_wav(file: AudioFile, target: Target, edits: Edits) -> tuple[bytes, Pieces, Pieces]:
    """Give form and chunks of a stem of a WAV file: the input's, but for what has to change."""
    path = file.path
    layout = chunks.read_layout(path)
    form = target.form if target.form is not None and target.form != b"RIFF" else layout.form
    if target.form == b"RIFF" and layout.form != b"RIFX":
        form = b"RIFF"
    if layout.form == b"RIFX" != form:
        raise ParameterError(
            f"{file.name}: is a big-endian WAV file, which cannot become RF64 or BW64; use --format wav"
        )
    order = layout.order
    recoded = target.subtype != file.subtype or len(target.channels) != file.n_channels
    alone = len(target.channels) != file.n_channels
    cue, adtl, first = b"", b"", 0
    if edits.markers:
        old = chunks.payload(path, layout.find(b"cue "))
        cue, first = with_cues(old, edits.markers, layout.order)
    before: Pieces = []
    after: Pieces = []
    pieces = before
    labelled = cued = False
    for c in chunkwriter.kept_chunks(layout):
        new: chunks.Chunk | chunkwriter.Made | None = c
        if c == layout.data:
            pieces = after
            continue
        if c.id == b"fmt " and recoded:
            mask = None if alone else chunkwriter.channel_mask(chunks.payload(path, c), layout.order)
            new = chunkwriter.format_chunk(file.sr, len(target.channels), target.subtype, order, mask)
        elif c.id == b"fact" and recoded:
            new = None
        elif c.id == b"bext" and edits.line and c.size <= chunks.MAX_PAYLOAD:
            line = coding_line(file.sr, 8 * target.sample_bytes, len(target.channels), edits.line)
            new = chunkwriter.Made(c.id, renewed_bext(chunks.payload(path, c), line, edits.umid))
        elif c.id == b"iXML" and alone and c.size <= chunks.MAX_PAYLOAD:
            new = chunkwriter.Made(c.id, single_track_ixml(chunks.payload(path, c), target.channels[0]))
        elif c.id == b"chna" and alone:
            new = None
        elif c.id == b"cue " and edits.markers and not cued:
            new, cued = chunkwriter.Made(c.id, cue), True
        elif c.id == b"LIST" and edits.markers and not labelled:
            old = chunks.payload(path, c)
            if old[:4] == b"adtl":
                new, labelled = chunkwriter.Made(c.id, with_labels(old, edits.markers, first, layout.order)), True
        if new is not None:
            pieces.append(new)
        if c.id == b"fmt " and recoded and target.subtype in FLOAT_TYPES:
            pieces.append(chunkwriter.Made(b"fact", _count(file.n_samples, order)))
    if edits.markers and not cued:
        after.append(chunkwriter.Made(b"cue ", cue))
    if edits.markers and not labelled:
        after.append(chunkwriter.Made(b"LIST", with_labels(adtl, edits.markers, first, layout.order)))
    return form, before, after


def of_other(file: AudioFile, target: Target, edits: Edits) -> tuple[bytes, Pieces, Pieces]:
    """Give form and chunks of a WAV file made of another container: its format, and the texts that were there."""
    n = len(target.channels)
    before: Pieces = [chunkwriter.format_chunk(file.sr, n, target.subtype, mask=0 if n > 2 else None)]
    if target.subtype in FLOAT_TYPES:
        before.append(chunkwriter.Made(b"fact", _count(file.n_samples, "<")))
    with open_sound(file.path) as source:
        texts = {t: str(getattr(source, t)) for t in TAG_NAMES}
    info = b"".join(_text(name, texts[tag]) for tag, name in _INFO.items() if texts[tag])
    after: Pieces = [chunkwriter.Made(b"LIST", b"INFO" + info)] if info else []
    if edits.markers:
        cue, first = with_cues(b"", edits.markers)
        after.append(chunkwriter.Made(b"cue ", cue))
        after.append(chunkwriter.Made(b"LIST", with_labels(b"", edits.markers, first)))
    return target.form or b"RIFF", before, after


def _count(n: int, order: str) -> bytes:
    return struct.pack(f"{order}I", min(n, chunks.U32_MAX))


def _text(name: bytes, text: str) -> bytes:
    data = text.encode("utf-8") + b"\0"
    return struct.pack("<4sI", name, len(data)) + data + b"\0" * (len(data) & 1)
