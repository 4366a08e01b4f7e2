"""Opening a folder: what belongs to the take, where it lies in time, and every way a folder can be wrong."""

import struct

import numpy as np
import pytest
import soundfile as sf

from spillgate.dsp.errors import AudioFileError, PlanError, TakeError
from spillgate.dsp.take.opening import open_take

SR = 48_000


def put(path, n=4800, sr=SR, n_channels=1, time_reference=None, ixml=b"", seed=0, subtype="PCM_24"):
    """Write a file of noise, with a TimeReference or channel names if wanted."""
    x = np.random.default_rng(seed).uniform(-0.1, 0.1, (n, n_channels))
    container = {".aif": "AIFF", ".flac": "FLAC", ".caf": "CAF", ".w64": "W64"}.get(path.suffix.lower(), "WAV")
    sf.write(path, x, sr, format=container, subtype=subtype)
    added = b""
    if time_reference is not None:
        bext = bytes(338) + struct.pack("<QH", time_reference, 1) + bytes(254)
        added += struct.pack("<4sI", b"bext", len(bext)) + bext
    if ixml:
        ixml += b" " * (len(ixml) & 1)
        added += struct.pack("<4sI", b"iXML", len(ixml)) + ixml
    if added:
        data = path.read_bytes()
        data += b"\0" * (len(data) & 1) + added
        path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    return path


def kit(folder, *names, **how):
    folder.mkdir(exist_ok=True)
    for k, name in enumerate(names or ("Kick.wav", "Snare.wav", "Tom 1.wav", "Floor.wav", "OH L.wav", "OH R.wav")):
        put(folder / name, seed=k, **how)
    return folder


def starts(take):
    return {t.id: t.start for t in take.tracks}


