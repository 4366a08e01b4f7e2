"""Faults of disk and system while a command is at work: one line, an exit code, no harm.

Each fault is a function that is given a folder with a take and tells what it saw; `FAULTS` lists them.
"""

from __future__ import annotations

import contextlib
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from stage import contents, inputs_of, write_take

__all__ = ["FAULTS", "Seen", "attempt"]

QUIET = ("--quiet", "--workers", "2")


@dataclass(frozen=True)
class Seen:
    """What a command did: exit code and what it printed on standard error."""

    code: int
    said: str


def _command(folder: Path, *words: str | Path, **extra: object) -> subprocess.Popen[str]:
    env = {**os.environ, "COLUMNS": "80", "OMP_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", "spillgate.cli", *map(str, words)],
        cwd=folder,
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **extra,  # type: ignore[call-overload]
    )


def _run(folder: Path, *words: str | Path, **extra: object) -> Seen:
    running = _command(folder, *words, **extra)
    _, said = running.communicate(timeout=120)
    return Seen(running.returncode, said)


@contextlib.contextmanager
def small_disk(size: int) -> Iterator[Path]:
    """Mount a memory disk of so many bytes; needs the rights of root."""
    place = Path(tempfile.mkdtemp(prefix="spillgate-disk-"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], check=True, capture_output=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=False)
        place.rmdir()


def can_mount() -> bool:
    """Whether memory disks can be mounted here."""
    try:
        with small_disk(1 << 16):
            return True
    except (OSError, subprocess.CalledProcessError):
        return False


def attempt(folder: Path, words: Sequence[str | Path], out: Path, take: Path, **extra: object) -> Seen:
    """Run a command that must fail: one line, exit code 1, no traceback, recordings untouched, no half files."""
    before = inputs_of(take)
    there = contents(out) if out.exists() else {}
    seen = _run(folder, *words, **extra)
    assert seen.code == 1, seen
    assert len(seen.said.splitlines()) == 1, seen.said
    assert re.match(r"spillgate: .+", seen.said), seen.said
    assert "fault of the program" not in seen.said, seen.said
    assert inputs_of(take) == before, "a recording was changed"
    assert (contents(out) if out.exists() else {}) == there, "something was left, or lost"
    return seen


# ---- the disk


def disk_too_small(folder: Path) -> Seen:
    """The disk has no room for the stems, and that is known beforehand."""
    take = write_take(folder / "take")
    with small_disk(1_000_000) as disk:
        seen = attempt(folder, ("run", take, "-o", disk / "out", *QUIET), disk / "out", take)
        assert "make room" in seen.said
    return seen


def filled(disk: Path, left: int) -> None:
    """Fill a disk up to some bytes."""
    free = shutil.disk_usage(disk).free
    (disk / "filler").write_bytes(bytes(max(0, free - left)))


def disk_full(folder: Path, left: int) -> Seen:
    """Another program fills the disk while stems are rendered; `left` bytes are left."""
    with small_disk(40_000_000) as disk:
        out = disk / "out"
        # FLAC's encoder does not hand on what the system said
        said = ("No space left", "look at the space and the rights there")
        seen = during_run(folder, lambda take: filled(disk, left), said, out=out)
    return seen


def disk_full_while_listening(folder: Path, left: int) -> Seen:
    """What is measured of a long take is kept in files; a disk that has no room for them must not end the process."""
    take, place = write_take(folder / "take"), folder / "site"
    place.mkdir()
    (place / "sitecustomize.py").write_text(
        "import os, sys\n"
        "if 'SHORT' in os.environ:\n"
        "    from spillgate.dsp.take import features\n"
        "    features.IN_MEMORY_BYTES = 0\n"  # as if the take were long
    )
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(place), os.environ.get("PYTHONPATH", "")]), "SHORT": "1"}
    with small_disk(4_000_000) as disk:
        filled(disk, left)
        words = [sys.executable, "-W", "ignore", "-m", "spillgate.cli", "run", take, "-o", disk / "out", *QUIET]
        done = subprocess.run(list(map(str, words)), env=env, capture_output=True, text=True, timeout=120, check=False)
        assert not (disk / "out").exists()
    seen = Seen(done.returncode, done.stderr)
    assert seen.code == 1, seen
    assert re.fullmatch(r"spillgate: [^\n]+cannot be written \(No space left on device\)[^\n]+\n", seen.said), seen
    return seen


def file_too_large(folder: Path, size: int) -> Seen:
    """No file may grow beyond a size (a quota, an old file system): as a full disk, where nothing can be mounted."""
    take, out = write_take(folder / "take"), folder / "out"

    def bound() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return attempt(folder, ("run", take, "-o", out, *QUIET), out, take, preexec_fn=bound)


