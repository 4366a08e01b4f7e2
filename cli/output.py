"""The output folder: checked before anything is read, locked, filled out of sight and put in place at the end.

Putting in place is many renames, so it is written down first: once the list (`JOURNAL`) is on the disk the new output
counts, and whoever opens the folder next completes what a killed process left half done.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from spillgate.dsp.errors import OutputError
from spillgate.dsp.writing import FileCopy, synced, write_atomically

if TYPE_CHECKING:
    from spillgate.dsp.take.model import Take

__all__ = [
    "WORK",
    "BusyError",
    "aside",
    "check_output",
    "fill",
    "refuse_links",
    "refuse_recordings",
    "settle",
    "stamps_of",
]

WORK = ".work"
"""Folder inside the output for everything that is gone at the end."""

LOCK = ".lock"

JOURNAL = "placing.json"
"""In the work folder: the finished output that is being put in place."""

FOLDERS = ("stems", "removed", "previews", "model", WORK)
"""Folders inside the output that are written to."""

LEFTOVERS = {WORK, LOCK, "corrections.toml", ".draft.json"}
"""What a run that was killed may leave, and what the engineer wrote beforehand; such an output counts as empty."""


class BusyError(OutputError):
    """Another run is writing to the output."""


def check_output(out: Path, take: Path, overwrite: bool) -> None:
    """Refuse an output that would harm something. Reads only.

    Raises
    ------
    OutputError
        If the output is or holds the take or lies inside it, is a file, or holds something already.
    """
    try:
        str(out.absolute()).encode()
    except UnicodeEncodeError as error:
        raise OutputError(f"{str(out)!a}: holds characters that cannot be written; choose another folder") from error
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
    refuse_links(out, take)
    there = {p.name for p in out.iterdir()} - LEFTOVERS
    journal = _journal(out)
    if not there or (journal is not None and journal["first"]):
        return
    if not overwrite:
        raise OutputError(f"{out}: exists and is not empty; choose another folder or add --overwrite")
    if "plan.json" not in there:
        raise OutputError(f"{out}: holds files but no earlier output (plan.json); --overwrite would mix them up")


def refuse_links(out: Path, take: Path) -> None:
    """Make sure that no folder of an output leads into the take.

    Raises
    ------
    OutputError
        Names the link.
    """
    home = take.resolve()
    for name in FOLDERS:
        folder = (out / name).resolve()
        if folder == home or home in folder.parents:
            raise OutputError(f"{out / name}: leads into the take; remove that link")


def refuse_recordings(out: Path, take: Take) -> None:
    """Make sure that no recording lies in an output: a link in the take may lead there.

    Raises
    ------
    OutputError
        Names the recording.
    """
    homes = [out.resolve(), *((out / name).resolve() for name in FOLDERS)]
    for file in {f.name: f for t in take.tracks for f in t.files}.values():
        path = file.path.resolve()
        if any(home in path.parents for home in homes):
            raise OutputError(f"{file.name}: leads to {path.parent}, into the output; choose another folder for it")


def settle(out: Path) -> None:
    """Complete an output that a killed process was putting in place; call it before reading one.

    Raises
    ------
    OutputError
        If another run is writing to it, or it cannot be written.
    """
    if _journal(out) is not None:
        with _lock(out):
            _put_in_place(out)


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
        If the folder cannot be made or written, or another run is writing to it.
    """
    made = _make(out)
    try:
        with _lock(out), _work(out) as work:
            new = work / "new"
            new.mkdir(parents=True)
            yield new, work
            _write_journal(new, out, whole)
            _put_in_place(out)
    except BaseException:
        for folder in reversed(made):
            with contextlib.suppress(OSError):  # not empty: someone else's
                folder.rmdir()
        raise


def stamps_of(new: Path) -> dict[str, tuple[int, int]]:
    """Note size and time stamp of every stem that was written, by its name in the output: moved files keep both."""
    from spillgate.dsp.take.stamps import stamps

    return {
        f"{folder}/{name}": stamp
        for folder in ("stems", "removed")
        for name, stamp in sorted(stamps(new / folder).items())
    }


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
    with _lock(out), _work(out) as work:
        yield work


