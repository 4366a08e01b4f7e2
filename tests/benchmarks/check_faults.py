"""Table fault x (found, false alarms) of the check over made takes: each clean, and again with one planted fault.

    python tests/benchmarks/check_faults.py [--takes 200] [--first 0] [--verbose]

Kits, rooms, layouts and faults are drawn from the seed; one third line checks, two thirds grooves.  A fault counts as
found if the check names it on its track with severity *mend* or *advise* (offset: *note*).  A false alarm is a track
accused of one of these faults in a clean take, or of a second fault in a planted one (a copy takes its original's
place, so whatever else follows from that is not counted).
"""

from __future__ import annotations

import argparse
import time
from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.chain import Chain
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.processors.align import Align
from spillgate.dsp.processors.check import Check
from spillgate.dsp.processors.detect import Detect
from spillgate.dsp.synth import MadeTake, random_take
from spillgate.dsp.take.model import Take, Track

SR = 44100
CODES = {
    "clipped": {"clipped", "flat_tops"},
    "very_quiet": {"very_quiet"},
    "silent": {"silent", "dead"},
    "dead": {"silent", "dead"},
    "duplicate": {"duplicate"},
    "flipped": {"flipped"},
    "late": {"late", "early"},
    "hum": {"hum"},
    "dc_offset": {"dc_offset"},
    "swapped": {"swapped"},
    "dropout": {"dropout"},
    "crackle": {"crackle", "click"},
    "rumble": {"rumble"},
    "foreign": {"foreign"},
    "distance": {"overhead_distance"},
}
PLANTED = [k for k in CODES if k not in ("foreign", "distance")]
Audio = dict[str, NDArray[np.float32]]


def pcm(x: NDArray[np.floating]) -> NDArray[np.float32]:
    return (np.clip(np.round(np.asarray(x, np.float64) * 2**23), -(2**23), 2**23 - 1) / 2**23).astype(np.float32)


def later(x: NDArray[np.float32], n: int) -> NDArray[np.float32]:
    return np.concatenate([np.zeros(n, np.float32), x[: len(x) - n]])


