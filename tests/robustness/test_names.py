"""Names that disks allow: the job is done, or one line says what to rename."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from spillgate.cli.main import main

sys.path.insert(0, str(Path(__file__).parent))
from stage import contents, write_take

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems allow other names")

FINE = {
    "as long as can be": b"Rack Tom " + b"x" * 242 + b".wav",
    "as long as can be, three bytes a character": ("Rack Tom " + "\u9f13" * 80).encode() + b".wav",
    "markup and quotes": b"Rack Tom \"<b>'&;$(x).wav",
    "like an option": b"-Rack Tom.wav",
    "ending in capitals": b"Rack Tom.WAV",
    "dots": b"Rack Tom...wav",
    "letters with marks": "Räck Töm é.wav".encode(),
}
WRONG = {
    "no UTF-8": b"Rack\xff Tom.wav",
    "steers the terminal": b"Rack Tom \x1b[31m.wav",
    "line break": b"Rack\nTom.wav",
    "turns the writing round": "Rack Tom \u202egnp.wav".encode(),
}


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_take(tmp_path_factory.mktemp("names") / "take", 0.4)


def take_of(source: Path, folder: Path, tom: bytes = b"Rack Tom.wav") -> Path:
    shutil.copytree(source, folder)
    os.rename(os.fsencode(folder / "Rack Tom.wav"), os.path.join(os.fsencode(folder), tom))
    return folder


def said(*words: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(w) for w in words], prog_name="spillgate")
    return result.exit_code, result.stderr


@pytest.mark.parametrize("name", FINE)
def test_the_stem_has_the_name_of_the_recording(source: Path, tmp_path: Path, name: str) -> None:
    take, out = take_of(source, tmp_path / "take", FINE[name]), tmp_path / "out"
    assert said("run", take, "-o", out, "--quiet") == (0, "")
    assert sorted(p.name for p in (out / "stems").iterdir()) == sorted(p.name for p in take.iterdir())
    assert said("render", out, "--quiet", "--verify") == (0, "")


@pytest.mark.parametrize("name", WRONG)
def test_a_name_that_cannot_be_written_is_told_and_steers_nothing(source: Path, tmp_path: Path, name: str) -> None:
    take = take_of(source, tmp_path / "take", WRONG[name])
    code, line = said("run", take, "-o", tmp_path / "out", "--quiet")
    assert code == 1
    assert line.rstrip("\n").isprintable()
    assert "its name holds characters that cannot be written; rename it" in line
    assert not (tmp_path / "out").exists()


def test_folders_whose_names_are_no_text(source: Path, tmp_path: Path) -> None:
    odd = tmp_path / os.fsdecode(b"ta\xffke")
    shutil.copytree(source, odd)
    assert said("run", odd, "-o", tmp_path / "out")[1].endswith("cannot be written; rename the folder\n")
    wrong = tmp_path / os.fsdecode(b"o\xffut")
    assert said("run", source, "-o", wrong)[1].endswith("cannot be written; choose another folder\n")
    assert not wrong.exists()


def test_folders_with_any_other_name(source: Path, tmp_path: Path) -> None:
    odd = tmp_path / "ta\nke \x1b[31m \"'&<b>"
    shutil.copytree(source, odd)
    assert said("run", odd, "-o", tmp_path / "o\tut", "--quiet") == (0, "")
    assert "plan.json" in contents(tmp_path / "o\tut")
