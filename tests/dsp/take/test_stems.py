"""Stems: samples and metadata as soundfile and wavinfo see them, and nothing half done under a final name."""

import errno
import os
import struct
from pathlib import Path

import numpy as np
import pytest
import scipy.io
import soundfile as sf
import wavinfo
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp import writing
from spillgate.dsp.core.audio.marker import Marker
from spillgate.dsp.errors import AudioFileError, OutputError, ParameterError
from spillgate.dsp.take import chunks, chunkwriter, stems
from spillgate.dsp.take.audio import INTEGER_BITS, probe
from spillgate.dsp.take.target import Edits, Target

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


def write(file, folder, y, block=300, target=None, edits=None):
    with stems.StemWriter(file, folder, target, edits) as writer:
        for a in range(0, file.n_samples, block):
            writer.write(y[:, a : a + block])
    return folder / (target.name if target else file.name)


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
        writing.FileCopy(file.path, tmp_path / "nowhere")


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
        writing.FileCopy(file.path, tmp_path / "out")
    with pytest.raises(OutputError, match=r"^plan\.json: cannot be written"):
        writing.write_atomically(tmp_path / "out" / "plan.json", b"{}")
    assert os.listdir(tmp_path / "out") == []


def test_copies_are_the_same_bytes_with_the_same_time(tmp_path):
    (tmp_path / "out").mkdir()
    source = tmp_path / "Vox.wav"
    source.write_bytes(os.urandom(5000))
    os.utime(source, ns=(10**18, 10**18))
    writing.FileCopy(source, tmp_path / "out").commit()
    target = tmp_path / "out" / "Vox.wav"
    assert target.read_bytes() == source.read_bytes()
    assert target.stat().st_mtime_ns == 10**18
    assert os.listdir(tmp_path / "out") == ["Vox.wav"]


SCIPY_DATA = Path(scipy.io.__file__).parent / "tests" / "data"


def test_scipys_files_come_back_with_new_samples(tmp_path):
    """WAV files of scipy's own tests: little and big endian, RF64, 1 to 5 channels, 8 to 64 bits, odd headers."""
    seen = set()
    for path in sorted(SCIPY_DATA.glob("*.wav")):
        try:
            file = probe(path).file
        except AudioFileError:
            continue  # cut short on purpose, or samples that no recorder writes
        y, expected = fresh(file)
        target = write(file, tmp_path, y)
        assert np.array_equal(sf.read(target, always_2d=True)[0], expected), path.name
        old, new = chunks.read_layout(path), chunks.read_layout(target)
        assert [c.id for c in new.chunks] == [c.id for c in old.chunks if c.id not in chunks.STALE], path.name
        assert new.form == old.form
        seen.add((old.form, file.subtype, file.n_channels))
    assert len(seen) >= 8
    assert {form for form, _, _ in seen} == {b"RIFF", b"RIFX", b"RF64"}


def piece(name, data, order="<"):
    return struct.pack(f"{order}4sI", name, len(data)) + data + b"\0" * (len(data) & 1)


BEXT = bytes(346) + b"\2\0" + bytes(254)
LABELS = b"adtl" + piece(b"labl", b"\7\0\0\0old\0")
CUE = struct.pack("<I", 1) + struct.pack("<II4sIII", 7, 5, b"data", 0, 0, 5)
extra = st.one_of(
    st.tuples(st.sampled_from([b"iXML", b"axml", b"JUNK", b"id3 ", b"abcd", b"PAD "]), st.binary(max_size=41)),
    st.tuples(st.just(b"smpl"), st.binary(min_size=28, max_size=28).map(lambda d: d + bytes(8))),  # without loops
    st.tuples(st.just(b"bext"), st.binary(max_size=30).map(lambda h: BEXT + h.replace(b"\0", b"."))),
    st.tuples(st.just(b"LIST"), st.binary(max_size=9).map(lambda d: b"INFO" + piece(b"ICMT", d + b"\0"))),
)
singles = st.permutations([(b"cue ", CUE), (b"LIST", LABELS), (b"fact", bytes(4))]).flatmap(
    lambda p: st.integers(0, 3).map(lambda n: p[:n])
)


