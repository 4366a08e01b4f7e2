"""The engineer's corrections: read and written.

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

import contextlib
import dataclasses
import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar, Self

from spillgate.dsp import reading
from spillgate.dsp.errors import DspError, PlanError, nearest

__all__ = [
    "Corrections",
    "DelayEdit",
    "Edit",
    "HitEdit",
    "ParameterEdit",
    "RoleEdit",
    "SpanEdit",
    "read_corrections",
]

SCHEMA = 1

_FARTHEST = defaultdict(lambda: 1e6, samples=1e7, value=math.inf)
"""Times in seconds (eleven days) and delays in samples beyond which they are slips of the pen (common practice)."""

_PLACE: Any = field(default="", compare=False, repr=False)
"""Where a correction stands, for messages: file, table and number; no part of what it says."""

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
    where : str
        Place for messages: file, table and number.
    """

    table: ClassVar[str] = "hit"
    track: str
    time_s: float
    do: str
    to_s: float | None = None
    ring_until_s: float | None = None
    where: str = _PLACE


@dataclass(frozen=True, kw_only=True)
class SpanEdit:
    """Keeps or silences a span of one track.

    Attributes
    ----------
    track : str
    from_s, to_s : float
    do : {'keep', 'silence'}
    where : str
        Place for messages: file, table and number.
    """

    table: ClassVar[str] = "span"
    track: str
    from_s: float
    to_s: float
    do: str
    where: str = _PLACE


@dataclass(frozen=True, kw_only=True)
class ParameterEdit:
    """Sets one processor's parameter for one track.

    Attributes
    ----------
    track, processor, name : str
    value : float, int, bool or str
    where : str
        Place for messages: file, table and number.
    """

    table: ClassVar[str] = "parameter"
    track: str
    processor: str
    name: str
    value: Any
    where: str = _PLACE


@dataclass(frozen=True, kw_only=True)
class DelayEdit:
    """Sets what the render does to one track.

    Attributes
    ----------
    track : str
    samples : float
        Positive = later.
    polarity : {1, -1}
    where : str
        Place for messages: file, table and number.
    """

    table: ClassVar[str] = "delay"
    track: str
    samples: float
    polarity: int = 1
    where: str = _PLACE


@dataclass(frozen=True, kw_only=True)
class RoleEdit:
    """Says which mic a track is.

    Attributes
    ----------
    track, role : str
    drum, position : str or None
    where : str
        Place for messages: file, table and number.
    """

    table: ClassVar[str] = "role"
    track: str
    role: str
    drum: str | None = None
    position: str | None = None
    where: str = _PLACE


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
                {k: v for k, v in dataclasses.asdict(e).items() if v is not None and k != "where"}
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


@contextlib.contextmanager
def placed(edit: Edit) -> Iterator[None]:
    """Begin whatever is wrong with a correction with its place.

    Parameters
    ----------
    edit : HitEdit, SpanEdit, ParameterEdit, DelayEdit or RoleEdit

    Raises
    ------
    PlanError
        In place of any error of ours.
    """
    try:
        yield
    except DspError as error:
        raise PlanError(f"{edit.where}: {error}" if edit.where else str(error)) from error


def _edit(kind: type[Any], row: object, where: str) -> Any:
    if not isinstance(row, Mapping):
        raise PlanError(f"{where}: is no table")
    fields = {f.name: f for f in dataclasses.fields(kind) if f.name != "where"}
    values: dict[str, Any] = {}
    for key, value in row.items():
        if key not in fields:
            raise PlanError(f"{where}: unknown key '{key}'; {nearest(str(key), fields)}")
        values[key] = _typed(value, str(fields[key].type), f"{where}: {key}")
    for name, f in fields.items():
        if name not in values and f.default is dataclasses.MISSING:
            raise PlanError(f"{where}: the key '{name}' is missing")
    edit = kind(**values, where=where)
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
