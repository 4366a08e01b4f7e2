"""Help, versions, and errors as one line each."""

from __future__ import annotations

import subprocess
import sys
import time
import warnings

import click
import pytest
from click.testing import CliRunner

from spillgate.cli import main as main_module
from spillgate.cli.main import COMMANDS, main
from spillgate.dsp import errors

WIDTH, HEIGHT = 80, 24
"""Columns and rows of the smallest usual terminal."""


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_fits_a_screen_and_ends_with_an_example(name: str) -> None:
    result = CliRunner().invoke(main, [*name.split(), "--help"], prog_name="spillgate", terminal_width=WIDTH)
    assert result.exit_code == 0, result.output
    lines = result.output.rstrip("\n").split("\n")
    assert len(lines) < HEIGHT, "one row is the prompt's"
    assert max(map(len, lines)) <= WIDTH
    assert lines[-1].strip().startswith("spillgate ")
    assert any(line.strip().startswith(f"spillgate {name}".strip()) for line in lines[-3:])
    assert any(line.strip() in ("Example:", "Examples:") for line in lines)


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_is_light(name: str) -> None:
    code = (
        "import sys; from spillgate.cli.main import main\n"
        f"try: main({[*name.split(), '--help']!r})\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'numba', 'soundfile', 'librosa', 'rich', 'tomlkit'} & set(sys.modules)\n"
        "sys.exit(f'imported: {heavy}' if heavy else 0)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert result.returncode == 0, result.stderr


@pytest.mark.bench
def test_help_is_quick() -> None:
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-m", "spillgate.cli", "--help"], capture_output=True, check=True, timeout=60)
        times.append(time.perf_counter() - begin)
    print(f"--help: {min(times):.3f} s")


def test_every_command_has_a_module_and_a_short_line() -> None:
    group = main
    assert isinstance(group, click.Group)
    context = click.Context(group)
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        assert command.get_short_help_str(60)


def failing(error: BaseException) -> click.Command:
    @click.command()
    def command() -> None:
        raise error

    return command


@pytest.mark.parametrize(
    ("error", "code", "line"),
    [
        (errors.ParameterError("gate.ring: 3.0 is not allowed"), 2, "gate.ring: 3.0 is not allowed"),
        (errors.UnknownProcessorError("x: no such processor"), 2, "x: no such processor"),
        (errors.AudioFileError("a.wav: no audio"), 1, "a.wav: no audio"),
        (errors.TakeError("a: two\nlines"), 1, "a: two lines"),
        (errors.ChainError("gate: needs hits"), 2, "gate: needs hits"),
        (
            PermissionError(13, "Permission denied", "x.wav"),
            1,
            "x.wav: Permission denied; nothing was kept of this run",
        ),
        (OSError(28, "No space left on device"), 1, "No space left on device; nothing was kept of this run"),
        (MemoryError(), 1, "out of memory; close other programs or use --workers 1"),
    ],
    ids=lambda v: type(v).__name__ if isinstance(v, BaseException) else None,
)
def test_an_error_is_one_line(monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, line: str) -> None:
    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: failing(error))
    result = CliRunner().invoke(main, ["run"])
    assert (result.exit_code, result.stderr, result.stdout) == (code, f"spillgate: {line}\n", "")


def test_a_stop_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: failing(KeyboardInterrupt()))
    result = CliRunner().invoke(main, ["run"])
    assert (result.exit_code, result.stderr.strip()) == (1, "spillgate: stopped")  # behind the terminal's own ^C


def test_a_fault_of_the_program_is_called_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: failing(KeyError("x")))
    result = CliRunner().invoke(main, ["run"])
    assert result.exit_code == 1
    assert result.stderr.startswith(
        "spillgate: this is a fault of the program, not of yours (KeyError at test_main.py:"
    )
    assert result.stderr.count("\n") == 1


def test_debug_shows_where(monkeypatch: pytest.MonkeyPatch) -> None:
    command = failing(errors.TakeError("a: empty"))
    command.params.append(click.Option(["--debug"], is_flag=True, expose_value=False))
    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: command)
    result = CliRunner().invoke(main, ["run", "--debug"])
    assert result.exit_code == 1
    assert "Traceback" in result.stderr
    assert result.stderr.endswith("spillgate: a: empty\n")


def test_a_plug_in_warning_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command()
    def command() -> None:
        warnings.warn("kit-extra: left out", errors.PluginWarning, stacklevel=1)

    monkeypatch.setattr(main_module.Commands, "get_command", lambda *_: command)
    result = CliRunner().invoke(main, ["run"])
    assert (result.exit_code, result.stderr) == (0, "spillgate: kit-extra: left out\n")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["rnu"], "rnu: no such command; did you mean 'run'?"),
        (["--colour"], "--colour: no such option; see spillgate --help"),
        (["run", "take", "-o"], "option '-o' requires an argument; see spillgate run --help"),
        (
            ["run", "take", "-o", "out", "--workers", "0"],
            "--workers 0: must be 1 to 64; see spillgate run --help",
        ),
        (["convert"], "missing argument 'AMOUNT...'; see spillgate convert --help"),
    ],
)
def test_wrong_usage_is_one_line_too(words: list[str], line: str) -> None:
    result = CliRunner().invoke(main, words, prog_name="spillgate")
    assert (result.exit_code, result.stderr) == (2, f"spillgate: {line}\n")


def test_without_words_there_is_help() -> None:
    result = CliRunner().invoke(main, [], prog_name="spillgate")
    assert "Commands:" in result.output


def test_version() -> None:
    result = CliRunner().invoke(main, ["--version"], prog_name="spillgate")
    assert result.output.startswith("spillgate 0.")
