"""The engineer's corrections: read, written, and laid over a plan.

One schema in TOML or JSON; times are seconds from the file's first sample, as in ``hits.csv``::

    schema = 1

    [[hit]]                     # do: keep, leave out, add, move, ring
    track = "Floor Tom"         # file name (with or without ending) or the drum's name
    time_s = 12.345             # matched within 15 ms
    do = "move"
    to_s = 12.351               # for move
    ring_until_s = 14.2         # optional: how long its ring is kept

    [[span]]                    # do: keep, silence
    track = "Floor Tom"
    from_s = 30.0
    to_s = 31.5
    do = "silence"

    [[parameter]]
    track = "Floor Tom"
    processor = "gate"
    name = "floor_db"
    value = -18.0               # "off" where a parameter can be off

    [[delay]]                   # what the render does to this track, whatever was measured
    track = "Snare Top"
    samples = 140.25            # positive = later
    polarity = 1

    [[role]]
    track = "Audio 07"
    role = "tom"
    drum = "tom2"
    position = "top"            # optional
"""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Self

from spillgate.dsp import reading
from spillgate.dsp.errors import PlanError, nearest
from spillgate.dsp.plan.model import Alignment, Hit, Plan, Question, Span, StepSpec

__all__ = [
    "MATCH_S",
    "Corrections",
    "DelayEdit",
    "HitEdit",
    "ParameterEdit",
    "RoleEdit",
    "SpanEdit",
    "lay_delays",
    "lay_hits",
    "lay_spans",
    "read_corrections",
]

SCHEMA = 1

MATCH_S = 0.015
"""A correction belongs to the nearest hit within this distance (also the least distance of two hits)."""

_FARTHEST = defaultdict(lambda: 1e6, samples=1e7, value=math.inf)
"""Times in seconds (eleven days) and delays in samples beyond which they are slips of the pen (common practice)."""

_HIT_WORDS = ("keep", "leave out", "add", "move", "ring")
_SPAN_WORDS = ("keep", "silence")


@dataclass(frozen=True, kw_only=True)
class HitEdit:
    """Overrules one hit.

    Attributes
    ----------
    track : str
    time_s : float
        Where the hit was found, or is to be added; from the file's first sample.
    do : {'keep', 'leave out', 'add', 'move', 'ring'}
    to_s : float or None
        New place, for ``move``.
    ring_until_s : float or None
        Until when its ring is kept.
    """

    table: ClassVar[str] = "hit"
    track: str
    time_s: float
    do: str
    to_s: float | None = None
    ring_until_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class SpanEdit:
    """Keeps or silences a span of one track.

    Attributes
    ----------
    track : str
    from_s, to_s : float
    do : {'keep', 'silence'}
    """

    table: ClassVar[str] = "span"
    track: str
    from_s: float
    to_s: float
    do: str


@dataclass(frozen=True, kw_only=True)
class ParameterEdit:
    """Sets one processor's parameter for one track.

    Attributes
    ----------
    track, processor, name : str
    value : float, int, bool or str
    """

    table: ClassVar[str] = "parameter"
    track: str
    processor: str
    name: str
    value: Any


@dataclass(frozen=True, kw_only=True)
class DelayEdit:
    """Sets what the render does to one track.

    Attributes
    ----------
    track : str
    samples : float
        Positive = later.
    polarity : {1, -1}
    """

    table: ClassVar[str] = "delay"
    track: str
    samples: float
    polarity: int = 1


@dataclass(frozen=True, kw_only=True)
class RoleEdit:
    """Says which mic a track is.

    Attributes
    ----------
    track, role : str
    drum, position : str or None
    """

    table: ClassVar[str] = "role"
    track: str
    role: str
    drum: str | None = None
    position: str | None = None


Edit = HitEdit | SpanEdit | ParameterEdit | DelayEdit | RoleEdit
_KINDS: tuple[type[Any], ...] = (HitEdit, SpanEdit, ParameterEdit, DelayEdit, RoleEdit)


