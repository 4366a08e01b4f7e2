"""Bad input: one line that says which file, what is wrong and what to do; nothing written, nothing touched."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

Run = Callable[..., "subprocess.CompletedProcess[str]"]
Snapshot = Callable[[Path], dict[str, tuple[str, int, int]]]

SR = 48_000


def rewrite(path: Path, x: np.ndarray, sr: int = SR, subtype: str = "PCM_24") -> None:
    soundfile.write(path, x, sr, subtype=subtype)


def read(path: Path) -> np.ndarray:
    x, _ = soundfile.read(path)
    return np.asarray(x)


def no_recordings(take: Path) -> None:
    for path in take.iterdir():
        path.unlink()
    (take / "notes.txt").write_text("tea at four")


def recordings_one_deeper(take: Path) -> None:
    inner = take / "Audio Files"
    inner.mkdir()
    for path in list(take.glob("*.wav")):
        path.rename(inner / path.name)


def no_drum(take: Path) -> None:
    for k, path in enumerate(sorted(take.iterdir())):
        path.rename(take / ("Vox Lead.wav", "Bass DI.wav", "Gtr L.wav", "Gtr R.wav", "Keys.wav", "Click.wav")[k])


def unreadable(take: Path) -> None:
    (take / "03 Rack Tom.wav").write_bytes(b"this is no recording" * 50)


def truncated(take: Path) -> None:
    path = take / "03 Rack Tom.wav"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def zero_bytes(take: Path) -> None:
    (take / "03 Rack Tom.wav").write_bytes(b"")


def zero_samples(take: Path) -> None:
    rewrite(take / "03 Rack Tom.wav", np.zeros(0))


def mixed_rates(take: Path) -> None:
    rewrite(take / "03 Rack Tom.wav", read(take / "03 Rack Tom.wav"), 44_100)


def too_short(take: Path) -> None:
    rewrite(take / "03 Rack Tom.wav", read(take / "03 Rack Tom.wav")[: SR // 2])


def not_a_number(take: Path) -> None:
    x = read(take / "03 Rack Tom.wav")
    x[72_000] = np.nan
    rewrite(take / "03 Rack Tom.wav", x, subtype="FLOAT")


def infinity(take: Path) -> None:
    x = read(take / "05 OH L.wav")
    x[-1] = -np.inf
    rewrite(take / "05 OH L.wav", x, subtype="DOUBLE")


WITHOUT_IT = "; to go on without it, name it in leave_out of the input list (spillgate inputs)"

CASES = [
    (no_recordings, (), 1, "take: no audio file in this folder; it needs WAV, AIFF, FLAC, CAF or W64 files"),
    (recordings_one_deeper, (), 1,
     "take: no audio file in this folder; the recordings seem to be one folder deeper"),
    (no_drum, (), 1,
     "take: no drum track recognised among 6 tracks; name them in an input list (--inputs) and try again"),
    (unreadable, (), 1, "03 Rack Tom.wav: "),
    (truncated, (), 1, "03 Rack Tom.wav: "),
    (zero_bytes, (), 1, "03 Rack Tom.wav: "),
    (zero_samples, (), 1, "03 Rack Tom.wav: "),
    (mixed_rates, (), 1,
     "03 Rack Tom.wav: sample rate 44100 Hz, but 01 Kick.wav and 4 more have 48000 Hz; convert it first" + WITHOUT_IT),
    (too_short, (), 1,
     "03 Rack Tom.wav: lasts 0.5 s, but 01 Kick.wav 4.0 s; it seems to belong to another take" + WITHOUT_IT),
    (not_a_number, (), 1,
     "03 Rack Tom.wav: sample 72000 (at 1.500 s) is not a finite number; export the file again" + WITHOUT_IT),
    (infinity, (), 1,
     "05 OH L.wav: sample 191999 (at 4.000 s) is not a finite number; export the file again" + WITHOUT_IT),
    (None, ("--set", "Flor Tom.wav:gate.floor_db=-18"), 2,
     "Flor Tom.wav: no such track in take; did you mean '04 Floor Tom.wav'?"),
    (None, ("--set", "tom7:gate.floor_db=-18"), 2, "tom7: no such track in take; did you mean 'tom1'?"),
]  # fmt: skip


@pytest.mark.parametrize(("spoil", "words", "code", "line"), CASES, ids=lambda v: getattr(v, "__name__", None))
def test_one_line_and_nothing_done(
    spoil: Callable[[Path], None] | None,
    words: tuple[str, ...],
    code: int,
    line: str,
    small_take: Path,
    inside: Run,
    untouched: Snapshot,
) -> None:
    if spoil is not None:
        spoil(small_take)
    before = untouched(small_take.parent)
    result = inside("run", "take", "-o", "deep/out", *words)
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 1, result.stderr
    if line.endswith(": "):  # the library for samples says the rest in its own words
        assert lines[0].startswith(f"spillgate: {line}")
        assert ";" in lines[0], "says what to do"
    else:
        assert lines[0] == f"spillgate: {line}"
    assert result.returncode == code
    assert untouched(small_take.parent) == before, "nothing written, nothing touched"


def test_output_inside_the_take(small_take: Path, inside: Run, untouched: Snapshot) -> None:
    before = untouched(small_take)
    for out, line in (
        ("take/out", "take/out: lies inside the take; choose a folder outside take"),
        ("take", "take: is the take itself; choose another folder for the output"),
        (".", ".: holds the take; choose a folder that does not"),
    ):
        result = inside("run", "take", "-o", out, "--overwrite")
        assert (result.returncode, result.stderr, result.stdout) == (1, f"spillgate: {line}\n", "")
    assert untouched(small_take) == before


def test_existing_output(small_take: Path, inside: Run, untouched: Snapshot) -> None:
    out = small_take.parent / "out"
    out.mkdir()
    (out / "mix notes.txt").write_text("louder")
    before = untouched(small_take.parent)
    result = inside("run", "take", "-o", "out")
    line = "out: exists and is not empty; choose another folder or add --overwrite"
    assert (result.returncode, result.stderr) == (1, f"spillgate: {line}\n")
    result = inside("run", "take", "-o", "out", "--overwrite")
    line = "out: holds files but no earlier output (plan.json); --overwrite would mix them up"
    assert (result.returncode, result.stderr) == (1, f"spillgate: {line}\n")
    assert untouched(small_take.parent) == before


def obey_rights() -> None:
    """Give up root's right to pass over access rights (bounding set; takes effect with the next program)."""
    if os.geteuid() == 0:
        drop, dac_override, dac_read_search = 24, 1, 2  # linux/prctl.h, linux/capability.h
        library = ctypes.CDLL(None)
        for capability in (dac_override, dac_read_search):
            if library.prctl(drop, capability, 0, 0, 0) != 0:
                raise OSError("rights of root cannot be given up here")


