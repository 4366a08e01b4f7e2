"""The contract of processors and steps as functions that any author runs with pytest.

Use it in the tests of your own distribution::

    from spillgate.dsp import testing
    from my_package import MyGate, MyStep

    def test_my_gate_keeps_the_contract():
        testing.check_processor(MyGate)

    def test_my_step_keeps_the_contract():
        testing.check_step(MyStep(drive_db=6.0))

Every function raises `AssertionError` with one sentence that says what was promised and what came instead.  What is
promised: parameters survive JSON and are refused outside their ranges; the input is never written to; the same input
gives the same result with any number of workers and however a track is cut into blocks; silence, a single sample, a
take without hits, mono and stereo files all work; NaN is refused; the values at the ends of every range work.
"""

from __future__ import annotations

import dataclasses
import json
import tempfile
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp import params, registry
from spillgate.dsp.chain import Chain, begin
from spillgate.dsp.errors import AudioFileError, ParameterError, UnknownProcessorError
from spillgate.dsp.plan import store
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.steps.base import STAGES, Context, Step
from spillgate.dsp.take.features import measure
from spillgate.dsp.take.model import AudioFile, Take, Track

__all__ = ["check_parameters", "check_processor", "check_step", "small_take"]

SR = 48000
RATES = (44100, 48000, 88200, 96000, 176400, 192000)
"""Sample rates a take can have, Hz."""


def small_take(seconds: float = 1.5, *, silent: bool = False, stereo: bool = False, seed: int = 1) -> Take:
    """Make a tiny take in memory: kick, snare, tom and overheads, three strokes of each drum in turn.

    Parameters
    ----------
    seconds : float
        Length; 0 gives one sample.
    silent : bool
        All samples 0.
    stereo : bool
        The overheads are the two channels of one file.
    seed : int

    Returns
    -------
    take : Take
        48 kHz; decaying tones over a little noise, the overheads 3 ms later. Not a realistic kit.
    """
    n = max(1, round(seconds * SR))
    rng = np.random.default_rng(seed)

    def file(name: str, channels: int = 1) -> AudioFile:
        return AudioFile(
            path=Path(name), name=name, sr=SR, n_channels=channels, n_samples=n, format="WAV", subtype="PCM_24"
        )

    close = {"kick": 60.0, "snare": 190.0, "tom": 110.0}
    tracks = [
        Track(id=f"{role}.wav", files=(file(f"{role}.wav"),), role=role, drum="tom1" if role == "tom" else role)
        for role in close
    ]
    both = file("overheads.wav", 2)
    for channel, side in enumerate(("left", "right")):
        if stereo:
            tracks.append(
                Track(id=f"overheads.wav:{channel}", files=(both,), channel=channel, role="overhead", position=side)
            )
        else:
            name = f"overhead {side}.wav"
            tracks.append(Track(id=name, files=(file(name),), role="overhead", position=side))
    audio = {t.id: rng.normal(0, 1e-4, n) for t in tracks}
    age = np.arange(n) / SR
    for k, (role, hz) in enumerate(close.items()):
        for stroke in range(3):
            at = round((0.1 + 0.12 * k + 0.4 * stroke) * SR)
            if at >= n:
                continue
            t = age[: n - at]
            sound = 0.5 * np.exp(-t / 0.08) * np.sin(2 * np.pi * hz * t) + 0.3 * np.exp(-t / 0.003) * rng.normal(
                size=n - at
            )
            for track in tracks:
                late = 144 if track.role == "overhead" else 0
                gain = 1.0 if track.role == role else 0.2 if late else 0.02
                audio[track.id][at + late :] += gain * sound[: n - at - late] if at + late < n else 0.0
    held = {k: np.zeros(n, np.float32) if silent else v.astype(np.float32) for k, v in audio.items()}
    return Take.from_arrays(tracks, held, SR, "small take")


