"""How good hits, delays and stems are, on made takes whose truth is exact.

    python tests/benchmarks/quality.py [--takes 24] [--first 4000] [--spill] [--write | --check]
    python tests/benchmarks/quality.py --folder TAKE --truth FOLDER

Made takes are drawn from seeds that neither training nor tuning uses: four kits, other rooms, bleed −2…+22 dB, tempos,
44.1, 48 and 96 kHz.  Prints per take and in all: F-measure of audible hits within 20 ms (`mir_eval.util.match_events`),
time error, share right of the hits called sure, delay error and polarity of the mics called sure, and SI-SDR (Le Roux
et al. 2019) of the tom stems beside three anchors: untouched, an ideal hand edit that knows every hit, and the oracle
ratio mask.  With ``--spill`` also the measure of watery noise: by how much the gains jump from frame to frame (mean,
dB; `gain_jump_db`; plain spectral subtraction has 10 to 24).  ``--write`` stores the figures, ``--check`` fails if any
of them got worse by more than `SLACK`.

With ``--folder`` a take with a truth folder is measured instead (hits.csv with track,time_s,level_db,snr_db, and
wanted/<track>.flac).
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from mir_eval.util import match_events
from numpy.typing import NDArray
from scipy import signal

from spillgate.dsp.chain import Chain
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.running import TrackStem, load_steps
from spillgate.dsp.synth import MadeTake, random_take
from spillgate.dsp.take.model import Take

STORED = Path(__file__).with_name("quality.json")
RATES = (44_100, 48_000, 96_000)
WINDOW_S = 0.020
MASKED_DB = -6.0
"""Hits fainter than this against all else in their mic count neither way."""
SURE = 0.99
SLACK = {"hits": 0.01, "sure_right": 0.005, "stem_db": 0.3, "delay_samples": 0.5, "polarity_wrong": 0.0, "jump": 0.1}

Floats = NDArray[np.float64]


def si_sdr(estimate: Floats, wanted: Floats) -> float:
    """Scale-invariant signal-to-distortion ratio in dB (Le Roux, Wisdom, Erdogan, Hershey 2019)."""
    power = float(wanted @ wanted)
    if power < 1e-12 or float(estimate @ estimate) < 1e-12:
        return float("nan")
    part = float(estimate @ wanted) / power * wanted
    return float(10 * np.log10(float(part @ part) / max(float(np.sum((part - estimate) ** 2)), 1e-20)))


def hand_edit(x: Floats, wanted: Floats, hits: list[float], sr: int) -> Floats:
    """Open from 1.5 ms before each true hit until the drum sinks below the bleed; fades of 1 and 30 ms."""
    hop = sr // 100
    n = len(x) // hop
    level = [np.sqrt((z[: n * hop].reshape(n, hop) ** 2).mean(1)) for z in (wanted, x - wanted)]
    bleed = signal.convolve(level[1], np.ones(5) / 5, "same")
    gain = np.zeros(len(x))
    ends = [*hits[1:], len(x) / sr]
    for hit, following in zip(hits, ends, strict=True):
        first = int((hit + 0.04) * 100)
        below = np.flatnonzero(level[0][first:] < bleed[first:])
        stop = (first + int(below[0])) * hop if len(below) else len(x)
        gain[max(int((hit - 0.0015) * sr), 0) : min(stop, int(following * sr))] = 1.0
    up, down = max(sr // 1000, 1), max(30 * sr // 1000, 1)
    opened = signal.lfilter(np.ones(up) / up, 1, gain)
    return x * np.maximum(np.minimum(opened, 1), signal.lfilter(np.ones(down) / down, 1, gain) * (gain == 0) + gain)


def oracle_mask(x: Floats, wanted: Floats) -> Floats:
    """Ratio mask of the true parts: 2048 samples, hop 512."""
    _, _, w = signal.stft(wanted, nperseg=2048, noverlap=1536)
    _, _, b = signal.stft(x - wanted, nperseg=2048, noverlap=1536)
    _, _, z = signal.stft(x, nperseg=2048, noverlap=1536)
    _, y = signal.istft(z * np.abs(w) ** 2 / (np.abs(w) ** 2 + np.abs(b) ** 2 + 1e-20), nperseg=2048, noverlap=1536)
    return np.asarray(np.pad(y, (0, max(0, len(x) - len(y))))[: len(x)], np.float64)


def cleaned(take: Take, plan: Plan, track: str) -> Floats:
    """The stem before its delay: what the masks alone make of the track."""
    still = plan.replace(
        steps={t: tuple(s for s in specs if s.step != "move") for t, specs in plan.steps.items()}, alignments=()
    )
    chosen = next(t for t in take.tracks if t.id == track)
    stem = TrackStem(take, chosen, chosen.file, "DOUBLE", load_steps(chosen, still))
    return np.asarray(stem.block(0, take.n_samples), np.float64)


def hit_figures(plan: Plan, truth: Mapping[str, list[tuple[float, float]]], tracks: list[str]) -> dict[str, Any]:
    """F of audible hits and time error; `truth` holds (time_s, snr_db) per track."""
    right = audible = found_audible = 0
    errors: list[float] = []
    sure = [0, 0]
    for track in tracks:
        wanted = sorted(truth.get(track, []))
        hits = plan.hits_of(track)
        times = np.array([h.time_s for h in hits])
        match = match_events(np.array([t for t, _ in wanted]), times, WINDOW_S) if wanted and len(times) else []
        heard = {k for k, (_, snr) in enumerate(wanted) if snr >= MASKED_DB}
        got = {i for i, _ in match}
        right += len(heard & got)
        audible += len(heard)
        found_audible += len(times) - len(got - heard)
        errors += [1000 * abs(float(times[j]) - wanted[i][0]) for i, j in match]
        matched = {j for _, j in match}
        sure[0] += sum(h.confidence >= SURE for h in hits)
        sure[1] += sum(h.confidence >= SURE and j in matched for j, h in enumerate(hits))
    return {"right": right, "audible": audible, "found": found_audible, "errors": errors, "sure": sure}


def f_measure(counts: dict[str, Any]) -> float:
    return 2 * counts["right"] / max(counts["audible"] + counts["found"], 1)


def added(parts: list[dict[str, Any]]) -> dict[str, Any]:
    total: dict[str, Any] = {k: sum(p[k] for p in parts) for k in ("right", "audible", "found")}
    total["errors"] = [e for p in parts for e in p["errors"]]
    total["sure"] = [sum(p["sure"][k] for p in parts) for k in (0, 1)]
    return total


def delay_figures(made: MadeTake, plan: Plan) -> tuple[list[float], int]:
    """Errors in samples and wrong polarities of the mics called sure."""
    errors, wrong = [], 0
    for a in plan.alignments:
        key = (a.track, a.target)
        if a.confidence == "sure" and key in made.delays:
            errors.append(abs(a.measured_samples - made.delays[key]))
            wrong += made.polarity[key] != a.measured_polarity
    return errors, wrong


def stem_figures(x: Floats, wanted: Floats, stem: Floats, hits: list[float], sr: int) -> dict[str, float]:
    return {
        "untouched": si_sdr(x, wanted),
        "hand": si_sdr(hand_edit(x, wanted, hits, sr), wanted),
        "ours": si_sdr(stem, wanted),
        "oracle": si_sdr(oracle_mask(x, wanted), wanted),
    }


def measure(made: MadeTake, chain: Chain) -> dict[str, Any]:
    begun = time.process_time()
    plan = chain.decide(made.take)
    cpu = time.process_time() - begun
    truth = {t: [(a[0], a[3]) for a in rows] for t, rows in made.arrivals.items()}
    of = {role: [t.id for t in made.take.of_role(role)] for role in ("kick", "snare", "hat", "tom")}
    stems = []
    for track, wanted in made.wanted.items():
        hits = sorted(t for t, _ in truth.get(track, []))
        if hits:
            x = np.asarray(made.audio[track], np.float64)
            stem = cleaned(made.take, plan, track)
            stems.append(stem_figures(x, np.asarray(wanted, np.float64), stem, hits, made.take.sr))
    errors, wrong = delay_figures(made, plan)
    return {
        "hits": {role: hit_figures(plan, truth, tracks) for role, tracks in of.items() if tracks},
        "stems": stems,
        "delays": errors,
        "wrong": wrong,
        "jumps": jumps_of(plan),
        "cpu_s": cpu,
    }


def jumps_of(plan: Plan) -> list[float]:
    """Restlessness of the gains of every stem that `spill` made."""
    return [f["gain_jump_db"] for f in plan.figures.get("spill", {}).values() if "gain_jump_db" in f]


def row(label: str, m: dict[str, Any]) -> str:
    hits = " ".join(f"{role} {f_measure(c):.3f}" for role, c in m["hits"].items())
    toms = m["hits"].get("tom", {"errors": []})
    late = f"{np.percentile(toms['errors'], 95):.2f}" if toms["errors"] else "-"
    sdr = " ".join(f"{k} {np.nanmean([s[k] for s in m['stems']]):.1f}" for k in m["stems"][0]) if m["stems"] else "-"
    delay = f"{np.median(m['delays']):.2f}/{max(m['delays']):.1f}" if m["delays"] else "-"
    jump = f" | gains jump {np.mean(m['jumps']):.2f} dB" if m["jumps"] else ""
    return f"{label:34} F {hits} | p95 {late} ms | SI-SDR {sdr} | sure delays {delay}, wrong {m['wrong']}{jump}"


def summed(parts: list[dict[str, Any]]) -> dict[str, Any]:
    roles = sorted({r for p in parts for r in p["hits"]})
    return {
        "hits": {r: added([p["hits"][r] for p in parts if r in p["hits"]]) for r in roles},
        "stems": [s for p in parts for s in p["stems"]],
        "delays": [d for p in parts for d in p["delays"]],
        "wrong": sum(p["wrong"] for p in parts),
        "jumps": [j for p in parts for j in p["jumps"]],
        "cpu_s": sum(p["cpu_s"] for p in parts),
    }


def figures(total: dict[str, Any]) -> dict[str, float]:
    sure = [sum(c["sure"][k] for c in total["hits"].values()) for k in (0, 1)]
    gain = [s["ours"] - s["hand"] for s in total["stems"]]
    return {
        **{f"hits_{r}": round(f_measure(c), 4) for r, c in total["hits"].items()},
        "sure_right": round(sure[1] / max(sure[0], 1), 5),
        "stem_db_over_hand": round(float(np.nanmean(gain)), 3),
        "delay_samples_median": round(float(np.median(total["delays"])), 3) if total["delays"] else 0.0,
        "polarity_wrong": total["wrong"],
        **({"jump_db": round(float(np.mean(total["jumps"])), 3)} if total["jumps"] else {}),
    }


def worse(now: Mapping[str, float], before: Mapping[str, float]) -> list[str]:
    """Name the figures that got worse by more than their slack."""
    found = []
    for name, old in before.items():
        slack = next(v for k, v in SLACK.items() if name.startswith(k))
        more_is_better = not name.startswith(("delay", "polarity", "jump"))
        loss = (old - now[name]) if more_is_better else (now[name] - old)
        if loss > slack:
            found.append(f"{name}: {now[name]:g}, was {old:g}")
    return found


def folder_figures(folder: Path, truth: Path, chain: Chain) -> str:
    import soundfile as sf

    from spillgate.dsp.take.opening import open_take

    take = open_take(folder)
    begun = time.process_time()
    plan = chain.decide(take)
    cpu = time.process_time() - begun
    with open(truth / "hits.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    names = {Path(t.file.name).stem: t for t in take.tracks}
    known: dict[str, list[tuple[float, float]]] = {}
    for r in rows:
        if r["track"] in names and r["snr_db"]:
            known.setdefault(names[r["track"]].id, []).append((float(r["time_s"]), float(r["snr_db"])))
    stems = []
    for path in sorted((truth / "wanted").glob("*.flac")):
        t = names[path.stem]
        x, wanted = take.read(t, 0, take.n_samples, "float64"), sf.read(path)[0]
        hits = sorted(s for s, _ in known.get(t.id, []))
        if hits:
            stems.append(stem_figures(x, wanted, cleaned(take, plan, t.id), hits, take.sr))
    of = {role: [t.id for t in take.of_role(role)] for role in ("kick", "snare", "hat", "tom")}
    hits_of = {role: hit_figures(plan, known, tracks) for role, tracks in of.items() if tracks}
    return row(
        folder.name, {"hits": hits_of, "stems": stems, "delays": [], "wrong": 0, "jumps": jumps_of(plan), "cpu_s": cpu}
    )


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--takes", type=int, default=24)
    ask.add_argument("--first", type=int, default=4000)
    ask.add_argument("--seconds", type=float, default=20.0)
    ask.add_argument("--spill", action="store_true")
    ask.add_argument("--write", action="store_true")
    ask.add_argument("--check", action="store_true")
    ask.add_argument("--folder", type=Path)
    ask.add_argument("--truth", type=Path)
    wanted = ask.parse_args()
    chain = Chain.from_names(("detect", "align", "gate", *(("spill",) if wanted.spill else ())))
    if wanted.folder:
        print(folder_figures(wanted.folder, wanted.truth, chain))
        return 0
    name = "spill" if wanted.spill else "gate"
    stored = json.loads(STORED.read_text()) if STORED.exists() else {}
    if wanted.check:
        if name not in stored:
            print(f"no figures of '{name}' are stored; run this with --write first")
            return 2
        wanted.takes, wanted.first, wanted.seconds = (stored[name][k] for k in ("takes", "first", "seconds"))
    parts = []
    for k in range(wanted.takes):
        style = ("groove", "fast", "groove", "sparse")[k % 4]
        made = random_take(wanted.first + k, RATES[k % 3], wanted.seconds, style=style)
        parts.append(measure(made, chain))
        print(row(f"seed {wanted.first + k} {style} {RATES[k % 3]} Hz", parts[-1]), flush=True)
    total = summed(parts)
    print(row("all", total))
    now = figures(total)
    print(json.dumps(now))
    if wanted.write:
        stored[name] = {"takes": wanted.takes, "first": wanted.first, "seconds": wanted.seconds, "figures": now}
        STORED.write_text(json.dumps(stored, indent=1, sort_keys=True) + "\n")
    if wanted.check:
        losses = worse(now, stored[name]["figures"])
        for line in losses:
            print("worse:", line)
        return 1 if losses else 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