@pytest.mark.skipif(sys.platform != "linux", reason="rights of root are given up the Linux way")
@pytest.mark.parametrize(
    ("locked", "mode", "line"),
    [
        ("shelf", 0o555, "shelf/out: cannot be made (Permission denied); choose another folder"),
        ("take/03 Rack Tom.wav", 0o000, "03 Rack Tom.wav: "),
        ("take", 0o000, "take: no permission to look into it; change its access rights"),
    ],
)
def test_no_permission(
    locked: str, mode: int, line: str, small_take: Path, spillgate: Run, untouched: Snapshot
) -> None:
    (small_take.parent / "shelf").mkdir()
    before = untouched(small_take.parent)
    path = small_take.parent / locked
    rights = path.stat().st_mode
    path.chmod(mode)
    try:
        result = spillgate("run", "take", "-o", "shelf/out", preexec_fn=obey_rights)
    finally:
        path.chmod(rights)
    assert result.returncode == 1
    assert result.stderr.startswith(f"spillgate: {line}")
    assert result.stderr.count("\n") == 1
    assert untouched(small_take.parent) == before


def test_no_folder_or_a_file(small_take: Path, inside: Run) -> None:
    result = inside("run", "tkae", "-o", "out")
    assert (result.returncode, result.stderr) == (1, "spillgate: tkae: no such folder; check the path\n")
    result = inside("run", "take/01 Kick.wav", "-o", "out")
    assert (result.returncode, result.stderr) == (
        1, "spillgate: take/01 Kick.wav: is a file; give the folder that holds it\n"
    )  # fmt: skip


def test_no_input_list(small_take: Path, inside: Run, untouched: Snapshot) -> None:
    before = untouched(small_take.parent)
    result = inside("run", "take", "-o", "out", "--inputs", "none.toml")
    assert result.returncode in (1, 2)
    assert result.stderr.startswith("spillgate: none.toml: ")
    assert result.stderr.count("\n") == 1
    assert untouched(small_take.parent) == before


def test_a_take_on_a_read_only_shelf_is_fine(small_take: Path, spillgate: Run, untouched: Snapshot) -> None:
    small_take.chmod(0o555)
    before = untouched(small_take)
    try:
        result = spillgate("run", "take", "-o", "out", "--quiet")
        assert (result.returncode, result.stderr, result.stdout) == (0, "", "")
        assert untouched(small_take) == before
    finally:
        small_take.chmod(0o755)
    shutil.rmtree(small_take.parent / "out")