@given(
    before=st.lists(extra, max_size=4),
    after=st.lists(extra, max_size=4),
    known=singles,
    n=st.integers(1, 50),
    n_channels=st.integers(1, 5),
    subtype=st.sampled_from(["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"]),
    wide=st.booleans(),
    marked=st.booleans(),
    changed=st.booleans(),
)
@settings(max_examples=300, deadline=None)
def test_any_wav_keeps_its_chunks(
    tmp_path_factory, read_markers, before, after, known, n, n_channels, subtype, wide, marked, changed
):
    """Random chunks, sizes and orders: all come back byte for byte but for the two things that are new."""
    home = tmp_path_factory.getbasetemp() / "any"
    (home / "out").mkdir(parents=True, exist_ok=True)
    path = home / "Tom.wav"
    mask = (1 << n_channels) - 1 if wide else None
    fmt = chunkwriter.format_chunk(48_000, n_channels, subtype, mask=mask)
    rng = np.random.default_rng(n)
    held = rng.bytes(n * n_channels * {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "FLOAT": 4, "DOUBLE": 8}.get(subtype, 4))
    if subtype in ("FLOAT", "DOUBLE"):
        held = np.zeros(n * n_channels, np.float32 if subtype == "FLOAT" else np.float64).tobytes()
    rows = [*before, (b"fmt ", fmt.data), (b"data", held), *after, *known]
    body = b"WAVE" + b"".join(piece(*r) for r in rows)
    path.write_bytes(struct.pack("<4sI", b"RIFF", len(body)) + body)
    file = probe(path).file
    assert (file.subtype, file.n_channels, file.n_samples) == (subtype, n_channels, n)
    y, expected = fresh(file)
    markers = (Marker(0, 0, "tom1"), Marker(0, n, "open")) if marked else ()
    new = write(file, home / "out", y, edits=Edits(line="Spillgate 1; mask" if changed else "", markers=markers))
    assert np.array_equal(sf.read(new, always_2d=True)[0], expected)
    layout = chunks.read_layout(new)
    assert layout.behind == 0
    assert layout.held == layout.data.size
    read = [(c.id, chunks.payload(new, c)) for c in layout.chunks]
    if marked:
        cue = next(d for i, d in read if i == b"cue ")
        labels = [d for i, d in read if i == b"LIST"]
        old = [Marker(5, 0, "old" if (b"LIST", LABELS) in known else "")] if (b"cue ", CUE) in known else []
        assert list(read_markers(cue, labels)) == [*old, *markers]
        old_ids = [i for i, _ in rows]
        assert [i for i, _ in read][: len(old_ids)] == old_ids  # new chunks stand at the end
        read = [r for r in read[: len(old_ids)] if r[0] != b"cue " and r[1][:4] != b"adtl"]
        rows = [r for r in rows if r[0] != b"cue " and r[1][:4] != b"adtl"]
    for (name, data), (old_name, old_data) in zip(read, rows, strict=True):
        assert name == old_name
        if name == b"bext" and changed:
            assert (data[:412], data[412:422], data[422:602]) == (old_data[:412], b"\xff\x7f" * 5, old_data[422:602])
            assert data[602:].startswith(old_data[602:].rstrip(b"\r\n"))
            assert data.endswith(b"T=Spillgate 1; mask\r\n")
        elif name != b"data":
            assert data == old_data


def test_a_mask_of_loudspeakers_outlives_other_samples(tmp_path):
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.wav", "WAVEX", "PCM_24", n_channels=5)
    layout = chunks.read_layout(file.path)
    old = chunkwriter.channel_mask(chunks.payload(file.path, layout.find(b"fmt ")))
    target = Target.of(file, subtype="FLOAT")
    y = np.random.default_rng(0).standard_normal((5, file.n_samples))
    new = write(file, tmp_path / "out", y, target=target)
    assert sf.info(new).subtype == "FLOAT"
    assert sf.info(new).format == "WAVEX"
    layout = chunks.read_layout(new)
    assert chunkwriter.channel_mask(chunks.payload(new, layout.find(b"fmt "))) == old
    assert chunks.payload(new, layout.find(b"fact")) == struct.pack("<I", file.n_samples)  # RIFF: not for PCM only


@pytest.mark.parametrize("container", ["wav", "rf64", "bw64"])
def test_texts_of_other_containers_go_into_a_wav(tmp_path, container):
    (tmp_path / "out").mkdir()
    path = tmp_path / "Tom.flac"
    with sf.SoundFile(path, "w", 48_000, 1, "PCM_24") as sound:
        sound.title, sound.comment = "Tom high", "take 7"
        sound.write(np.zeros(100))
    file = probe(path).file
    target = Target.of(file, name="Tom.wav", container=container)
    new = write(file, tmp_path / "out", fresh(file)[0], target=target)
    data = new.read_bytes()
    assert data[:4] == {"wav": b"RIFF", "rf64": b"RF64", "bw64": b"BW64"}[container]
    (tmp_path / "as.wav").write_bytes((b"RF64" if container == "bw64" else data[:4]) + data[4:])
    with sf.SoundFile(tmp_path / "as.wav") as sound:
        assert (sound.title, sound.comment) == ("Tom high", "take 7")
    info = wavinfo.WavInfoReader(str(tmp_path / "as.wav"))
    assert info.info.title == "Tom high"


def test_big_endian_stays_or_is_refused(tmp_path):
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.wav", "WAV", "PCM_24", endian="BIG")
    y = fresh(file)[0]
    with pytest.raises(ParameterError, match=r"^Tom\.wav: is a big-endian WAV file, which cannot become"):
        write(file, tmp_path / "out", y, target=Target.of(file, container="rf64"))
    assert os.listdir(tmp_path / "out") == []
    new = write(file, tmp_path / "out", y, target=Target.of(file, container="wav", subtype="PCM_32"))
    assert new.read_bytes()[:4] == b"RIFX"
    assert np.array_equal(sf.read(new, always_2d=True)[0], y.T / 2.0**31)


def test_more_markers_than_some_readers_take(read_markers, tmp_path):
    """Libsndfile passes over a cue chunk of more than 2,500 points (its source), and must still read the samples."""
    (tmp_path / "out").mkdir()
    file = make(tmp_path / "Tom.wav", "WAV", "PCM_24", n=6000)
    markers = tuple(Marker(k, 0, f"tom1 {k}") for k in range(5000))
    y, expected = fresh(file)
    new = write(file, tmp_path / "out", y, edits=Edits(markers=markers))
    assert np.array_equal(sf.read(new, always_2d=True)[0], expected)
    layout = chunks.read_layout(new)
    cue, adtl = (chunks.payload(new, layout.find(n)) for n in (b"cue ", b"LIST"))
    assert tuple(read_markers(cue, [adtl])) == markers
    assert len(wavinfo.WavInfoReader(str(new)).cues.cues) == 5000
