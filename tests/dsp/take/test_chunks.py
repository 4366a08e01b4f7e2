"""WAV chunks, against wavinfo, soundfile, scipy's own test files and the published layouts."""

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import scipy.io
import soundfile as sf
import wavinfo
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import AudioFileError, OutputError
from spillgate.dsp.take import chunks, chunkwriter

SCIPY_DATA = Path(scipy.io.__file__).parent / "tests" / "data"


def chunk(name, data):
    return struct.pack("<4sI", name, len(data)) + data + b"\0" * (len(data) & 1)


def wav(*parts, form=b"RIFF"):
    body = b"WAVE" + b"".join(parts)
    return struct.pack("<4sI", form, len(body)) + body


def fmt(n_channels=1, sr=48_000, bits=24):
    align = n_channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", 1, n_channels, sr, sr * align, align, bits))


def bext(time_reference=0, version=2, history=b"", description=b"Drums"):
    low, high = time_reference & 0xFFFFFFFF, time_reference >> 32
    fixed = struct.pack(
        "<256s32s32s10s8sIIH", description, b"maker", b"ref", b"2026-01-31", b"10:00:00", low, high, version
    )
    return fixed + bytes(range(64)) + struct.pack("<5h", -2345, 870, -110, 0x7FFF, -2001) + bytes(180) + history


IXML = (
    b'<?xml version="1.0" encoding="UTF-8"?><BWFXML><TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>'
    b"<TRACK><CHANNEL_INDEX>5</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>OH R</NAME></TRACK>"
    b"<TRACK><CHANNEL_INDEX>4</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>OH L</NAME></TRACK>"
    b"</TRACK_LIST></BWFXML>"
)


def copy(source, n_frames, samples, target=None):
    """Write the chunks of `source` round `samples`."""
    out = io.BytesIO()
    writer = chunkwriter.WavWriter.like(out, source, chunks.read_layout(source), n_frames)
    writer.head()
    out.write(samples)
    writer.tail()
    if target is not None:
        target.write_bytes(out.getvalue())
    return out.getvalue()


def test_bext_as_wavinfo_reads_it(tmp_path):
    path = tmp_path / "a.wav"
    history = b"A=PCM,F=48000,W=24,M=mono\r\n"
    path.write_bytes(wav(chunk(b"bext", bext(1_728_000_000, history=history)), fmt(), chunk(b"data", bytes(30))))
    layout = chunks.read_layout(path)
    ours = chunks.parse_bext(chunks.payload(path, layout.find(b"bext")))
    theirs = wavinfo.WavInfoReader(str(path)).bext
    assert ours.time_reference == theirs.time_reference == 1_728_000_000  # 10:00:00 at 48 kHz
    assert (ours.description, ours.originator, ours.reference) == ("Drums", "maker", "ref")
    assert (ours.description, ours.originator) == (theirs.description, theirs.originator)
    assert (ours.date, ours.time) == (theirs.originator_date, theirs.originator_time) == ("2026-01-31", "10:00:00")
    assert ours.version == theirs.version == 2
    assert ours.coding_history.strip() == theirs.coding_history.strip()
    assert ours.loudness[:3] == (theirs.loudness_value, theirs.loudness_range, theirs.max_true_peak)
    assert ours.loudness[:3] == (-23.45, 8.7, -1.1)
    assert np.isnan(ours.loudness[3])
    assert ours.umid == bytes(range(64))


@pytest.mark.parametrize(
    ("clock_s", "sr", "low", "high"),
    [
        (36_000, 48_000, 0x66FF3000, 0),
        (36_000, 96_000, 0xCDFE6000, 0),  # sign trap
        (86_399, 192_000, 0xDCC21200, 3),
    ],
)
def test_time_reference_is_64_bits(clock_s, sr, low, high):
    # EBU Tech 3285: samples since midnight, low word first
    data = bytearray(bext())
    data[338:346] = struct.pack("<II", low, high)
    assert chunks.parse_bext(bytes(data)).time_reference == clock_s * sr


def test_older_versions_and_short_chunks():
    assert chunks.parse_bext(bext(version=0)).umid == b""
    assert chunks.parse_bext(bext(version=1)).loudness is None
    assert chunks.parse_bext(bext()[:601]) is None
    # a text field that is full has no null behind it
    assert chunks.parse_bext(bext(description=b"x" * 256)).description == "x" * 256


def test_channel_names():
    assert chunks.ixml_names(IXML) == {0: "OH L", 1: "OH R"}
    assert chunks.ixml_names(IXML + b"\0\0") == {0: "OH L", 1: "OH R"}
    assert chunks.ixml_names(b"<BWFXML><TRACK_LIST>") == {}
    assert chunks.ixml_names(b"") == {}
    bomb = b'<!DOCTYPE a [<!ENTITY b "cccccccccc">]><BWFXML>&b;</BWFXML>'
    assert chunks.ixml_names(bomb) == {}


