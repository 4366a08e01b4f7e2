from pathlib import Path

import numpy as np
import soundfile

from spillgate.dsp.take.preview import write_preview


def test_a_preview_is_the_sound_cut_off_at_the_limit(tmp_path: Path) -> None:
    # read back by soundfile (libsndfile): FLAC is lossless, so only the steps of 16 bit differ
    x = np.random.default_rng(1).normal(0, 0.3, 10_000)
    write_preview(tmp_path / "a.flac", [x[:3000], x[3000:]], 44_100, 0.5)
    y, sr = soundfile.read(tmp_path / "a.flac")
    info = soundfile.info(tmp_path / "a.flac")
    assert (sr, info.format, info.subtype, info.channels) == (44_100, "FLAC", "PCM_16", 1)
    np.testing.assert_allclose(y, np.clip(x, -0.5, 0.5), atol=1.01 / 32768)
    assert np.max(np.abs(y)) <= 0.5
    write_preview(tmp_path / "b.flac", [x], 44_100, 0.5)
    assert (tmp_path / "a.flac").read_bytes() == (tmp_path / "b.flac").read_bytes()


def test_full_scale_does_not_wrap(tmp_path: Path) -> None:
    write_preview(tmp_path / "a.flac", [np.array([1.5, -1.5, 1.0, -1.0])], 48_000, 4.0)
    y, _ = soundfile.read(tmp_path / "a.flac", dtype="int16")
    assert y.tolist() == [32767, -32767, 32767, -32767]
