"""The output folder: checked before anything is read, locked, filled out of sight and put in place at the end."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from spillgate.dsp.errors import OutputError

__all__ = ["WORK", "aside", "check_output", "fill"]

WORK = ".work"
"""Folder inside the output for everything that is gone at the end."""

LOCK = ".lock"

LEFTOVERS = {WORK, LOCK, "corrections.toml", ".draft.json"}
"""What a run that was killed may leave, and what the engineer wrote beforehand; such an output counts as empty."""


def check_output(out: Path, take: Path, overwrite: bool) -> None:
    """Refuse an output that would harm something. Reads only.

    Raises
    ------
    OutputError
        If the output is or holds the take or lies inside it, is a file, or holds something already.
    """
    a, b = out.resolve(), take.resolve()
    if a == b:
        raise OutputError(f"{out}: is the take itself; choose another folder for the output")
    if b in a.parents:
        raise OutputError(f"{out}: lies inside the take; choose a folder outside {take}")
    if a in b.parents:
        raise OutputError(f"{out}: holds the take; choose a folder that does not")
    if not out.exists():
        return
    if not out.is_dir():
        raise OutputError(f"{out}: is a file; choose a folder")
    stems = (out / "stems").resolve()
    if stems == b or b in stems.parents:
        raise OutputError(f"{out / 'stems'}: leads into the take; remove that link")
    there = {p.name for p in out.iterdir()} - LEFTOVERS
    if not there:
        return
    if not overwrite:
        raise OutputError(f"{out}: exists and is not empty; choose another folder or add --overwrite")
    if "plan.json" not in there:
        raise OutputError(f"{out}: holds files but no earlier output (plan.json); --overwrite would mix them up")


@contextlib.contextmanager
def fill(out: Path, *, whole: bool = True) -> Iterator[tuple[Path, Path]]:
    """Fill the output folder: everything or nothing.

    Parameters
    ----------
    out : Path
        As `check_output` accepted it; folders above it are made.
    whole : bool
        False: only some stems are written; the others stay.

    Yields
    ------
    new, work : Path
        What is written to `new` is moved into `out` when the block ends well; `work` is for anything else.

    Raises
    ------
    OutputError
        If the folder cannot be made, or another run is writing to it.
    """
    made = _make(out)
    try:
        with _lock(out):
            work = out / WORK
            shutil.rmtree(work, ignore_errors=True)
            new = work / "new"
            try:
                new.mkdir(parents=True)
                yield new, work
                _put_in_place(new, out, whole)
            finally:
                shutil.rmtree(work, ignore_errors=True)
    except BaseException:
        for folder in reversed(made):
            with contextlib.suppress(OSError):  # not empty: someone else's
                folder.rmdir()
        raise


@contextlib.contextmanager
def aside(out: Path) -> Iterator[Path]:
    """Give a folder inside an output for what is only looked at; it is gone at the end.

    Parameters
    ----------
    out : Path
        An existing output.

    Yields
    ------
    folder : Path
    """
    if not os.access(out, os.W_OK | os.X_OK):
        raise OutputError(f"{out}: cannot be written to (Permission denied); copy it to another folder")
    with _lock(out):
        work = out / WORK
        shutil.rmtree(work, ignore_errors=True)
        try:
            work.mkdir()
            yield work
        finally:
            shutil.rmtree(work, ignore_errors=True)


def _make(out: Path) -> list[Path]:
    """Make the folder and those above it; return the ones that were made, outermost first."""
    missing = [p for p in (out, *out.parents) if not p.exists()][::-1]
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        for folder in reversed(missing):
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise OutputError(f"{out}: cannot be made ({error.strerror}); choose another folder") from error
    if not os.access(out, os.W_OK | os.X_OK):
        raise OutputError(f"{out}: cannot be written to (Permission denied); choose another folder")
    return missing


@contextlib.contextmanager
def _lock(out: Path) -> Iterator[None]:
    """Hold the output for this process; the system lets go of it even if we are killed."""
    path = out / LOCK
    try:
        stream = open(path, "a+b")  # noqa: SIM115 (only the opening may fail with this message)
    except OSError as error:
        raise OutputError(f"{out}: cannot be written to ({error.strerror}); choose another folder") from error
    with stream:
        try:
            if sys.platform == "win32":
                import msvcrt

                msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise OutputError(f"{out}: another run is writing to it; wait for it or choose another folder") from error
        try:
            yield
        finally:
            if sys.platform != "win32":
                path.unlink(missing_ok=True)
    path.unlink(missing_ok=True)


def _put_in_place(new: Path, out: Path, whole: bool) -> None:
    """Move a finished output over an earlier one; only files the earlier run wrote are removed."""
    stale = _earlier_stems(out) if whole else set()
    shutil.rmtree(out / "model", ignore_errors=True)
    files = sorted(p for p in new.rglob("*") if p.is_file())
    files.sort(key=lambda p: p.name == "plan.json")  # last: an output with a plan is whole
    for path in files:
        target = out / path.relative_to(new)
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(path, target)
    for name in stale - {p.name for p in files}:
        (out / "stems" / name).unlink(missing_ok=True)


def _earlier_stems(out: Path) -> set[str]:
    try:
        tracks = json.loads((out / "plan.json").read_text("utf-8"))["tracks"]
        return {Path(t["file"]).name for t in tracks}
    except (OSError, ValueError, KeyError, TypeError):
        return set()
