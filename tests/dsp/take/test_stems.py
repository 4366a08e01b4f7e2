"""Stems: samples and metadata as soundfile and wavinfo see them, and nothing half done under a final name."""

import errno
import os
import struct

import numpy as np
import pytest
import soundfile as sf
import wavinfo

from spillgate.dsp import writing
from spillgate.dsp.errors import OutputError
from spillgate.dsp.take import stems
from spillgate.dsp.take.audio import INTEGER_BITS, probe

FORMATS = [
    ("WAV", "PCM_U8"),
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "PCM_32"),
    ("WAV", "FLOAT"),
    ("WAV", "DOUBLE"),
    ("WAVEX", "PCM_24"),
    ("RF64", "PCM_24"),
    ("AIFF", "PCM_S8"),
    ("AIFF", "PCM_16"),
    ("AIFF", "PCM_24"),
    ("AIFF", "FLOAT"),
    ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"),
    ("CAF", "PCM_24"),
    ("CAF", "FLOAT"),
    ("W64", "PCM_24"),
    ("W64", "DOUBLE"),
]


def make(path, container, subtype, n=1001, n_channels=2, endian="FILE"):
    x = np.random.default_rng(0).uniform(-0.5, 0.5, (n, n_channels))
    sf.write(path, x, 48_000, format=container, subtype=subtype, endian=endian)
    return probe(path).file


def fresh(file):
    """New samples in the form the writer takes, and as soundfile is to read them."""
    rng = np.random.default_rng(1)
    bits = INTEGER_BITS.get(file.subtype)
    shape = (file.n_channels, file.n_samples)
    if bits is None:
        y = rng.standard_normal(shape).astype(np.float32).astype(np.float64)
        return y, y.T
    y = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), shape, np.int64).astype(np.int32)
    return y, y.T / 2.0 ** (bits - 1)


def write(file, folder, y, block=300):
    with stems.StemWriter(file, folder) as writer:
        for a in range(0, file.n_samples, block):
            writer.write(y[:, a : a + block])
    return folder / file.name


@pytest.mark.parametrize(("container", "subtype"), FORMATS)
def test_samples_come_back_bit_for_bit(tmp_path, container, subtype):
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.bin", container, subtype)
    y, expected = fresh(file)
    target = write(file, tmp_path / "out", y)
    z, sr = sf.read(target, dtype="float64", always_2d=True)
    assert sr == 48_000
    assert np.array_equal(z, expected)
    new = probe(target).file
    assert (new.format, new.subtype, new.n_samples) == (file.format, file.subtype, file.n_samples)
    assert os.listdir(tmp_path / "out") == ["Tom.bin"]


@pytest.mark.parametrize(("container", "subtype"), [("WAV", "PCM_24"), ("WAV", "FLOAT"), ("AIFF", "PCM_24")])
@pytest.mark.parametrize("endian", ["LITTLE", "BIG"])
def test_byte_order_stays(tmp_path, container, subtype, endian):
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.bin", container, subtype, endian=endian)
    y, expected = fresh(file)
    target = write(file, tmp_path / "out", y)
    assert np.array_equal(sf.read(target, always_2d=True)[0], expected)
    assert target.read_bytes()[:4] == file.path.read_bytes()[:4]
    with sf.SoundFile(file.path) as old, sf.SoundFile(target) as new:
        assert old.endian == new.endian


def test_bw64_stays_bw64(tmp_path):
    (tmp_path / "out").mkdir()
    make(tmp_path / "Tom.wav", "RF64", "PCM_24")
    data = (tmp_path / "Tom.wav").read_bytes()
    (tmp_path / "Tom.wav").write_bytes(b"BW64" + data[4:])
    file = probe(tmp_path / "Tom.wav").file
    y, expected = fresh(file)
    new = write(file, tmp_path / "out", y).read_bytes()
    assert new[:16] == b"BW64" + data[4:16]
    (tmp_path / "as.wav").write_bytes(b"RF64" + new[4:])
    assert np.array_equal(sf.read(tmp_path / "as.wav", always_2d=True)[0], expected)