def render_on_full_disk(folder: Path, left: int) -> Seen:
    """The disk fills while corrections are rendered over an earlier output: that one stays whole."""
    take = write_take(folder / "take")
    with small_disk(40_000_000) as disk:
        out = disk / "out"
        assert _run(folder, "run", take, "-o", out, *QUIET).code == 0
        (out / "corrections.toml").write_text('[[delay]]\ntrack = "Snare"\nsamples = 7.5\n')
        there = contents(out)
        words = ("render", out, *QUIET)
        seen = during_run(folder, lambda take: filled(disk, left), ("No space left",), out=out, words=words)
        assert contents(out) == there
        (disk / "filler").unlink()
        assert _run(folder, *words) == Seen(0, "")
        assert contents(out) != there
    return seen


def other_file_system(folder: Path) -> Seen:
    """Output on another file system, and a folder of it on a third."""
    take = write_take(folder / "take")
    assert _run(folder, "run", take, "-o", folder / "here", *QUIET).code == 0
    with small_disk(40_000_000) as disk, small_disk(40_000_000) as third:
        (disk / "out").mkdir()
        (disk / "out" / "stems").symlink_to(third)
        (third / "Kick.wav").write_bytes(b"old")
        shutil.copy(folder / "here" / "plan.json", disk / "out")
        seen = _run(folder, "run", take, "-o", disk / "out", "--overwrite", *QUIET)
        assert seen == Seen(0, ""), seen
        stems = {p.name: p.read_bytes() for p in (folder / "here" / "stems").iterdir()}
        assert {p.name: p.read_bytes() for p in third.iterdir()} == stems
    return seen


# ---- the recordings


def _slow(folder: Path) -> Path:
    """A plug-in folder whose start-up code makes the reader call out after some reads, so that a fault can be timed."""
    place = folder / "site"
    place.mkdir()
    (place / "sitecustomize.py").write_text(
        "import os, sys, time\n"
        "def hook():\n"
        "    from spillgate.dsp import render\n"
        "    old = render._render_file\n"
        "    def slow(*a, **k):\n"
        "        open(os.environ['REACHED'], 'w').close()\n"
        "        for _ in range(400):\n"
        "            if os.path.exists(os.environ['GO']): break\n"
        "            time.sleep(0.02)\n"
        "        return old(*a, **k)\n"
        "    render._render_file = slow\n"
        "if 'REACHED' in os.environ: hook()\n"
    )
    return place


def during_run(
    folder: Path,
    fault: Callable[[Path], None],
    allowed: Sequence[str] = (),
    out: Path | None = None,
    words: Sequence[str | Path] = (),
) -> Seen:
    """Do something to the take, or to the disk, after the take was measured and before it is rendered."""
    take, out = folder / "take", out or folder / "out"
    if not take.exists():
        write_take(take)
    there = contents(out) if out.exists() else None
    env = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(_slow(folder)), os.environ.get("PYTHONPATH", "")]),
        "REACHED": str(folder / "reached"),
        "GO": str(folder / "go"),
        "COLUMNS": "80",
    }
    words = words or ("run", take, "-o", out, *QUIET)
    command = [sys.executable, "-W", "ignore", "-m", "spillgate.cli", *words]
    running = subprocess.Popen(
        list(map(str, command)), cwd=folder, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    stop = time.monotonic() + 60
    while not (folder / "reached").exists() and running.poll() is None and time.monotonic() < stop:
        time.sleep(0.01)
    fault(take)
    before = contents(take)
    (folder / "go").touch()
    _, said = running.communicate(timeout=120)
    seen = Seen(running.returncode, said)
    assert seen.code == 1, seen
    assert len(said.splitlines()) == 1, said
    assert "fault of the program" not in said, said
    assert any(text in said for text in allowed), said
    assert (contents(out) if out.exists() else None) == there, "something was left, or lost"
    assert contents(take) == before
    return seen


def truncated(take: Path) -> None:
    """Cut a recording short."""
    os.truncate(take / "Rack Tom.wav", 40_000)


def removed(take: Path) -> None:
    """Take a recording away."""
    (take / "Rack Tom.wav").unlink()


def copied_one_removed(take: Path) -> None:
    """Take away the file that is only copied."""
    (take / "Vox.wav").unlink()


def changed(take: Path) -> None:
    """Change samples of a recording, its length stays."""
    with open(take / "Kick.wav", "rb+") as stream:
        stream.seek(60_000)
        stream.write(bytes(3000))


def replaced(take: Path) -> None:
    """Put another recording in the place of one that is only copied."""
    data = bytearray((take / "Vox.wav").read_bytes())
    data[5000:6000] = bytes(1000)
    (take / "new").write_bytes(data)
    os.replace(take / "new", take / "Vox.wav")


def permission_lost(folder: Path) -> Seen:
    """The output folder can no longer be written when the stems are finished; given back, the next one completes it."""
    take, out = write_take(folder / "take"), folder / "out"
    out.mkdir()
    (out / "stems").mkdir()
    before = inputs_of(take)

    def obey_rights() -> None:
        import ctypes

        if os.geteuid() == 0:  # give up root's right to pass over access rights: linux/prctl.h, linux/capability.h
            for capability in (1, 2):
                ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)

    (out / "stems").chmod(0o555)
    seen = _run(folder, "run", take, "-o", folder / "new", *QUIET)
    assert seen == Seen(0, ""), seen
    shutil.copy(folder / "new" / "plan.json", out)
    seen = _run(folder, "run", take, "-o", out, "--overwrite", *QUIET, preexec_fn=obey_rights)
    assert seen.code == 1, seen
    assert len(seen.said.splitlines()) == 1, seen.said
    assert "cannot be put in place (Permission denied)" in seen.said, seen.said
    assert inputs_of(take) == before
    (out / "stems").chmod(0o755)
    assert _run(folder, "render", out, *QUIET) == Seen(0, "")
    assert contents(out / "stems") == contents(folder / "new" / "stems")
    assert not (out / ".work").exists()
    return seen


