"""The long versions: as many kills, faults and broken files as one likes.

    python tests/robustness/long.py crash [run render save batch] --seed 1 --count 125
    python tests/robustness/long.py fail [run render batch] --seed 1 --count 100
    python tests/robustness/long.py faults
    python tests/robustness/long.py fuzz [sounds texts plans archives commands] --seed 1 --count 5000

What fails names its seed and its number.  Nothing is kept but what is printed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import breaking
import failing
import fuzzing
import killing
from stage import write_take

KINDS = {
    "crash": ("run", "render", "save", "batch"),
    "fail": ("run", "render", "batch"),
    "faults": tuple(breaking.FAULTS),
    "fuzz": ("sounds", "texts", "plans", "archives", "commands"),
}


def one(kind: str, name: str, folder: Path, seed: int, count: int) -> str:
    """Do one kind of harm; what is returned is a line of the table."""
    if kind == "crash":
        return ", ".join(f"{k}: {n}" for k, n in getattr(killing, f"kill_{name}")(folder, seed, count).items())
    if kind == "fail":
        if not failing.can_fail():
            return "left out: no compiler, or no system that preloads"
        return ", ".join(f"{k}: {n}" for k, n in getattr(failing, f"fail_{name}")(folder, seed, count).items())
    if kind == "faults":
        if name in breaking.MOUNTED and not breaking.can_mount():
            return "left out: memory disks cannot be mounted here"
        seen = breaking.FAULTS[name](folder)
        return f"exit code {seen.code}: {seen.said.strip()}"
    place = folder
    if name in ("plans", "archives"):
        place = folder / "out"
        assert fuzzing.said(["run", write_take(folder / "take", 0.5), "-o", place, "--quiet"])[0] == 0
    return ", ".join(f"{k}: {n}" for k, n in getattr(fuzzing, f"fuzz_{name}")(place, seed, count).items())


def main() -> int:
    """Read the command line, do the harm, print the table; exit code 1 if anything was harmed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=sorted(KINDS))
    parser.add_argument("names", nargs="*")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=50)
    given = parser.parse_args()
    wrong = set(given.names) - set(KINDS[given.kind])
    if wrong:
        parser.error(f"{', '.join(sorted(wrong))}: known are {', '.join(KINDS[given.kind])}")
    if given.kind == "fuzz":
        fuzzing.bounded_address_space()
    harmed = 0
    for name in given.names or KINDS[given.kind]:
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            try:
                line = one(given.kind, name, Path(folder), given.seed, given.count)
            except AssertionError as error:
                line, harmed = f"HARM: {error}", harmed + 1
        print(f"{given.kind} {name}, seed {given.seed}: {line} ({time.monotonic() - began:.0f} s)", flush=True)
    return 1 if harmed else 0


if __name__ == "__main__":
    sys.exit(main())
