"""Trains the tables by which hits are decided: ``dsp/processors/data/detect.json`` and ``detect.npz``.

    python tests/training/train_detect.py [--takes 106] [--cache FOLDER] [--out FILE]

Makes the takes of `recipes`, uses each whole, under a wash of cymbals, and thinned (without overheads and hat; toms
only), some with leaks that differ from stroke to stroke.  Fits one logistic regression per kind of drum and pass, for
toms boosted trees besides.  What the second and the third pass are told by the one before comes from judges that never
saw that take.  Every eighth take is kept aside and only judged.  Same arguments, same table.  Sample sets come from the
Debian packages named in `sample_sets`; with ``--models-only`` none are needed.
"""

from __future__ import annotations

import argparse
import functools
import hashlib
import json
import multiprocessing
import pickle
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from spillgate.dsp.core.hits.decide import Judge, decide, judge, weight_names
from spillgate.dsp.core.hits.envelopes import EDGES_HZ, N_BANDS, frame_length
from spillgate.dsp.core.hits.logistic import fit
from spillgate.dsp.core.hits.ownership import FEATURES, Earlier, features
from spillgate.dsp.core.hits.relearn import second_sources, thinned
from spillgate.dsp.core.hits.scene import Scene, Sources, listen
from spillgate.dsp.core.hits.trees import Trees
from spillgate.dsp.processors.detect import Detect, kit_of, lows_of
from spillgate.dsp.synth import KITS, MadeTake, random_take
from spillgate.dsp.take import Take, Track
from spillgate.dsp.take.features import measure

sys.path.insert(0, str(Path(__file__).parent))
from sample_sets import load_sample_set  # type: ignore[import-not-found]

OUT = Path(__file__).parents[2] / "dsp/processors/data/detect.json"
VERSION = 6
RIDGE = 3.0
GROWTH: dict[str, Any] = {
    "max_iter": 200,
    "learning_rate": 0.08,
    "max_leaf_nodes": 8,
    "min_samples_leaf": 80,
    "l2_regularization": 20.0,
    "max_bins": 64,
    "early_stopping": False,
}
"""Of the trees: few and shallow, as the takes are made and the kits are few."""
WITH_TREES = ("tom", "tom_alone")
"""Kinds whose later passes are judged by trees besides the regression; on the others they learned the made kits."""
SIGNS = {f[0]: 1 for f in FEATURES} | {
    "scatter": -1,
    "leak_probability": -1,
    "overhead_distance": 0,
    "usually": -1,
}
"""Which way each number may speak; 0: not at all."""
OF_LOWS = tuple(f[0] for f in FEATURES if "low_" in f[0] and f[0] != "ring_excess_low")
"""Not measured on snares and hats."""
OF_SHAPE = tuple(f[0] for f in FEATURES if f[0].startswith("own_shape"))
"""Looked at on toms only."""
OF_THE_WHOLE = ("surest", "usually", "hits")
"""Not heard on toms: in a take of loud neighbours they made a tom sure that was never hit."""
FOR_HATS_ONLY = (
    "level",
    "rise_first",
    "rise_second",
    "rise_sum",
    "ring_rise_low",
    "ring_rise_mid",
    "energy_change",
    "fresh_after",
    "strong_events",
)
"""What these say of drums in made takes did not hold for drums of other kits."""
EASY_DB, EASY_KEPT = -2.0, 8
"""Of candidates that are none and have a mean excess under the first, every 8th is used, eightfold."""
UNEVEN, OF_SO_MANY = 16, 53
"""So many of so many takes are heard with uneven leaks besides: with all of them snares and hats grow shy."""
KINDS = ("kick", "snare", "hat", "tom", "tom_alone")
MASKED_DB = -6.0
"""Hits fainter than this against all else are neither right nor wrong."""
NEAR_MS, UNCLEAR_MS = 12.0, 14.0
"""The nearest candidate within the first of a true hit is it; others within the second are left out."""
KEPT_ASIDE = 8
WORKERS = 2
THIN_BY = ("no overheads or hat", "toms only")
WASH = {2: -15.0, 3: -9.0, 4: -3.0, 5: 0.0}
"""Per band: dB re the treble of the wash."""
SWELL_S, SWELL_DB = 0.4, 5.0
UNEVEN_DB, UNEVEN_S, UNEVEN_RISE_S, APART_S = 2.5, 0.08, 0.001, 0.004
"""Standard deviation of a stroke's leak per mic and band, for how long, how soon, and least time between strokes."""
PASSES = 3
PARTS = ("roots", "feature", "threshold", "left", "right", "value")


