"""Tables fault x (found, false alarms) of the check over made takes.

    python tests/benchmarks/check_faults.py [--takes 200] [--first 0] [--seeds 5003,5050] [--only late,hum] [--verbose]

Each take is judged clean, with one planted fault, and with one near miss: what looks like a fault and is none
(`planting`).  Kits, rooms, layouts and faults are drawn from the seed; one third line checks, two thirds grooves.
A fault counts as found if the check names it on one of its tracks with severity *mend* or *advise* (offset: *note*).
A false alarm is a track accused of one of these faults in a clean take or beside a near miss, or of a second fault in a
planted one (what follows of itself is not counted: a copy takes its original's place).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from spillgate.dsp.chain import Chain
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.processors.align import Align
from spillgate.dsp.processors.check import Check
from spillgate.dsp.processors.detect import Detect
from spillgate.dsp.synth import MadeTake, random_take
from spillgate.dsp.take.model import Take

sys.path.insert(0, str(Path(__file__).parent))
from planting import FAULTS, NEAR_MISSES, SR, Planted, clean, plant, plant_near_miss

CODES = {
    "clipped": {"clipped"},
    "flat_tops": {"flat_tops"},
    "very_quiet": {"very_quiet"},
    "silent": {"silent"},
    "dead": {"dead"},
    "duplicate": {"duplicate"},
    "same_twice": {"duplicate"},
    "two_mics": {"two_mics"},
    "flipped": {"flipped"},
    "late": {"late", "early"},
    "hum": {"hum"},
    "dc_offset": {"dc_offset"},
    "swapped": {"swapped"},
    "exchanged": {"exchanged", "foreign"},
    "dropout": {"dropout"},
    "crackle": {"crackle", "click"},
    "rumble": {"rumble"},
    "cut_end": {"cut_end"},
    "odd_length": {"odd_length"},
}
NAMES = {code: fault for fault, codes in reversed(CODES.items()) for code in codes}
"""Fault that a finding's code stands for."""
ALIKE = {"clipped": {"flat_tops"}, "silent": {"dead"}, "dead": {"silent"}, "same_twice": {"duplicate"}}
"""Faults whose findings count for another."""
FOLLOWS = {
    "duplicate": set(CODES),
    "same_twice": {"duplicate", "late", "flipped", "swapped", "exchanged"},
    "two_mics": {"late", "flipped", "swapped", "exchanged"},
    "exchanged": {"late", "flipped", "swapped"},
    "cut_end": {"cut_end"},
    "swapped": {"swapped"},
}
"""What may be said besides, of whichever track."""


def judge(made: MadeTake, planted: Planted) -> Plan:
    """Run the check."""
    tracks = [
        replace(t, files=(replace(t.files[0], n_samples=len(planted.audio[t.id])),))
        for t in planted.tracks
        if t.id in planted.audio
    ]
    take: Take = Take.from_arrays(tracks, planted.audio, SR).replace(layout=made.take.layout)
    return Chain(processors=(Detect(), Align(move="none"), Check())).decide(take)


def accused(plan: Plan) -> set[tuple[str, str]]:
    """Pairs of fault and track that the check complains of."""
    said = {(f.code, f.track) for f in plan.findings if f.severity != "note" or f.code == "dc_offset"}
    return {(NAMES[code], track) for code, track in said if code in NAMES}


def cells(made: MadeTake, plan: Plan) -> tuple[list[float], int]:
    """Errors of the bleed matrix where the truth is over −40 dB, close mics only; and how many such there are."""
    out, n = [], 0
    for track, row in plan.figures["check"]["bleed_db"].items():
        own = made.take.track(track).drum
        for drum, true in made.bleed_db.get(track, {}).items():
            if own is not None and drum != own and drum in row and true > -40.0:
                n += 1
                value = row[drum]
                if value is not None:
                    out.append(abs(value - true))
    return out, n