@dataclass(frozen=True, kw_only=True)
class Corrections:
    """All corrections of one take, in the order they were made.

    Attributes
    ----------
    hits, spans, parameters, delays, roles : tuple
        Of `HitEdit`, `SpanEdit`, `ParameterEdit`, `DelayEdit`, `RoleEdit`.
    source : str
        Where they come from, for messages.
    """

    hits: tuple[HitEdit, ...] = ()
    spans: tuple[SpanEdit, ...] = ()
    parameters: tuple[ParameterEdit, ...] = ()
    delays: tuple[DelayEdit, ...] = ()
    roles: tuple[RoleEdit, ...] = ()
    source: str = field(default="corrections", compare=False)

    def __bool__(self) -> bool:
        return bool(self.hits or self.spans or self.parameters or self.delays or self.roles)

    @property
    def tracks(self) -> frozenset[str]:
        """Names of the tracks whose hits, spans or delays are overruled."""
        hits = {e.track for e in self.hits}
        return frozenset(hits | {e.track for e in self.spans} | {e.track for e in self.delays})

    def to_dict(self) -> dict[str, Any]:
        """Give the corrections as plain data; what is unset is left out."""
        out: dict[str, Any] = {"schema": SCHEMA}
        for kind in _KINDS:
            rows = [
                {k: v for k, v in dataclasses.asdict(e).items() if v is not None}
                for e in getattr(self, kind.table + "s")
            ]
            if rows:
                out[kind.table] = rows
        return out

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], source: str = "corrections") -> Self:
        """Build corrections from plain data.

        Parameters
        ----------
        data : mapping
            As `to_dict` gives.
        source : str
            File name for messages.

        Raises
        ------
        PlanError
            Names the file, the table and its number, the key, and the nearest known name.
        """
        if not isinstance(data, Mapping):
            raise PlanError(f"{source}: is no table of corrections")
        try:
            reading.plain(data)
        except ValueError as error:
            raise PlanError(f"{source}: holds {error}; mend that place") from error
        if data.get("schema", SCHEMA) != SCHEMA:
            raise PlanError(f"{source}: schema {data['schema']!r} is not known to this version; it reads {SCHEMA}")
        tables = {kind.table: kind for kind in _KINDS}
        for key in data:
            if key != "schema" and key not in tables:
                raise PlanError(f"{source}: unknown table '{key}'; {nearest(str(key), tables)}")
        found: dict[str, tuple[Any, ...]] = {}
        for name, kind in tables.items():
            rows = data.get(name, [])
            if not isinstance(rows, Sequence) or isinstance(rows, str):
                raise PlanError(f"{source}: '{name}' must be a list of tables; write [[{name}]]")
            found[name + "s"] = tuple(_edit(kind, row, f"{source}: [[{name}]] {k + 1}") for k, row in enumerate(rows))
        return cls(source=source, **found)

    def to_toml(self) -> str:
        """Give the corrections as TOML text."""
        import tomlkit

        document = tomlkit.document()
        document.add(tomlkit.comment("Corrections: laid over the plan by 'spillgate run' and 'spillgate render'."))
        for key, value in self.to_dict().items():
            document.add(key, tomlkit.item(value))
        return tomlkit.dumps(document)


def read_corrections(path: Path) -> Corrections:
    """Read a corrections file.

    Parameters
    ----------
    path : Path
        TOML, or JSON if the name ends with ``.json``.

    Returns
    -------
    corrections : Corrections

    Raises
    ------
    PlanError
        The file and the place in it that is wrong.
    """
    try:
        text = reading.read_text(path)
        data = reading.from_json(text) if path.suffix.lower() == ".json" else reading.from_toml(text)
    except ValueError as error:
        raise PlanError(f"{path.name}: cannot be read ({error}); mend that place") from error
    return Corrections.from_dict(data, path.name)


def _edit(kind: type[Any], row: object, where: str) -> Any:
    if not isinstance(row, Mapping):
        raise PlanError(f"{where}: is no table")
    fields = {f.name: f for f in dataclasses.fields(kind)}
    values: dict[str, Any] = {}
    for key, value in row.items():
        if key not in fields:
            raise PlanError(f"{where}: unknown key '{key}'; {nearest(str(key), fields)}")
        values[key] = _typed(value, str(fields[key].type), f"{where}: {key}")
    for name, f in fields.items():
        if name not in values and f.default is dataclasses.MISSING:
            raise PlanError(f"{where}: the key '{name}' is missing")
    edit = kind(**values)
    problem = _problem(edit)
    if problem:
        raise PlanError(f"{where}: {problem}")
    return edit


