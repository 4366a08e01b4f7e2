"""Metadata of changed stems as wavinfo reads it, and against the published layouts."""

import struct

import pytest
import wavinfo
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.core.audio.marker import Marker
from spillgate.dsp.take import chunks, metadata


def chunk(name, data, order="<"):
    return struct.pack(f"{order}4sI", name, len(data)) + data + b"\0" * (len(data) & 1)


def wav(*parts):
    fmt = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 48_000, 144_000, 3, 24))
    body = b"WAVE" + fmt + chunk(b"data", bytes(3 * 1000)) + b"".join(parts)
    return struct.pack("<4sI", b"RIFF", len(body)) + body


def bext(version=2, history=b"A=PCM,F=48000,W=24,M=mono,T=first\r\n", umid=bytes(range(64))):
    fixed = struct.pack(
        "<256s32s32s10s8sIIH", b"Tom", b"desk", b"REF1", b"2026-01-31", b"10:00:00", 0xDCC21200, 3, version
    )
    return fixed + umid + struct.pack("<5h", -2345, 870, -110, -1800, -2001) + bytes(180) + history


def read(tmp_path, *parts):
    path = tmp_path / "a.wav"
    path.write_bytes(wav(*parts))
    return wavinfo.WavInfoReader(str(path))


LINE = metadata.coding_line(48_000, 24, 1, "Spillgate 1; mask")


def test_a_line_of_the_coding_history_after_r98():
    # EBU R98: A=…,F=…,W=…,M=…,T=… and CR LF; free text without commas
    assert LINE == "A=PCM,F=48000,W=24,M=mono,T=Spillgate 1; mask\r\n"
    assert metadata.coding_line(96_000, 32, 2, "a, b\nc") == "A=PCM,F=96000,W=32,M=stereo,T=a; b c\r\n"
    assert ",M=" not in metadata.coding_line(96_000, 32, 8, "x")  # R98 has no word for eight channels


@pytest.mark.parametrize("ending", [b"", b"\r\n", b"\n", b"\r\n\0\0\0", b"\0"])
def test_changed_audio_gets_a_line_and_loses_its_loudness(tmp_path, ending):
    old = bext(history=b"A=ANALOGUE,M=mono,T=tape\r\nA=PCM,F=48000,W=24,M=mono,T=first" + ending)
    new = metadata.renewed_bext(old, LINE)
    said = read(tmp_path, chunk(b"bext", new)).bext
    assert said.coding_history.split("\r\n") == [
        "A=ANALOGUE,M=mono,T=tape", "A=PCM,F=48000,W=24,M=mono,T=first", LINE.strip(), "",
    ]  # fmt: skip
    assert said.time_reference == 16_588_608_000  # 23:59:59 at 192 kHz: the stem keeps its place
    assert (said.description, said.originator, said.originator_ref) == ("Tom", "desk", "REF1")
    # EBU Tech 3285 v2: 7FFF hex says that a loudness value is unused
    assert struct.unpack_from("<5H", new, 412) == (0x7FFF,) * 5
    assert new[:412] == old[:412]
    assert new[422:602] == old[422:602]


def test_older_versions_keep_what_they_have(tmp_path):
    first = metadata.renewed_bext(bext(version=1), LINE)
    assert first[:602] == bext(version=1)[:602]  # what version 2 calls loudness was reserved before
    assert metadata.renewed_bext(bext()[:601], LINE) == bext()[:601]
    empty = metadata.renewed_bext(bext(history=b""), LINE)
    assert read(tmp_path, chunk(b"bext", empty)).bext.coding_history == LINE


def test_a_new_umid():
    a, b = metadata.new_umid("1", "Tom.wav", "x"), metadata.new_umid("1", "Tom.wav", "y")
    assert a == metadata.new_umid("1", "Tom.wav", "x") != b
    # SMPTE ST 330, from memory: universal label, 13 hex bytes follow the length; basic ones are filled up with zeros
    # (EBU Tech 3285)
    assert a[:10] == bytes.fromhex("060a2b34010101050101")
    assert (len(a), a[12], a[32:]) == (64, 0x13, bytes(32))
    # RFC 9562: version in the upper half of octet 6, variant 10 in the two top bits of octet 8
    assert (a[16 + 6] >> 4, a[16 + 8] >> 6) == (8, 0b10)
    new = metadata.renewed_bext(bext(version=0), LINE, a)
    assert chunks.parse_bext(new).version == 1
    assert chunks.parse_bext(new).umid == a


