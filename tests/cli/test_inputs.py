"""``spillgate inputs`` on small folders."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from spillgate.cli.inputs import command
from spillgate.dsp.errors import DspError, PlanError

NAMES = ("01 Kick", "02 Snare", "03 Tom 1", "04 FT", "05 OH L", "06 OH R", "Bass DI")


@pytest.fixture
def take(tmp_path: Path) -> Path:
    folder = tmp_path / "take"
    folder.mkdir()
    for k, name in enumerate(NAMES):
        x = np.random.default_rng(k).standard_normal(4800) * 0.01
        soundfile.write(folder / f"{name}.wav", x, 48_000, "PCM_24")
    return folder


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(command, [str(w) for w in words])


def test_the_list_goes_to_stdout_and_the_guesses_to_stderr(take: Path) -> None:
    result = run(take)
    assert result.exit_code == 0, result.output
    tracks = tomllib.loads(result.stdout)["track"]
    assert [(t["file"], t["role"], t.get("drum")) for t in tracks] == [
        ("01 Kick.wav", "kick", "kick"),
        ("02 Snare.wav", "snare", "snare"),
        ("03 Tom 1.wav", "tom", "tom1"),
        ("04 FT.wav", "tom", "floor"),
        ("05 OH L.wav", "overhead", None),
        ("06 OH R.wav", "overhead", None),
        ("Bass DI.wav", "other", None),
    ]
    assert "04 FT" in result.stderr
    assert "floor" in result.stderr
    assert "no drum" in result.stderr
    assert "right?" not in result.stderr


def test_the_list_can_be_passed_back_corrected(take: Path, tmp_path: Path) -> None:
    path = tmp_path / "input-list.toml"
    text = run(take, "--quiet").stdout
    path.write_text(text.replace('drum = "tom1"\n', 'drum = "tom2"  # the small one is out\nmic = "clip"\n'), "utf-8")
    result = run(take, "--inputs", path)
    assert result.stdout == path.read_text("utf-8")


def test_questions_are_asked(take: Path) -> None:
    (take / "02 Snare.wav").rename(take / "02 Crash box.wav")
    result = run(take)
    assert "# ? taken as" in result.stdout
    assert "Is this right?" in result.stderr
    assert "02 Crash box" in result.stderr
    assert run(take, "--quiet").stderr == ""


def test_json(take: Path) -> None:
    data = json.loads(run(take, "--json", "--quiet").stdout)
    assert data["view"] == "drummer"
    assert [t["position"] for t in data["tracks"]][4:6] == ["left", "right"]
    assert {t["question"] for t in data["tracks"]} == {None}


def test_slips_in_the_list_and_a_missing_folder(take: Path, tmp_path: Path) -> None:
    path = tmp_path / "list.toml"
    path.write_text('[[track]]\nfile = "01 Kik.wav"\n')
    error = run(take, "--inputs", path).exception
    assert isinstance(error, PlanError)
    assert str(error) == "list.toml, line 1: 01 Kik.wav is not in the folder; did you mean '01 Kick.wav'?"
    assert isinstance(run(tmp_path / "nothing").exception, DspError)


def test_help_ends_with_an_example() -> None:
    text = run("--help").stdout
    assert len(text.splitlines()) <= 24
    assert "> input-list.toml" in text.splitlines()[-2]


def test_what_cannot_be_used_is_a_comment_and_a_line_that_leaves_it_out(take: Path, tmp_path: Path) -> None:
    broken = take / "03 Tom 1.wav"
    broken.write_bytes(broken.read_bytes()[:3000])
    result = run(take)
    assert result.exit_code == 0, result.output
    assert [t["file"] for t in tomllib.loads(result.stdout)["track"]] == [f"{n}.wav" for n in NAMES if n != broken.stem]
    assert "#   03 Tom 1.wav: is cut short" in result.stdout
    assert "Cannot be used: 03 Tom 1.wav: is cut short" in result.stderr
    assert json.loads(run(take, "--json").stdout)["unfit"].keys() == {broken.name}
    # the same again with the list brought up to date: said once
    corrected = tmp_path / "input-list.toml"
    corrected.write_text(result.stdout, "utf-8")
    assert run(take, "--inputs", corrected).stdout == result.stdout
    # with the # taken away it is left out, and nothing is said of it
    corrected.write_text(result.stdout.replace("# leave_out", "leave_out"), "utf-8")
    again = run(take, "--inputs", corrected)
    assert again.exit_code == 0, again.output
    assert tomllib.loads(again.stdout)["leave_out"] == [broken.name]
    assert "Cannot be used" not in again.stderr
    assert json.loads(run(take, "--inputs", corrected, "--json").stdout)["left_out"] == [broken.name]
    # a second one: its name joins the first
    other = take / "04 FT.wav"
    other.write_bytes(b"")
    assert '# leave_out = ["03 Tom 1.wav", "04 FT.wav"]' in run(take, "--inputs", corrected).stdout