@pytest.mark.parametrize("path", sorted(SCIPY_DATA.glob("*.wav")), ids=lambda p: p.name)
def test_scipys_files_as_soundfile_reads_them(path):
    try:
        info = sf.info(str(path))
    except sf.LibsndfileError:
        info = None
    try:
        layout = chunks.read_layout(path)
    except AudioFileError:
        assert info is None or "early-eof" in path.name or "incomplete-chunk" in path.name
        return
    if info is None:
        return
    assert (layout.fmt.n_channels, layout.fmt.sr) == (info.channels, info.samplerate)
    if "inconsistent" not in path.name:  # states 4 bytes for what are 9
        assert layout.held // layout.fmt.block_align == info.frames
    assert layout.fmt.tag == {"FLOAT": 3, "DOUBLE": 3, "ULAW": 7}.get(info.subtype, 1)


def test_scipys_files_are_there():
    assert len(list(SCIPY_DATA.glob("*.wav"))) > 15


@pytest.mark.parametrize(
    "name",
    [
        "test-8000Hz-le-3ch-5S-24bit.wav",
        "test-8000Hz-be-3ch-5S-24bit.wav",
        "test-44100Hz-be-1ch-4bytes.wav",
        "test-44100Hz-2ch-32bit-float-be.wav",
        "test-8000Hz-le-3ch-5S-24bit-rf64.wav",
        "test-44100Hz-le-1ch-4bytes-rf64.wav",
    ],
)
def test_scipys_files_come_back_byte_for_byte(name):
    source = SCIPY_DATA / name
    layout = chunks.read_layout(source)
    data = chunks.payload(source, layout.data)
    again, old = (bytearray(d) for d in (copy(source, len(data) // layout.fmt.block_align, data), source.read_bytes()))
    if layout.form == b"RF64":
        # one states a wrong number of samples in ds64, and its data size twice; ours follows EBU Tech 3306
        assert struct.unpack_from("<Q", again, 36)[0] == sf.info(str(source)).frames
        at = again.index(b"data") + 4
        assert again[at : at + 4] == b"\xff\xff\xff\xff"
        again[36:44], again[at : at + 4] = old[36:44], old[at : at + 4]
    assert again == old


names = st.sampled_from([b"bext", b"iXML", b"axml", b"cue ", b"LIST", b"smpl", b"JUNK", b"id3 ", b"abcd", b"afsp"])
extra = st.tuples(names, st.binary(max_size=60))


@given(st.lists(extra, max_size=5), st.lists(extra, max_size=5), st.integers(0, 40), st.sampled_from([8, 16, 24, 32]))
@settings(max_examples=300, deadline=None)
def test_every_chunk_comes_back_in_order(tmp_path_factory, before, after, n, bits):
    rng = np.random.default_rng(n)
    samples = rng.bytes(n * bits // 8)
    parts = [chunk(*c) for c in before] + [fmt(bits=bits), chunk(b"data", samples)] + [chunk(*c) for c in after]
    path = tmp_path_factory.getbasetemp() / "chunks.wav"
    path.write_bytes(wav(*parts))
    assert copy(path, n, samples) == path.read_bytes()
    fresh = rng.bytes(n * bits // 8)
    new = copy(path, n, fresh)
    assert len(new) == len(path.read_bytes())
    assert new.replace(fresh, samples, 1) == path.read_bytes() or n < 2  # too short to be told apart


def test_what_describes_old_samples_is_dropped(tmp_path):
    path = tmp_path / "a.wav"
    path.write_bytes(wav(fmt(), chunk(b"PEAK", bytes(16)), chunk(b"data", bytes(30)), chunk(b"levl", b"old")))
    assert copy(path, 10, bytes(30)) == wav(fmt(), chunk(b"data", bytes(30)))


def test_extensible_mask_and_ixml_stay(tmp_path):
    path, target = tmp_path / "a.wav", tmp_path / "b.wav"
    x = np.random.default_rng(0).integers(-(2**31), 2**31, (50, 2), np.int32) & -256
    sf.write(path, x, 48_000, subtype="PCM_24", format="WAVEX")
    with open(path, "ab") as stream:
        stream.write(chunk(b"iXML", IXML))
    layout = chunks.read_layout(path)
    copy(path, 50, chunks.payload(path, layout.data), target)
    assert np.array_equal(sf.read(target, dtype="int32")[0], x)
    assert sf.info(target).format == "WAVEX"
    assert wavinfo.WavInfoReader(str(target)).ixml.track_list is not None
    assert target.read_bytes()[12:] == path.read_bytes()[12:]


def test_cue_points_survive_as_wavinfo_reads_them(tmp_path):
    path, target = tmp_path / "a.wav", tmp_path / "b.wav"
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 7, 5, b"data", 0, 0, 5)
    label = b"adtl" + chunk(b"labl", struct.pack("<I", 7) + b"fill\0")
    path.write_bytes(wav(fmt(), chunk(b"data", bytes(30)), chunk(b"cue ", cue), chunk(b"LIST", label)))
    copy(path, 10, bytes(range(30)), target)
    cues = wavinfo.WavInfoReader(str(target)).cues
    assert [(c.name, c.sample_offset) for c in cues.cues] == [(7, 5)]
    assert cues.label_and_note(7)[0].strip("\0") == "fill"


class Counter(io.RawIOBase):
    """A file of which only the size and the first bytes are kept."""

    def __init__(self):
        self.head, self.size = b"", 0

    def write(self, data):
        self.head = (self.head + bytes(data))[:4096] if len(self.head) < 4096 else self.head
        self.size += len(data)
        return len(data)


def sparse(path, n_bytes, form=b"RIFF"):
    """A WAV that promises and holds `n_bytes` of samples without using the disk."""
    head = wav(chunk(b"JUNK", bytes(28)), fmt(bits=24), form=form)[: -0 or None] + struct.pack("<4sI", b"data", n_bytes)
    with open(path, "wb") as stream:
        stream.write(head)
        stream.truncate(len(head) + n_bytes)
    return path


def test_beyond_4_gib_riff_becomes_rf64(tmp_path):
    # EBU Tech 3306: ds64 first, sizes of 64 bits there, 0xFFFFFFFF in the old places
    source = sparse(tmp_path / "a.wav", 0xFFFFFF00 // 3 * 3)
    layout = chunks.read_layout(source)
    n_frames = 1_500_000_000  # 4.5 GB
    target = tmp_path / "b.wav"
    with open(target, "wb") as out:
        writer = chunkwriter.WavWriter.like(out, source, layout, n_frames)
        writer.head()
        out.truncate(out.tell() + 3 * n_frames)
        out.seek(0, 2)
        writer.tail()
    with open(target, "rb") as stream:
        head = stream.read(80)
    assert head[:20] == b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0"
    riff, data, count, table = struct.unpack_from("<QQQI", head, 20)
    assert (riff, data, count, table) == (target.stat().st_size - 8, 3 * n_frames, n_frames, 0)
    assert head[48:52] == b"fmt "  # the JUNK chunk has given its place
    info = sf.info(str(target))
    assert (info.format, info.frames) == ("RF64", n_frames)
    assert chunks.read_layout(target).held == 3 * n_frames


def test_big_endian_cannot_grow(tmp_path):
    path = tmp_path / "a.wav"
    head = struct.pack(">4sI4s", b"RIFX", 50, b"WAVE")
    head += struct.pack(">4sIHHIIHH", b"fmt ", 16, 1, 1, 48_000, 96_000, 2, 16) + struct.pack(">4sI", b"data", 4)
    path.write_bytes(head + bytes(4))
    layout = chunks.read_layout(path)
    assert (layout.fmt.sr, layout.held) == (48_000, 4)
    with pytest.raises(OutputError, match="big-endian"):
        chunkwriter.WavWriter.like(io.BytesIO(), path, layout, 2**31)


@pytest.mark.parametrize(
    "data",
    [
        wav(struct.pack("<4sI", b"LIST", 0xFFFFFFF0), b"x"),
        wav(fmt()),
        wav(chunk(b"data", bytes(4))),
        b"RF64\xff\xff\xff\xffWAVE" + struct.pack("<4sI", b"ds64", 0xFFFFFFF0) + bytes(24),
        b"RF64\xff\xff\xff\xffWAVE" + chunk(b"ds64", bytes(24) + struct.pack("<I", 0xFFFFFFFF)),
        wav(chunk(b"fmt ", b"short"), chunk(b"data", bytes(4))),
    ],
)
def test_hostile_headers_are_refused_in_one_line(tmp_path, data):
    path = tmp_path / "bad.wav"
    path.write_bytes(data)
    with pytest.raises(AudioFileError, match=r"^bad\.wav: [^\n]+$"):
        chunks.read_layout(path)


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_any_bytes_give_a_layout_or_an_error(tmp_path_factory, tail):
    path = tmp_path_factory.getbasetemp() / "noise.wav"
    path.write_bytes(b"RIFF\0\0\0\0WAVE" + tail)
    try:
        layout = chunks.read_layout(path)
    except AudioFileError:
        return
    assert 0 <= layout.held <= len(tail)