class Count:
    """What was planted, found and falsely said."""

    def __init__(self, verbose: bool) -> None:
        self.verbose = verbose
        self.planted: Counter[str] = Counter()
        self.found: Counter[str] = Counter()
        self.false_clean: Counter[str] = Counter()
        self.false_planted: Counter[str] = Counter()
        self.near: Counter[str] = Counter()
        self.false_near: Counter[str] = Counter()
        self.mismatch: list[float] = []
        self.covered: list[bool] = []
        self.bleed: dict[str, list[float]] = {"line": [], "take": []}
        self.cells: Counter[str] = Counter()
        self.right = self.n_clean = 0

    def say(self, text: str) -> None:
        """Tell a case."""
        if self.verbose:
            print(f"  {text}", flush=True)

    def clean(self, seed: int, made: MadeTake, kind: str) -> set[tuple[str, str]]:
        """Judge a take as it is; what is said of it, truly or not."""
        plan = judge(made, clean(made))
        self.n_clean += 1
        self.right += plan.figures["levels"]["kind"] == kind
        told = accused(plan)
        for fault, track in sorted(told):
            self.false_clean[fault] += 1
            self.say(f"clean {seed}: {fault} {track}")
        figures = plan.figures["check"]
        if made.mismatch_cm is not None and figures["oh_snare_mismatch_cm"] is not None:
            error = abs(figures["oh_snare_mismatch_cm"] - made.mismatch_cm)
            self.mismatch.append(error)
            self.covered.append(error <= figures["uncertainty_cm"])
        errors, n = cells(made, plan)
        self.bleed[kind] += errors
        self.cells[kind] += n
        return told

    def fault(self, seed: int, made: MadeTake, fault: str, planted: Planted, told: set[tuple[str, str]]) -> None:
        """Judge a take with a fault."""
        blame = accused(judge(made, planted))
        self.planted[fault] += 1
        hit = any(f in {NAMES_OF[fault], *ALIKE.get(fault, ())} and t in planted.where for f, t in blame)
        self.found[fault] += hit
        follows = FOLLOWS.get(fault, set()) | {NAMES_OF[fault]}
        extra = {(f, t) for f, t in blame - told if t not in planted.where and f not in follows}
        self.false_planted[fault] += len(extra)
        if extra or not hit:
            self.say(f"{seed} {fault} {sorted(planted.where)}: found {hit}, besides {sorted(extra)}")

    def near_miss(self, seed: int, made: MadeTake, name: str, planted: Planted, told: set[tuple[str, str]]) -> None:
        """Judge a take with a near miss."""
        extra = accused(judge(made, planted)) - told
        self.near[name] += 1
        self.false_near[name] += len(extra)
        if extra:
            self.say(f"{seed} {name} {sorted(planted.where)}: said {sorted(extra)}")

    def table(self) -> None:
        """Print the tables."""
        print(f"{'fault':<22}{'planted':>9}{'found':>7}{f'false, {self.n_clean} clean':>18}{'others accused':>16}")
        for f in FAULTS:
            row = (self.planted[f], self.found[f], self.false_clean[f], self.false_planted[f])
            print(f"{f:<22}{row[0]:>9}{row[1]:>7}{row[2]:>18}{row[3]:>16}")
        sums = [c.total() for c in (self.planted, self.found, self.false_clean, self.false_planted)]
        print(f"{'all':<22}{sums[0]:>9}{sums[1]:>7}{sums[2]:>18}{sums[3]:>16}")
        print(f"\n{'near miss':<22}{'made':>9}{'said':>7}")
        for n in NEAR_MISSES:
            print(f"{n:<22}{self.near[n]:>9}{self.false_near[n]:>7}")
        print(f"\nline check or take told right in {self.right} of {self.n_clean}")
        if self.mismatch:
            p50, p90 = np.median(self.mismatch), np.quantile(self.mismatch, 0.9)
            share = 100.0 * np.mean(self.covered)
            print(f"overhead mismatch: median error {p50:.2f} cm, 90 % {p90:.2f} cm; within its ± in {share:.0f} %")
        for kind, errors in self.bleed.items():
            if errors:
                p50, p90 = np.median(errors), np.quantile(errors, 0.9)
                told = f"{len(errors)} of {self.cells[kind]} cells told"
                print(f"bleed, {kind}: {told}, median {p50:.2f} dB, 90 % {p90:.2f} dB")


NAMES_OF = {fault: NAMES[min(CODES[fault])] for fault in CODES}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seeds", default="", help="these takes instead, with commas")
    parser.add_argument("--only", default="", help="faults to plant, with commas; clean takes and near misses left out")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    only = [f for f in args.only.split(",") if f]
    count = Count(args.verbose)
    start = time.perf_counter()
    seeds = [int(s) for s in args.seeds.split(",") if s] or list(range(args.first, args.first + args.takes))
    for number, seed in enumerate(seeds, 1):
        line = seed % 3 == 0
        style, seconds = ("line_check", 12.0) if line else ("groove", 9.0)
        made = random_take(100_000 + seed, SR, seconds, style=style, bleed_db=0.0)
        told = set() if only else count.clean(seed, made, "line" if line else "take")
        faults = only or list(FAULTS)
        turns = [faults[(seed + k) % len(faults)] for k in range(len(faults))]
        for fault in turns:
            planted = plant(fault, made, np.random.default_rng((seed, 7)))
            if planted is not None:
                count.fault(seed, made, fault, planted, told)
                break
        if not only:
            names = list(NEAR_MISSES)
            for name in [names[(seed + k) % len(names)] for k in range(len(names))]:
                near = plant_near_miss(name, made, np.random.default_rng((seed, 8)))
                if near is not None:
                    count.near_miss(seed, made, name, near, told)
                    break
        if args.verbose and number % 10 == 0:
            count.table()
    count.table()
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
