"""A command as a process of its own: wall time, processor time and memory, all of its processes together."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Cost", "spillgate"]

PAGE = os.sysconf("SC_PAGE_SIZE")
EVERY_S = 0.05


@dataclass(frozen=True)
class Cost:
    """What something took: seconds on the clock, of the processors, and the most memory at a time.

    `held_mb` is what the processes hold themselves, `resident_mb` that and what they have mapped of files and libraries
    at the time, which the system may take back; each summed over all processes, sampled every 50 ms; 0 if not sampled.
    """

    wall_s: float
    cpu_s: float
    held_mb: float = 0.0
    resident_mb: float = 0.0


class _Sampler(threading.Thread):
    """Looks at a process and all that it started."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self._pid, self._over = pid, threading.Event()
        self.held = self.resident = 0

    def run(self) -> None:
        while not self._over.wait(EVERY_S):
            sums = [0, 0]
            for pid in self._family():
                try:
                    resident, shared = Path(f"/proc/{pid}/statm").read_text().split()[1:3]
                except (OSError, ValueError):
                    continue
                sums[0] += int(resident) - int(shared)
                sums[1] += int(resident)
            self.held, self.resident = max(self.held, sums[0] * PAGE), max(self.resident, sums[1] * PAGE)

    def _family(self) -> list[int]:
        found, left = [], [self._pid]
        while left:
            pid = left.pop()
            found.append(pid)
            for task in Path(f"/proc/{pid}/task").glob("*/children"):
                try:
                    left += [int(child) for child in task.read_text().split()]
                except OSError:
                    continue
        return found

    def stop(self) -> None:
        self._over.set()
        self.join()


def spillgate(words: Sequence[str], *, sample: bool = False, allowed: tuple[int, ...] = (0,)) -> Cost:
    """Run the command in a process of its own.

    Parameters
    ----------
    words : sequence of str
        What stands after ``spillgate``.
    sample : bool
        Whether memory is watched.
    allowed : tuple of int
        Exit codes that are no failure.

    Returns
    -------
    cost : Cost

    Raises
    ------
    RuntimeError
        If the command failed; with what it said.
    """
    code = "import sys; from spillgate.cli.main import main; sys.exit(main())"
    command = [sys.executable, "-c", code, *words]
    begun, used = time.perf_counter(), os.times()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as child:
        sampler = _Sampler(child.pid)
        if sample:
            sampler.start()
        said = child.stderr.read() if child.stderr else ""
        child.wait()
        if sample:
            sampler.stop()
    wall, now = time.perf_counter() - begun, os.times()
    if child.returncode not in allowed:
        raise RuntimeError(f"spillgate {' '.join(words)}: exit code {child.returncode}: {said.strip()}")
    cpu = now.children_user + now.children_system - used.children_user - used.children_system
    return Cost(wall, cpu, sampler.held / 1e6, sampler.resident / 1e6)