@dataclass(frozen=True)
class Recipe:
    """One made take."""

    seed: int
    sr: int
    seconds: float
    kit: str
    style: str
    bleed_db: float
    sounds: str
    uneven: bool


@dataclass(frozen=True)
class Heard:
    """What is measured of every track: envelopes and lows."""

    envelopes: dict[str, NDArray[np.float32]]
    low_bands: dict[str, NDArray[np.float32]]


@dataclass(frozen=True)
class Material:
    """What training needs of a take: heard as it is, with leaks that differ from stroke to stroke, and under a wash."""

    recipe: Recipe
    tracks: tuple[Track, ...]
    plain: Heard
    washed: Heard
    arrivals: dict[str, tuple[tuple[float, str, float, float], ...]]
    uneven: Heard | None


def recipes(n: int, models_only: bool) -> list[Recipe]:
    """List the made takes: kits, rooms, tempos, styles and bleed drawn from a fixed seed."""
    rng = np.random.default_rng(20)
    styles = (
        "groove",
        "fast",
        "groove",
        "sparse",
        "groove",
        "fast",
        "ballad",
        "no_toms",
        "groove",
        "fast",
        "line_check",
    )
    sounds = ("model", "bank", "model", "pack", "bank")
    kits = list(KITS)
    listed = []
    for k in range(n):
        source = "model" if models_only else sounds[k % len(sounds)]
        sr = int(rng.choice([44100, 48000, 44100, 96000]))
        bleed = float(np.round(rng.uniform(-6, 24), 1))
        listed.append(
            Recipe(
                7000 + k, sr, 24.0, kits[k % len(kits)], styles[k % len(styles)], bleed, source, k % OF_SO_MANY < UNEVEN
            )
        )
    return listed


def make(recipe: Recipe, cache: Path | None) -> Material:
    """Make a take and keep only what is measured of it and its truth."""
    digest = hashlib.blake2b(repr((VERSION, recipe)).encode(), digest_size=8).hexdigest()
    kept = cache / f"{digest}.pickle" if cache else None
    if kept and kept.exists():
        found: Material = pickle.loads(kept.read_bytes())
        return found
    samples = None if recipe.sounds == "model" else load_sample_set(recipe.sounds, recipe.sr)
    made = random_take(
        recipe.seed,
        recipe.sr,
        recipe.seconds,
        kit=recipe.kit,
        style=recipe.style,
        bleed_db=recipe.bleed_db,
        samples=samples,
    )
    take = measured(made.take)
    tracks = [t for t in take.tracks if t.id in take.features["band_envelopes"]]
    under = Take.from_arrays(tracks, washed(take, tracks, made.audio, recipe.seed), recipe.sr, "washed")
    other = None
    if recipe.uneven:
        other = heard(
            measured(Take.from_arrays(tracks, uneven(made, tracks, recipe.sr, recipe.seed), recipe.sr, "uneven"))
        )
    material = Material(recipe, tuple(tracks), heard(take), heard(measured(under)), dict(made.arrivals), other)
    if kept:
        kept.write_bytes(pickle.dumps(material))
    return material


def measured(take: Take) -> Take:
    """Measure what hits are found by."""
    return measure(take, Detect.features)


def heard(take: Take) -> Heard:
    """Keep what was measured."""
    return Heard(dict(take.features["band_envelopes"]), dict(take.features["low_band"]))


def uneven(made: MadeTake, tracks: list[Track], sr: int, seed: int) -> dict[str, NDArray[np.float32]]:
    """Let what every stroke leaks into the close mics of other drums differ, band by band.

    A point in a room sounds alike every time; heads, sticks and hands do not.
    """
    rng = np.random.default_rng((seed, 1))
    times = [0.0]
    for s in made.strokes:
        if s.time_s - times[-1] > APART_S:
            times.append(s.time_s)
    ramp = np.arange(int(8 * UNEVEN_S * sr)) / sr
    ramp = np.minimum(ramp / UNEVEN_RISE_S, 1.0) * np.exp(-ramp / UNEVEN_S)
    near = int(0.012 * sr)
    out = {}
    for t in tracks:
        x = np.asarray(made.audio[t.id], np.float64)
        if t.id not in made.alone:
            out[t.id] = made.audio[t.id]
            continue
        rest = x - made.alone[t.id]
        total = np.array(made.alone[t.id], np.float64)
        for band in range(N_BANDS):
            part = rest
            if band < N_BANDS - 1:
                part = sosfilt(butter(2, EDGES_HZ[band + 1], fs=sr, output="sos"), rest)
                rest = rest - part
            gain = np.ones(len(x))
            for at in (np.array(times[1:]) * sr).astype(int):
                db = UNEVEN_DB * float(rng.standard_normal())
                before, after = (float(np.mean(part[max(a, 0) : a + near] ** 2)) for a in (at - near, at))
                fresh = max(1.0 - before / after, 0.0) if after > 0 else 0.0
                long = min(len(ramp), len(x) - at)
                gain[at : at + long] *= 1.0 + (10 ** (db / 20) - 1.0) * fresh * ramp[:long]
            total += part * gain
        out[t.id] = np.asarray(total, np.float32)
    return out


