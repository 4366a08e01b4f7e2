"""Broken and hostile files: good ones changed at random, in the ways that break readers.

Every case has a number; case and seed give the same bytes on any machine.  A case is fine if the command says one
line and an exit code, or does its work; never a traceback, never more than the time and the memory allowed.
"""

from __future__ import annotations

import io
import json
import random
import struct
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import soundfile

__all__ = ["HOSTILE", "SEEDS", "mutated", "sounds", "texts"]

SR = 48_000
NUMBERS = (0, 1, 2, 3, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
"""Where sizes and counts break: ends of the integer types."""


def _sound(format: str, subtype: str, channels: int = 1, n: int = 600) -> bytes:
    stream = io.BytesIO()
    x = 0.5 * np.random.default_rng(channels).standard_normal((n, channels)).clip(-1, 1)
    soundfile.write(stream, x, SR, subtype=subtype, format=format)
    return stream.getvalue()


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack("<4sI", name, len(data)) + data + b"\0" * (len(data) & 1)


def _rich_wav() -> bytes:
    """A WAV with every kind of chunk that is looked into."""
    bext = bytearray(610)
    bext[:4], bext[320:330], bext[330:338], bext[346:348] = b"take", b"2026-01-31", b"10:00:00", b"\x02\0"
    cue = struct.pack("<I", 2) + b"".join(struct.pack("<II4sIII", k, k, b"data", 0, 0, 99 * k) for k in (1, 2))
    names = "".join(
        f"<TRACK><CHANNEL_INDEX>{k}</CHANNEL_INDEX><INTERLEAVE_INDEX>{k}</INTERLEAVE_INDEX><NAME>Tom {k}</NAME></TRACK>"
        for k in (1, 2)
    )
    ixml = f"<BWFXML><TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>{names}</TRACK_LIST></BWFXML>".encode()
    samples = np.random.default_rng(5).integers(-9999, 9999, 800).astype("<i2").tobytes()
    parts = [
        _chunk(b"JUNK", bytes(28)),
        _chunk(b"bext", bytes(bext)),
        _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 2, SR, SR * 4, 4, 16)),
        _chunk(b"data", samples),
        _chunk(b"cue ", cue),
        _chunk(b"LIST", b"adtl" + _chunk(b"labl", struct.pack("<I", 1) + b"fill\0")),
        _chunk(b"iXML", ixml),
        _chunk(b"smpl", bytes(36)),
        _chunk(b"id3 ", b"ID3\3" + bytes(20)),
    ]
    body = b"WAVE" + b"".join(parts)
    return struct.pack("<4sI", b"RIFF", len(body)) + body


def sounds() -> dict[str, bytes]:
    """Good recordings of every family, small, by file ending and number."""
    made = {"0.wav": _rich_wav()}
    kinds = [
        ("wav", "WAV", "PCM_24", 1),
        ("wav", "WAV", "FLOAT", 2),
        ("wav", "WAVEX", "PCM_16", 1),
        ("wav", "RF64", "PCM_16", 1),
        ("aif", "AIFF", "PCM_24", 1),
        ("aif", "AIFF", "FLOAT", 1),
        ("flac", "FLAC", "PCM_16", 1),
        ("flac", "FLAC", "PCM_24", 2),
        ("caf", "CAF", "PCM_24", 1),
        ("w64", "W64", "PCM_24", 1),
    ]
    for k, (ending, format, subtype, channels) in enumerate(kinds, 1):
        made[f"{k}.{ending}"] = _sound(format, subtype, channels)
    wide = made["1.wav"]
    made["11.wav"] = b"RIFX" + wide[4:]
    return made


def texts() -> dict[str, str]:
    """Good texts of every kind that is read, by file name."""
    hits = "".join(f'[[hit]]\ntrack = "Rack Tom"\ntime_s = {k / 4}\ndo = "add"\n' for k in range(3))
    corrections = (
        f'schema = 1\n{hits}[[hit]]\ntrack = "tom1"\ntime_s = 0.34\ndo = "move"\nto_s = 0.35\nring_until_s = 0.6\n'
        '[[span]]\ntrack = "Rack Tom"\nfrom_s = 0.1\nto_s = 0.2\ndo = "silence"\n'
        '[[parameter]]\ntrack = "Rack Tom"\nprocessor = "gate"\nname = "floor_db"\nvalue = -18.0\n'
        '[[delay]]\ntrack = "Snare"\nsamples = 12.25\npolarity = -1\n'
        '[[role]]\ntrack = "Kick"\nrole = "kick"\ndrum = "kick"\nposition = "in"\n'
    )
    inputs = (
        'view = "drummer"\nlayout = "spaced"\n'
        '[[track]]\nfile = "Rack Tom.wav"\nrole = "tom"\ndrum = "tom1"\nmic = "dynamic"\ndistance_cm = 4.5\n'
        'note = "a \\u00e4"\nintended = ["flipped"]\ngate.floor_db = -18\n'
        '[[track]]\nfile = "OH L.wav"\nrole = "overhead"\nposition = "left"\npad_db = -10\n'
        '[[track]]\nfile = "Snare.wav"\nchannel = 0\nrole = "snare"\ntarget = "OH L.wav"\n'
    )
    chain = (
        'schema = 1\n[[chain]]\nprocessor = "detect"\n[chain.params]\nspacing_ms = 15\n'
        '[[chain]]\nprocessor = "gate"\n[chain.params]\nfloor_db = -18.0\n[chain.tracks."Rack Tom.wav"]\nring = 1.0\n'
    )
    return {"corrections.toml": corrections, "inputs.toml": inputs, "chain.toml": chain}


