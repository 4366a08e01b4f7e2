"""Trains the tables by which hits are decided: ``dsp/processors/data/detect.json`` and ``detect.npz``.

    python tests/training/train_detect.py [--takes 72] [--cache FOLDER] [--out FILE]

Makes the takes of `recipes`, uses each whole and thinned (without overheads and hat; toms only), all of that under
cymbal wash too, and fits one logistic regression per kind of drum and pass.  Every eighth take is kept aside and only
judged.  Same arguments, same table.  Sample sets come from the Debian packages named in `sample_sets`; with
``--models-only`` none are needed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import pickle
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.decide import Judge, judge, weight_names
from spillgate.dsp.core.hits.envelopes import frame_length
from spillgate.dsp.core.hits.logistic import fit
from spillgate.dsp.core.hits.ownership import FEATURES, features
from spillgate.dsp.core.hits.relearn import second_sources, thinned
from spillgate.dsp.core.hits.scene import Scene, listen
from spillgate.dsp.core.hits.trees import Trees
from spillgate.dsp.processors.detect import kit_of
from spillgate.dsp.synth import KITS, random_take
from spillgate.dsp.take import Track
from spillgate.dsp.take.features import measure

sys.path.insert(0, str(Path(__file__).parent))
from sample_sets import load_sample_set  # type: ignore[import-not-found]

OUT = Path(__file__).parents[2] / "dsp/processors/data/detect.json"
VERSION = 2
RIDGE = 10.0
GROWTH: dict[str, Any] = {
    "max_iter": 120,
    "learning_rate": 0.08,
    "max_leaf_nodes": 8,
    "min_samples_leaf": 150,
    "l2_regularization": 20.0,
    "max_bins": 64,
    "early_stopping": False,
}
"""Of the trees: few and shallow, as the takes are made and the kits are few."""
WITH_TREES = ("tom", "tom_alone")
"""Kinds whose second pass is judged by trees besides the regression; on the others they learned the made kits."""
SIGNS = {f[0]: 1 for f in FEATURES} | {"scatter": -1, "leak_probability": -1, "overhead_distance": 0}
"""Which way each number may speak; 0: not at all."""
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
KINDS = ("kick", "snare", "hat", "tom", "tom_alone")
MASKED_DB = -6.0
"""Hits fainter than this against all else are neither right nor wrong."""
NEAR_MS, UNCLEAR_MS = 12.0, 14.0
"""The nearest candidate within the first of a true hit is it; others within the second are left out."""
KEPT_ASIDE = 8
WORKERS = 2
THIN_BY = ("whole", "no overheads or hat", "toms only")
WASH = ((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (-9.0, 2.4), (-3.0, 8.4), (0.0, 30.0))
"""Per band: dB re the treble of the wash, and degrees of freedom in a millisecond."""


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


@dataclass(frozen=True)
class Material:
    """What training needs of a take."""

    recipe: Recipe
    tracks: tuple[Track, ...]
    envelopes: dict[str, NDArray[np.float32]]
    arrivals: dict[str, tuple[tuple[float, str, float, float], ...]]


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
        listed.append(Recipe(7000 + k, sr, 24.0, kits[k % len(kits)], styles[k % len(styles)], bleed, source))
    return listed


def make(recipe: Recipe, cache: Path | None) -> Material:
    """Make a take and keep only its envelopes and truth."""
    digest = hashlib.blake2b(repr(recipe).encode(), digest_size=8).hexdigest()
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
    take = measure(made.take, ["band_envelopes"])
    material = Material(recipe, take.tracks, dict(take.features["band_envelopes"]), dict(made.arrivals))
    if kept:
        kept.write_bytes(pickle.dumps(material))
    return material


def scenes(material: Material) -> Iterator[tuple[str, Scene, NDArray[np.float64]]]:
    """Yield the take whole and thinned, and the same under cymbal wash.

    Gives how, what is heard, and per candidate 1 hit, 0 none, −1 unclear.
    """
    heard = [t for t in material.tracks if t.id in material.envelopes]
    under = washed(material)
    for how in THIN_BY:
        mics = [
            t
            for t in heard
            if not (
                ("overheads" in how and t.role == "overhead")
                or ("hat" in how and t.role == "hat")
                or (how == "toms only" and t.role != "tom")
            )
        ]
        if len(mics) < len(heard) or how == "whole":
            for name, envelopes in ((how, material.envelopes), (f"{how}, washed", under)):
                scene = listen([envelopes[t.id] for t in mics], kit_of(mics))
                yield name, scene, label(material, mics, scene)


def washed(material: Material) -> dict[str, NDArray[np.float32]]:
    """Add the sustained sound of loud cymbals to the envelopes: noise above 600 Hz that swells and sinks slowly.

    The energy of noise in a band of width B over T is χ² with 2BT degrees of freedom; the cross term with what is
    there is normal with that spread.
    """
    rng = np.random.default_rng(material.recipe.seed)
    out = {}
    for t in material.tracks:
        if t.id not in material.envelopes:
            continue
        e = material.envelopes[t.id].astype(np.float64)
        n = len(e)
        at = np.arange(0, n + 400, 400)
        swell = np.interp(np.arange(n), at, rng.normal(0.0, 5.0, len(at)))
        loud = np.partition(e, -min(60, n), axis=0)[-min(60, n)]
        top = rng.uniform(-28.0, 2.0) if t.is_close else rng.uniform(-28.0, -8.0)
        for band, (below_db, freedom) in enumerate(WASH):
            if freedom == 0.0:
                continue
            level = loud[band] * 10 ** ((top + below_db + swell) / 10)
            noise = level * rng.chisquare(freedom, n) / freedom
            cross = 2.0 * np.sqrt(e[:, band] * level) * rng.normal(0.0, 1.0, n) / np.sqrt(freedom)
            e[:, band] = np.maximum(e[:, band] + noise + cross, 0.0)
        out[t.id] = e.astype(np.float32)
    return out


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


def train(materials: list[Material]) -> dict[str, tuple[Judge, Judge]]:
    """Fit both passes."""
    with multiprocessing.get_context("fork").Pool(WORKERS) as pool:
        every = [one for of_take in pool.imap(_scenes, materials) for one in of_take]
    print(f"{len(every)} scenes, {sum(len(s.candidates) for _, s, _ in every)} candidates", flush=True)
    first = fit_pass([(s, features(s, s.sources), y) for _, s, y in every], ())
    both = {kind: (w, w) for kind, w in first.items()}
    again = []
    for _, scene, labels in every:
        p = judge(scene, features(scene, scene.sources), both, 0)
        again.append((scene, features(scene, second_sources(scene, p), p), labels))
    second = fit_pass(again, WITH_TREES)
    return {kind: (first[kind], second[kind]) for kind in KINDS}


def fit_pass(
    examples: list[tuple[Scene, NDArray[np.float64], NDArray[np.float64]]], with_trees: tuple[str, ...]
) -> dict[str, Judge]:
    """Fit the judges of every kind."""
    found = {}
    at, (_, least, most) = next((i, f) for i, f in enumerate(FEATURES) if f[0] == "excess_mean")
    easy_below = (EASY_DB - least) / (most - least)
    for kind in KINDS:
        signs = np.array([0 if kind != "hat" and f[0] in FOR_HATS_ONLY else SIGNS[f[0]] for f in FEATURES])
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
        found[kind] = Judge(weights, grow(*of_kind, signs) if kind in with_trees else None)
        print(kind, len(of_kind[1]), int(of_kind[1].sum()), flush=True)
    return found


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


def judge_takes(materials: list[Material], weights: dict[str, tuple[Judge, Judge]]) -> None:
    """Print F of the takes kept aside: audible hits, within 20 ms."""
    counts: dict[tuple[str, str], NDArray[np.float64]] = {}
    for m in materials:
        for how, scene, labels in scenes(m):
            p = judge(scene, features(scene, scene.sources), weights, 0)
            p = judge(scene, features(scene, second_sources(scene, p), p), weights, 1)
            kept = thinned(scene.candidates.drum, scene.candidates.frame, p, 0.4)
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


def _written(first: Judge, second: Judge) -> dict[str, Any]:
    entry: dict[str, Any] = {"first": first.weights.tolist(), "second": second.weights.tolist()}
    return entry | ({"base": second.trees.base} if second.trees else {})


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--takes", type=int, default=72)
    ask.add_argument("--models-only", action="store_true")
    ask.add_argument("--cache", type=Path)
    ask.add_argument("--out", type=Path, default=OUT)
    wanted = ask.parse_args()
    begun = time.monotonic()
    listed = recipes(wanted.takes, wanted.models_only)
    materials = []
    for r in listed:
        materials.append(make(r, wanted.cache))
        print(f"{time.monotonic() - begun:.0f} s  {r}", flush=True)
    teach = [m for k, m in enumerate(materials) if k % KEPT_ASIDE != KEPT_ASIDE - 1]
    aside = [m for k, m in enumerate(materials) if k % KEPT_ASIDE == KEPT_ASIDE - 1]
    table = train(teach)
    judge_takes(aside, table)
    document = {
        "version": VERSION,
        "features": [f[0] for f in FEATURES],
        "kinds": {k: _written(*both) for k, both in table.items()},
        "takes": [asdict(m.recipe) for m in teach],
    }
    wanted.out.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    parts = ("roots", "feature", "threshold", "left", "right", "value")
    arrays = {f"{k}/{p}": getattr(both[1].trees, p) for k, both in table.items() if both[1].trees for p in parts}
    np.savez_compressed(wanted.out.with_suffix(".npz"), **arrays)
    print(f"wrote {wanted.out.name}", flush=True)


if __name__ == "__main__":
    main()
