"""A chain: processors one after the other, itself a processor."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp import registry
from spillgate.dsp.core.hits.loudness import WINDOW_S, fresh_level_db
from spillgate.dsp.errors import AudioFileError, ChainError, DspError, ParameterError, PluginError, nearest
from spillgate.dsp.plan.corrections import Corrections, Edit, ParameterEdit, RoleEdit, placed
from spillgate.dsp.plan.laying import ask_of_spans, lay_delays, lay_hits, lay_spans
from spillgate.dsp.plan.model import Hit, Plan, Question, TrackFacts
from spillgate.dsp.plan.store import from_json, to_json
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.features import measure
from spillgate.dsp.take.model import Take
from spillgate.dsp.take.overruling import check_processors, with_role

__all__ = ["ASKED", "DEFAULT", "Chain", "Memory", "with_roles"]

DEFAULT = ("detect", "align", "gate")
"""Processors of the main job."""

SCHEMA = 1

ASKED = "asked"
"""Figures of a plan that hold the chain as asked for, where corrections or what was taken back made it another."""


@dataclass(frozen=True, kw_only=True)
class Chain(Processor):
    """Several processors, applied in order.

    Parameters
    ----------
    processors : tuple of Processor

    Raises
    ------
    ChainError
        If a processor needs what none before it gives, or stands in the chain twice.
    """

    name: ClassVar[str] = "chain"
    summary: ClassVar[str] = "processors one after the other"

    processors: tuple[Processor, ...] = ()

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "processors", tuple(self.processors))
        have: set[str] = set()
        seen: set[str] = set()
        for p in self.processors:
            if p.name in seen:
                raise ChainError(f"{p.name}: stands in the chain twice; name it once")
            missing = sorted(p.needs - have)
            if missing:
                before = [n for n in registry.needed(type(p)) if n not in seen]
                hint = f"put {' '.join(before)} before it" if before else "no processor of ours gives that"
                raise ChainError(f"{p.name}: needs {missing[0]}; {hint}")
            seen.add(p.name)
            have |= p.gives

    @property
    def all_features(self) -> frozenset[str]:
        """Features that any of the processors needs."""
        return frozenset().union(*(p.features for p in self.processors))

    def decide(
        self,
        take: Take,
        plan: Plan | None = None,
        work: Path | None = None,
        corrections: Corrections | None = None,
        memory: Memory | None = None,
        hashed: bool = True,
    ) -> Plan:
        """Measure what the processors need in one pass, then let each decide in turn.

        Parameters
        ----------
        take : Take
        plan : Plan, optional
            Default: an empty one for this take.
        work : Path, optional
            Folder for the features of long takes.
        corrections : Corrections, optional
            Laid over what was decided: hits before the first processor that gives masks (delays are measured from
            the hits that were found, so that overruling one hit moves no mic), delays as soon as they are there.
        memory : Memory, optional
            Filled with what was measured and decided; given again with other corrections, only what they touch is
            decided anew. The plan is the same with and without it.
        hashed : bool, optional
            False: the plan holds no fingerprints, so that a render cannot tell whether the recordings are the same.

        Returns
        -------
        plan : Plan

        Raises
        ------
        ParameterError
            If a parameter or a correction names a track that is not in the take.
        PluginError
            If a third party's processor fails; the message names its distribution.
        """
        edits = corrections or Corrections()
        take, processors = self._corrected(take, edits)
        memory = memory or Memory(keep=False)
        take = memory.measured(take, edits.roles, self.all_features, work, hashed)
        plan = begin(take) if plan is None else plan

        def find(name: str) -> str:
            return take.track(name).id

        names = [p.name for p in processors]
        unset = tuple(
            f"{e.where or edits.source}: {e.processor} was not run, so {e.name} of {e.track} was not set"
            for e in edits.parameters
            if e.processor not in names
        )
        hits_laid = False
        key = repr((edits.roles, plan.tracks))
        for p in processors:
            if "masks" in p.gives and not hits_laid:
                plan, hits_laid = _levelled(take, _lay(plan, edits, find, unset)), True
                key += repr((edits.hits, edits.spans, unset, [e.where for e in edits.hits]))
            key += repr(p)
            plan = memory.decided(key, p, take, plan)
            if p.gives & {"delays", "moves"}:  # the engineer's word is the last one
                plan = lay_delays(plan, edits, find)
                key += repr(edits.delays)
        plan = plan if hits_laid else _levelled(take, _lay(plan, edits, find, unset))
        plan = ask_of_spans(plan, edits, find)
        return plan.with_figures(ASKED, {"chain": self.to_dict()["chain"]}) if edits.parameters else plan

    def check(self, take: Take, corrections: Corrections) -> None:
        """Make sure that corrections can be laid over what is decided about a take; decides nothing.

        Parameters
        ----------
        take : Take
        corrections : Corrections

        Raises
        ------
        ParameterError
            If one of them names a track, role, parameter or value there is not.
        """
        self._corrected(take, corrections)

    def _corrected(self, take: Take, edits: Corrections) -> tuple[Take, tuple[Processor, ...]]:
        take = with_roles(take, edits)
        check_processors(take.tracks, registry.listing())
        for p in self.processors:
            p.check_tracks(take)
        drums = {t.drum for t in take.tracks if t.drum}
        every: tuple[Edit, ...] = (*edits.hits, *edits.spans, *edits.delays, *edits.parameters)
        for edit in every:
            with placed(edit):
                if not isinstance(edit, ParameterEdit) or edit.track not in drums:  # of all mics of a drum
                    take.track(edit.track)
                if isinstance(edit, ParameterEdit):
                    registry.get_processor(edit.processor)
        processors = tuple(_with_parameters(p, edits) for p in self.processors)
        return take, processors

    def to_dict(self) -> dict[str, Any]:
        """Give the chain as plain data."""
        return {"schema": SCHEMA, "chain": [p.to_dict() for p in self.processors]}

    @classmethod
    def from_dict(cls, entry: Mapping[str, Any]) -> Self:
        """Build a chain from plain data, as in a chain file.

        Raises
        ------
        ParameterError
            Unknown key, processor or parameter, value out of range.
        """
        for key in entry:
            if key not in ("schema", "chain"):
                raise ParameterError(f"chain: unknown key '{key}'; {nearest(key, ('schema', 'chain'))}")
        if entry.get("schema", SCHEMA) != SCHEMA:
            raise ParameterError(f"chain: schema {entry['schema']!r} is not known to this version; it reads {SCHEMA}")
        listed: Any = entry.get("chain", ())
        if isinstance(listed, str) or not isinstance(listed, Iterable):
            raise ParameterError(f"chain: {listed!r} is no list of processors")
        processors = []
        for item in listed:
            if not isinstance(item, Mapping) or "processor" not in item:
                raise ParameterError("chain: every entry needs the key 'processor'")
            if not isinstance(item["processor"], str):
                raise ParameterError(f"chain: processor {item['processor']!r} is no name")
            processors.append(registry.get_processor(item["processor"]).from_dict(item))
        return cls(processors=tuple(processors))

    @classmethod
    def asked_by(cls, plan: Plan) -> Self:
        """Build the chain that a plan was asked for: without what corrections set, with what was taken back since.

        Raises
        ------
        ParameterError
            If a processor is not installed any more.
        """
        entries = plan.figures.get(ASKED, {}).get("chain", plan.chain)
        return cls.from_dict({"chain": [{k: v for k, v in e.items() if k != "version"} for e in entries]})

    @classmethod
    def from_names(cls, names: Iterable[str] = DEFAULT) -> Self:
        """Build a chain of processors with their default parameters."""
        return cls(processors=tuple(registry.get_processor(n)() for n in names))


class Memory:
    """What a chain has measured and decided, so that a correction costs only what it touches.

    Parameters
    ----------
    keep : bool
        False: remembers nothing beyond one call.
    """

    def __init__(self, keep: bool = True) -> None:
        self.keep = keep
        self._take: tuple[str, Take] | None = None
        self._plans: dict[str, tuple[str, Plan]] = {}

    def measured(
        self, take: Take, roles: tuple[RoleEdit, ...], names: frozenset[str], work: Path | None, hashed: bool = True
    ) -> Take:
        """Return the take with its features, measured or remembered."""
        key = repr((roles, sorted(names), hashed))
        if self._take is None or self._take[0] != key:
            self._take = (key, measure(take, names, work, hashed))
        return self._take[1]

    @property
    def outlines(self) -> Mapping[str, NDArray[np.int8]]:
        """Pictures of the tracks, drawn while they were measured; empty before that."""
        return self._take[1].outlines if self._take is not None else {}

    def decided(self, key: str, p: Processor, take: Take, plan: Plan) -> Plan:
        """Return what a processor makes of a plan; `key` stands for everything that went into both."""
        held = self._plans.get(p.name)
        if held is None or held[0] != key:
            held = (key, _one(p, take, plan))
            if self.keep:
                self._plans[p.name] = held
        return held[1]


def _lay(plan: Plan, edits: Corrections, find: Callable[[str], str], unset: tuple[str, ...]) -> Plan:
    plan, unmatched = lay_hits(lay_spans(plan, edits, find), edits, find)
    for code, texts in (("correction.hit", unmatched), ("correction.parameter", unset)):
        asked = tuple(Question(code=code, text=f"{text}; is it still wanted?") for text in texts)
        plan = plan.with_questions(code, asked)
    return plan


def _levelled(take: Take, plan: Plan) -> Plan:
    """Measure how loud the strokes are that were added, against the loudest that was found on the same track."""

    def fresh(track: str, time_s: float) -> float:
        at, n = round(time_s * take.sr), round(WINDOW_S * take.sr)
        return fresh_level_db(take.read(take.track(track), at - n, at + n))

    added = {h.track for h in plan.hits if h.source == "added"}
    loudest: dict[str, Hit] = {}
    for h in plan.hits:
        if (
            h.track in added
            and h.source != "added"
            and (h.track not in loudest or h.level_db > loudest[h.track].level_db)
        ):
            loudest[h.track] = h
    levels = {t: fresh(t, h.time_s) - h.level_db for t, h in loudest.items()}
    hits = tuple(
        dataclasses.replace(h, level_db=round(min(max(fresh(h.track, h.time_s) - levels[h.track], -60.0), 0.0), 2))
        if h.source == "added" and h.track in levels
        else h
        for h in plan.hits
    )
    return plan.replace(hits=hits) if hits != plan.hits else plan


def with_roles(take: Take, edits: Corrections) -> Take:
    """Give the take as the corrections say which mic each track is.

    Parameters
    ----------
    take : Take
    edits : Corrections

    Returns
    -------
    take : Take

    Raises
    ------
    PlanError
        Names the correction that speaks of a track or a mic there is not.
    """
    for edit in edits.roles:
        with placed(edit):
            chosen = take.track(edit.track)
            new = with_role(chosen, edit.role, edit.drum, edit.position)
        take = take.replace(tracks=tuple(new if t is chosen else t for t in take.tracks))
    return take


def _with_parameters(p: Processor, edits: Corrections) -> Processor:
    for edit in edits.parameters:
        if edit.processor == p.name:
            own = {**p.tracks.get(edit.track, {}), edit.name: edit.value}
            with placed(edit):
                p = dataclasses.replace(p, tracks={**p.tracks, edit.track: own})
    return p


def begin(take: Take) -> Plan:
    """Give the plan before the first decision: only what it is about."""
    facts = tuple(
        TrackFacts(
            track=t.id,
            file=t.file.name,
            channel=t.channel,
            role=t.role,
            drum=t.drum,
            position=t.position,
            sr=take.sr,
            n_samples=t.stop - t.start,
            start=t.start,
            fingerprint=take.fingerprints.get(t.file.name, ""),
            peak=take.peaks.get(t.id, 0.0),
            label=t.label,
        )
        for t in take.tracks
    )
    return Plan(sr=take.sr, n_samples=take.n_samples, tracks=facts)


def _one(p: Processor, take: Take, plan: Plan) -> Plan:
    whose = registry.listing().get(p.name)
    foreign = whose is not None and whose.distribution != "spillgate"
    try:
        new: Any = p.decide(take, plan)
    except AudioFileError:
        raise  # a recording's fault, not the processor's
    except DspError as error:
        if not foreign or whose is None or isinstance(error, PluginError):
            raise
        raise type(error)(f"{whose.distribution}: processor '{p.name}': {error}") from error
    except (Exception, SystemExit) as error:
        if not foreign or whose is None:
            raise
        text = f"{whose.distribution}: processor '{p.name}' failed ({type(error).__name__}: {error})"
        raise PluginError(text) from error
    if not isinstance(new, Plan):
        label = whose.distribution if whose else type(p).__module__
        raise PluginError(f"{label}: processor '{p.name}' returned {type(new).__name__}, not a plan")
    if foreign and whose is not None:
        fault = _fault_of(new, take)
        if fault:
            raise PluginError(f"{whose.distribution}: processor '{p.name}' made a plan that cannot be used ({fault})")
    record = {**p.to_dict(), "version": whose.version if whose else ""}
    return new.replace(chain=(*new.chain, record))


def _fault_of(plan: Plan, take: Take) -> str:
    """Say why a plan that a third party made cannot be stored and rendered; empty if it can."""
    try:
        from_json(to_json(plan), plan.arrays)
        named = {*plan.steps, *(h.track for h in plan.hits), *(a.track for a in plan.alignments)}
    except Exception as error:  # whatever a stranger put where hits, steps or figures belong
        return str(error)
    strange = sorted(named - {t.id for t in take.tracks})
    if strange:
        return f"{strange[0]!r} is no track of {take.name}"
    for track, specs in plan.steps.items():
        for spec in specs:
            missing = sorted(a for a in spec.arrays.values() if a not in plan.arrays)
            if missing:
                return f"step '{spec.step}' on {track} names the array {missing[0]!r}, which is not there"
    return ""
