"""The command `spillgate`: its subcommands, loaded when asked for, and the one place where errors become lines."""

from __future__ import annotations

import importlib
import os
import sys
import traceback
import warnings
from collections.abc import Sequence
from typing import Any

import click

from spillgate.dsp.errors import ChainError, DspError, ParameterError, PluginWarning
from spillgate.dsp.words import printable

__all__ = ["main"]

COMMANDS = ("run", "check", "inputs", "review", "render", "batch", "processors", "convert", "demo")
"""Subcommands in the order of the help; each is the ``command`` of the module of its name."""

WITHOUT_IT = "to go on without it, name it in leave_out of the input list (spillgate inputs)"
"""Ends what is said about one file of a take that cannot be used."""

FAILED, WRONG_USAGE = 1, 2
"""Exit codes."""

LONGEST_LINE = 1000
"""Characters of an error; the middle of longer ones is left out."""

HELP = """Make a multitrack drum recording ready to mix: find every hit, clean the toms,
line the mics up, turn reversed polarity. Recordings are never modified.
"""

EPILOG = """\b
Example:
  spillgate run "Song 3" -o "Song 3 clean"
"""


class Commands(click.Group):
    """Group that imports a subcommand only when it is needed and turns errors into one line each."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the help."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of a subcommand."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"spillgate.cli.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the subcommand; an unknown one gets the nearest name."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            from spillgate.dsp.errors import nearest

            raise click.UsageError(f"{args[0]}: no such command; {nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)

    def main(self, args: Sequence[str] | None = None, *rest: Any, **extra: Any) -> Any:
        """Run the command line; every error ends here.

        Exit codes: 0 done, 1 failed, 2 wrong usage, 3 `check` found something to mend.
        """
        words = list(sys.argv[1:] if args is None else args) or ["--help"]
        debug = "--debug" in words
        extra["standalone_mode"] = False
        with warnings.catch_warnings():
            if not debug:
                warnings.simplefilter("ignore")
            warnings.simplefilter("always", PluginWarning)
            warnings.showwarning = _show_warning
            try:
                code = super().main(words, *rest, **extra)
            except click.exceptions.Exit as stop:
                code = stop.exit_code
            except click.ClickException as error:
                code = _say(_usage_line(error, words), error.exit_code)
            except (click.Abort, KeyboardInterrupt):
                code = _say("stopped", FAILED)
            except BrokenPipeError:  # the reader of our output has gone: nothing to say, nobody to say it to
                os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
                code = FAILED
            except Exception as error:
                if debug:
                    traceback.print_exc()
                code = _translate(error)
        sys.exit(code if isinstance(code, int) else 0)


def _translate(error: Exception) -> int:
    if isinstance(error, ParameterError | ChainError):
        return _say(str(error), WRONG_USAGE)
    if isinstance(error, DspError):
        return _say(f"{error}; {WITHOUT_IT}" if error.file else str(error), FAILED)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename is not None else ""
        return _say(f"{where}{error.strerror or error}; nothing was kept of this run", FAILED)
    if isinstance(error, MemoryError):
        return _say("out of memory; close other programs or use --workers 1", FAILED)
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}:{last.lineno}"
    return _say(
        f"this is a fault of the program, not of yours ({type(error).__name__} at {place}: {error}); "
        "please report it with what --debug prints",
        FAILED,
    )


def _usage_line(error: click.ClickException, words: Sequence[str]) -> str:
    """One line for what click explains in four."""
    text = error.format_message().rstrip(".")
    if isinstance(error, click.NoSuchOption):
        text = f"{error.option_name}: no such option"
    if isinstance(error, click.UsageError) and ";" not in text and "spillgate " not in text:
        command = next((w for w in words if w in COMMANDS), "")
        text = f"{text}; see {f'spillgate {command}'.strip()} --help"
    return text[:1].lower() + text[1:] if text[:2].istitle() else text


def _say(text: str, code: int) -> int:
    line = " ".join(text.split())
    if len(line) > LONGEST_LINE:
        line = line[: LONGEST_LINE // 2] + " … " + line[-LONGEST_LINE // 2 :]
    click.echo(f"spillgate: {printable(line)}", err=True)
    return code


def _show_warning(message: Warning | str, category: type[Warning], *rest: Any, **extra: Any) -> None:
    name = "" if issubclass(category, PluginWarning) else f"{category.__name__}: "
    _say(f"{name}{message}", 0)


@click.group(
    cls=Commands,
    help=HELP,
    epilog=EPILOG,
    context_settings={"help_option_names": ["--help"], "max_content_width": 80},
)
@click.version_option(package_name="spillgate", prog_name="spillgate", message="%(prog)s %(version)s")
def main() -> None:
    """Run the command line."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
        os.environ[name] = "1"  # before numpy is imported: sums of a threaded BLAS depend on the number of cores
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
