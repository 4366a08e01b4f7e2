"""Real processes to be killed: a prepared process forks one for every command, so that none pays for the imports.

Also what is looked at afterwards: the bytes, the time stamps and the rights of everything in a folder.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, Self

__all__ = ["Stage", "contents", "inputs_of", "write_take"]

SR = 48_000


def write_take(folder: Path, seconds: float = 1.5, extra: bool = True) -> Path:
    """Write a tiny take: five drum tracks of 24 bit and one file that is no drum."""
    import numpy as np
    import soundfile

    from spillgate.dsp.testing import small_take

    folder.mkdir(parents=True, exist_ok=True)
    take = small_take(seconds)
    names = {"kick.wav": "Kick", "snare.wav": "Snare", "tom.wav": "Rack Tom"}
    for track in take.tracks:
        name = names.get(track.id, "OH L" if "left" in track.id else "OH R")
        soundfile.write(folder / f"{name}.wav", take.read(track), SR, subtype="PCM_24")
    if extra:
        x = 0.1 * np.random.default_rng(3).standard_normal(round(seconds * SR))
        soundfile.write(folder / "Vox.wav", x, SR, subtype="PCM_16")
    return folder


def contents(folder: Path, without: Sequence[str] = ()) -> dict[str, str]:
    """Digest of every file below a folder by its relative name, but of those of a name in `without`."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not path.is_symlink() and path.name not in without:
            with contextlib.suppress(FileNotFoundError):
                found[name] = hashlib.blake2b(path.read_bytes(), digest_size=12).hexdigest()
    return found


def inputs_of(folder: Path) -> dict[str, tuple[str, int, int]]:
    """Digest, time stamp and rights of every recording."""
    found = {}
    for name, digest in contents(folder).items():
        stat = (folder / name).stat()
        found[name] = (digest, stat.st_mtime_ns, stat.st_mode)
    return found


class Stage:
    """Forks a process per command from one that has everything imported.

    Parameters
    ----------
    folder : Path
        Working folder of the commands; also for what they print.
    warm : sequence of str
        A command run once beforehand, so that compiled code is loaded.
    more : mapping of str to str
        Of the environment.
    """

    def __init__(self, folder: Path, warm: Sequence[str] = (), more: Mapping[str, str] = MappingProxyType({})) -> None:
        self.folder, self._running = folder, 0
        self.printed = folder / "printed.txt"
        env = {**os.environ, "COLUMNS": "80", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", **more}
        command = [sys.executable, "-W", "ignore", __file__, json.dumps(list(warm)), str(self.printed)]
        self._own = subprocess.Popen(
            command, cwd=folder, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._answer() == "ready"

    def _answer(self) -> Any:
        assert self._own.stdout is not None
        line = self._own.stdout.readline()
        if not line:
            raise RuntimeError(f"the stage is gone: {self.printed.read_text('utf-8', 'replace')}")
        return json.loads(line)

    def start(self, *words: str | Path) -> int:
        """Start a command; its process group has the id that is returned."""
        assert self._own.stdin is not None
        self.printed.write_bytes(b"")
        self._own.stdin.write(json.dumps([str(w) for w in words]) + "\n")
        self._own.stdin.flush()
        self._running = pid = int(self._answer())
        return pid

    def end(self) -> int:
        """Wait for the command; its exit code, or minus the signal that ended it."""
        code, self._running = int(self._answer()), 0
        return code

    def run(self, *words: str | Path) -> int:
        """Start a command and wait for it."""
        self.start(*words)
        return self.end()

    def kill_when(self, due: Callable[[], bool], *words: str | Path, limit_s: float = 60.0) -> int:
        """Start a command and kill its group with SIGKILL as soon as `due` says so."""
        pid = self.start(*words)
        stop = time.monotonic() + limit_s
        while not due() and time.monotonic() < stop and not self._has_ended(pid):
            time.sleep(0.0002)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)
        return self.end()

    def _has_ended(self, pid: int) -> bool:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        return False

    @property
    def said(self) -> str:
        """What the last command printed, errors included."""
        return self.printed.read_text("utf-8", "replace")

    def close(self) -> None:
        """End the prepared process, and what it still runs."""
        if self._running:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._running, signal.SIGKILL)
        self._own.communicate("", timeout=30)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def after(seconds: float) -> Callable[[], bool]:
    """Due so many seconds from the first question on."""
    begun: list[float] = []

    def due() -> bool:
        begun.append(time.monotonic())
        return begun[-1] - begun[0] >= seconds

    return due


def once(there: Callable[[], bool], seconds: float) -> Callable[[], bool]:
    """Due so many seconds after something is there."""
    seen: list[float] = []

    def due() -> bool:
        if not seen and there():
            seen.append(time.monotonic())
        return bool(seen) and time.monotonic() - seen[0] >= seconds

    return due


def _serve(warm: Sequence[str], printed: str) -> None:
    from spillgate.cli.main import main

    def redirected() -> None:
        target = os.open(printed, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        os.dup2(target, 1)
        os.dup2(target, 2)

    def run(words: Sequence[str]) -> int:
        try:
            main(list(words), prog_name="spillgate")
        except SystemExit as stop:
            return int(stop.code or 0)
        return 0

    answers = os.fdopen(os.dup(1), "w")
    redirected()
    if warm:
        run(warm)

    def tell(what: Any) -> None:
        answers.write(json.dumps(what) + "\n")
        answers.flush()

    tell("ready")
    for line in _lines():
        pid = os.fork()
        if pid == 0:
            os.setpgid(0, 0)
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            redirected()
            code = 70
            try:
                code = run(json.loads(line))
                sys.stdout.flush()
                sys.stderr.flush()
            finally:
                os._exit(code)
        with contextlib.suppress(PermissionError):
            os.setpgid(pid, pid)  # whoever of the two is first
        tell(pid)
        _, status = os.waitpid(pid, 0)
        tell(os.waitstatus_to_exitcode(status))


def _lines() -> Iterator[str]:
    while True:
        line = sys.stdin.readline()
        if not line:
            return
        yield line


if __name__ == "__main__":
    _serve(json.loads(sys.argv[1]), sys.argv[2])
