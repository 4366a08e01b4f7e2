"""What other containers cannot take over, on files of soundfile with chunks put in by hand after their layouts."""

import struct

import numpy as np
import pytest
import soundfile as sf

from spillgate.dsp.take.foreign import left_behind


def made(path, container, **texts):
    with sf.SoundFile(path, "w", 48_000, 1, "PCM_16", format=container) as sound:
        for name, text in texts.items():
            setattr(sound, name, text)
        sound.write(np.zeros(100))
    return path


@pytest.mark.parametrize("container", ["WAV", "AIFF", "FLAC", "CAF", "W64"])
@pytest.mark.parametrize("target", ["WAV", "AIFF", "FLAC", "CAF", "W64"])
def test_a_plain_file_loses_nothing(tmp_path, container, target):
    texts = {} if container == "W64" else {"title": "Tom", "comment": "seven", "artist": "nobody", "software": "tape"}
    assert left_behind(made(tmp_path / "a.bin", container, **texts), container, target) == ()


def wav(path, *parts):
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, 48_000, 96_000, 2, 16)
    body = b"WAVE" + b"".join(struct.pack("<4sI", n, len(d)) + d for n, d in parts[:1])
    body += fmt + struct.pack("<4sI", b"data", 4) + bytes(4)
    body += b"".join(struct.pack("<4sI", n, len(d)) + d for n, d in parts[1:])
    path.write_bytes(struct.pack("<4sI", b"RIFF", len(body)) + body)
    return path


def test_wav(tmp_path):
    parts = [(b"bext", bytes(602)), (b"cue ", bytes(4)), (b"LIST", b"adtl"), (b"LIST", b"INFO"), (b"smpl", bytes(36))]
    path = wav(tmp_path / "a.wav", *parts)
    expected = ("bext (place on the timeline, coding history)", "cue (markers)", "adtl (labels)", "smpl")
    assert left_behind(path, "WAV", "FLAC") == expected
    assert left_behind(path, "WAV", "RF64") == left_behind(path, "RF64", "BW64") == ()


def test_aiff(tmp_path):
    path = made(tmp_path / "a.aif", "AIFF", title="Tom")
    data = path.read_bytes() + struct.pack(">4sIH", b"MARK", 2, 0) + struct.pack(">4sI", b"ID3 ", 2) + b"xx"
    path.write_bytes(data[:4] + struct.pack(">I", len(data) - 8) + data[8:])
    assert left_behind(path, "AIFF", "AIFF") == left_behind(path, "AIFF", "WAV") == ("MARK (markers)", "ID3")


def test_flac(tmp_path):
    path = made(tmp_path / "a.flac", "FLAC", title="Tom")
    data = path.read_bytes()
    picture = bytes([6]) + (8).to_bytes(3, "big") + bytes(8)
    size = 4 + int.from_bytes(data[5:8], "big")
    path.write_bytes(data[: 4 + size] + picture + data[4 + size :])
    assert left_behind(path, "FLAC", "FLAC") == ("PICTURE",)
    comment = b"\4\0\0\0mine\1\0\0\0" + b"\x0f\0\0\0TOMTOM=loudness"
    block = bytes([4]) + len(comment).to_bytes(3, "big") + comment
    path.write_bytes(data[: 4 + size] + block + data[4 + size :])
    assert left_behind(path, "FLAC", "FLAC") == ("comments",)


def test_caf(tmp_path):
    path = made(tmp_path / "a.caf", "CAF")
    data = path.read_bytes()
    path.write_bytes(data[:8] + struct.pack(">4sq", b"mark", 4) + bytes(4) + data[8:])
    assert left_behind(path, "CAF", "CAF") == ("mark",)


def test_w64(tmp_path):
    path = made(tmp_path / "a.w64", "W64")
    data = path.read_bytes()
    path.write_bytes(data + b"bext" + bytes(12) + struct.pack("<Q", 24 + 8) + bytes(8))
    assert left_behind(path, "W64", "W64") == ("bext (place on the timeline, coding history)",)


def test_what_cannot_be_read_gives_nothing(tmp_path):
    path = tmp_path / "a.bin"
    for data in (b"", b"RIFF", b"fLaC\x84\0\0\x10xx", bytes(100)):
        path.write_bytes(data)
        for container in ("WAV", "AIFF", "FLAC", "CAF", "W64"):
            left_behind(path, container, "FLAC")