def check_parameters(cls: type[Any]) -> None:
    """Check that parameters are declared as they must be, and that their range ends hold.

    Parameters
    ----------
    cls : type
        Subclass of `Processor` or `Step`.

    Raises
    ------
    AssertionError
    """
    kind = "processor" if issubclass(cls, Processor) else "step"
    assert getattr(cls, "name", ""), f"a {kind} needs a name"
    assert cls.summary, f"{cls.name}: has no summary"
    fault = registry.flaw(cls)
    assert not fault, f"{cls.name}: {fault}"
    fixed = {"tracks", "processors"}
    declared = {p.name for p in params.parameters(cls)}
    for field in dataclasses.fields(cls):
        assert field.name in declared | fixed, f"{cls.name}.{field.name}: annotate it with Range, Choice or Flag"
    for p in params.parameters(cls):
        assert p.help, f"{cls.name}.{p.name}: has no help text"
        assert p.default is not dataclasses.MISSING or kind == "step", f"{cls.name}.{p.name}: has no default"
        if isinstance(p.constraint, params.Range):
            for end in (p.constraint.low, p.constraint.high):
                if np.isfinite(end):
                    p.check(p.type(end), "")
                    _refused(p, end + (1 if end == p.constraint.high else -1) * max(1.0, abs(end)))
        _refused(p, float("nan"))
        _refused(p, object())


def _refused(p: params.Parameter, value: object) -> None:
    try:
        p.check(value, "")
    except ParameterError:
        return
    raise AssertionError(f"{p.name}: {value!r} lies outside {p.constraint} and is not refused")


def check_processor(cls: type[Processor], take: Take | None = None) -> None:
    """Check one processor against the contract.

    Parameters
    ----------
    cls : type
        Built-ins that give what it needs run before it.
    take : Take, optional
        A take of your own to try besides the small ones.

    Raises
    ------
    AssertionError
    """
    check_parameters(cls)
    processor = cls()
    again = cls.from_dict(json.loads(json.dumps(processor.to_dict())))
    assert again == processor, f"{cls.name}: does not survive JSON: {processor!r} became {again!r}"
    before = _givers(processor)
    starts = {label: _before(label, tuple(p.name for p in before)) for label in _TAKES}
    if take is not None:
        starts["the given take"] = _decided(take, before)
    for label, (made, plan) in starts.items():
        where = f"{cls.name} on {label}"
        made = measure(made, cls.features)
        held = {t.id: made.read(t).copy() for t in made.tracks}
        first = _decide(where, processor, made, plan)
        second = _decide(where, cls(), made.replace(workers=2), plan)
        assert _plain(first) == _plain(second), f"{where}: two runs differ (or one and two workers do)"
        for t in made.tracks:
            assert np.array_equal(made.read(t), held[t.id]), f"{where}: {t.id} was written to"
        _check_plan(where, first)
        _check_undeclared(where, cls, plan, first)
        _check_steps(where, made, first)
    made, plan = starts["three drums"]
    made = measure(made, cls.features)
    _check_saved(f"{cls.name} on three drums", _decide(cls.name, processor, made, plan))
    where = f"{cls.name} without hits"
    none = _decide(where, processor, made, plan.replace(hits=(), drums=()))
    _check_plan(where, none)
    _check_steps(where, made, none)
    for values in _ends(cls):
        where = f"{cls.name} with {values}"
        _check_plan(where, _decide(where, cls(**values), made, plan))
    _check_refuses_nan(Chain(processors=(*before, processor)))


_TAKES: dict[str, dict[str, Any]] = {
    "three drums": {},
    "stereo overheads": {"stereo": True},
    "silence": {"silent": True},
    "one sample": {"seconds": 0},
}


@cache
def _before(label: str, names: tuple[str, ...]) -> tuple[Take, Plan]:
    """One of the small takes and the plan of what must run first, worked out once for all processors."""
    return _decided(small_take(**_TAKES[label]), tuple(registry.get_processor(n)() for n in names))


def _decided(take: Take, before: tuple[Processor, ...]) -> tuple[Take, Plan]:
    chain = Chain(processors=before)
    take = measure(take, chain.all_features)
    plan = begin(take)
    for processor in before:
        plan = processor.decide(take, plan)
    return take, plan


def _decide(where: str, processor: Processor, take: Take, plan: Plan) -> Plan:
    made: Any = processor.decide(take, plan)
    assert isinstance(made, Plan), f"{where}: gave {type(made).__name__}, not a plan"
    return made


