"""Markers read back from a WAV file's chunks, by the published layout (Multimedia Programming Interface 1.0, 1991)."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator

import pytest

from spillgate.dsp.core.audio.marker import Marker

POINT = 24
"""Bytes of a cue point."""
FIRST_OFFSET = 12
"""Bytes of a sub-chunk's head and of the number of the point it belongs to."""


def read(cue: bytes, adtl: Iterable[bytes], order: str = "<") -> Iterator[Marker]:
    """Markers in the order of the cue points; `cue` is the data of its chunk, `adtl` the data of the LIST chunks."""
    n_points = min(struct.unpack_from(f"{order}I", cue)[0] if len(cue) >= 4 else 0, max(len(cue) - 4, 0) // POINT)
    points = cue[4 : 4 + n_points * POINT]
    texts: dict[int, str] = {}
    lengths: dict[int, int] = {}
    for data in adtl:
        at = 4 if data[:4] == b"adtl" else len(data)
        while at + FIRST_OFFSET <= len(data):
            name, n = struct.unpack_from(f"{order}4sI", data, at)
            (ident,) = struct.unpack_from(f"{order}I", data, at + 8)
            body = data[at + FIRST_OFFSET : at + 8 + n]
            if name == b"labl":
                texts.setdefault(ident, body.split(b"\0", 1)[0].decode("utf-8", "replace"))
            elif name == b"ltxt" and len(body) >= 4:
                lengths.setdefault(ident, struct.unpack_from(f"{order}I", body)[0])
            at += 8 + n + (n & 1)
    for k in range(0, len(points), POINT):
        ident, _, _, _, _, offset = struct.unpack_from(f"{order}II4sIII", points, k)
        yield Marker(offset, lengths.get(ident, 0), texts.get(ident, ""))


@pytest.fixture(scope="session")
def read_markers() -> Callable[..., Iterator[Marker]]:
    return read