def _typed(value: Any, annotation: str, where: str) -> Any:
    if annotation.startswith("float") or annotation == "int":
        number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not number:
            raise PlanError(f"{where}: {value!r} is not a number")
        return int(value) if annotation == "int" and value == int(value) else float(value)
    if annotation.startswith("str") and not isinstance(value, str):
        raise PlanError(f"{where}: {value!r} is not text")
    if annotation == "Any" and not isinstance(value, int | float | str | bool):
        raise PlanError(f"{where}: {value!r} is not a plain value")
    return str(value) if isinstance(value, str) else value


def _problem(edit: Edit) -> str:
    far = next((k for k, v in dataclasses.asdict(edit).items() if isinstance(v, float) and abs(v) > _FARTHEST[k]), "")
    if far:
        return f"{far} = {getattr(edit, far):g} lies beyond any recording"
    if isinstance(edit, HitEdit):
        if edit.do not in _HIT_WORDS:
            return f"do = {edit.do!r} is not known; {nearest(edit.do, _HIT_WORDS)}"
        if edit.do == "move" and edit.to_s is None:
            return "a moved hit needs to_s"
        if edit.do == "ring" and edit.ring_until_s is None:
            return "do = 'ring' needs ring_until_s"
        if edit.ring_until_s is not None and edit.ring_until_s <= edit.time_s:
            return "ring_until_s must be later than time_s"
    if isinstance(edit, SpanEdit):
        if edit.do not in _SPAN_WORDS:
            return f"do = {edit.do!r} is not known; {nearest(edit.do, _SPAN_WORDS)}"
        if edit.to_s <= edit.from_s:
            return "to_s must be later than from_s"
    if isinstance(edit, DelayEdit) and edit.polarity not in (1, -1):
        return f"polarity = {edit.polarity!r} is not allowed; use 1 or -1"
    return ""