def _ends(cls: type[Processor]) -> Iterator[dict[str, Any]]:
    """All parameters at the low ends of their ranges, all at the high ends, all off, every word of a choice."""
    tried: dict[str, list[Any]] = {}
    for p in params.parameters(cls):
        if isinstance(p.constraint, params.Range):
            tried[p.name] = [p.type(p.constraint.low), p.type(p.constraint.high)]
        elif isinstance(p.constraint, params.Choice):
            tried[p.name] = list(p.constraint.options)
        else:
            tried[p.name] = [False, True]
        tried[p.name] += [None] if p.optional else []
    for k in range(max(map(len, tried.values()), default=0)):
        yield {name: values[k % len(values)] for name, values in tried.items()}


def _givers(processor: Processor) -> tuple[Processor, ...]:
    """Built-ins that must run first; each of them is the first that gives what is needed."""
    chosen: list[Processor] = []
    have: set[str] = set()

    def add(needs: frozenset[str]) -> None:
        for name in registry.PROCESSORS:
            builtin = registry.get_processor(name)
            if (needs - have) & builtin.gives and builtin.name != processor.name:
                add(builtin.needs)
                if builtin.name not in {p.name for p in chosen}:
                    chosen.append(builtin())
                    have.update(builtin.gives)

    add(processor.needs)
    return tuple(chosen)


def _plain(plan: Plan) -> Any:
    fields = {f.name: getattr(plan, f.name) for f in dataclasses.fields(plan) if f.name != "arrays"}
    arrays = {k: (v.dtype.str, v.shape, v.tobytes()) for k, v in sorted(plan.arrays.items())}
    return repr(fields), arrays


def _check_plan(where: str, plan: Plan) -> None:
    times = [(h.time_s, h.track) for h in plan.hits]
    assert times == sorted(times), f"{where}: hits are not in order of time"
    for h in plan.hits:
        assert np.isfinite(h.time_s), f"{where}: a hit has the time {h.time_s}"
        assert 0 <= h.confidence <= 1, f"{where}: a hit has the confidence {h.confidence}"
    tracks = {t.track for t in plan.tracks}
    for track, specs in plan.steps.items():
        assert track in tracks, f"{where}: asks for steps on {track!r}, which is no track"
        for spec in specs:
            json.dumps(dict(spec.params))
            for name in spec.arrays.values():
                assert name in plan.arrays, f"{where}: step {spec.step} names the array {name!r}, which is not there"
    json.dumps(_jsonable(plan.figures))
    json.dumps(_jsonable(plan.extras))