def plant(fault: str, made: MadeTake, rng: np.random.Generator) -> tuple[Audio, set[str]] | None:
    """Put one fault into the takes' audio; None where this take cannot have it."""
    audio: Audio = dict(made.audio)
    by_role: dict[str, list[Track]] = defaultdict(list)
    for t in made.take.tracks:
        by_role[t.role].append(t)
    played = {t.id for t in made.take.tracks if len(made.arrivals.get(t.id, ())) >= 3}

    def pick(*roles: str, need_played: bool = False) -> str | None:
        names = [t.id for r in roles for t in by_role[r] if not need_played or t.id in played]
        return str(rng.choice(names)) if names else None

    close = ("kick", "snare", "tom")
    name: str | None
    if fault == "swapped":
        pair = {t.position: t.id for t in by_role["overhead"]}
        if set(pair) != {"left", "right"} or (made.mismatch_cm is not None and abs(made.mismatch_cm) < 1e-6):
            return None  # a coincident pair, or hung to the millimetre
        audio[pair["left"]], audio[pair["right"]] = audio[pair["right"]], audio[pair["left"]]
        return audio, set(pair.values())
    if fault == "flipped":
        name = pick("snare", "tom", need_played=True)
        if name is None or made.take.track(name).position == "bottom":
            return None
    elif fault in ("late", "very_quiet"):
        name = pick(*close, need_played=True)
    elif fault in ("clipped", "crackle", "dead", "silent"):
        name = pick(*close, "overhead", need_played=False)
    elif fault == "rumble":
        name = pick("snare", "tom", "overhead", need_played=False)
    else:
        name = pick(*close, "overhead")
    if name is None:
        return None
    x = audio[name].astype(np.float64)
    t = np.arange(len(x)) / SR
    if fault == "clipped":
        x = x / np.abs(x).max() * 10 ** (rng.uniform(2.0, 8.0) / 20)
    elif fault == "very_quiet":
        x = x * 10 ** (-rng.uniform(36.0, 46.0) / 20) / np.abs(x).max()
    elif fault == "silent":
        x = 0.0 * x
    elif fault == "dead":
        x = 10 ** (rng.uniform(-95, -75) / 20) * rng.standard_normal(len(x))
    elif fault == "duplicate":
        others = [i for i in audio if i != name and made.take.track(i).role in (*close, "overhead")]
        source = str(rng.choice(others))
        x = rng.uniform(0.5, 1.0) * later(audio[source], int(rng.integers(0, 40))).astype(np.float64)
        x += 10 ** (-90 / 20) * rng.standard_normal(len(x))
    elif fault == "flipped":
        x = -x
    elif fault == "late":
        x = later(audio[name], round(rng.uniform(4.0, 9.0) / 1000 * SR)).astype(np.float64)
    elif fault == "hum":
        mains = rng.choice([50.0, 60.0]) * rng.uniform(0.999, 1.001)
        line = sum(a * np.sin(2 * np.pi * mains * h * t + h) for h, a in ((1, 1.0), (2, 0.3), (3, 0.5)))
        x = x + 10 ** (rng.uniform(-64.0, -50.0) / 20) * line / np.sqrt(np.mean(np.square(line)))
    elif fault == "dc_offset":
        x = x + rng.choice([-1, 1]) * rng.uniform(0.003, 0.02)
    elif fault == "dropout":
        loud = np.flatnonzero(np.abs(x) > 0.2 * np.abs(x).max())
        a = int(rng.choice(loud)) + 200
        x[a : a + int(rng.uniform(0.8, 30.0) / 1000 * SR)] = 0.0
    elif fault == "crackle":
        for a in rng.integers(SR // 2, len(x) - SR // 2, 12):
            x[a : a + 3] += 0.15 * rng.choice([-1, 1]) * np.array([1.0, -0.5, 0.2])
    elif fault == "rumble":
        x = x + 10 ** (-42 / 20) * np.sqrt(2) * np.sin(2 * np.pi * rng.uniform(12, 28) * t)
    audio[name] = pcm(x)
    return audio, {name}


def judge(made: MadeTake, audio: Audio) -> Plan:
    tracks = [replace(t, files=(replace(t.files[0], n_samples=len(audio[t.id])),)) for t in made.take.tracks]
    take: Take = Take.from_arrays(tracks, audio, SR).replace(layout=made.take.layout)
    return Chain(processors=(Detect(), Align(move="none"), Check())).decide(take)


def accused(plan: Plan) -> set[tuple[str, str]]:
    """Pairs of fault and track that the check complains of."""
    out = set()
    for fault, codes in CODES.items():
        for f in plan.findings:
            if f.code in codes and (f.severity != "note" or f.code == "dc_offset"):
                out.add((fault, f.track))
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    n_planted: Counter[str] = Counter()
    found: Counter[str] = Counter()
    false_clean: Counter[str] = Counter()
    false_planted: Counter[str] = Counter()
    mismatch: list[float] = []
    bleed: dict[str, list[float]] = {"line": [], "take": []}
    kinds = right = clean = 0
    start = time.perf_counter()
    for seed in range(args.first, args.first + args.takes):
        line = seed % 3 == 0
        made = random_take(
            100_000 + seed, SR, 12.0 if line else 9.0, style="line_check" if line else "groove", bleed_db=0.0
        )
        plan = judge(made, dict(made.audio))
        clean += 1
        kinds += 1
        right += plan.figures["levels"]["kind"] == ("line" if line else "take")
        told = {k for k in accused(plan) if k[0] != "distance"}
        for fault, track in sorted(told):
            false_clean[fault] += 1
            if args.verbose:
                print(f"  clean {seed}: {fault} {track}", flush=True)
        spaced = made.mismatch_cm is not None and plan.figures["check"]["oh_snare_mismatch_cm"] is not None
        if spaced:
            mismatch.append(abs(plan.figures["check"]["oh_snare_mismatch_cm"] - made.mismatch_cm))
        bleed["line" if line else "take"] += cells(made, plan)
        rng = np.random.default_rng((seed, 7))
        offset = seed % len(PLANTED)
        planted: tuple[Audio, set[str]] | None = None
        fault = ""
        for k in range(len(PLANTED)):
            fault = PLANTED[(offset + k) % len(PLANTED)]
            planted = plant(fault, made, rng)
            if planted is not None:
                break
        if planted is None:
            continue
        audio, where = planted
        broken = judge(made, audio)
        blame = {k for k in accused(broken) if k[0] != "distance"}
        n_planted[fault] += 1
        hit = bool({t for f, t in blame if f in (fault, *same(fault))} & where)
        if fault == "duplicate":
            pairs = {t for p in broken.figures["check"]["duplicate"] for t in p}
            hit = bool(pairs & where)
        found[fault] += hit
        extra = {(f, t) for f, t in blame if t not in where and (f, t) not in told}
        if fault == "duplicate":
            extra = {(f, t) for f, t in extra if f not in ("duplicate", "foreign", "flipped", "late", "swapped")}
        false_planted[fault] += len(extra)
        if args.verbose and clean % 10 == 0:
            table(n_planted, found, false_clean, false_planted, clean)
        if args.verbose and (extra or not hit):
            print(f"  {seed} {fault} {sorted(where)}: found {hit}, besides {sorted(extra)}", flush=True)
    table(n_planted, found, false_clean, false_planted, clean)
    print(f"line check or take told right in {right} of {kinds}")
    if mismatch:
        print(f"overhead mismatch: median error {np.median(mismatch):.2f} cm, 90 % {np.quantile(mismatch, 0.9):.2f} cm")
    for kind, errors in bleed.items():
        if errors:
            p90 = np.quantile(errors, 0.9)
            print(f"bleed, {kind}: {len(errors)} cells, median {np.median(errors):.2f} dB, 90 % {p90:.2f} dB")
    print(f"{time.perf_counter() - start:.0f} s")


def same(fault: str) -> tuple[str, ...]:
    """Faults that look alike."""
    return {"silent": ("dead",), "dead": ("silent",)}.get(fault, ())


def cells(made: MadeTake, plan: Plan) -> list[float]:
    """Errors of the bleed matrix where the truth is over −40 dB, close mics only."""
    out = []
    for track, row in plan.figures["check"]["bleed_db"].items():
        own = made.take.track(track).drum
        for drum, value in row.items():
            true = made.bleed_db.get(track, {}).get(drum)
            if own is not None and drum != own and value is not None and true is not None and true > -40.0:
                out.append(abs(value - true))
    return out


def table(n: Counter[str], found: Counter[str], clean: Counter[str], planted: Counter[str], n_clean: int) -> None:
    """Print the table."""
    print(f"{'fault':<12}{'planted':>9}{'found':>7}{f'false, {n_clean} clean':>18}{'others accused':>16}")
    for fault in CODES:
        if fault == "distance":
            continue
        print(f"{fault:<12}{n[fault]:>9}{found[fault]:>7}{clean[fault]:>18}{planted[fault]:>16}")
    print(
        f"{'all':<12}{sum(n.values()):>9}{sum(found.values()):>7}{sum(clean.values()):>18}{sum(planted.values()):>16}"
    )


if __name__ == "__main__":
    main()