def lay_hits(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> tuple[Plan, tuple[str, ...]]:
    """Lay the hit corrections over a plan's hits.

    Parameters
    ----------
    plan : Plan
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    unmatched : tuple of str
        One sentence for every correction that fits no hit.

    Notes
    -----
    A stroke is one hit in each close mic of its drum: keeping, leaving out and moving act on all of them, by the
    same amount of time.  Questions that a correction answers are gone.  The times that were found in the tracks
    whose hits changed stay in ``figures["corrections"]["found"]``: whatever a processor learns from them about *other*
    tracks, it learns from there, so that overruling a hit changes its own drum and nothing else.
    """
    hits = list(plan.hits)
    unmatched: list[str] = []
    facts = {t.track: t for t in plan.tracks}
    for edit in corrections.hits:
        track = find(edit.track)
        fact = facts[track]
        offset = fact.start / plan.sr
        time = edit.time_s + offset
        mics = [t.track for t in plan.tracks if t.drum == fact.drum and t.drum is not None and t.role == fact.role]
        if edit.do == "add" and not 0.0 <= edit.time_s <= fact.n_samples / plan.sr:
            length = f"{fact.n_samples / plan.sr:.3f} s"
            unmatched.append(f"{corrections.source}: {edit.track} has no {edit.time_s:.3f} s (it lasts {length})")
            continue
        if edit.do == "add":
            close = [k for k, h in enumerate(hits) if h.track == track and abs(h.time_s - time) <= MATCH_S]
            if not close:
                until = None if edit.ring_until_s is None else edit.ring_until_s + offset
                new = Hit(track=track, drum=fact.drum or "", time_s=time, level_db=0.0, confidence=1.0, source="added")
                hits += [dataclasses.replace(new, track=m, ring_until_s=until) for m in mics or [track]]
                continue
        found = _stroke(hits, track, mics, time)
        if not found:
            unmatched.append(
                f"{corrections.source}: no hit of {edit.track} within 15 ms of {edit.time_s:.3f} s, "
                f"so '{edit.do}' was not done"
            )
            continue
        if edit.do == "leave out":
            hits = [h for k, h in enumerate(hits) if k not in found]
            continue
        by = (edit.to_s - edit.time_s) if edit.do == "move" and edit.to_s is not None else 0.0
        for k in found:
            h = hits[k]
            source = "moved" if edit.do == "move" else h.source
            until = h.ring_until_s if edit.ring_until_s is None else edit.ring_until_s + offset
            hits[k] = dataclasses.replace(h, time_s=h.time_s + by, confidence=1.0, source=source, ring_until_s=until)
    corrected = plan.with_hits(tuple(hits))
    changed = [t.track for t in plan.tracks if plan.hits_of(t.track) != corrected.hits_of(t.track)]
    found_s = {track: [h.time_s for h in plan.hits_of(track)] for track in changed}
    if found_s:
        corrected = corrected.with_figures("corrections", {"found": found_s})
    return _answered(corrected, corrections, find), tuple(unmatched)


def _answered(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Take out the questions about strokes and drums that the corrections answer."""
    facts = {t.track: t for t in plan.tracks}
    drum_of = {t.track: t.drum or t.track for t in plan.tracks}
    edits = [
        (drum_of[find(e.track)], e.time_s + facts[find(e.track)].start / plan.sr)
        for e in corrections.hits
        if e.do != "ring"
    ]

    def open_still(q: Question) -> bool:
        if not q.code.startswith("detect.") or q.track not in drum_of:
            return True
        mine = [time for drum, time in edits if drum == drum_of[q.track]]
        if q.time_s is None:
            return not mine
        return not any(abs(time - q.time_s) <= MATCH_S for time in mine)

    return plan.replace(questions=tuple(q for q in plan.questions if open_still(q)))


def _stroke(hits: Sequence[Hit], track: str, mics: Sequence[str], time: float) -> set[int]:
    """Indices of the hits that are one stroke: the nearest in `track`, and those of its drum's other mics near it."""
    own = [k for k, h in enumerate(hits) if h.track == track and abs(h.time_s - time) <= MATCH_S]
    if not own:
        return set()
    nearest_one = min(own, key=lambda k: (abs(hits[k].time_s - time), k))
    found = {nearest_one}
    for mic in mics:
        near = [k for k, h in enumerate(hits) if h.track == mic and abs(h.time_s - hits[nearest_one].time_s) <= MATCH_S]
        if mic != track and near:
            found.add(min(near, key=lambda k: (abs(hits[k].time_s - hits[nearest_one].time_s), k)))
    return found


def lay_spans(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Write the span corrections into a plan, where the processors that make masks find them.

    Parameters
    ----------
    plan : Plan
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    """
    facts = {t.track: t for t in plan.tracks}
    spans = []
    for edit in corrections.spans:
        track = find(edit.track)
        offset = facts[track].start / plan.sr
        keep = edit.do == "keep"
        spans.append(Span(track=track, start_s=edit.from_s + offset, stop_s=edit.to_s + offset, keep=keep))
    return plan.replace(spans=tuple(spans))


def lay_delays(plan: Plan, corrections: Corrections, find: Callable[[str], str]) -> Plan:
    """Lay the delay corrections over a plan's alignments and moving steps.

    Parameters
    ----------
    plan : Plan
    corrections : Corrections
    find : callable
        Turns a name in a correction into a track id.

    Returns
    -------
    plan : Plan
    """
    for edit in corrections.delays:
        track = find(edit.track)
        moved = edit.samples != 0 or edit.polarity != 1
        old = next((a for a in plan.alignments if a.track == track), None)
        new = Alignment(
            track=track,
            measured_samples=old.measured_samples if old else 0.0,
            measured_polarity=old.measured_polarity if old else 1,
            delay_samples=edit.samples,
            polarity=edit.polarity,
            target=old.target if old else "",
            margin=old.margin if old else 0.0,
            confidence="sure",
            applied=moved,
            reason="set by hand",
        )
        rest = tuple(new if a.track == track else a for a in plan.alignments)
        others = tuple(s for s in plan.steps.get(track, ()) if s.step != "move")
        params = {"delay_samples": edit.samples, "polarity": edit.polarity}
        step = (StepSpec(step="move", params=params, by="align"),) if moved else ()
        plan = plan.replace(
            alignments=rest if old else (*rest, new),
            steps={t: s for t, s in {**plan.steps, track: others + step}.items() if s},
        )
    return plan