def _jsonable(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _jsonable(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_jsonable(v) for v in value]
    return value


def _check_undeclared(where: str, cls: type[Processor], before: Plan, after: Plan) -> None:
    """What a processor does not say it gives must come through as it was."""
    for gives, name in (("hits", "hits"), ("hits", "drums"), ("delays", "alignments")):
        same = getattr(before, name) == getattr(after, name)
        declared = gives in cls.gives or (gives == "delays" and "moves" in cls.gives)
        assert same or declared, f"{where}: changes the plan's {name}, but does not give {gives!r}"
    for name in ("sr", "n_samples", "tracks", "spans"):
        assert getattr(before, name) == getattr(after, name), f"{where}: changes the plan's {name}"


def _check_steps(where: str, take: Take, plan: Plan) -> None:
    """Every step that the plan asks for can be loaded again and gives samples."""
    for track, specs in plan.steps.items():
        x = take.read(take.track(track), dtype="float64")
        for spec in specs:
            try:
                cls = registry.get_step(spec.step)
            except UnknownProcessorError as error:
                raise AssertionError(f"{where}: {error}; register it under the entry points spillgate.steps") from error
            step = cls(**params.from_dict(cls, spec.params, spec.step))
            x = _through(step, x, {k: plan.arrays[v] for k, v in spec.arrays.items()}, len(x), track)


def _check_saved(where: str, plan: Plan) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store.save(plan, Path(folder))
        again = store.load(Path(folder))
    assert again.steps == plan.steps, f"{where}: its steps do not survive being written to a file"
    same = _jsonable(again.figures) == _jsonable(plan.figures) and _jsonable(again.extras) == _jsonable(plan.extras)
    assert same, f"{where}: its figures or extras do not survive being written to a file"
    for name, array in plan.arrays.items():
        assert np.array_equal(again.arrays[name], array), f"{where}: the array {name!r} does not survive a file"


def _check_refuses_nan(chain: Chain) -> None:
    take = small_take()
    spoilt = {t.id: take.read(t).copy() for t in take.tracks}
    spoilt["kick.wav"][1000] = np.nan
    message = ""
    try:
        chain.decide(Take.from_arrays(take.tracks, spoilt, SR))
    except AudioFileError as error:
        message = str(error)
    assert "kick.wav" in message, "a NaN in kick.wav is not refused with a message that names the file"


def check_step(
    step: Step, arrays: Mapping[str, NDArray[Any]] | None = None, n_samples: int = 30_000, track: str = "track.wav"
) -> None:
    """Check one configured step against the contract.

    Parameters
    ----------
    step : Step
    arrays : mapping of str to ndarray, optional
        The arrays it uses, under its own names.
    n_samples : int
        Length of the track it is tried on.
    track : str

    Raises
    ------
    AssertionError
    """
    check_parameters(type(step))
    values = json.loads(json.dumps(params.to_dict(step)))
    again = type(step)(**params.from_dict(type(step), values, step.name))
    assert again == step, f"{step.name}: does not survive JSON: {step!r} became {again!r}"
    assert step.stage in STAGES, f"{step.name}: stage {step.stage!r} is none of {', '.join(STAGES)}"
    margins = step.margins(SR)
    assert len(margins) == 2, f"{step.name}: margins {margins} must be two numbers"
    assert min(margins) >= 0, f"{step.name}: margins {margins} must not be negative"
    rng = np.random.default_rng(3)
    signals = {"noise": rng.normal(0, 0.1, n_samples), "silence": np.zeros(n_samples), "one sample": np.array([0.5])}
    for sr in RATES:
        assert min(step.margins(sr)) >= 0, f"{step.name}: margins at {sr} Hz must not be negative"
    for label, x in signals.items():
        where = f"{step.name} on {label}"
        held = x.copy()
        whole = _through(step, x, arrays, len(x), track)
        assert np.array_equal(x, held), f"{where}: wrote to its input"
        assert np.array_equal(whole, _through(step, x, arrays, len(x), track)), f"{where}: two calls differ"
        for block in (1, 17, 4096) if len(x) < 100 else (997, 4096, n_samples - 1):
            cut = _through(step, x, arrays, block, track)
            assert np.array_equal(whole, cut), f"{where}: blocks of {block} give other samples than one block"
        backward = _through(step, x, arrays, 4096, track, backward=True)
        assert np.array_equal(whole, backward), f"{where}: blocks in another order give other samples (it keeps state)"


def _through(
    step: Step,
    x: NDArray[np.float64],
    arrays: Mapping[str, NDArray[Any]] | None,
    block: int,
    track: str,
    backward: bool = False,
) -> NDArray[np.float64]:
    before, after = step.margins(SR)
    padded = np.concatenate([np.zeros(before), x, np.zeros(after)])
    pieces = []
    for a in range(0, len(x), block)[:: -1 if backward else 1]:
        b = min(a + block, len(x))
        context = Context(
            start=a,
            n_out=b - a,
            sr=SR,
            n_samples=len(x),
            track=track,
            arrays=arrays or {},
            read=lambda other, first, last: np.zeros(max(last - first, 0)),
        )
        piece = padded[a : b + before + after].copy()
        piece.setflags(write=False)
        y = step.apply(piece, context)
        assert isinstance(y, np.ndarray), f"{step.name}: gave {type(y).__name__}, not an array"
        assert y.shape == (b - a,), f"{step.name}: gave the shape {y.shape} where ({b - a},) was wanted"
        assert y.dtype == np.float64, f"{step.name}: gave {y.dtype} where float64 was wanted"
        assert np.all(np.isfinite(y)), f"{step.name}: gave NaN or infinity"
        pieces.append(y)
    return np.concatenate(pieces[:: -1 if backward else 1])
