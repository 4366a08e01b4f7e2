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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from spillgate.dsp.core.cleaning.bandgrid import BandPowers
from spillgate.dsp.core.hits.envelopes import BandEnvelopes
from spillgate.dsp.take.opening import open_take

STAGES: dict[str, tuple[str, ...]] = {
    "start: modules, command line": (),
    "opening: names, headers, a listen": ("spillgate.dsp.take.opening:open_take",),
    "reading": ("spillgate.dsp.take.audio:FileReader.__call__",),
    "features: six bands": ("spillgate.dsp.core.hits.envelopes:BandEnvelopes.push",),
    "features: powers of the tom bands": ("spillgate.dsp.core.cleaning.bandgrid:BandPowers.push",),
    "features: lows": ("spillgate.dsp.core.hits.lows:LowBand.push",),
    "features: low rate": ("spillgate.dsp.core.cleaning.lowrate:LowRate.push",),
    "features: levels": ("spillgate.dsp.core.checks.levels:Levels.push",),
    "features: fingerprints": ("spillgate.dsp.take.features:fingerprints",),
    "features: peaks, the rest": ("spillgate.dsp.take.features:measure",),
    "decide: detect": ("spillgate.dsp.processors.detect:Detect.decide",),
    "decide: align": ("spillgate.dsp.processors.align:Align.decide",),
    "decide: gate": ("spillgate.dsp.processors.gate:Gate.decide",),
    "decide: spill": ("spillgate.dsp.processors.spill:Spill.decide",),
    "decide: check": ("spillgate.dsp.processors.check:Check.decide",),
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


@dataclass(frozen=True)
class _Limit:
    """What a stage cannot do without, per sample of the tracks concerned."""

    tracks: str
    bytes: float = 0.0
    operations: float = 0.0


LIMITS: dict[str, _Limit] = {
    # 24-bit samples in, single precision out when listening, double when rendering
    "reading": _Limit("all", bytes=2 * 3 + 4 + 8),
    # six biquads that share poles, squares and sums: counted in the loop
    "features: six bands": _Limit("hits", operations=67),
    # a real FFT of 2.5 n log2 n for every quarter of its length, n = 1024
    "features: powers of the tom bands": _Limit("bleed", operations=4 * 2.5 * 10),
    # two low-passes: one output in 48 samples, 603 taps; true peak and the rest left out
    "features: levels": _Limit("all", operations=2 * 603 / 48),
    "features: fingerprints": _Limit("all", bytes=3),
    # 128 taps
    "render: delays": _Limit("moved", operations=2 * 128),
    "render: masks": _Limit("toms", bytes=2 * 8),
    "render: rounding, dither": _Limit("moved", bytes=8 + 4),
    # integers out, and the copies of what nothing was done to
    "write: stems": _Limit("all", bytes=4 + 3),
}
"""The stages that have a plain one: bytes over memory bandwidth, or operations over those a core does in its cache."""


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
        if stop.code not in (0, None, 3):  # 3: check found something to mend
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


def operations() -> float:
    """Multiplications and additions a second that one core does at best: in a matrix product, double precision."""
    n = 512
    x = np.random.default_rng(0).standard_normal((n, n))
    best = 0.0
    for _ in range(10):
        begun = time.perf_counter()
        x @ x
        best = max(best, 2 * n**3 / (time.perf_counter() - begun))
    return best


def stages(words: Sequence[str]) -> dict[str, float]:
    """Processor seconds of each stage of a command."""
    done = subprocess.run([sys.executable, __file__, *words], check=False, stdout=subprocess.PIPE, text=True)
    rows = [line.split("\t") for line in done.stdout.splitlines() if "\t" in line]
    if not rows:
        raise SystemExit(f"spillgate {' '.join(words)} ended with {done.returncode}")
    return {stage: float(seconds) for seconds, stage in rows if stage in STAGES}


def _samples(folder: Path) -> dict[str, float]:
    """Samples of the tracks that a limit is about."""
    take = open_take(folder)
    tracks = {
        "all": take.heard_tracks,
        "hits": [t for t in take.heard_tracks if t.role in BandEnvelopes.roles],
        "bleed": [t for t in take.heard_tracks if t.role in BandPowers.roles],
        "moved": [t for t in take.heard_tracks if t.is_close],
        "toms": take.of_role("tom"),
    }
    return {name: float(sum(t.stop - t.start for t in some)) for name, some in tracks.items()}


def profile(folder: Path, out: Path, chain: Sequence[str]) -> None:
    """Print the table; without a chain that of ``check``."""
    common = ["--workers", "1", "--quiet"]
    if chain:
        words = ["run", str(folder), "-o", str(out), "--overwrite", *common, *chain]
    else:
        words = ["check", str(folder), *common]
    spent = stages(words)
    total = sum(spent.values())
    samples, bytes_s, operations_s = _samples(folder), bandwidth(), operations()
    print(f"one core: {bytes_s / 1e9:.1f} GB/s, {operations_s / 1e9:.1f} × 10⁹ operations a second")
    for stage, seconds in spent.items():
        if seconds < 0.001 * total:
            continue
        limit = LIMITS.get(stage)
        least = ""
        if limit is not None:
            n_bytes = 3 + 4 if stage == "reading" and not chain else limit.bytes
            needed = samples[limit.tracks] * max(n_bytes / bytes_s, limit.operations / operations_s)
            least = f"{needed:6.2f} s by {'bytes' if limit.bytes else 'operations'}"
        print(f"{stage:36} {seconds:7.2f} s {100 * seconds / total:5.1f} %   {least}")
    print(f"{'all':36} {total:7.2f} s")


if __name__ == "__main__":
    _inside(sys.argv[1:])