def test_what_is_in_the_folder(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.WAV", "Snare.aif", "Hat.flac", "Tom 1.caf", "Tom 2.w64", "Floor Tom.wav")
    for name in ("._Kick.WAV", ".hidden.wav", "notes.txt", "Kick.WAV.peaks", "cover.png"):
        (folder / name).write_bytes(b"no audio")
    (folder / "old").mkdir()
    put(folder / "old" / "Snare.wav")
    take = open_take(folder, workers=2)
    assert {t.id for t in take.tracks} == {
        "Kick.WAV", "Snare.aif", "Hat.flac", "Tom 1.caf", "Tom 2.w64", "Floor Tom.wav",
    }  # fmt: skip
    assert (take.name, take.sr, take.n_samples, take.workers) == ("Song", SR, 4800, 2)
    assert {t.role for t in take.tracks} == {"kick", "snare", "hat", "tom"}
    for t in take.tracks:
        assert np.array_equal(take.read(t, 0, 4800, "float64"), sf.read(folder / t.id)[0])
    take.reader.close()


def test_every_channel_is_a_track_named_by_ixml(tmp_path):
    rows = "".join(
        f"<TRACK><INTERLEAVE_INDEX>{k + 1}</INTERLEAVE_INDEX><NAME>{n}</NAME></TRACK>"
        for k, n in enumerate(["Kick", "Snare", "Rack Tom", "Vox"])
    )
    folder = kit(tmp_path / "Song", "OH.wav", n_channels=2)
    ixml = f"<BWFXML><TRACK_LIST>{rows}</TRACK_LIST></BWFXML>".encode()
    put(folder / "0001.wav", n_channels=4, ixml=ixml)
    take = open_take(folder)
    roles = {t.id: t.role for t in take.tracks}
    assert roles == {
        "0001.wav:0": "kick",
        "0001.wav:1": "snare",
        "0001.wav:2": "tom",
        "0001.wav:3": "other",
        "OH.wav:0": "overhead",
        "OH.wav:1": "overhead",
    }
    assert [t.channel for t in take.tracks if t.file.name == "OH.wav"] == [0, 1]
    take.reader.close()


def test_placed_by_time_reference(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", time_reference=1_728_000_000)
    put(folder / "Room L.wav", time_reference=1_728_000_480)
    put(folder / "Tom 1.wav")  # says nothing: starts with the earliest
    put(folder / "Tom 2.wav", time_reference=0)  # 0 that fits nowhere says nothing either
    take = open_take(folder)
    assert starts(take) == {"Kick.wav": 0, "Snare.wav": 0, "Room L.wav": 480, "Tom 1.wav": 0, "Tom 2.wav": 0}
    assert take.n_samples == 5280
    room = take.track("Room L.wav")
    assert not take.read(room, 0, 480).any()
    assert np.array_equal(take.read(room, 480, 5280, "float64"), sf.read(folder / "Room L.wav")[0])
    take.reader.close()


def test_zero_is_a_time_like_another_where_it_fits(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", time_reference=0)
    put(folder / "Tom 1.wav", time_reference=100)
    assert starts(open_take(folder)) == {"Kick.wav": 0, "Snare.wav": 0, "Tom 1.wav": 100}


def test_another_take_in_the_folder(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", time_reference=1_728_000_000)
    put(folder / "Tom 1.wav", 4000, time_reference=1_728_000_000 + 4800 + 60 * SR * 20)
    with pytest.raises(TakeError) as error:
        open_take(folder)
    assert str(error.value) == (
        "Tom 1.wav: by its TimeReference it lies 20.0 minutes away from Snare.wav; give every take a folder of its own"
    )
    put(folder / "Tom 1.wav", 4000, time_reference=2**63)
    with pytest.raises(TakeError, match=r"^Tom 1\.wav: by its TimeReference it lies 5\d+\.\d hours away"):
        open_take(folder)
    unfit = {}
    assert set(starts(open_take(folder, unfit=unfit))) == {"Kick.wav", "Snare.wav"}
    assert set(unfit) == {"Tom 1.wav"}


def test_parts_that_follow_by_time_reference(tmp_path):
    folder = kit(tmp_path / "Song", "Snare.wav", n=10_000, time_reference=5000)
    at = 5000
    for part, n in ((1, 4000), (2, 4000), (3, 4000)):
        put(folder / f"Kick_{part:03}.wav", n, time_reference=at, seed=part)
        at += n
    take = open_take(folder)
    kick = take.of_role("kick")
    assert [f.name for f in kick[0].files] == ["Kick_001.wav", "Kick_002.wav", "Kick_003.wav"]
    assert (len(kick), kick[0].start, kick[0].stop, take.n_samples) == (1, 0, 12_000, 12_000)
    whole = np.concatenate([sf.read(f.path)[0] for f in kick[0].files])
    assert np.array_equal(take.read(kick[0], dtype="float64"), whole)
    take.reader.close()


def test_parts_that_follow_by_their_lengths(tmp_path):
    folder = tmp_path / "Song"
    for name in ("Kick", "Snare", "Tom 1"):
        for part, n in ((1, 4000), (2, 4000), (3, 1234)):
            folder.mkdir(exist_ok=True)
            put(folder / f"{name}_{part:03}.wav", n, seed=part)
    take = open_take(folder)
    assert {t.id: len(t.files) for t in take.tracks} == {"Kick_001.wav": 3, "Snare_001.wav": 3, "Tom 1_001.wav": 3}
    assert take.n_samples == 9234


def test_one_track_in_parts_beside_whole_ones(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", n=5234)
    put(folder / "Tom_001.wav", 4000)
    put(folder / "Tom_002.wav", 1234)
    assert {t.id: len(t.files) for t in open_take(folder).tracks} == {"Kick.wav": 1, "Snare.wav": 1, "Tom_001.wav": 2}


@pytest.mark.parametrize(
    "names",
    [
        [f"Tom_{k:03}.wav" for k in (1, 2, 3)],
        [f"Tom_{k:02}.wav" for k in (1, 2)],
        ["Kick_007.wav", "Snare_007.wav"],
        [f"Audio_{k:03}.wav" for k in range(1, 9)],
    ],
)
def test_numbers_that_are_no_parts(tmp_path, names):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", *names)
    take = open_take(folder)
    assert {t.id for t in take.tracks} == {"Kick.wav", "Snare.wav", *names}


def test_two_toms_of_different_length_are_no_parts(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav")
    put(folder / "Tom_001.wav", 4700)
    put(folder / "Tom_002.wav", 4600)
    assert len(open_take(folder).tracks) == 3


def test_shorter_files_are_silent_where_they_end(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", n=10_000)
    put(folder / "Tom 1.wav", 5000)
    put(folder / "Guide Vox.wav", 100)  # no drum: any length
    take = open_take(folder)
    assert take.n_samples == 10_000
    assert not take.read(take.track("Tom 1.wav"), 5000, 10_000).any()
    take.reader.close()


def test_much_shorter_ones_belong_elsewhere(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Snare.wav", n=SR * 3)
    put(folder / "Tom 1.wav", SR)
    with pytest.raises(TakeError) as error:
        open_take(folder)
    assert str(error.value) == ("Tom 1.wav: lasts 1.0 s, but Kick.wav 3.0 s; it seems to belong to another take")
    unfit = {}
    assert {t.id for t in open_take(folder, unfit=unfit).tracks} == {"Kick.wav", "Snare.wav"}
    assert [type(e) for e in unfit.values()] == [TakeError]
    kit(folder, "Kick.wav", "Snare.wav", n=SR * 3, time_reference=500)
    put(folder / "Tom 1.wav", SR, time_reference=1000)  # a recorder that punched in says when
    assert starts(open_take(folder))["Tom 1.wav"] == 500


def test_the_odd_rate_is_named(tmp_path):
    folder = kit(tmp_path / "Song")
    put(folder / "Hat.wav", sr=44_100)
    with pytest.raises(TakeError) as error:
        open_take(folder)
    assert str(error.value) == (
        "Hat.wav: sample rate 44100 Hz, but Floor.wav and 5 more have 48000 Hz; convert it first"
    )
    unfit = {}
    take = open_take(folder, unfit=unfit)
    assert (take.sr, len(take.tracks)) == (SR, 6)
    assert str(unfit["Hat.wav"]) == str(error.value)


def test_the_unreadable_one_is_named(tmp_path):
    folder = kit(tmp_path / "Song")
    (folder / "Hat.wav").write_bytes(b"RIFF but nothing else")
    with pytest.raises(AudioFileError, match=r"^Hat\.wav: cannot be read as audio"):
        open_take(folder)
    unfit = {}
    assert len(open_take(folder, unfit=unfit).tracks) == 6
    assert set(unfit) == {"Hat.wav"}


def test_one_file_left_out(tmp_path):
    folder = kit(tmp_path / "Song", time_reference=1000)
    (folder / "Hat.wav").write_bytes(b"RIFF but nothing else")
    with pytest.raises(AudioFileError) as error:
        open_take(folder)
    assert error.value.file == "Hat.wav"
    take = open_take(folder, leave_out=["Hat.wav"])
    assert ("Hat.wav" in starts(take), len(take.tracks), take.left_out) == (False, 6, ("Hat.wav",))
    inputs = tmp_path / "list.toml"
    inputs.write_text('leave_out = ["Hat.wav"]\n[[track]]\nfile = "Hat.wav"\nrole = "hat"\nnote = "broken disk"\n')
    assert open_take(folder, inputs=inputs).left_out == ("Hat.wav",)
    # one that could be read too
    assert len(open_take(folder, leave_out=["Hat.wav", "Floor.wav"]).tracks) == 5
    with pytest.raises(PlanError, match=r"to be left out: Hut\.wav is not among .*; did you mean 'Hat\.wav'\?"):
        open_take(folder, leave_out=["Hut.wav"])
    with pytest.raises(TakeError, match="all of its audio files are left out"):
        open_take(folder, leave_out=[p.name for p in folder.iterdir()])
    # what does not fit is passed over in the list as well
    inputs.write_text('[[track]]\nfile = "Hat.wav"\nrole = "hat"\n')
    unfit = {}
    assert len(open_take(folder, inputs=inputs, unfit=unfit).tracks) == 6
    assert set(unfit) == {"Hat.wav"}
    inputs.write_text('leave_out = "Hat.wav"\n')
    with pytest.raises(PlanError, match=r"^list\.toml, line 1: leave_out: a list of file names"):
        open_take(folder, inputs=inputs)


@pytest.mark.parametrize("name", ["Ha\nt.wav", "Hat\udce4.wav"])
def test_names_that_no_table_can_hold(tmp_path, name):
    folder = kit(tmp_path / "Song")
    try:
        put(folder / "Hat.wav").rename(folder / name)
    except (OSError, UnicodeError):
        pytest.skip("this file system knows no such names")
    with pytest.raises(AudioFileError) as error:
        open_take(folder)
    assert str(error.value) == f"{name!a}: its name holds characters that cannot be written; rename it"


def test_folders_that_are_no_take(tmp_path, monkeypatch):
    empty = tmp_path / "Empty"
    empty.mkdir()
    deeper = tmp_path / "Deeper"
    deeper.mkdir()
    kit(deeper / "Audio")
    vox = kit(tmp_path / "Vox", "Lead Vox.wav", "Bass DI.wav")
    slow = kit(tmp_path / "Slow", sr=8000)
    bad = tmp_path / "Bad"
    bad.mkdir()
    (bad / "Kick.wav").write_bytes(b"")
    cases = {
        tmp_path / "Nowhere": "no such folder; check the path",
        vox / "Bass DI.wav": "is a file; give the folder that holds the recordings",
        empty: "no audio file in this folder; it needs WAV, AIFF, FLAC, CAF or W64 files",
        deeper: "no audio file in this folder; the recordings seem to be one folder deeper",
    }
    for folder, said in cases.items():
        with pytest.raises(TakeError) as error:
            open_take(folder)
        assert str(error.value) == f"{folder}: {said}"
    with pytest.raises(TakeError, match=r"^Vox: no drum track recognised among 2 tracks; name them in an input list"):
        open_take(vox)
    with pytest.raises(TakeError, match=r"^Floor\.wav: sample rate 8000 Hz; a take has 44100 to 192000 Hz$"):
        open_take(slow)
    with pytest.raises(TakeError, match=r"Bad: none of its 1 audio files can be read; copy the take again$"):
        open_take(bad, unfit={})

    def refuse(_path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(empty), "iterdir", refuse)
    with pytest.raises(TakeError, match=r"Empty: no permission to look into it; change its access rights$"):
        open_take(empty)


def test_an_input_list_overrules(tmp_path):
    folder = kit(tmp_path / "Song", "Kick.wav", "Mystery.wav")
    listed = tmp_path / "inputs.toml"
    listed.write_text('view = "audience"\n[[track]]\nfile = "Mystery.wav"\nrole = "tom"\ndrum = "floor"\n')
    take = open_take(folder, inputs=listed)
    assert (take.track("Mystery.wav").role, take.track("Mystery.wav").drum) == ("tom", "floor")
    assert take.view == "audience"


def test_a_much_longer_one_belongs_elsewhere(tmp_path):
    folder = kit(tmp_path / "Song", "Snare.wav", "Tom 1.wav", "Hat.wav", n=SR)
    put(folder / "Kick.wav", 8 * SR)
    with pytest.raises(TakeError) as error:
        open_take(folder)
    expected = "Kick.wav: lasts 8.0 s, but most others 1.0 s; it seems to belong to another take"
    assert str(error.value) == expected
    unfit = {}
    assert {t.id for t in open_take(folder, unfit=unfit).tracks} == {"Snare.wav", "Tom 1.wav", "Hat.wav"}
    assert list(unfit) == ["Kick.wav"]
