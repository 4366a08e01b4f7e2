"""Reading files as soundfile reads them, on the take's timeline, from several threads; and all that can be bad."""

import io
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import AudioFileError
from spillgate.dsp.take import audio
from spillgate.dsp.take.model import Track

FORMATS = [
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "PCM_32"),
    ("WAV", "FLOAT"),
    ("WAV", "DOUBLE"),
    ("WAVEX", "PCM_24"),
    ("RF64", "PCM_24"),
    ("AIFF", "PCM_24"),
    ("AIFF", "FLOAT"),
    ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"),
    ("CAF", "PCM_24"),
    ("W64", "PCM_24"),
]


def noise(n, n_channels=1, seed=0):
    """Noise that 16 bits hold exactly."""
    x = np.random.default_rng(seed).integers(-30_000, 30_000, (n, n_channels)) / 2**15
    return x


def track(path, channel=0, start=0):
    file = audio.probe(path).file
    return Track(id=path.name, files=(replace(file, start=start),), channel=channel)


@pytest.mark.parametrize(("container", "subtype"), FORMATS)
def test_every_format_as_soundfile_reads_it(tmp_path, container, subtype):
    path = tmp_path / "Tom.bin"
    x = noise(5000, 2)
    sf.write(path, x, 48_000, format=container, subtype=subtype)
    found = audio.probe(path).file
    assert (found.sr, found.n_channels, found.n_samples, found.subtype) == (48_000, 2, 5000, subtype)
    reader = audio.FileReader()
    for channel in (0, 1):
        t = track(path, channel)
        assert np.array_equal(reader(t, 0, 5000, "float64"), x[:, channel])
        pieces = [reader(t, a, min(a + 777, 5000), "float32") for a in range(0, 5000, 777)]
        assert np.array_equal(np.concatenate(pieces), x[:, channel].astype(np.float32))
    reader.close()


def test_bw64_is_read(tmp_path):
    # ITU-R BS.2088: the layout of RF64 under another name
    path = tmp_path / "Tom.wav"
    x = noise(3000)
    sf.write(path, x, 48_000, format="RF64", subtype="PCM_24")
    path.write_bytes(b"BW64" + path.read_bytes()[4:])
    reader = audio.FileReader()
    assert np.array_equal(reader(track(path), 1000, 2000, "float64"), x[1000:2000, 0])
    reader.close()


@given(st.integers(-200, 1500), st.integers(0, 900), st.integers(0, 300), st.sampled_from(["float32", "float64"]))
@settings(max_examples=60, deadline=None)
def test_zero_outside_the_file(tmp_path_factory, start, n, place, dtype):
    path = tmp_path_factory.getbasetemp() / "place.wav"
    x = noise(1000)
    if not path.exists():
        sf.write(path, x, 48_000, subtype="PCM_24")
    timeline = np.zeros(4000)
    timeline[1000 + place : 2000 + place] = x[:, 0]
    reader = audio.FileReader()
    y = reader(track(path, start=place), start, start + n, dtype)
    reader.close()
    assert y.dtype == dtype
    assert np.array_equal(y, timeline[1000 + start : 1000 + start + n])


def test_parts_are_one_track(tmp_path):
    x = noise(1000)
    files, at = [], 50
    for k, (a, b) in enumerate([(0, 400), (400, 800), (800, 1000)]):
        path = tmp_path / f"Kick_00{k + 1}.wav"
        sf.write(path, x[a:b], 48_000, subtype="PCM_24")
        files.append(replace(audio.probe(path).file, start=at))
        at += b - a
    t = Track(id="Kick_001.wav", files=tuple(files))
    reader = audio.FileReader()
    assert np.array_equal(reader(t, 50, 1050, "float64"), x[:, 0])
    assert np.array_equal(reader(t, 440, 460, "float64"), x[390:410, 0])
    assert not reader(t, 0, 50, "float64").any()
    reader.close()