def washed(
    take: Take, tracks: list[Track], audio: Mapping[str, NDArray[np.float32]], seed: int
) -> dict[str, NDArray[np.float32]]:
    """Add the sustained sound of loud cymbals: noise above 220 Hz that swells and sinks slowly."""
    rng = np.random.default_rng(seed)
    out = {}
    for t in tracks:
        e, x = take.features["band_envelopes"][t.id], audio[t.id]
        at = np.arange(0, len(x) + SWELL_S * take.sr, SWELL_S * take.sr)
        swell = np.interp(np.arange(len(x)), at, rng.normal(0.0, SWELL_DB, len(at)))
        treble = e[:, N_BANDS - 1]
        loud = np.partition(treble, -min(60, len(e)))[-min(60, len(e))]
        top = rng.uniform(-28.0, 2.0) if t.is_close else rng.uniform(-28.0, -8.0)
        noise = rng.standard_normal(len(x))
        wash = np.zeros(len(x))
        for band, below_db in WASH.items():
            if band < N_BANDS - 1:
                ladder = butter(2, EDGES_HZ[band : band + 2], "bandpass", fs=take.sr, output="sos")
            else:
                ladder = butter(2, EDGES_HZ[band], "highpass", fs=take.sr, output="sos")
            part = sosfilt(ladder, noise)
            wash += part * np.sqrt(loud * 10 ** ((top + below_db) / 10) / np.mean(part**2))
        out[t.id] = np.asarray(x + wash * 10 ** (swell / 20), np.float32)
    return out


def scenes(material: Material) -> Iterator[tuple[str, Scene, NDArray[np.float64]]]:
    """Yield the take whole, with uneven leaks, washed and thinned.

    Gives how, what is heard, and per candidate 1 hit, 0 none, −1 unclear.
    """
    whole = list(material.tracks)
    ways = [("whole", material.plain), ("washed", material.washed), *((h, material.plain) for h in THIN_BY)]
    if material.uneven:
        ways.append(("uneven", material.uneven))
    for how, by in ways:
        mics = [
            t
            for t in whole
            if not (
                ("overheads" in how and t.role == "overhead")
                or ("hat" in how and t.role == "hat")
                or (how == "toms only" and t.role != "tom")
            )
        ]
        if len(mics) == len(whole) and how in THIN_BY:
            continue
        lows = [lows_of(by.low_bands.get(t.id), material.recipe.sr) for t in mics]
        scene = listen([by.envelopes[t.id] for t in mics], kit_of(mics), lows)
        yield how, scene, label(material, mics, scene)


def label(material: Material, mics: list[Track], scene: Scene) -> NDArray[np.float64]:
    """Give each candidate 1 for a hit, 0 for none, −1 for unclear."""
    sr = material.recipe.sr
    frame_ms = 1000.0 * frame_length(sr) / sr
    c = scene.candidates
    labels = np.zeros(len(c))
    for d, own in enumerate(scene.kit.own):
        mine = np.flatnonzero(c.drum == d)
        times = c.frame[mine] * frame_ms
        hits = material.arrivals.get(mics[own[0]].id, ())
        for hit in hits:
            labels[mine[np.abs(times - 1000.0 * hit[0]) < UNCLEAR_MS]] = -1.0
        for hit in hits:
            if len(mine) == 0:
                continue
            distance = np.abs(times - 1000.0 * hit[0])
            nearest = int(np.argmin(distance))
            if distance[nearest] < NEAR_MS and hit[3] >= MASKED_DB:
                labels[mine[nearest]] = 1.0
    return labels


def _scenes(material: Material) -> list[tuple[str, Scene, NDArray[np.float64]]]:
    return list(scenes(material))