# ---- two at once


def two_runs(folder: Path) -> Seen:
    """Two runs into one output at the same time: one is done, the other is refused, and the output is whole."""
    take, out = write_take(folder / "take"), folder / "out"
    assert _run(folder, "run", take, "-o", folder / "right", *QUIET).code == 0
    running = [_command(folder, "run", take, "-o", out, *QUIET) for _ in range(3)]
    ends = [(r.communicate(timeout=120)[1], r.returncode) for r in running]
    codes = sorted(c for _, c in ends)
    assert codes[0] == 0, ends
    assert set(codes) <= {0, 1}, ends
    lost = [said for said, code in ends if code]
    assert all("another run is writing" in s or "exists and is not empty" in s for s in lost), ends
    assert len(lost) == 2, ends
    without = ("source.json", "report.html")
    assert contents(out, without) == contents(folder / "right", without)
    return Seen(1, lost[0])


def stale_lock(folder: Path) -> Seen:
    """A lock file of a process that is long gone."""
    take, out = write_take(folder / "take"), folder / "out"
    out.mkdir()
    (out / ".lock").write_text("4711")
    seen = _run(folder, "run", take, "-o", out, *QUIET)
    assert seen == Seen(0, ""), seen
    assert not (out / ".lock").exists()
    return seen


def clock_set_back(folder: Path) -> Seen:
    """The clock goes back ten years after the recording: every track is from the future, every output older than it."""
    album, out = folder / "album", folder / "out"
    take = write_take(album / "take")
    assert _run(folder, "run", take, "-o", folder / "right", *QUIET).code == 0
    ahead = time.time() + 10 * 365 * 86_400
    for path in take.iterdir():
        os.utime(path, (ahead, ahead))
    recordings = inputs_of(take)
    assert _run(folder, "batch", album, "-o", out, *QUIET) == Seen(0, "")
    before, done = contents(out), out / "take"
    seen = _run(folder, "batch", album, "-o", out, *QUIET)
    assert seen == Seen(0, ""), seen
    assert contents(out) == before, "was done again"
    for words in (("render", done), ("render", done, "--verify"), ("run", take, "-o", done, "--overwrite")):
        seen = _run(folder, *words, "--quiet")
        assert seen == Seen(0, ""), (words, seen)
    assert contents(done / "stems") == contents(folder / "right" / "stems")
    assert inputs_of(take) == recordings
    return seen


def stopped(folder: Path, after_s: float, number: int = signal.SIGINT) -> Seen:
    """Ctrl-C, or the system asking to end."""
    take, out = write_take(folder / "take"), folder / "out"
    running = _command(folder, "run", take, "-o", out, *QUIET)
    threading.Timer(after_s, lambda: running.send_signal(number)).start()
    _, said = running.communicate(timeout=120)
    return Seen(running.returncode, said)


FAULTS: dict[str, Callable[[Path], Seen]] = {
    "disk too small": disk_too_small,
    "disk full, nothing left": lambda f: disk_full(f, 0),
    "disk full, room for some stems": lambda f: disk_full(f, 500_000),
    "disk full, room for all stems": lambda f: disk_full(f, 1_350_000),
    "disk full while listening": lambda f: disk_full_while_listening(f, 150_000),
    "render on a full disk": lambda f: render_on_full_disk(f, 100_000),
    "file too large, 100 kB": lambda f: file_too_large(f, 100_000),
    "file too large, 10 kB": lambda f: file_too_large(f, 10_000),
    "another file system": other_file_system,
    "recording truncated": lambda f: during_run(f, truncated, ("Rack Tom.wav: ",)),
    "recording removed": lambda f: during_run(f, removed, ("Rack Tom.wav: can no longer be read",)),
    "copied file removed": lambda f: during_run(f, copied_one_removed, ("Vox.wav: can no longer be read",)),
    "recording changed": lambda f: during_run(f, changed, ("Kick.wav: was changed while it was worked on",)),
    "copied file replaced": lambda f: during_run(f, replaced, ("Vox.wav: was changed while it was worked on",)),
    "permission lost": permission_lost,
    "three runs into one output": two_runs,
    "stale lock": stale_lock,
    "clock set back": clock_set_back,
}
"""Every fault by its name."""

MOUNTED = tuple(n for n in FAULTS if "disk" in n or n == "another file system")
"""Those that mount a memory disk."""