def test_threads_share_a_reader(tmp_path):
    x = {}
    for name, n_channels in (("a.wav", 1), ("b.flac", 1), ("c.wav", 4)):
        x[name] = noise(60_000, n_channels, seed=len(x))
        sf.write(tmp_path / name, x[name], 48_000, subtype="PCM_24")
    tracks = [(n, c) for n, y in x.items() for c in range(y.shape[1])]
    reader = audio.FileReader()

    def whole(item):
        t = track(tmp_path / item[0], item[1])
        return np.concatenate([reader(t, a, a + 1000, "float64") for a in range(0, 60_000, 1000)])

    with ThreadPoolExecutor(6) as pool:
        for (name, channel), y in zip(tracks * 3, pool.map(whole, tracks * 3), strict=True):
            assert np.array_equal(y, x[name][:, channel])
    reader.close()


def test_reading_on_does_not_seek(tmp_path, monkeypatch):
    path = tmp_path / "a.flac"
    sf.write(path, noise(50_000), 48_000, subtype="PCM_24")
    t, reader, seeks = track(path), audio.FileReader(), []
    seek = sf.SoundFile.seek  # soundfile itself calls it with two arguments to learn where it is
    monkeypatch.setattr(sf.SoundFile, "seek", lambda self, *a: (len(a) == 1 and seeks.append(a)) or seek(self, *a))
    for a in range(0, 50_000, 5000):
        reader(t, a, a + 5000)
    assert seeks == []
    reader(t, 100, 200)
    assert len(seeks) == 1
    reader.close()


def test_channels_of_one_file_are_decoded_once(tmp_path, monkeypatch):
    path = tmp_path / "a.wav"
    sf.write(path, noise(10_000, 8), 48_000, subtype="PCM_24")
    tracks, reader, reads = [track(path, c) for c in range(8)], audio.FileReader(), []
    read = sf.SoundFile.read
    monkeypatch.setattr(sf.SoundFile, "read", lambda self, *a, **k: reads.append(a) or read(self, *a, **k))
    for a in range(0, 10_000, 1000):
        for t in tracks:
            reader(t, a, a + 1000)
    assert len(reads) == 10
    reader.close()


def test_only_so_many_files_stay_open(tmp_path, monkeypatch):
    monkeypatch.setattr(audio, "MAX_OPEN", 3)
    reader = audio.FileReader()
    for k in range(8):
        path = tmp_path / f"{k}.wav"
        sf.write(path, noise(10), 48_000)
        reader(track(path), 0, 10)
    assert len(reader._idle) == 3
    reader.close()


def cut(path, share):
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])


@pytest.mark.parametrize(("container", "subtype"), FORMATS)
def test_cut_short(tmp_path, container, subtype):
    path = tmp_path / "Tom.bin"
    sf.write(path, noise(5000), 48_000, format=container, subtype=subtype)
    cut(path, 0.7)
    with pytest.raises(AudioFileError, match=r"^Tom\.bin: [^\n]*cut short[^\n]*copy[^\n]*$"):
        audio.probe(path)


def test_what_is_missing_is_counted(tmp_path):
    path = tmp_path / "Tom.wav"
    sf.write(path, noise(1000), 48_000, subtype="PCM_24")
    path.write_bytes(path.read_bytes()[: 44 + 3 * 600])
    with pytest.raises(AudioFileError) as error:
        audio.probe(path)
    assert str(error.value) == ("Tom.wav: is cut short: its header promises 1000 samples, 600 are there; copy it again")


def test_a_recorder_that_was_switched_off(tmp_path):
    path = tmp_path / "Tom.wav"
    sf.write(path, noise(1000), 48_000, subtype="PCM_24")
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    for size in (b"\0\0\0\0", b"\xff\xff\xff\xff"):
        data[at : at + 4] = size
        path.write_bytes(data)
        with pytest.raises(AudioFileError, match=r"^Tom\.wav: the recorder never finished its header"):
            audio.probe(path)


