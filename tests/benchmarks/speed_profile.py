"""Where the time of a run goes, stage by stage, each beside its own limit; `speed.py --profile` prints it.

The command runs in a process of its own with one worker, so that stages do not overlap; each stage's processor time is
without that of the stages inside it.
"""

from __future__ import annotations

import functools
import importlib
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

STAGES: dict[str, tuple[str, ...]] = {
    "start: modules, command line": (),
    "opening: names, headers, a listen": ("spillgate.dsp.take.opening:open_take",),
    "reading": ("spillgate.dsp.take.audio:FileReader.__call__",),
    "features: six bands": ("spillgate.dsp.core.hits.envelopes:BandEnvelopes.push",),
    "features: powers of the tom bands": ("spillgate.dsp.core.cleaning.bandgrid:BandPowers.push",),
    "features: fingerprints": ("spillgate.dsp.take.features:fingerprints",),
    "features: peaks, the rest": ("spillgate.dsp.take.features:measure",),
    "decide: detect": ("spillgate.dsp.processors.detect:Detect.decide",),
    "decide: align": ("spillgate.dsp.processors.align:Align.decide",),
    "decide: gate": ("spillgate.dsp.processors.gate:Gate.decide",),
    "decide: spill": ("spillgate.dsp.processors.spill:Spill.decide",),
    "render: masks": ("spillgate.dsp.steps.mask:MaskStep.apply",),
    "render: delays": ("spillgate.dsp.steps.move:MoveStep.apply",),
    "render: rounding, dither": ("spillgate.dsp.running:quantise",),
    "render: the rest": ("spillgate.dsp.render:render",),
    "write: stems": (
        "spillgate.dsp.take.stems:StemWriter.__init__",
        "spillgate.dsp.take.stems:StemWriter.write",
        "spillgate.dsp.take.stems:StemWriter.finish",
        "spillgate.dsp.writing:FileCopy.__init__",
        "spillgate.dsp.writing:synced",
    ),
    "report: pictures": ("spillgate.cli.report.pictures:Pictures.get",),
    "report: page": ("spillgate.cli.report:write_report",),
    "report: previews": ("spillgate.dsp.take.preview:write_preview", "spillgate.cli.report:write_previews"),
    "tables, plan, session sheet": ("spillgate.cli.job:write_output",),
}
"""Stage -> the functions that it is; what none of them covers is the first stage."""


class _Ledger:
    """Processor time per stage; every thread keeps its own stack."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = dict.fromkeys(STAGES, 0.0)
        self._own = threading.local()

    def _turn(self, stack: list[str]) -> None:
        now = time.thread_time()
        if stack:
            self.spent[stack[-1]] += now - self._own.since
        self._own.since = now

    def wrapped(self, stage: str, func: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(func)
        def watched(*args: Any, **named: Any) -> Any:
            stack: list[str] = self._own.__dict__.setdefault("stack", [])
            self._turn(stack)
            stack.append(stage)
            try:
                return func(*args, **named)
            finally:
                self._turn(stack)
                stack.pop()

        return watched


def _watch(ledger: _Ledger) -> None:
    """Put the ledger round every stage, also where the name was imported already."""
    for stage, places in STAGES.items():
        for place in places:
            module, _, path = place.partition(":")
            owner: Any = importlib.import_module(module)
            *above, name = path.split(".")
            for part in above:
                owner = getattr(owner, part)
            old = getattr(owner, name)
            setattr(owner, name, ledger.wrapped(stage, old))


def _inside(words: Sequence[str]) -> None:
    from spillgate.cli import main as entry

    ledger = _Ledger()
    _watch(ledger)
    try:
        entry.main(list(words))
    except SystemExit as stop:
        if stop.code:
            raise
    first = next(iter(STAGES))
    ledger.spent[first] = time.process_time() - sum(ledger.spent.values())
    for stage, seconds in ledger.spent.items():
        print(f"{seconds:.4f}\t{stage}")


def bandwidth() -> float:
    """Bytes a second that one core reads and writes."""
    x = np.ones(1 << 24)
    y = np.empty_like(x)
    best = 0.0
    for _ in range(5):
        begun = time.perf_counter()
        np.copyto(y, x)
        best = max(best, 2 * x.nbytes / (time.perf_counter() - begun))
    return best


def stages(folder: Path, out: Path, chain: Sequence[str]) -> dict[str, float]:
    """Processor seconds of each stage."""
    words = ["run", str(folder), "-o", str(out), "--overwrite", "--workers", "1", "--quiet", *chain]
    done = subprocess.run([sys.executable, __file__, *words], check=True, stdout=subprocess.PIPE, text=True)
    rows = [line.split("\t") for line in done.stdout.splitlines() if "\t" in line]
    return {stage: float(seconds) for seconds, stage in rows if stage in STAGES}


def profile(folder: Path, out: Path, chain: Sequence[str]) -> None:
    """Print the table."""
    spent = stages(folder, out, chain)
    total = sum(spent.values())
    for stage, seconds in spent.items():
        if seconds >= 0.001 * total:
            print(f"{stage:36} {seconds:7.2f} s {100 * seconds / total:5.1f} %")
    print(f"{'all':36} {total:7.2f} s")


if __name__ == "__main__":
    _inside(sys.argv[1:])
