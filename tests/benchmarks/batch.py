"""What a batch of many takes costs, with one and with two workers, and whether both give the same bytes.

    python tests/benchmarks/batch.py [--takes 50] [--seconds 10] [--folder KEPT]

The takes are short pieces of made ones (kits, rooms, rates and bleed drawn from seeds that neither training nor tuning
uses): ten are made, each is cut at as many places as it takes.  Prints per number of workers the time on the clock, the
processor time, takes an hour of one core, and what ten thousand songs of four minutes would take at that rate; then
the same batch once more, where every take had been done.  Processor time is what counts on a machine with other work.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import soundfile

from spillgate.dsp.synth import random_take
from spillgate.dsp.synth.writing import write_take

MADE, SEED, STEP_S = 10, 6000, 2.0
SONGS, SONG_S = 10_000, 240.0


def make(folder: Path, n: int, seconds: float) -> None:
    """Write `n` takes of that length."""
    pieces = -(-n // MADE)
    for k in range(min(MADE, n)):
        whole = folder.parent / "made" / f"{k}"
        write_take(random_take(SEED + k, seconds=seconds + STEP_S * (pieces - 1)), whole)
        for p in range(pieces):
            number = k + MADE * p
            if number >= n:
                continue
            target = folder / f"song {number + 1:03d}"
            target.mkdir(parents=True)
            for file in sorted(whole.iterdir()):
                sr, subtype = soundfile.info(file).samplerate, soundfile.info(file).subtype
                start = round(p * STEP_S * sr)
                x, _ = soundfile.read(file, start=start, frames=round(seconds * sr), dtype="int32", always_2d=True)
                soundfile.write(target / file.name, x, sr, subtype=subtype)


def run(songs: Path, out: Path, workers: int) -> tuple[float, float]:
    """Run the batch; give seconds on the clock and of the processors."""
    words = ["-W", "ignore", "-m", "spillgate.cli", "batch", str(songs), "-o", str(out)]
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, *words, "--workers", str(workers), "--quiet"], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - started, cpu


def digest(folder: Path) -> dict[str, str]:
    """Hash every file but those that say where the take is."""
    files = (p for p in folder.rglob("*") if p.is_file() and p.name not in ("source.json", "report.html"))
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def main() -> None:
    """Make the takes, run, print."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--takes", type=int, default=50)
    options.add_argument("--seconds", type=float, default=10.0)
    options.add_argument("--folder", type=Path, help="Keep takes and outputs here.")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        home = given.folder or Path(scratch)
        songs = home / "songs"
        if not songs.is_dir():
            make(songs, given.takes, given.seconds)
        cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
        print(f"{given.takes} takes of {given.seconds:g} s, {cores} cores")
        print("| | clock s | processor s | s a take | takes/h and core | 10,000 songs of 4 min, one core |")
        print("|---|---|---|---|---|---|")
        for workers in (1, 2):
            clock, cpu = run(songs, home / f"out{workers}", workers)
            each = cpu / given.takes
            days = each / given.seconds * SONG_S * SONGS / 86400
            row = f"{clock:.0f} | {cpu:.0f} | {each:.2f} | {3600 / each:.0f} | {days:.1f} days"
            print(f"| {workers} worker{'s' * (workers > 1)} | {row} |", flush=True)
        clock, cpu = run(songs, home / "out2", 2)
        print(f"| had been done | {clock:.0f} | {cpu:.0f} | {cpu / given.takes:.2f} | | |")
        same = digest(home / "out1") == digest(home / "out2")
    print("The bytes are the same." if same else "THE BYTES DIFFER.")
    sys.exit(0 if same else 1)


if __name__ == "__main__":
    main()
