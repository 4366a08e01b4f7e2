"""What a run costs beside touching the files, as ratios in one run.

    python tests/benchmarks/speed.py [--minutes 10] [--pairs 5] [--take FOLDER]     the table
    python tests/benchmarks/speed.py --growth                                       length 6 : 60 min, tracks 12 : 24
    python tests/benchmarks/speed.py --profile [--spill | --check]                  where the time goes
    python tests/benchmarks/speed.py --long                                         two hours, 24 tracks (34 GB of disk)

The floor is a plain loop, one process, warm page cache: every file of the take is read with ``soundfile`` and written
again.  Each figure is the median of pairs that are measured in turn, ours after the floor.  Commands run as processes
of their own, start-up and report included, compiled code in its cache, two workers.  The clock is what counts on a
machine that does nothing else; on a busy one look at the ratio of processor time (user + system, all processes; a
perfect share over two cores would make the ratio on the clock half of it).

The take is made (`speed_take.py`) and kept in ``--work`` for the next time, as are its stretches.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import soundfile as sf
from process import Cost, spillgate
from speed_take import make_folder

WORKERS = 2
RUN = ("detect", "align", "gate")
CHECK_CODES = (0, 3)
"""3: found something to mend."""
BYTES_PER_SAMPLE = {16: 2, 24: 3}


def measured(job: Callable[[], object]) -> Cost:
    """What a job in this process took."""
    begun, used = time.perf_counter(), time.process_time()
    job()
    return Cost(time.perf_counter() - begun, time.process_time() - used)


def touch(folder: Path, out: Path) -> None:
    """The floor: every file is read and written again."""
    out.mkdir(parents=True, exist_ok=True)
    for path in sorted(folder.iterdir()):
        info = sf.info(str(path))
        x, sr = sf.read(str(path))
        sf.write(str(out / path.name), x, sr, subtype=info.subtype, format=info.format)


def touch_in_blocks(folder: Path, out: Path) -> None:
    """The same as fast as the library can: integers, block by block."""
    out.mkdir(parents=True, exist_ok=True)
    for path in sorted(folder.iterdir()):
        with sf.SoundFile(str(path)) as source:
            shape = (source.samplerate, source.channels, source.subtype)
            with sf.SoundFile(str(out / path.name), "w", *shape, format=source.format) as target:
                for block in source.blocks(1 << 18, dtype="int32"):
                    target.write(block)


def read(folder: Path) -> None:
    """Read every file."""
    for path in sorted(folder.iterdir()):
        sf.read(str(path))


def copy_twice(folder: Path, out: Path) -> None:
    """Copy every file twice."""
    for k in range(2):
        shutil.copytree(folder, out / str(k))


def cleared(out: Path) -> Path:
    shutil.rmtree(out, ignore_errors=True)
    return out


def run(folder: Path, out: Path, chain: tuple[str, ...], *, sample: bool = False) -> Cost:
    words = ["run", str(folder), "-o", str(cleared(out)), "--workers", str(WORKERS), "--quiet", *chain]
    return spillgate(words, sample=sample)


def check(folder: Path, *, sample: bool = False) -> Cost:
    words = ["check", str(folder), "--workers", str(WORKERS), "--quiet"]
    return spillgate(words, sample=sample, allowed=CHECK_CODES)


def table(folder: Path, work: Path, pairs: int) -> None:
    """Print the standard table."""
    out = work / "out"
    read(folder)  # into the page cache
    run(folder, out, (*RUN, "spill"))  # compiles
    check(folder)
    floor = lambda: measured(lambda: touch(folder, cleared(out)))  # noqa: E731
    reading = lambda: measured(lambda: read(folder))  # noqa: E731
    blocks = lambda: measured(lambda: touch_in_blocks(folder, cleared(out)))  # noqa: E731
    rows: list[tuple[str, str, Callable[[], Cost], Callable[[], Cost], str]] = [
        ("detect align gate", "floor", floor, lambda: run(folder, out, RUN), "4.5, then 3.0"),
        ("… and spill on the toms", "floor", floor, lambda: run(folder, out, (*RUN, "spill")), "6.5, then 4.0"),
        ("check", "reading", reading, lambda: check(folder), "4.0"),
        ("floor in blocks of integers", "floor", floor, blocks, "–"),
        ("copying twice", "floor", floor, lambda: measured(lambda: copy_twice(folder, cleared(out))), "–"),
    ]  # fmt: skip
    print(
        f"{'':28} {'clock':>6} {'lowest':>7} {'highest':>7} {'wanted':>14} {'processor':>10} {'s':>7} {'CPU s':>7}  re"
    )
    for name, beside, unit, ours, wanted in rows:
        clock, processor, seconds, cpu = [], [], [], []
        for _ in range(pairs):
            one, other = unit(), ours()
            clock.append(other.wall_s / one.wall_s)
            processor.append(other.cpu_s / one.cpu_s)
            seconds.append(other.wall_s)
            cpu.append(other.cpu_s)
        mid = [statistics.median(v) for v in (clock, processor, seconds, cpu)]
        print(
            f"{name:28} {mid[0]:6.2f} {min(clock):7.2f} {max(clock):7.2f} {wanted:>14} {mid[1]:10.2f} {mid[2]:7.2f} "
            f"{mid[3]:7.2f}  {beside}",
            flush=True,
        )
    cleared(out)


def growth(work: Path, short: float, factor: int) -> None:
    """Print how time and memory grow with length and tracks."""
    made = {
        "short": make_folder(work / f"take-{short:g}-12", short * 60, 12, made=work / "stretches"),
        "long": make_folder(work / f"take-{short * factor:g}-12", short * factor * 60, 12, made=work / "stretches"),
        "tracks": make_folder(work / f"take-{short:g}-24", short * 60, 24, made=work / "stretches"),
    }
    print(f"{'':22} {'':10} {'s':>7} {'CPU s':>7} {'held MB':>8} {'resident MB':>11}")
    for what, chain in (("run", RUN), ("run with spill", (*RUN, "spill")), ("check", ())):
        job: Callable[[Path], Cost] = (
            (lambda f, c=chain: run(f, work / "out", c, sample=True)) if chain else (lambda f: check(f, sample=True))  # type: ignore[misc]
        )
        costs = {}
        for name, folder in made.items():
            read(folder) if name == "short" else None
            costs[name] = job(folder)
            c = costs[name]
            print(f"{what:22} {folder.name:10} {c.wall_s:7.1f} {c.cpu_s:7.1f} {c.held_mb:8.0f} {c.resident_mb:11.0f}")
        for name, of in (("long", f"{factor} × the length"), ("tracks", "2 × the tracks")):
            a, b = costs[name], costs["short"]
            print(
                f"{what:22} {of}: {a.wall_s / b.wall_s:.2f} × on the clock, {a.cpu_s / b.cpu_s:.2f} × of the processor"
            )
        cleared(work / "out")
    for folder in (made["long"], made["tracks"]):
        shutil.rmtree(folder)


def longest(work: Path, hours: float) -> int:
    """Print what a very long take of many tracks costs.

    16 bits: the take and its stems are 33 GB then, with 24 bits 50; what is measured does not depend on it.
    """
    need = 2 * 24 * hours * 3600 * 48_000 * 2 + 1e9
    free = shutil.disk_usage(work).free
    if need > 0.9 * free:
        print(f"needs {need / 1e9:.0f} GB of disk, {free / 1e9:.0f} GB are free", file=sys.stderr)
        return 1
    folder = make_folder(work / "long", hours * 3600, 24, bits=16, made=work / "stretches")
    try:
        for name, job in (
            ("check", lambda: check(folder, sample=True)),
            ("detect align gate", lambda: run(folder, work / "out", RUN, sample=True)),
            ("… and spill", lambda: run(folder, work / "out", (*RUN, "spill"), sample=True)),
        ):
            c = job()
            text = (
                f"{c.wall_s:.0f} s, processor {c.cpu_s:.0f} s, held {c.held_mb:.0f} MB, resident {c.resident_mb:.0f} MB"
            )
            print(f"{hours:g} h of 24 tracks, {name}: {text}", flush=True)
    finally:
        cleared(work / "out")
        shutil.rmtree(folder)
    return 0


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--minutes", type=float, default=10.0)
    ask.add_argument("--pairs", type=int, default=5)
    ask.add_argument("--take", type=Path, help="a take instead of the made one")
    ask.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "spillgate-speed")
    ask.add_argument("--growth", action="store_true")
    ask.add_argument("--factor", type=int, default=10, help="with --growth: how much longer the long take is")
    ask.add_argument("--profile", action="store_true")
    ask.add_argument("--spill", action="store_true", help="with --profile: the chain with spill")
    ask.add_argument("--check", action="store_true", help="with --profile: that of check")
    ask.add_argument("--long", action="store_true")
    ask.add_argument("--hours", type=float, default=2.0)
    wanted = ask.parse_args()
    wanted.work.mkdir(parents=True, exist_ok=True)
    if wanted.growth:
        growth(wanted.work, 6.0 if wanted.minutes == 10.0 else wanted.minutes, wanted.factor)
        return 0
    if wanted.long:
        return longest(wanted.work, wanted.hours)
    folder = wanted.take or make_folder(
        wanted.work / f"take-{wanted.minutes:g}-12", wanted.minutes * 60, made=wanted.work / "stretches"
    )
    if wanted.profile:
        from speed_profile import profile

        profile(folder, wanted.work / "out", () if wanted.check else (*RUN, "spill") if wanted.spill else RUN)
        return 0
    table(folder, wanted.work, wanted.pairs)
    return 0


if __name__ == "__main__":
    sys.exit(main())