@contextlib.contextmanager
def _work(out: Path) -> Iterator[Path]:
    """Give an empty work folder; what a killed process left there is completed or thrown away first."""
    _put_in_place(out)
    work = out / WORK
    if work.is_symlink():
        raise OutputError(f"{work}: is a link; remove it")
    shutil.rmtree(work, ignore_errors=True)
    try:
        work.mkdir()
        yield work
    finally:
        if _journal(out) is None:  # else the next one completes it
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
    while True:
        try:
            stream = open(path, "a+b")  # noqa: SIM115 (only the opening may fail with this message)
        except OSError as error:
            raise OutputError(f"{out}: cannot be written to ({error.strerror}); choose another folder") from error
        try:
            if sys.platform == "win32":
                import msvcrt

                msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
            else:
                import fcntl

                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            stream.close()
            raise BusyError(f"{out}: another run is writing to it; wait for it or choose another folder") from error
        if _is_still(path, stream.fileno()):
            break
        stream.close()  # the run before us took its lock file away after we had opened it: what we hold is nobody's
    with stream:
        try:
            yield
        finally:
            if sys.platform != "win32":
                path.unlink(missing_ok=True)
    path.unlink(missing_ok=True)


def _is_still(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _write_journal(new: Path, out: Path, whole: bool) -> None:
    """Say what is to be moved into the output and what goes; from here on the new output counts."""
    files = sorted(p.relative_to(new).as_posix() for p in new.rglob("*") if p.is_file())
    files.sort(key=lambda n: n == "plan.json")  # last: an output with a plan is whole
    for name in files:
        synced(new / name)
    stated = _earlier_files(new, stated=True)
    lost = sorted(n for n in stated - set(files) if whole or not (out / n).is_file())
    if lost:
        raise OutputError(f"{new / lost[0]}: gone before it was put in place; start again")
    gone = _earlier_files(out, stated=not whole)
    if not whole:
        gone = gone - stated if stated else set()
    if not (out / "model").is_symlink():
        gone |= {f"model/{p.name}" for p in (out / "model").glob("*.npz")}
    if not (out / "previews").is_symlink():
        page = (new / "report.html").read_text("utf-8") if (new / "report.html").is_file() else ""
        there = {p.name for k in ("before", "after", "removed") for p in (out / "previews").glob(f"*-{k}.flac")}
        gone |= {f"previews/{name}" for name in there if whole or (page and name not in page)}
    first = not (out / "plan.json").exists()
    entry = {"files": files, "gone": sorted(gone - set(files)), "first": first}
    write_atomically(out / WORK / JOURNAL, json.dumps(entry, ensure_ascii=False).encode())


def _journal(out: Path) -> dict[str, Any] | None:
    """Read the journal; None if there is none that says something."""
    try:
        entry = json.loads((out / WORK / JOURNAL).read_text("utf-8"))
        files, gone = ([n for n in entry[k] if _inside(n)] for k in ("files", "gone"))
        return {"files": files, "gone": gone, "first": bool(entry["first"])}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _inside(name: object) -> bool:
    """Whether a name read from a file leads to something inside the output."""
    if not isinstance(name, str) or not name or "\0" in name or ("\\" in name and sys.platform == "win32"):
        return False
    parts = PurePosixPath(name).parts
    return parts[0] != "/" and ".." not in parts and ":" not in parts[0]


def _put_in_place(out: Path) -> None:
    """Move a finished output over an earlier one, or go on with it; only files an earlier run wrote are removed."""
    journal = _journal(out)
    if journal is None:
        return
    work = out / WORK
    try:
        for name in journal["files"]:
            if (work / "new" / name).is_file():
                _move(work / "new" / name, out / name)
        lost = [n for n in journal["files"] if not (out / n).is_file()]
        for name in () if lost else journal["gone"]:
            if (out / name).is_symlink() or (out / name).is_file():
                (out / name).unlink()
        with contextlib.suppress(OSError):  # not there, or not empty
            (out / "model").rmdir()
    except OSError as error:
        where = error.filename2 or error.filename or out
        raise OutputError(f"{where}: cannot be put in place ({error.strerror}); mend that and start again") from error
    (work / JOURNAL).unlink()
    shutil.rmtree(work, ignore_errors=True)
    if lost:
        more = f" and {len(lost) - 1} more" if len(lost) > 1 else ""
        raise OutputError(f"{out / lost[0]}{more}: gone before it was put in place; start again with --overwrite")


def _move(path: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.replace(path, target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        FileCopy(path, target.parent).commit()  # a folder of the output that lies on another disk
        path.unlink()


def _earlier_files(out: Path, stated: bool = False) -> set[str]:
    """Name the stems that the plan in an output speaks of; only what it states to have been written, if so wanted."""
    try:
        plan = json.loads((out / "plan.json").read_text("utf-8"))
        written = plan.get("figures", {}).get("render", {}).get("files")
        if written is None:
            named = [] if stated else [f"stems/{t['file']}" for t in plan["tracks"]]
        else:
            named = [n for names in written.values() for n in names]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return set()
    kept = {n for n in named if _inside(n)}
    return {n for n in kept if len(PurePosixPath(n).parts) == 2 and n.startswith(("stems/", "removed/"))}