DEEP = 100_000

HOSTILE: Mapping[str, Callable[[], bytes]] = {
    "nested lists": lambda: b"x = " + b"[" * DEEP,
    "nested closed lists": lambda: b"x = " + b"[" * DEEP + b"]" * DEEP,
    "nested tables": lambda: b"x = " + b"{a=" * DEEP,
    "dotted keys": lambda: b"a" + b".a" * DEEP + b" = 1",
    "dotted table": lambda: b"[a" + b".a" * DEEP + b"]",
    "many tables": lambda: b"".join(b"[[hit]]\n" for _ in range(20_000)),
    "huge number": lambda: b'schema = 1\n[[hit]]\ntrack = "Rack Tom"\ntime_s = ' + b"9" * 4000 + b'\ndo = "add"\n',
    "huge number on disk": lambda: b"schema = " + b"9" * 100_000,
    "huge hex": lambda: b"schema = 0x" + b"f" * 200_000,
    "large exponent": lambda: b'[[hit]]\ntrack = "Rack Tom"\ntime_s = 1e308\ndo = "add"\n',
    "large delay": lambda: b'[[delay]]\ntrack = "Snare"\nsamples = 1e18\n',
    "long span": lambda: b'[[span]]\ntrack = "Rack Tom"\nfrom_s = -1e300\nto_s = 1e300\ndo = "silence"\n',
    "not a number": lambda: b'[[hit]]\ntrack = "Rack Tom"\ntime_s = nan\ndo = "add"\n',
    "long text": lambda: b'[[hit]]\ntrack = "' + b"x" * 3_000_000 + b'"\ntime_s = 1.0\ndo = "add"\n',
    "long key": lambda: b"x" * 1_000_000 + b" = 1",
    "escapes in a name": lambda: b'[[hit]]\ntrack = "\\u001b[31m\\u0000\\n\\u202e"\ntime_s = 1.0\ndo = "add"\n',
    "nulls": lambda: bytes(5000),
    "utf-16": lambda: "schema = 1\n".encode("utf-16"),
    "byte order mark": lambda: b"\xef\xbb\xbfschema = 1\n",
    "carriage returns": lambda: b"schema = 1\r\r\r\n",
    "a list as key": lambda: b"hit = 1",
    "a table as list": lambda: b"[hit]\ntrack = 1",
    "a date": lambda: b'[[hit]]\ntrack = "Rack Tom"\ntime_s = 1979-05-27\ndo = "add"\n',
    "wrong kinds": lambda: b"view = 1\nlayout = [1]\n[[track]]\nfile = {a = 1}\n",
    "many cues in json": lambda: json.dumps({"hit": [{}] * 10_000}).encode(),
}
"""Texts made to break a reader, by what is wrong with them."""


def mutated(data: bytes, rng: random.Random, words: Sequence[bytes] = ()) -> bytes:
    """Change good bytes in one to four of the ways that break readers."""
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 2, 4))):
        n = len(made)
        if n < 8:
            return bytes(made)
        # headers are where sizes stand: half of the changes fall into the first 120 bytes
        at = rng.randrange(min(n, 120)) if rng.random() < 0.5 else rng.randrange(n)
        way = rng.randrange(10)
        if way == 0:
            made[at] ^= 1 << rng.randrange(8)
        elif way == 1:
            made[at] = rng.randrange(256)
        elif way == 2:
            value, size = rng.choice(NUMBERS), rng.choice((2, 4, 4, 4, 8))
            order = rng.choice(("little", "big"))
            made[at : at + size] = (value & (1 << 8 * size) - 1).to_bytes(size, order)
        elif way == 3:
            del made[at:]
        elif way == 4:
            del made[at : at + rng.randrange(1, 64)]
        elif way == 5:
            made[at:at] = made[at : at + rng.randrange(1, 200)]
        elif way == 6:
            made[at:at] = rng.randbytes(rng.randrange(1, 40))
        elif way == 7:
            other = rng.randrange(n)
            made[at : at + 16], made[other : other + 16] = made[other : other + 16], made[at : at + 16]
        elif way == 8 and words:
            made[at:at] = rng.choice(words)
        else:
            length = rng.randrange(1, 60)
            made[at : at + length] = bytes([rng.choice((0, 0xFF, 0x20, 0x5B))]) * length
    return bytes(made)


SEEDS = {"sound": 11, "text": 12, "plan": 13}
"""Seeds of the short runs."""
