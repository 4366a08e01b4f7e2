"""Finding every hit and its owner, from all mics together."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import DrumState, Hit, Plan, Question
from spillgate.dsp.processor import Processor
from spillgate.dsp.processors.detect_strokes import PLAYED, with_passages, without_the_unstruck
from spillgate.dsp.take.model import Take, Track
from spillgate.dsp.words import clock

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from spillgate.dsp.core.hits.decide import Decision, Judge
    from spillgate.dsp.core.hits.scene import Lows, Scene

__all__ = ["Detect"]

LEAST = {"kick": 0.5, "snare": 0.5, "hat": 0.6, "cymbal": 0.6, "tom": 0.5}
"""Probability from which a candidate is a hit: on toms, of 0.4 and 0.5, what gives the better stems of made takes."""
ASKED = (0.2, 0.99)
"""Candidates between these are asked about."""
AUDIBLE = 0.03
"""Questions whose weight is under this are not asked: whatever the answer, the stem would change by less than 30 dB
under the drum's loudest stroke, times the doubt. Common practice, no source."""
A_MINUTE, AT_LEAST = 15.0, 3
"""Most strokes asked about per minute of the take, and in the shortest: those whose answer changes most."""
ASKED_OF_A_DRUM = 3
"""Of a drum that was perhaps never struck the surest strokes are named, no more: they answer the question."""
NOT_PLAYED = 0.5
"""A drum whose surest candidate is under `PLAYED` was probably never hit; under this it was not."""
POSITIONS = ("in", "top", "batter", None, "out", "bottom", "sub")
"""Which mic of a drum is judged by first."""
FIRST_QUESTION = 10.0
"""Weight of a question about a whole drum; one about a hit weighs at most 1."""
BLOCK, NEAR = 1 << 19, 1 << 13
"""Samples read at a time, and between two hits that are read together."""