def test_metadata_of_a_wav_as_wavinfo_reads_it(tmp_path):
    (tmp_path / "out").mkdir()
    path = tmp_path / "Tom.wav"
    make(path, "WAV", "PCM_24", n_channels=1)
    ixml = b"<BWFXML><PROJECT>One</PROJECT></BWFXML>"
    fixed = struct.pack("<256s32s32s10s8sIIH", b"Tom", b"maker", b"", b"2026-01-31", b"10:00:00", 0x66FF3000, 0, 1)
    bext = fixed + bytes(254) + b"A=PCM\r\n"
    tail = b"".join(
        struct.pack("<4sI", i, len(d)) + d + b"\0" * (len(d) & 1) for i, d in [(b"bext", bext), (b"iXML", ixml)]
    )
    data = path.read_bytes()
    data = data + b"\0" * (len(data) & 1) + tail
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    file = probe(path).file
    assert probe(path).time_reference == 1_728_000_000
    y, expected = fresh(file)
    target = write(file, tmp_path / "out", y)
    info = wavinfo.WavInfoReader(str(target))
    assert info.bext.time_reference == 1_728_000_000
    assert info.bext.coding_history.startswith("A=PCM")
    assert info.ixml.project == "One"
    assert info.data.frame_count == 1001
    assert np.array_equal(sf.read(target, always_2d=True)[0], expected)
    assert target.stat().st_size == path.stat().st_size


@pytest.mark.parametrize("container", ["AIFF", "FLAC", "CAF"])
def test_tags_stay(tmp_path, container):
    (tmp_path / "out").mkdir()
    path = tmp_path / "Tom.bin"
    with sf.SoundFile(path, "w", 48_000, 1, "PCM_24", format=container) as sound:
        sound.title, sound.comment = "Tom high", "take seven"
        sound.write(np.zeros(100))
    file = probe(path).file
    target = write(file, tmp_path / "out", fresh(file)[0])
    with sf.SoundFile(target) as sound, sf.SoundFile(path) as old:
        assert (sound.title, sound.comment) == (old.title, old.comment)
        assert old.title == "Tom high"


def test_float_aiff_holds_no_clock(tmp_path):
    # Apple's AIFF-C PEAK chunk as libsndfile writes it: version, time stamp, peaks
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.aif", "AIFF", "FLOAT")
    old, new = file.path.read_bytes(), write(file, tmp_path / "out", fresh(file)[0]).read_bytes()
    at = old.index(b"PEAK")
    assert old[at + 12 : at + 16] != bytes(4)  # there is one to stop
    at = new.index(b"PEAK")
    assert new[at + 8 : at + 16] == b"\0\0\0\1" + bytes(4)


def test_a_failure_leaves_nothing(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "Tom.wav").write_bytes(b"what was there before")
    file = make(tmp_path / "Tom.wav", "WAV", "PCM_24")
    y = fresh(file)[0]

    def half():
        with stems.StemWriter(file, out) as writer:
            writer.write(y[:, :500])
            assert len(os.listdir(out)) == 2
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half()
    assert os.listdir(out) == ["Tom.wav"]
    assert (out / "Tom.wav").read_bytes() == b"what was there before"
    with pytest.raises(ValueError, match=r"501 samples are missing"), stems.StemWriter(file, out) as writer:
        writer.write(y[:, :500])
    assert os.listdir(out) == ["Tom.wav"]


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_no_folder_to_write_to(tmp_path, container):
    file = make(tmp_path / "Tom.bin", container, "PCM_24")
    with pytest.raises(OutputError, match=r"^Tom\.bin: cannot be written \([^\n]+\)[^\n]*$"):
        stems.StemWriter(file, tmp_path / "nowhere")
    with pytest.raises(OutputError, match=r"^Tom\.bin: cannot be written"):
        writing.copy_file(file.path, tmp_path / "nowhere")


def test_a_full_disk(tmp_path, monkeypatch):
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.wav", "WAV", "PCM_24")

    def full(_fd):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    said = r"^Tom\.wav: cannot be written \(No space left on device\); look at the space and the rights there$"
    with pytest.raises(OutputError, match=said):
        write(file, tmp_path / "out", fresh(file)[0])
    with pytest.raises(OutputError, match=said):
        writing.copy_file(file.path, tmp_path / "out")
    with pytest.raises(OutputError, match=r"^plan\.json: cannot be written"):
        writing.write_atomically(tmp_path / "out" / "plan.json", b"{}")
    assert os.listdir(tmp_path / "out") == []


def test_copies_are_the_same_bytes_with_the_same_time(tmp_path):
    (tmp_path / "out").mkdir()
    source = tmp_path / "Vox.wav"
    source.write_bytes(os.urandom(5000))
    os.utime(source, ns=(10**18, 10**18))
    target = writing.copy_file(source, tmp_path / "out")
    assert target.read_bytes() == source.read_bytes()
    assert target.stat().st_mtime_ns == 10**18
    assert os.listdir(tmp_path / "out") == ["Vox.wav"]