MARKERS = [Marker(10, 0, "tom1"), Marker(12, 300, "tom1 open"), Marker(500, 0, "floor ?")]


def test_markers_as_wavinfo_reads_them(tmp_path):
    cue, first = metadata.with_cues(b"", MARKERS)
    adtl = metadata.with_labels(b"", MARKERS, first)
    cues = read(tmp_path, chunk(b"cue ", cue), chunk(b"LIST", adtl)).cues
    assert [c.sample_offset for c in cues.cues] == [10, 12, 500]
    names = [c.name for c in cues.cues]
    assert [cues.label_and_note(n)[0].strip("\0") for n in names] == ["tom1", "tom1 open", "floor ?"]
    assert [cues.range(n) for n in names] == [None, 300, None]


def test_markers_join_those_of_the_input(tmp_path):
    old_cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 7, 5, b"data", 0, 0, 5)
    old_adtl = (
        b"adtl" + chunk(b"labl", struct.pack("<I", 7) + b"fill\0") + chunk(b"note", struct.pack("<I", 7) + b"n\0")
    )
    cue, first = metadata.with_cues(old_cue, MARKERS)
    adtl = metadata.with_labels(old_adtl, MARKERS, first)
    assert first == 8
    assert cue[4:28] == old_cue[4:]
    assert adtl.startswith(old_adtl)
    cues = read(tmp_path, chunk(b"cue ", cue), chunk(b"LIST", adtl)).cues
    assert [(c.name, c.sample_offset) for c in cues.cues] == [(7, 5), (8, 10), (9, 12), (10, 500)]
    assert [s.strip("\0") for s in cues.label_and_note(7)] == ["fill", "n"]
    assert cues.label_and_note(8)[0].strip("\0") == "tom1"


places = st.builds(
    Marker, st.integers(0, 2**31), st.integers(0, 2**20), st.text(max_size=12).map(lambda t: t.replace("\0", ""))
)


@given(old=st.lists(places, max_size=30), new=st.lists(places, max_size=10), order=st.sampled_from("<>"))
@settings(max_examples=100, deadline=None)
def test_markers_come_back(read_markers, old, new, order):
    cue, first = metadata.with_cues(b"", old, order)
    adtl = metadata.with_labels(b"", old, first, order)
    cue, first = metadata.with_cues(cue, new, order)
    adtl = metadata.with_labels(adtl, new, first, order)
    assert list(read_markers(cue, [b"INFOxx", adtl], order)) == old + new


@given(cue=st.binary(max_size=120), adtl=st.binary(max_size=120))
@settings(max_examples=200, deadline=None)
def test_any_bytes_for_markers(read_markers, cue, adtl):
    list(read_markers(cue, [b"adtl" + adtl, adtl]))
    new, first = metadata.with_cues(cue, MARKERS)
    assert list(read_markers(new, []))[-3:] == [Marker(m.at, 0, "") for m in MARKERS]
    assert first > 0


IXML = (
    b'<?xml version="1.0" encoding="UTF-8"?><BWFXML><SCENE>7</SCENE><TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>'
    b"<TRACK><CHANNEL_INDEX>5</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>OH R</NAME></TRACK>"
    b"<TRACK><CHANNEL_INDEX>4</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>OH L</NAME></TRACK>"
    b"</TRACK_LIST></BWFXML>"
)


def test_a_single_track_is_listed_alone(tmp_path):
    new = metadata.single_track_ixml(IXML, 1)
    assert chunks.ixml_names(new) == {0: "OH R"}
    info = read(tmp_path, chunk(b"iXML", new)).ixml
    assert info.scene == "7"
    assert [t.name for t in info.track_list] == ["OH R"]
    for odd in (b"", b"<BWFXML>", b"<BWFXML/>", b"<!DOCTYPE a><BWFXML/>"):
        assert metadata.single_track_ixml(odd, 0) == odd