@dataclass(frozen=True, kw_only=True)
class Detect(Processor):
    """Finds every stroke in the close mics of its drum.

    Parameters
    ----------
    softest_db : float, optional
        Strokes softer than this, re the drum's loudest, do not count.
    spacing_ms : float
        Two strokes of one drum are at least so far apart.

    Notes
    -----
    What the other mics hear bounds what can have leaked into a drum's mic; the rest is its own.  How each drum leaks
    into each mic is learned from the take itself, twice: what it usually leaks, and the most.  Kick and toms are heard
    in the lows, too, by what their past does not foretell; on toms also by whether that has the shape of the drum's own
    strokes.  Evenly spaced neighbours support one another in rolls.  A drum of which nothing exceeds what the others
    leak was not struck.
    Probabilities are calibrated on takes the judges were not fitted to (J. Platt, 1999).

    The table was trained on 106 made takes (``tests/training/train_detect.py --takes 106``).  On 24 made takes of
    other seeds (``tests/benchmarks/quality.py``): F within 20 ms of audible strokes 0.999 kick, 0.977 snare, 0.897
    hat, 0.945 toms; of those called sure 99.97 % were right.
    """

    name: ClassVar[str] = "detect"
    summary: ClassVar[str] = "finds every hit and whose it is"
    gives: ClassVar[frozenset[str]] = frozenset({"hits"})
    features: ClassVar[frozenset[str]] = frozenset({"band_envelopes", "low_band"})

    softest_db: Annotated[
        float | None,
        Range(-60.0, 0.0, unit="dB", help="softest stroke that counts, re the drum's loudest", none="automatic"),
    ] = None
    spacing_ms: Annotated[float, Range(5.0, 200.0, unit="ms", help="least time between strokes of one drum")] = 15.0

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Find the hits; see the class."""
        from spillgate.dsp.core.hits.decide import decide
        from spillgate.dsp.core.hits.scene import listen

        envelopes = take.features["band_envelopes"]
        heard = [t for t in take.tracks if t.id in envelopes and (t.is_close or t.role == "overhead")]
        alive = [t for t in heard if envelopes[t.id].any()]
        kit = kit_of(alive)
        if not kit.drums:
            states = _drums(take, {})
            return plan.with_hits(()).replace(drums=states).with_questions(f"{self.name}.", ())
        weights, version = load_weights()

        def each(func: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
            return take.map(func, items, "finding hits")

        lows = [lows_of(take.features["low_band"].get(t.id), take.sr) for t in alive]
        scene = listen([envelopes[t.id] for t in alive], kit, lows, each, take.room)
        scene, decision, triggers = _with_triggers(take, scene, decide(scene, weights, each))
        decision = without_the_unstruck(take, scene, decision)
        found = self._hits(take, alive, scene, decision)
        best = {
            drum: float(decision.probability[scene.candidates.drum == d].max(initial=0.0))
            for d, drum in enumerate(kit.drums)
        }
        drums = with_passages(take, alive, scene, decision, _drums(take, best))
        figures = {
            "weights": version,
            "candidates": len(scene.candidates),
            "hits": {t.id: sum(h.track == t.id for h in found) for t in take.tracks if t.is_close},
            "leaks_db": _leaks(alive, scene, decision),
        }
        if triggers:
            figures["triggers"] = triggers
        plan = plan.with_hits(found).replace(drums=drums).with_figures(self.name, figures)
        return plan.with_questions(f"{self.name}.", self._questions(take, alive, scene, decision, found, drums))

    def _hits(self, take: Take, mics: Sequence[Track], scene: Scene, decision: Decision) -> tuple[Hit, ...]:
        import numpy as np

        from spillgate.dsp.core.hits.envelopes import frame_length
        from spillgate.dsp.core.hits.onset import with_the_first
        from spillgate.dsp.core.hits.relearn import thinned

        c, hop = scene.candidates, frame_length(take.sr)
        drums: list[tuple[str, tuple[int, ...], list[NDArray[np.int64]], NDArray[np.float64]]] = []
        for d, (drum, own) in enumerate(zip(scene.kit.drums, scene.kit.own, strict=True)):
            settings = self.for_track(mics[own[0]])
            mine = np.flatnonzero(c.drum == d)
            spacing = settings.spacing_ms / 1000.0 * take.sr / hop
            p = decision.probability[mine]
            kind = scene.kit.kinds[d]
            kept = mine[thinned(c.drum[mine], c.frame[mine], p, LEAST[kind], spacing)]
            if kind == "tom" and p.max(initial=0.0) < PLAYED:
                kept = kept[:0]  # probably never struck: asked about, not opened
            if settings.softest_db is not None:
                level = _loudness_db(scene, own[0], c.frame[kept])
                kept = kept[level - _loudest(level, decision.probability[kept]) >= settings.softest_db]
            lags = np.round(decision.sources.lags[d, list(own)]).astype(np.int64)
            frames = [np.maximum(c.frame[kept] + lag, 0) for lag in lags]
            drums.append((drum, own, frames, decision.probability[kept]))

        def of_drum(
            job: tuple[str, tuple[int, ...], list[NDArray[np.int64]], NDArray[np.float64]],
        ) -> list[Hit]:
            drum, own, frames, p = job
            times = [_times(take, mics[m], at * hop) for m, at in zip(own, frames, strict=True)]
            times[1:] = [with_the_first(times[0], t, take.sr) for t in times[1:]]
            found = []
            for m, at, first in zip(own, frames, times, strict=True):
                level = _loudness_db(scene, m, at)
                level = np.minimum(level - _loudest(level, p), 0.0)
                found += [
                    Hit(
                        track=mics[m].id,
                        drum=drum,
                        time_s=float(first[i] / take.sr),
                        level_db=round(float(level[i]), 2),
                        confidence=round(float(p[i]), 4),
                    )
                    for i in range(len(at))
                ]
            return found

        return tuple(h for hits in take.map(of_drum, drums, "placing hits") for h in hits)

    def _questions(
        self,
        take: Take,
        mics: Sequence[Track],
        scene: Scene,
        decision: Decision,
        hits: Sequence[Hit],
        drums: Sequence[DrumState],
    ) -> tuple[Question, ...]:
        import numpy as np

        from spillgate.dsp.core.hits.envelopes import frame_length
        from spillgate.dsp.core.hits.relearn import thinned

        asked = []

        def ask(code: str, text: str, track: Track, time_s: float, weight: float) -> None:
            if weight >= AUDIBLE:
                asked.append(Question(code=code, text=text, track=track.id, time_s=time_s, weight=float(weight)))

        for d, own in enumerate(scene.kit.own):
            track, state = mics[own[0]], next(s for s in drums if s.drum == scene.kit.drums[d])
            if track.role != "tom" or state.played == "no" or state.strokes == "unclear":
                continue
            label, open_s = track.label, state.passages
            if state.played == "doubtful" and not open_s:
                text = f"Was {label} struck at all?"
                asked.append(Question(code="detect.drum", text=text, track=track.id, weight=FIRST_QUESTION))
            for h in hits:
                if h.track == track.id and h.confidence < ASKED[1] and not _within(open_s, h.time_s):
                    text = f"Is the stroke on {label} at {clock(h.time_s)} really one?"
                    ask("detect.hit", text, track, h.time_s, 10 ** (h.level_db / 20) * (1.0 - h.confidence))
            mine = np.flatnonzero(scene.candidates.drum == d)
            c, p = scene.candidates, decision.probability
            kept = mine[thinned(c.drum[mine], c.frame[mine], p[mine], ASKED[0])]
            if state.played == "doubtful":
                kept = kept[np.sort(np.argsort(-p[kept], kind="stable")[:ASKED_OF_A_DRUM])]
            level = _loudness_db(scene, own[0], c.frame[kept])
            top = _loudest(level, p[kept])
            for i, db in zip(kept, level, strict=True):
                if p[i] < LEAST["tom"] or state.played == "doubtful":
                    time_s = float(c.frame[i] * frame_length(take.sr) / take.sr)
                    if _within(open_s, time_s) or any(
                        h.track == track.id and abs(h.time_s - time_s) < self.spacing_ms / 1000.0 for h in hits
                    ):
                        continue
                    text = f"Is there a stroke on {label} at {clock(time_s)}?"
                    ask(
                        "detect.hit_left_out", text, track, time_s, 10 ** (min(float(db) - top, 0.0) / 20) * float(p[i])
                    )
        return those_that_matter(asked, take.n_samples / take.sr)


def those_that_matter(asked: Sequence[Question], seconds: float) -> tuple[Question, ...]:
    """Keep the questions about whole drums, and as many of those about strokes as a person will answer.

    Parameters
    ----------
    asked : sequence of Question
    seconds : float
        Length of the take.

    Returns
    -------
    kept : tuple of Question
        In the same order.
    """
    most = max(int(A_MINUTE * seconds / 60.0), AT_LEAST)
    strokes = [k for k, q in enumerate(asked) if q.weight < FIRST_QUESTION]
    left_out = set(sorted(strokes, key=lambda k: (-asked[k].weight, k))[most:])
    return tuple(q for k, q in enumerate(asked) if k not in left_out)


def _within(spans: Sequence[tuple[float, float]], time_s: float) -> bool:
    return any(a <= time_s < b for a, b in spans)


def kit_of(mics: Sequence[Track]) -> Any:
    """Tell which of the mics stand at which drum.

    Parameters
    ----------
    mics : sequence of Track
        Close mics and overheads.

    Returns
    -------
    kit : Kit
        Indices are those of `mics`.
    """
    from spillgate.dsp.core.hits.explain import Kit

    own: dict[str, list[int]] = {}
    for m, t in enumerate(mics):
        if t.is_close:
            own.setdefault(t.drum or t.id, []).append(m)
    for at in own.values():
        at.sort(
            key=lambda m: (POSITIONS.index(mics[m].position) if mics[m].position in POSITIONS else len(POSITIONS), m)
        )
    return Kit(
        drums=tuple(own),
        kinds=tuple(mics[at[0]].role for at in own.values()),
        own=tuple(tuple(at) for at in own.values()),
        overhead=tuple(t.role == "overhead" for t in mics),
    )


def lows_of(low_band: NDArray[np.float32] | None, sr: int) -> Lows | None:
    """Say what the rows of the feature ``low_band`` mean.

    Parameters
    ----------
    low_band : ndarray, shape (n, 1), or None
        None for tracks of which it is not measured.
    sr : int
        Hz.

    Returns
    -------
    lows : Lows or None
    """
    from spillgate.dsp.core.hits.envelopes import frame_length
    from spillgate.dsp.core.hits.lows import low_rate
    from spillgate.dsp.core.hits.scene import Lows

    return None if low_band is None else Lows(low_band[:, 0], low_rate(sr), frame_length(sr) / sr)


@functools.cache
def load_weights() -> tuple[Mapping[str, tuple[Judge, ...]], str]:
    """Read the trained tables.

    Returns
    -------
    weights : mapping of str to tuple of Judge
        Per kind of drum those of the three passes.
    version : str
    """
    import numpy as np

    from spillgate.dsp.core.hits.decide import Judge
    from spillgate.dsp.core.hits.ownership import FEATURES
    from spillgate.dsp.core.hits.trees import Trees

    data = resources.files("spillgate.dsp.processors").joinpath("data")
    table = json.loads(data.joinpath("detect.json").read_text("utf-8"))
    if table["features"] != [f[0] for f in FEATURES]:
        raise RuntimeError("data/detect.json was trained on other features; run the training script")
    parts = ("roots", "feature", "threshold", "left", "right", "value")
    weights = {}
    with data.joinpath("detect.npz").open("rb") as stream, np.load(stream) as held:
        for kind, passes in table["kinds"].items():
            judges = []
            for k, w in enumerate(passes):
                trees = None
                if "base" in w:
                    trees = Trees(base=w["base"], **{p: held[f"{kind}/{k}/{p}"] for p in parts})
                judges.append(Judge(np.array(w["weights"]), trees))
            weights[kind] = tuple(judges)
    return weights, str(table["version"])


def _with_triggers(take: Take, scene: Scene, decision: Decision) -> tuple[Scene, Decision, dict[str, Any]]:
    """Let the triggers confirm and add hits of their drums; what each of them did is told for the figures."""
    import dataclasses

    from spillgate.dsp.core.hits.envelopes import frame_length
    from spillgate.dsp.core.hits.triggers import firings, heed

    said: dict[str, Any] = {}
    for t in take.of_role("trigger"):
        if t.drum not in scene.kit.drums or t.id not in take.features["band_envelopes"]:
            continue
        pulses = firings(take.features["band_envelopes"][t.id])
        candidates, p, found = heed(scene.candidates, decision.probability, scene.kit.drums.index(t.drum), pulses)
        scene = dataclasses.replace(scene, candidates=candidates)
        decision = dataclasses.replace(decision, probability=p)
        said[t.id] = {"pulses": len(pulses), "agreed": found.agreed, "added": len(found.added)}
        if found.offset is not None:
            said[t.id]["offset_ms"] = round(1000.0 * found.offset * frame_length(take.sr) / take.sr, 1)
    return scene, decision, said


def _loudness_db(scene: Scene, m: int, frames: NDArray[np.int64]) -> NDArray[np.float64]:
    """Fresh energy at the given frames of a mic, all bands, dB."""
    import numpy as np

    from spillgate.dsp.core.hits.novelty import gather

    known = scene.mics[m]
    after, before, _, _ = gather(scene.energies[m], known, frames)
    fresh = (np.maximum(after - before, 0.0) * known.reference).sum(1)
    return np.asarray(10.0 * np.log10(np.maximum(fresh, 1e-20)))


def _loudest(level_db: NDArray[np.float64], p: NDArray[np.float64]) -> float:
    """Level of the loudest hit that is likely one; of any if none is."""
    sure = level_db[p >= ASKED[1]]
    return float(sure.max()) if len(sure) else float(level_db.max()) if len(level_db) else 0.0


def _times(take: Take, track: Track, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """Exact arrivals; reads the track in blocks round its hits."""
    import numpy as np

    from spillgate.dsp.core.hits.onset import REACH_AFTER_MS, REACH_BEFORE_MS, arrivals

    before, after = (round(v * take.sr / 1000) for v in (REACH_BEFORE_MS, REACH_AFTER_MS))
    found = np.empty(len(at), np.int64)
    i = 0
    while i < len(at):
        start = max(int(at[i]) - before, 0)
        j = i + 1  # what lies between two hits is read along where that is cheaper than looking for the next
        while j < len(at) and at[j] - at[j - 1] < NEAR and at[j] + after - start <= BLOCK:
            j += 1
        stop = min(int(at[j - 1]) + after, take.n_samples)
        found[i:j] = arrivals(take.read(track, start, stop), at[i:j] - start, take.sr) + start
        i = j
    return found


def _drums(take: Take, best: Mapping[str, float]) -> tuple[DrumState, ...]:
    """Say of each drum with a close mic whether it was played, by the probability of its surest candidate."""
    tracks: dict[str, list[str]] = {}
    for t in take.tracks:
        if t.is_close:
            tracks.setdefault(t.drum or t.id, []).append(t.id)
    states = []
    for drum, ids in tracks.items():
        p = best.get(drum, 0.0)
        played = "yes" if p >= PLAYED else "doubtful" if p >= NOT_PLAYED else "no"
        states.append(DrumState(drum=drum, tracks=tuple(ids), best_confidence=round(p, 4), played=played))
    return tuple(states)


def _leaks(mics: Sequence[Track], scene: Scene, decision: Decision) -> dict[str, dict[str, float]]:
    """Level of every drum in every mic re the mic's own drum (overheads: re the snare, else the loudest), dB."""
    import numpy as np

    kit, leaks = scene.kit, decision.sources.leaks
    out: dict[str, dict[str, float]] = {}
    for m, track in enumerate(mics):
        power = (leaks[: len(kit.drums), m, : len(scene.mics[m].reference)] * scene.mics[m].reference).sum(1)
        own = [d for d, at in enumerate(kit.own) if m in at] or [d for d, k in enumerate(kit.kinds) if k == "snare"]
        unit = power[own[0]] if own else power.max(initial=0.0)
        if unit > 0:
            out[track.id] = {
                drum: round(float(10 * np.log10(max(p / unit, 1e-10))), 2)
                for drum, p in zip(kit.drums, power, strict=True)
            }
    return out