def train(materials: list[Material]) -> dict[str, tuple[Judge, ...]]:
    """Fit all passes."""
    with multiprocessing.get_context("fork").Pool(WORKERS) as pool:
        of_takes = pool.map(_scenes, materials, chunksize=1)
    every = [(k, *one) for k, of_take in enumerate(of_takes) for one in of_take]
    print(f"{len(every)} scenes, {sum(len(s.candidates) for _, _, s, _ in every)} candidates", flush=True)
    judges: dict[str, tuple[Judge, ...]] = {kind: () for kind in KINDS}
    sources: list[Sources] = [s.sources for _, _, s, _ in every]
    told: list[NDArray[np.float64]] = []
    for which in range(PASSES):
        earlier = [Earlier.of(e[2], p) for e, p in zip(every, told, strict=True)] if told else [None] * len(every)
        examples = [
            (k, s, features(s, known, p), y) for (k, _, s, y), known, p in zip(every, sources, earlier, strict=True)
        ]
        trees = WITH_TREES if which else ()
        halves = [fit_pass([e[1:] for e in examples if e[0] % 2 != half], trees) for half in (0, 1)]
        told = [_judged(s, numbers, halves[k % 2]) for k, s, numbers, _ in examples]
        if which == 0:
            sources = [second_sources(s, p) for (_, _, s, _), p in zip(every, told, strict=True)]
        found = fit_pass([e[1:] for e in examples], trees)
        if which == PASSES - 1:
            found = {kind: (calibrated(kind, by, every, told),) for kind, (by,) in found.items()}
        judges = {kind: (*judges[kind], *found[kind]) for kind in KINDS}
        print(f"pass {which + 1} fitted", flush=True)
    return judges


def _judged(scene: Scene, numbers: NDArray[np.float64], by: Mapping[str, tuple[Judge]]) -> NDArray[np.float64]:
    names, p = np.array(weight_names(scene.kit)), np.zeros(len(numbers))
    for kind in set(names):
        mine = names[scene.candidates.drum] == kind
        p[mine] = judge(numbers[mine], by[kind][0])
    return p


def fit_pass(
    examples: list[tuple[Scene, NDArray[np.float64], NDArray[np.float64]]], with_trees: tuple[str, ...]
) -> dict[str, tuple[Judge]]:
    """Fit the judges of every kind."""
    found = {}
    at, (_, least, most) = next((i, f) for i, f in enumerate(FEATURES) if f[0] == "excess_mean")
    easy_below = (EASY_DB - least) / (most - least)
    for kind in KINDS:
        unheard = (() if kind == "hat" else FOR_HATS_ONLY) + (OF_LOWS if kind in ("snare", "hat") else ())
        unheard += OF_THE_WHOLE if kind in WITH_TREES else OF_SHAPE
        signs = np.array([0 if f[0] in unheard else SIGNS[f[0]] for f in FEATURES])
        x, y, heed = [], [], []
        for scene, numbers, labels in examples:
            names = np.array(weight_names(scene.kit))
            use = np.flatnonzero((names[scene.candidates.drum] == kind) & (labels >= 0))
            easy = (labels[use] == 0) & (numbers[use, at] < easy_below)
            kept = ~easy | (np.arange(len(use)) % EASY_KEPT == 0)
            x.append(numbers[use][kept])
            y.append(labels[use][kept])
            heed.append(np.where(easy[kept], float(EASY_KEPT), 1.0))
        of_kind = np.concatenate(x), np.concatenate(y), np.concatenate(heed)
        weights = np.round(fit(of_kind[0], of_kind[1], RIDGE, of_kind[2], signs), 5)
        found[kind] = (Judge(weights, grow(*of_kind, signs) if kind in with_trees else None),)
    return found


def calibrated(
    kind: str,
    by: Judge,
    every: list[tuple[int, str, Scene, NDArray[np.float64]]],
    told: list[NDArray[np.float64]],
) -> Judge:
    """Stretch and shift log odds to what judges of the same kind were right about on takes they never saw.

    J. Platt, "Probabilistic outputs for support vector machines", Advances in Large Margin Classifiers, 1999.
    """
    odds, right = [], []
    for (_, _, scene, labels), p in zip(every, told, strict=True):
        use = (np.array(weight_names(scene.kit))[scene.candidates.drum] == kind) & (labels >= 0)
        odds.append(np.log(np.maximum(p[use], 1e-9) / np.maximum(1.0 - p[use], 1e-9)))
        right.append(labels[use])
    slope, shift = np.round(fit(np.concatenate(odds)[:, None], np.concatenate(right), 1e-3), 4)
    print(kind, "calibrated", slope, shift, flush=True)
    weights = slope * by.weights
    weights[-1] += shift
    if by.trees is None:
        return Judge(np.round(weights, 5))
    trees = replace(by.trees, base=slope * by.trees.base + shift, value=(slope * by.trees.value).astype(np.float32))
    return Judge(np.round(weights, 5), trees)


