"""Kills, faults and broken files: a few of each, always the same ones; ``long.py`` does as many as one likes."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="forks, kills and limits processes")
if sys.platform == "linux":
    import breaking
    import failing
    import fuzzing
    import killing
    from mutation import HOSTILE, SEEDS, sounds, texts
    from stage import write_take

    FAULTS = sorted(breaking.FAULTS)
    MOUNTED = breaking.MOUNTED
else:
    FAULTS, MOUNTED = [], ()


@pytest.mark.parametrize(
    ("way", "tries"), [("run", 4), ("render", 4), ("save", 4), pytest.param("batch", 1, marks=pytest.mark.slow)]
)
def test_killed_at_any_moment(tmp_path: Path, way: str, tries: int) -> None:
    done = getattr(killing, f"kill_{way}")(tmp_path, 9, tries)
    assert sum(done.values()) >= tries


@pytest.mark.parametrize(
    ("way", "tries"),
    [("run", 3), pytest.param("render", 3, marks=pytest.mark.slow), pytest.param("batch", 2, marks=pytest.mark.slow)],
)
def test_reads_and_writes_that_fail(tmp_path: Path, way: str, tries: int) -> None:
    if not failing.can_fail():
        pytest.skip("no compiler")
    done = getattr(failing, f"fail_{way}")(tmp_path, 9, tries)
    assert sum(done.values()) == tries
    assert sum(n for k, n in done.items() if "told" in k) > 0


@pytest.mark.slow
@pytest.mark.parametrize("name", FAULTS)
def test_faults_of_disk_and_system(tmp_path: Path, name: str) -> None:
    if name in MOUNTED and not breaking.can_mount():
        pytest.skip("memory disks cannot be mounted here")
    breaking.FAULTS[name](tmp_path)


def test_a_file_that_may_not_grow(tmp_path: Path) -> None:
    assert "Kick.wav: cannot be written" in breaking.FAULTS["file too large, 100 kB"](tmp_path).said


def test_a_recording_that_changes_during_the_run(tmp_path: Path) -> None:
    assert "was changed while it was worked on" in breaking.FAULTS["recording changed"](tmp_path).said


def test_broken_recordings(tmp_path: Path) -> None:
    done = fuzzing.fuzz_sounds(tmp_path, SEEDS["sound"], 600)
    assert done["read"] > 50
    assert done["refused"] > 200


def test_broken_texts(tmp_path: Path) -> None:
    done = fuzzing.fuzz_texts(tmp_path, SEEDS["text"], 300)
    assert done["refused"] > 200


@pytest.fixture(scope="module")
def output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fuzz")
    assert fuzzing.said(["run", write_take(folder / "take", 0.5), "-o", folder / "out", "--quiet"])[0] == 0
    return folder / "out"


def test_broken_plans(output: Path) -> None:
    done = fuzzing.fuzz_plans(output, SEEDS["plan"], 150)
    assert done["read"] > 10
    assert done["refused"] > 50


def test_broken_arrays(output: Path) -> None:
    assert fuzzing.fuzz_archives(output, SEEDS["plan"], 60)["refused"] > 30


def test_broken_files_through_whole_commands(tmp_path: Path) -> None:
    done = fuzzing.fuzz_commands(tmp_path, SEEDS["sound"], 18)
    assert done["exit code 1"] + done["exit code 2"] > 3


def test_what_is_broken_was_good(tmp_path: Path) -> None:
    from spillgate.dsp.take.audio import probe

    for name, data in sounds().items():
        if name == "11.wav":  # little-endian chunks under the name of big-endian ones
            continue
        (tmp_path / name).write_bytes(data)
        assert probe(tmp_path / name).file.n_samples > 0
    for name, reader in fuzzing.text_readers().items():
        (tmp_path / name).write_text(texts()[name])
        reader(tmp_path / name)
    assert len(HOSTILE) > 20