def test_a_size_that_ran_over(tmp_path):
    # what writers without RF64 leave behind: 5 GB, of which the header states the rest after 4 GiB
    path = tmp_path / "Tom.wav"
    sf.write(path, noise(1000), 48_000, subtype="PCM_24")
    with open(path, "rb+") as stream:
        stream.truncate(44 + 3000 + 2**32)
    with pytest.raises(AudioFileError, match=r"^Tom\.wav: is longer than the 4 GiB its header can state; open it"):
        audio.probe(path)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is empty (0 bytes); copy it again or take it out of the folder"),
        (b"RIFF\0\0\0\0WAVE", "the WAV header states no sample format; copy or export the file again"),
        (b"no audio at all", "cannot be read as audio; it may be cut short or damaged: copy or export it again"),
    ],
)
def test_no_audio(tmp_path, data, said):
    path = tmp_path / "Tom.wav"
    path.write_bytes(data)
    with pytest.raises(AudioFileError) as error:
        audio.probe(path)
    assert str(error.value) == f"Tom.wav: {said}"


@pytest.mark.parametrize("container", ["WAV", "AIFF", "CAF", "W64"])
def test_no_samples(tmp_path, container):
    path = tmp_path / "Tom.bin"
    sf.write(path, np.zeros((0, 1)), 48_000, format=container, subtype="PCM_24")
    with pytest.raises(AudioFileError) as error:
        audio.probe(path)
    assert str(error.value) == "Tom.bin: holds no samples; take it out of the folder"


def test_not_there_and_not_allowed(tmp_path, monkeypatch):
    path = tmp_path / "Tom.wav"
    with pytest.raises(AudioFileError, match=r"^Tom\.wav: cannot be read \(No such file"):
        audio.probe(path)
    sf.write(path, noise(10), 48_000)

    def refuse(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refuse)  # whoever runs the tests may be allowed everything
    with pytest.raises(AudioFileError, match=r"^Tom\.wav: no permission to read it; change its access rights$"):
        audio.probe(path)


def test_sample_formats_that_cannot_be_given_back(tmp_path):
    path = tmp_path / "Tom.wav"
    sf.write(path, noise(100), 48_000, subtype="ULAW")
    with pytest.raises(AudioFileError, match=r"^Tom\.wav: WAV with ULAW samples cannot be given back"):
        audio.probe(path)


def test_a_file_that_changes_while_it_is_read(tmp_path):
    path = tmp_path / "Tom.wav"
    sf.write(path, noise(5000), 48_000, subtype="PCM_24")
    t = track(path)
    cut(path, 0.5)
    reader = audio.FileReader()
    with pytest.raises(AudioFileError, match=r"^Tom\.wav: ends at 0\.0\d+ s, but promises 0\.104 s; copy it again$"):
        reader(t, 0, 5000)
    reader.close()
    path.unlink()
    with pytest.raises(AudioFileError, match=r"^Tom\.wav: can no longer be read"):
        audio.FileReader()(t, 0, 10)


def test_lossy_sound_under_the_name_of_a_recording(tmp_path, capfd):
    whole = tmp_path / "a.mp3"
    sf.write(whole, noise(4000), 48_000, format="MP3")
    tagged = b"ID3\4\0\0\0\0\0\0" + whole.read_bytes()
    inside = bytearray(wav_of(noise(100)))
    inside[20:22] = b"\x55\0"  # format tag of MPEG layer 3 (RFC 2361)
    for data in (whole.read_bytes(), tagged, bytes(inside)):
        (tmp_path / "Tom.wav").write_bytes(data)
        with pytest.raises(AudioFileError, match=r"^Tom\.wav: holds lossy sound and cannot be given back"):
            audio.probe(tmp_path / "Tom.wav")
    assert capfd.readouterr().err == "", "the library keeps quiet"


def wav_of(x):
    stream = io.BytesIO()
    sf.write(stream, x, 48_000, subtype="PCM_16", format="WAV")
    return stream.getvalue()