def grow(x: NDArray[np.float64], y: NDArray[np.float64], heed: NDArray[np.float64], signs: NDArray[np.int64]) -> Trees:
    """Grow boosted trees under the same signs."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    heard = np.flatnonzero(signs)
    model = HistGradientBoostingClassifier(monotonic_cst=signs[heard], **GROWTH)
    model.fit(x[:, heard].astype(np.float32), y, sample_weight=heed)
    roots, parts, start = [], [], 0
    for (tree,) in model._predictors:
        nodes = tree.nodes
        leaf = nodes["is_leaf"].astype(bool)
        roots.append(start)
        parts.append(
            (
                np.where(leaf, -1, heard[nodes["feature_idx"]]).astype(np.int16),
                np.where(leaf, 0.0, nodes["num_threshold"]).astype(np.float32),
                np.where(leaf, 0, nodes["left"] + start).astype(np.int32),
                np.where(leaf, 0, nodes["right"] + start).astype(np.int32),
                np.where(leaf, nodes["value"], 0.0).astype(np.float32),
            )
        )
        start += len(nodes)
    feature, threshold, left, right, value = (np.concatenate(p) for p in zip(*parts, strict=True))
    base = float(np.ravel(model._baseline_prediction)[0])
    return Trees(base, np.array(roots, np.int32), feature, threshold, left, right, value)


def judge_takes(materials: list[Material], weights: dict[str, tuple[Judge, ...]]) -> None:
    """Print F of the takes kept aside: audible hits, within 20 ms."""
    counts: dict[tuple[str, str], NDArray[np.float64]] = {}
    for m in materials:
        for how, scene, labels in scenes(m):
            p = decide(scene, weights).probability
            kept = thinned(scene.candidates.drum, scene.candidates.frame, p, 0.5)
            for d, kind in enumerate(scene.kit.kinds):
                mine = scene.candidates.drum == d
                chosen = kept[mine[kept]]
                right, false = (labels[chosen] == 1).sum(), (labels[chosen] == 0).sum()
                near = scene.candidates.frame[chosen]
                missed = sum(
                    1
                    for i in np.flatnonzero(mine & (labels == 1))
                    if not len(near) or np.abs(near - scene.candidates.frame[i]).min() > 20
                )
                total = counts.setdefault((how, kind), np.zeros(3))
                total += (right, false, missed)
    for (how, kind), (right, false, missed) in sorted(counts.items()):
        print(f"{how:22} {kind:6} F {2 * right / max(2 * right + false + missed, 1):.3f}  right {right:.0f}", end="")
        print(f"  false {false:.0f}  missed {missed:.0f}", flush=True)


def _written(judge: Judge) -> dict[str, Any]:
    entry: dict[str, Any] = {"weights": judge.weights.tolist()}
    return entry | ({"base": judge.trees.base} if judge.trees else {})


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--takes", type=int, default=106)
    ask.add_argument("--models-only", action="store_true")
    ask.add_argument("--cache", type=Path)
    ask.add_argument("--out", type=Path, default=OUT)
    wanted = ask.parse_args()
    begun = time.monotonic()
    listed = recipes(wanted.takes, wanted.models_only)
    materials = []
    with multiprocessing.get_context("fork").Pool(WORKERS) as pool:
        for m in pool.imap(functools.partial(make, cache=wanted.cache), listed):
            materials.append(m)
            print(f"{time.monotonic() - begun:.0f} s  {m.recipe}", flush=True)
    teach = [m for k, m in enumerate(materials) if k % KEPT_ASIDE != KEPT_ASIDE - 1]
    aside = [m for k, m in enumerate(materials) if k % KEPT_ASIDE == KEPT_ASIDE - 1]
    table = train(teach)
    judge_takes(aside, table)
    document = {
        "version": VERSION,
        "features": [f[0] for f in FEATURES],
        "kinds": {k: [_written(j) for j in passes] for k, passes in table.items()},
        "takes": [asdict(m.recipe) for m in teach],
    }
    wanted.out.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    arrays = {
        f"{kind}/{k}/{part}": getattr(j.trees, part)
        for kind, passes in table.items()
        for k, j in enumerate(passes)
        if j.trees
        for part in PARTS
    }
    np.savez_compressed(wanted.out.with_suffix(".npz"), **arrays)
    print(f"wrote {wanted.out.name}", flush=True)


if __name__ == "__main__":
    main()
